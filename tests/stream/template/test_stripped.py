"""A template's scene made strip by strip: the rows of the scene that is made in one piece."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import torch
from PIL import Image

from models.composite import Overlay, Scene
from stream.template import Template, load_template
from stream.template.kept import Store

SIZE = (90, 60)
TEXT = """[[text]]
value = "{name}"
above = "%s"
box = [4, %d, 52, 20]
size = 16
least = 6
color = "#20a0ff"
shadow = { dx = 2, dy = 3, blur = 2, color = "#400000", opacity = 0.7 }
"""
HEAD = """[picture]
width_in = 2
height_in = 3
ppi = 30
[slot]
above = "sky"
"""


def _template(folder: Path, texts: str, modes: str = "", size: tuple[int, int] = SIZE) -> Template:
    """Layers with holes and half coverage, and words wherever wanted."""
    folder.mkdir()
    generator = torch.Generator().manual_seed(3)
    for name, low in (("10-ground", 255), ("20-sky", 90), ("30-veil", 0), ("40-frame", 0)):
        pixels = torch.randint(0, 256, (*size, 4), generator=generator, dtype=torch.uint8)
        pixels[..., 3].clamp_(min=low)
        Image.fromarray(pixels.numpy(), "RGBA").save(folder / f"{name}.png")
    (folder / "template.toml").write_text(HEAD + modes + texts, "utf-8")
    return load_template(folder)


def _tensors(scene: Scene) -> list[torch.Tensor]:
    steps = [step for run in scene.runs for step in run]
    fields: Callable[[Overlay], list[torch.Tensor | None]] = lambda s: [  # noqa: E731
        *(s.gain, s.offset, s.rgb_enc, s.alpha, s.coverage)
    ]
    return [scene.below, *(t for s in steps for t in fields(s) if t is not None)]


MODE = '[[layer]]\nname = "veil"\nmode = "{}"\n'
CASES = {
    "no words": ("", ""),
    "words above": (TEXT % ("frame", 60), MODE.format("multiply")),
    "words below": (TEXT % ("ground", 10), MODE.format("soft-light")),
    "words everywhere": (
        "".join(TEXT % (n, y) for n, y in (("ground", 3), ("sky", 34), ("veil", 50))),
        "",
    ),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("budgets", [(1 << 20, 1 << 24), (0, 1 << 24), (0, 0)], ids=str)
def test_strips_are_rows_of_the_scene(case: str, budgets: tuple[int, int], tmp_path: Path) -> None:
    """From memory, from the disk, and where nothing can be kept."""
    texts, modes = CASES[case]
    template = _template(tmp_path / "t", texts, modes)
    fields = {"name": "Mira Åsa"}
    for size in (SIZE, (131, 87)):
        want = template.scene(size, fields)
        store = Store(tmp_path / f"kept-{size[0]}", *budgets)
        scenes = template.kept_in(store).strips(size, fields)
        for first, last in (
            (0, 1),
            (1, 38),
            (38, size[0] - 1),
            (size[0] - 1, size[0]),
            (0, size[0]),
        ):
            got = scenes.rows(slice(first, last))
            rows = want.window(slice(first, last), slice(0, size[1]))
            assert got.order == want.order
            pairs = zip(_tensors(got), _tensors(rows), strict=True)
            assert all(torch.allclose(a, b, rtol=0, atol=1e-6) for a, b in pairs)
