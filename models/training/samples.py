"""Endless shots of subjects before screens, as cameras would have taken them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from models.color import Planes
from models.training import backdrops, cameras, drawings, guises, subjects
from models.training.chances import USUAL, Chances, Dice
from models.training.subjects import Codes, Picture, Size, Subject, luminance, over

_GREEN_TO_BLUE = [0, 2, 1]


@dataclass(frozen=True)
class Sample:
    """One shot.

    Attributes:
        shot: (H, W, 3) sRGB codes.
        plate: the clean plate likewise, or None.
        alpha: (H, W) true coverage.
        color: (H, W, 3) codes like the shot's, 0 to 255 but not rounded (to .06): the subject's
            own straight colour without the screen's light, with the shot's exposure, balance and
            tone curve, without noise, sharpening and coding. Without meaning where alpha is near
            0; below about .02 it is inexact.
        aside: (H, W) bool, where what is behind the subject is no screen: a wall or a stand beside
            it. None where the screen fills the frame.
    """

    shot: Codes
    plate: Codes | None
    alpha: NDArray[np.float16]
    color: NDArray[np.float16]
    aside: NDArray[np.bool_] | None = None


SIZES: dict[Size, float] = {
    (1280, 960): 0.2,
    (960, 1280): 0.08,
    (960, 720): 0.45,
    (720, 960): 0.15,
    (480, 360): 0.08,
    (240, 180): 0.02,
    (120, 160): 0.02,
}
"""(H, W) of the shots, and how often each comes: a subject may be small or the frame."""


def planes(codes: Codes) -> Planes:
    """The planes of (H, W, 3) codes, as the Keyer takes them."""
    r, g, b = (torch.from_numpy(np.ascontiguousarray(codes[..., i])) for i in range(3))
    return r, g, b


def spilled_on(s: Subject, amount: float, blue: bool) -> Subject:
    """With another amount of the screen's light on it, of a green or a blue screen.

    Args:
        s: the subject before a green screen and a grey one of the same luminance.
        amount: of the screen's light, times what is there.
        blue: whether the screen is blue: the green one, mirrored. The grey of the same luminance
            is darker then.
    """
    spill = np.float32(amount) * (s.lit - s.neutral)
    neutral = s.neutral
    if blue:
        spill = spill[..., _GREEN_TO_BLUE]
        neutral = np.maximum(neutral + luminance(spill), 0)
    return replace(s, lit=np.maximum(s.neutral + spill, 0), neutral=neutral)


def mixed(s: Subject, behind: Picture) -> Picture:
    """A subject before what is behind it: (H, W, 3) linear light."""
    a = s.alpha[..., None]
    return (a * s.lit + (1 - a) * behind).astype(np.float32)


def _handled(plate: Codes, dice: Dice) -> Codes:
    """The plate as people bring it: moved a little, of another level, evenness and tint."""
    r = dice.fall("wrong_plate")
    if r is None:
        return plate
    height, width = plate.shape[:2]
    moved, gained, uneven, tinted = r.random(4) < (0.5, 0.5, 0.3, 0.4)
    if moved:
        shift = np.array([[1, 0, 3 * r.normal()], [0, 1, 3 * r.normal()]], np.float32)
        edge = cv2.BORDER_REFLECT
        plate = cv2.warpAffine(plate, shift, (width, height), borderMode=edge).astype(np.uint8)
    times: NDArray[np.floating] = np.ones((1, 1, 3))
    if gained:
        times = times * r.uniform(0.88, 1.12)
    if tinted:
        times = times * r.uniform(0.96, 1.04, 3)
    if uneven:
        times = times * (1 + r.uniform(0, 0.06) * subjects.noise(r, (height, width), 3))[..., None]
    out: Codes = np.clip(plate * times, 0, 255).astype(np.uint8)
    return out


@lru_cache(maxsize=8)
def _subject(folder: Path, name: str) -> Subject:
    return subjects.load(folder, name)


@lru_cache(maxsize=8)
def _names(folder: Path) -> list[str]:
    return subjects.names(folder)


def _companion(folder: Path, name: str, size: Size, dice: Dice) -> Subject | None:
    """Another subject of the folder in the frame; one held out stays out of others' shots."""
    r = dice.fall("beside")
    if r is None:
        return None
    kept = subjects.held_out(name)
    others = [n for n in _names(folder) if n != name and subjects.held_out(n) == kept] or [name]
    return subjects.moved(_subject(folder, others[int(r.integers(len(others)))]), size, r)


