"""What befalls a subject: dyes, prints, mirroring cloth, blur."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from models.training.prints import printed
from models.training.subjects import (
    Picture,
    Random,
    Subject,
    from_premultiplied,
    luminance,
    noise,
)

_DYES = np.array(
    [
        [0.15, 0.17, 0.04],  # olive
        [0.30, 0.62, 0.05],  # lime
        [0.48, 0.78, 0.58],  # mint
        [0.02, 0.22, 0.23],  # teal
        [0.50, 0.58, 0.07],  # yellow-green
        [0.05, 0.20, 0.07],  # bottle green
        [0.80, 0.80, 0.80],
        [0.25, 0.25, 0.25],
    ]
)
"""Linear reflectances chosen by eye: the neighbours of a green screen's paint, white and grey."""
_SHEER = 0.003
"""Share of the frame that sheer cloth takes, for it to be one."""


def _part(s: Subject, r: Random) -> tuple[Picture, Picture] | None:
    """A part of one hue, by choice not skin: how much each pixel is of it, and its folds' light.

    Both (H, W, 1), the light as a multiple of the part's usual one. None where nothing is solid.
    """
    solid = np.argwhere(s.alpha > 0.99)
    if not len(solid):
        return None
    light = s.neutral.sum(2)
    hue = s.neutral / np.maximum(light, 0.01)[..., None]
    pick = solid[r.integers(0, len(solid), 12)]
    red, green, third = hue[pick[:, 0], pick[:, 1]].T
    skin = (red > 1.2 * green) & (green > 1.1 * third) & (red < 2.6 * green)
    row, column = pick[int(skin.argmin())]  # the first that is not like skin
    off = np.abs(hue - hue[row, column]).sum(2)
    off = off + 0.05 * np.abs(np.log2((light + 0.01) / (light[row, column] + 0.01)))
    part = cv2.blur(np.clip(2 - off / r.uniform(0.06, 0.12), 0, 1), (3, 3))
    chosen = light[solid[::37, 0], solid[::37, 1]]
    same = part[solid[::37, 0], solid[::37, 1]] > 0.5
    usual = np.median(chosen[same]) if same.any() else light[row, column]
    folds = np.clip(light / max(float(usual), 0.02), 0, 2.5)
    return part[..., None], folds[..., None]


def _recolored(s: Subject, dyes: list[tuple[Picture, Picture, Picture]]) -> Subject:
    """With parts in other colours, (3,) linear, with their folds; the screen's light stays."""
    neutral = s.neutral
    for share, folds, dye in dyes:
        neutral = neutral * (1 - share) + np.minimum(dye, 0.9) * folds * share
    neutral = neutral.astype(np.float32)
    return replace(s, lit=s.lit - s.neutral + neutral, neutral=neutral)


def dyed(s: Subject, blue: bool, r: Random) -> Subject:
    """Up to three parts of one hue in another colour, with their folds and the screen's light.

    Args:
        s: the subject.
        blue: before a blue screen: its neighbours are those of a green one, mirrored.
        r: randomness.
    """
    dyes = []
    for _ in range(int(r.integers(1, 4))):
        if (found := _part(s, r)) is None:
            return s
        share, folds = found
        if r.random() < 0.4:  # a pattern, or one piece of several
            cells = int(r.integers(2, 20))
            pattern = np.clip(4 * noise(r, (share.shape[0], share.shape[1]), cells) + 2, 0, 1)
            share = share * pattern[..., None]
        dye = _DYES[int(r.integers(len(_DYES)))] * 2 ** (0.25 * r.normal(size=3) + 0.3 * r.normal())
        dyes.append((share, folds, dye[[0, 2, 1]] if blue else dye))
    return _recolored(s, dyes)


def matched(s: Subject, r: Random) -> Subject:
    """A solid part in the colour of the sheer parts, as a bride's dress is in her veil's.

    Without such, what lies beside a sheer cloth would tell that it is of another colour, and a
    cloth of the garment's colour that it is less of it and more of the screen.

    Args:
        s: the subject; as it is where it has no sheer cloth.
        r: randomness.
    """
    sheer = ((s.alpha > 0.1) & (s.alpha < 0.9)).astype(np.uint8)
    there = cv2.erode(sheer, np.ones((5, 5), np.uint8)) > 0
    if there.mean() < _SHEER or (found := _part(s, r)) is None:
        return s
    share, folds = found
    cloth = np.median(s.neutral[there], axis=0) * 2 ** (0.3 * r.normal())
    return _recolored(s, [(share, folds, np.asarray(cloth, np.float32))])


