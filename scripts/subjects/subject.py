"""One seed's scene: a screen, lights, people, what they wear and hold, a camera."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

from scripts.subjects import cloth, glassware, plumes, things
from scripts.subjects.chance import HELD, KINDS, Array, Chance
from scripts.subjects.people import Figure, described, stand
from scripts.subjects.renderer import Renderer
from scripts.subjects.shapes import move

SIZE = (720, 960)
"""Width and height of the pictures, pixels."""

# What makes each kind; a mirroring garment is part of the person.
MAKERS: dict[str, Callable[[Chance, Figure], list[Any]]] = {
    "metal": things.metal,
    "veil": cloth.veil,
    "lace": cloth.lace,
    "net": cloth.net,
    "glass": glassware.glass,
    "wheel": things.wheel,
    "racket": things.racket,
    "fan": things.fan,
    "feather": plumes.feather,
    "hat": plumes.hat,
    "ball": things.ball,
    "stick": things.stick,
    "tutu": cloth.tutu,
    "fringe": cloth.fringe,
}
# Of pictures: more than one person, motion, and a lens that is out of focus away from them.
SEVERAL, BLURRED, SHALLOW = 0.1, 0.25, 0.22


@dataclass(frozen=True)
class Scene:
    """A scene, ready to be rendered.

    Attributes:
        scene: Blender's.
        screen: the object behind.
        subject: every other object that is seen.
        label: its kinds, and what else is special.
    """

    scene: Any
    screen: Any
    subject: list[Any]
    label: str


def _set(draw: Renderer, chance: Chance, seed: int, shiny: bool) -> tuple[Any, Any]:
    """A scene with a screen, near and wide for what mirrors it, and its lights."""
    scene = draw.scene.reset()
    far = chance.between(0.6, 1.1) if shiny else chance.between(0.7, 1.9)
    wrinkled = float(chance.one_of(0, 0.01, 0.03))
    screen = draw.scene.screen(far, wrinkle=wrinkled, seed=seed, width=8 if shiny else 6)
    level = far / 1.4 * 26  # of the screen's lamps, which stand by the screen
    power = {"key": chance.between(35, 80), "fill": chance.between(10, 35)}
    power["rim"] = float(chance.one_of(0, 0, 10, 18))
    lamps = level * chance.between(0.6, 1.3), level * chance.between(0.6, 1.3)
    side = chance.one_of(-1, 1) * chance.between(1, 2.2)
    warm = 1, chance.between(0.93, 1), chance.between(0.85, 1)
    draw.scene.lights(scene, far, scr=lamps, kx=side, kcol=warm, **power)
    return scene, screen


def _add(chance: Chance, figure: Figure, kind: str) -> list[Any]:
    """The objects of a kind; where the picture shows motion, with their own."""
    if kind == "mirror":
        return []
    objects = MAKERS[kind](chance, figure)
    if not figure.blurred:
        return objects
    if kind in HELD or kind == "metal":
        turn_deg = chance.between(-8, 8) if kind in HELD else 0
        move(figure.draw, objects, figure.hand_way, turn_deg, figure.hand)
    elif kind in ("veil", "net") and chance.happens(0.5):
        way = chance.generator.normal(0, 0.015, 3)
        move(figure.draw, objects, way, chance.between(-3, 3), figure.hand)
    return objects


def _aim(
    draw: Renderer, chance: Chance, scene: Any, kinds: set[str], several: bool, hand: float
) -> bool:
    """Put up the camera so that the kinds are seen; whether its lens is shallow.

    Args:
        draw: what draws.
        chance: how close, how high, from where.
        scene: Blender's.
        kinds: of the first person.
        several: whether there are more people.
        hand: x of the hand that holds something.
    """
    wide, held = several or bool(kinds & {"tutu", "wheel"}), bool(kinds & (HELD | {"metal"}))
    if wide:
        high, at = chance.between(1.1, 1.5), chance.between(1.2, 1.35)
    elif held:
        high, at = chance.between(0.75, 1.2), chance.between(1.25, 1.45)
    elif chance.happens(0.45):
        high, at = chance.between(0.5, 0.8), chance.between(1.45, 1.6)
    else:
        high, at = chance.between(0.8, 1.3), chance.between(1.25, 1.4)
    shallow, far = chance.happens(SHALLOW), chance.between(2.5, 3.8)
    across = hand * chance.between(0.4, 0.65) if held else chance.between(-0.06, 0.06)
    if held:
        # The hand and the body's middle, with .13 m round them, within a width of 3/4.
        high = max(high, 2 * (max(abs(hand - across), abs(across)) + 0.13) / 0.75)
    if "tutu" in kinds:
        at = chance.between(1.1, 1.25)
    focus = None
    if shallow:
        focus = far + chance.between(-0.5, 0.4), float(chance.one_of(1.4, 2.0, 2.8))
    view = {"dist": far, "fh": high, "x": across * 0.7, "dof": focus}
    draw.scene.camera(scene, (across, 0, at), res=SIZE, **view)
    return shallow


def make(draw: Renderer, seed: int) -> Scene:
    """The scene of a seed."""
    chance = Chance(seed)
    kinds = chance.kinds()
    scene, screen = _set(draw, chance, seed, bool({"mirror", "metal"} & set(kinds)))
    people = 1
    if chance.happens(SEVERAL):
        people = 3 if chance.happens(0.3) else 2
    blurred = scene.render.use_motion_blur = chance.happens(BLURRED)
    scene.render.motion_blur_shutter = chance.between(0.4, 1)
    subject: list[Any] = []
    at = np.zeros(3)
    hand = 0.0
    for number in range(people):
        shown = kinds
        if number > 0:
            shown = chance.weighted(KINDS) if chance.happens(0.4) else []
        person = described(chance, seed * 10 + number, set(shown))
        at = _place(chance, number, at)
        # A fringe grows on the cloth as it stands, and would not go along with an arm.
        figure = stand(draw, chance, person, at, blurred, still="fringe" in shown)
        subject += figure.objects
        if number == 0:
            hand = float(figure.hand[0])
        for kind in shown:
            subject += _add(chance, figure, kind)
        if chance.happens(0.2):
            subject += draw.props.specs(figure.person, figure.joints)
    shallow = _aim(draw, chance, scene, set(kinds), people > 1, hand)
    special = {f"people{people}": people > 1, "blur": blurred, "dof": shallow}
    label = " ".join(["+".join(kinds), *(word for word, so in special.items() if so)])
    return Scene(scene, screen, subject, label)


def _place(chance: Chance, number: int, before: Array) -> Array:
    """(3,) where a person stands: the middle, one side of it, the other side of it."""
    if number == 2:
        return np.array([-before[0], chance.between(0, 0.3), 0])
    side = chance.one_of(-1, 1) * chance.between(0.36, 0.5)
    beside = np.array([side, chance.between(-0.1, 0.3), 0])
    return beside if number == 1 else np.zeros(3)