def _rendered(
    folder: Path, name: str, back: Picture, blue: bool, usual: bool, dice: Dice
) -> Subject:
    """One or two rendered subjects in the frame, lit and spilled on anew."""
    size, r = (back.shape[0], back.shape[1]), dice.of("subject")
    if (close := dice.fall("everybody")) is not None:
        s = subjects.close_up(_subject(folder, name), size, close)
    else:
        s = subjects.moved(_subject(folder, name), size, r)
        if (other := _companion(folder, name, size, dice)) is not None:
            s = over(s, other) if r.random() < 0.5 else over(other, s)
    if (d := dice.fall("dyed")) is not None:
        s = guises.dyed(s, blue, d)
    if (d := dice.fall("matched")) is not None:
        s = guises.matched(s, d)
    if (p := dice.fall("patterned")) is not None:
        s = guises.patterned(s, p)
    light = dice.of("light")
    if usual:
        amount = float(np.clip(1 + 0.2 * light.normal(), 0.5, 1.6))
        gain = 2 ** (0.25 * light.normal()) * (1 + 0.02 * light.normal(size=3))
    else:
        amount = light.uniform(0.3, 1.5)
        gain = 2 ** light.uniform(-0.8, 0.5) * (1 + 0.05 * light.normal(size=3))
    if dice.fall("unspilled") is not None:
        amount = 0.0
    s, g = spilled_on(s, amount, blue), gain.astype(np.float32)
    s = replace(s, lit=s.lit * g, neutral=s.neutral * g)
    if (m := dice.fall("mirroring")) is not None:
        s = guises.mirroring(s, back, m)
    return s


def _drawn(back: Picture, dice: Dice) -> Subject:
    r = dice.of("subject")
    s = drawings.drawn((back.shape[0], back.shape[1]), r)
    if (p := dice.fall("patterned")) is not None:
        s = guises.patterned(s, p)
    light = r.uniform(0, 0.35) * (r.random() < 0.75) * 0.9
    thin = 1 + r.random() * (1 - s.alpha[..., None])
    grey = s.neutral + light * thin * luminance(back)
    lit = s.neutral + light * thin * back
    return replace(s, lit=lit.astype(np.float32), neutral=grey.astype(np.float32))


def sample(folder: Path, name: str, seed: int, chances: Chances = USUAL) -> Sample:
    """One shot, the same for the same arguments.

    Args:
        folder: where the rendered subjects lie.
        name: the subject; now and then a drawn one takes its place.
        seed: of everything else.
        chances: how often each thing comes. One put to 0 leaves the others as they were.
    """
    dice = Dice(seed, chances)
    r = dice.of("frame")
    usual = r.random() < 0.6
    size = list(SIZES)[int(r.choice(len(SIZES), p=list(SIZES.values())))]
    blue = r.random() < (0.1 if usual else 0.35)
    scene = backdrops.backdrop(size, dice, usual)
    back = np.ascontiguousarray(scene.light[..., _GREEN_TO_BLUE]) if blue else scene.light
    if dice.fall("drawn") is not None and dice.fall("everybody") is None:
        s = _drawn(back, dice)
    else:
        s = _rendered(folder, name, back, blue, usual, dice)
    for chance, layer in (("strands", drawings.strands), ("veiled", drawings.veil)):
        if (c := dice.fall(chance)) is not None:
            more = layer(s, back, c)
            if (
                dice.fall("patterned") is not None
                and (p := dice.of(f"print {chance}")).random() < 0.5
            ):
                more = guises.patterned(more, p)
            s = over(more, s) if c.random() < 0.7 else over(s, more)
    if (b := dice.fall("blurred")) is not None:
        s = guises.blurred(s, b)
    behind = back
    if (d := dice.fall("shadow")) is not None:
        behind = back * backdrops.shadow(s.alpha, scene.floor, d)
    if dice.fall("nobody") is not None:
        s = replace(s, alpha=np.zeros_like(s.alpha))
    seen = [mixed(s, behind)]
    if dice.fall("plate") is not None:
        seen.append(back)
    codes, color = cameras.shoot(seen, s.neutral, dice)
    plate = _handled(codes[1], dice) if len(codes) > 1 else None
    alpha, straight = s.alpha.astype(np.float16), color.astype(np.float16)
    return Sample(codes[0], plate, alpha, straight, scene.aside)
