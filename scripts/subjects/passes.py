"""What is rendered of a subject, and the three files that it becomes."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from models.training.subjects import Picture, Subject, encode
from scripts.subjects.renderer import Renderer
from scripts.subjects.subject import SIZE, Scene
from stream.errors import UserError

ALPHA_SAMPLES, COLOR_SAMPLES = 32, 12
# Colours vary slowly and are rendered at this share of the size, in per cent; alpha is not.
COLOR_PERCENT = 66
# What the screen of scene.py reflects, and a grey of the same luminance (ITU-R BT.709-6).
_SCREEN = (0.03, 0.40, 0.07)
_GREY = 0.2126 * _SCREEN[0] + 0.7152 * _SCREEN[1] + 0.0722 * _SCREEN[2]
# Bounds of the mean alpha: beyond them hardly anything, or nothing else, is seen.
LEAST_COVER, MOST_COVER = 0.04, 0.97
# A subject whose solid parts are darker than this in the mean was rendered without its light.
LEAST_LIGHT = 0.004
_JPEG = [
    cv2.IMWRITE_JPEG_QUALITY,
    94,
    cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
    cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
]


class UnsoundError(UserError):
    """A rendered picture that cannot be right."""


def _turn_grey(screen: Any) -> None:
    tree = screen.data.materials[0].node_tree
    color = tree.nodes["Principled BSDF"].inputs["Base Color"]
    for link in list(color.links):
        tree.links.remove(link)
    color.default_value = (_GREY, _GREY, _GREY, 1)


@contextmanager
def _exact_alpha(draw: Renderer) -> Iterator[None]:
    """Materials for the alpha pass, meanwhile.

    One that mixes with a see-through one becomes a single tinted see-through one, whose alpha has
    no noise; an opaque one becomes plain black, which is quick.
    """
    undo = []
    for material in draw.bpy.data.materials:
        if not material.use_nodes:
            continue
        tree = material.node_tree
        surface = tree.nodes["Material Output"].inputs[0]
        if not surface.links:
            continue
        shader, socket = surface.links[0].from_node, surface.links[0].from_socket
        undo.append((tree, socket, surface))
        through = shader.type == "MIX_SHADER" and shader.inputs[1].links
        if not through or through[0].from_node.type != "BSDF_TRANSPARENT":
            black = tree.nodes.new("ShaderNodeEmission")
            black.inputs[1].default_value = 0
            tree.links.new(black.outputs[0], surface)
            continue
        rest = tree.nodes.new("ShaderNodeMath")
        rest.operation, rest.use_clamp = "SUBTRACT", True
        rest.inputs[0].default_value = 1
        if shader.inputs[0].links:
            tree.links.new(shader.inputs[0].links[0].from_socket, rest.inputs[1])
        else:
            rest.inputs[1].default_value = shader.inputs[0].default_value
        clear = tree.nodes.new("ShaderNodeBsdfTransparent")
        tree.links.new(rest.outputs[0], clear.inputs[0])
        tree.links.new(clear.outputs[0], surface)
    try:
        yield
    finally:
        for tree, socket, surface in undo:
            tree.links.new(socket, surface)


def rendered(draw: Renderer, made: Scene, seed: int) -> Subject:
    """Render alpha, the subject before the green screen, and before a grey one.

    Intermediate files are written beside one another in the renderer's temporary folder and are
    taken away again. The scene's screen is grey afterwards.
    """
    files = [Path(draw.scene.TMP) / f"r{seed}_{end}.exr" for end in "AFN"]
    noise = seed % 1000

    def color(name: str) -> Picture:
        # One seed for both: training multiplies their difference, the screen's light, and noise
        # that they share is not in it.
        shot, _ = draw.scene.shoot(made.scene, name, COLOR_SAMPLES, COLOR_PERCENT, seed=noise)
        out: Picture = np.maximum(draw.scene.straight(shot, SIZE), 0)
        return out

    try:
        draw.scene.vis([made.screen], camera=False)
        draw.scene.vis(made.subject)
        with _exact_alpha(draw):
            alpha, _ = draw.scene.alpha(made.scene, files[0].stem, ALPHA_SAMPLES, seed=noise)
        lit = color(files[1].stem)
        _turn_grey(made.screen)
        neutral = color(files[2].stem)
    finally:
        for path in files:
            path.unlink(missing_ok=True)
    # Less than two of the 4095 steps that are kept is noise.
    return Subject(np.where(alpha < 1 / 2048, 0, alpha), lit, neutral)


def check(picture: Subject) -> None:
    """Refuse what cannot be right.

    Raises:
        UnsoundError: it covers next to nothing or all, holds what is no number, or has no light.
    """
    cover = float(picture.alpha.mean())
    if not LEAST_COVER < cover < MOST_COVER:
        raise UnsoundError(f"mean alpha {cover:.3f}; need {LEAST_COVER} to {MOST_COVER}")
    if not (np.isfinite(picture.lit).all() and np.isfinite(picture.neutral).all()):
        raise UnsoundError("a colour is no number")
    solid = picture.lit[picture.alpha > 0.9]
    if not solid.size or solid.mean() < LEAST_LIGHT:
        raise UnsoundError("its solid parts are black")


def _write(path: Path, codes: Any, options: list[int]) -> None:
    good, data = cv2.imencode(path.suffix, codes, options)
    assert good
    part = path.with_suffix(".part")
    part.write_bytes(data.tobytes())
    part.replace(path)


def alpha_file(out: Path, name: str) -> Path:
    """The file whose presence says that a subject is finished: it is written last."""
    return out / f"{name}_a.png"


def write(picture: Subject, out: Path, name: str) -> None:
    """Write NAME_f.jpg, NAME_n.jpg (sRGB; black well outside) and NAME_a.png (16 bit, 12 used)."""
    near = cv2.dilate((picture.alpha > 0).astype(np.uint8), np.ones((9, 9))) > 0
    for end, color in (("f", picture.lit), ("n", picture.neutral)):
        codes = (encode(color * near[..., None]) + 0.5).clip(0, 255).astype(np.uint8)
        _write(out / f"{name}_{end}.jpg", codes[..., ::-1], _JPEG)
    codes = (np.round(picture.alpha * 4095) * 16).clip(0, 65535).astype(np.uint16)
    _write(alpha_file(out, name), codes, [cv2.IMWRITE_PNG_COMPRESSION, 9])