def patterned(s: Subject, r: Random) -> Subject:
    """With a print on the whole or a part, hair and sheer cloth too; the screen's light stays.

    Args:
        s: the subject.
        r: randomness.
    """
    size = (s.alpha.shape[0], s.alpha.shape[1])
    light = luminance(s.neutral)[..., 0]
    there = s.alpha > 0.02
    if not there.any():
        return s
    pale = np.float32(r.random() * (r.random() < 0.6))  # colored cloth shows few of a print's hues
    color = (s.neutral * (1 - pale) + light[..., None] * pale) * printed(size, r)
    if r.random() < 0.6:  # on dark cloth a print would hardly show
        usual = float(np.median(luminance(color)[..., 0][there]))
        color = color * np.clip(2 ** r.uniform(-3, -0.5) / max(usual, 0.01), 1, 20)
    color = np.minimum(color, np.maximum(1, light)[..., None])
    if r.random() < 0.5:
        part = noise(r, size, int(r.integers(2, 12))) * 2 ** r.uniform(1, 5) + r.uniform(0, 1)
        share = np.clip(part, 0, 1)[..., None]
        color = s.neutral + (color - s.neutral) * share
    # What the screen's light takes from a color, against a grey screen's, must be there.
    neutral = np.maximum(color, s.neutral - s.lit).astype(np.float32)
    return replace(s, lit=neutral + (s.lit - s.neutral), neutral=neutral)


def _rim(solid: Picture, r: Random) -> Picture:
    """How much a rounded, polished part shows of the screen: the most along its outline."""
    height, width = solid.shape
    deep = cv2.distanceTransform((solid > 0.5).astype(np.uint8), cv2.DIST_L2, 3)
    reach = max(height, width) * r.uniform(0.004, 0.05)
    uneven = 0.7 + 0.6 * noise(r, (height, width), int(r.integers(3, 14)))
    share = np.exp(-(np.minimum(deep / reach, 9) ** 2)) * np.clip(uneven, 0, 1.2)
    out: Picture = np.clip(share * r.uniform(0.4, 1.1), 0, 0.97).astype(np.float32)
    return out


def mirroring(s: Subject, screen: Picture, r: Random) -> Subject:
    """Let solid parts reflect the screen, as silk, leather and metal do.

    Before a grey screen of the same luminance they reflect that.
    """
    height, width = s.alpha.shape
    solid = cv2.erode((s.alpha > 0.99).astype(np.float32), np.ones((3, 3))).astype(np.float32)
    field = 0.5 + 0.5 * noise(r, (height, width), int(r.integers(4, 30)))
    share = np.clip(field * r.uniform(0.2, 1.0), 0, r.uniform(0.4, 0.9))
    if r.random() < 0.6:
        share = np.maximum(_rim(solid, r), share * (r.random() < 0.4))
    share = (share * cv2.blur(solid, (3, 3)))[..., None].astype(np.float32)
    small = cv2.resize(screen, (width // 4, height // 4), interpolation=cv2.INTER_AREA)
    back = cv2.resize(cv2.GaussianBlur(small, (0, 0), 5), (width, height)) * r.uniform(0.5, 1.1)
    return replace(
        s,
        lit=(s.lit * (1 - share) + back * share).astype(np.float32),
        neutral=(s.neutral * (1 - share) + luminance(back) * share).astype(np.float32),
    )


def _line(length: int, angle: float) -> Picture:
    kernel = np.zeros((length, length), np.float32)
    middle, reach = (length - 1) / 2, (length - 1) / 2 * np.array([np.cos(angle), np.sin(angle)])
    first, last = (np.round(middle + s * reach).astype(int).tolist() for s in (-1, 1))
    cv2.line(kernel, first, last, 1, 1)
    out: Picture = kernel / kernel.sum()
    return out


def blurred(s: Subject, r: Random) -> Subject:
    """Motion blur of the whole or a part, or a lens out of focus."""
    x = s.premultiplied()
    parts = (x[..., :4], x[..., 4:])
    if r.random() < 0.5:
        longest = max(6, max(s.alpha.shape) // 16)
        kernel = _line(int(r.integers(5, longest)), r.uniform(0, np.pi))
        soft = np.concatenate([cv2.filter2D(p, -1, kernel) for p in parts], 2)
        if r.random() < 0.6:
            share = np.clip(noise(r, (x.shape[0], x.shape[1]), 3) * 3 + 0.5, 0, 1)[..., None]
            soft = share * soft + (1 - share) * x
    else:
        sigma = r.uniform(0.4, 2.5)
        soft = np.concatenate([cv2.GaussianBlur(p, (0, 0), sigma) for p in parts], 2)
    return from_premultiplied(soft)
