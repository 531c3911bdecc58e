"""Prints as cloth has them: noise, stripes, checks, dots and leaves, in any hues."""

from __future__ import annotations

import colorsys

import numpy as np

from models.training.subjects import Picture, Random, Size, noise

KINDS = ("noise", "stripes", "checks", "dots", "leaves")


def _ink(r: Random) -> Picture:
    """(3,) share of the light that a colour sends back: any hue, from grey to pure."""
    pure: Picture = np.array(colorsys.hsv_to_rgb(r.random(), 1, 1), np.float32)
    light: Picture = np.float32(1) - (np.float32(1) - pure) * np.float32(r.random())
    return np.multiply(light, 2 ** r.uniform(-3, 0), dtype=np.float32)


def _octaves(r: Random, size: Size, cells: float) -> Picture:
    """1/f noise of deviation about 1: each octave of half the last one's strength."""
    finest = max(size) / 2
    parts = [noise(r, size, int(cells * 2**k)) / 2**k for k in range(6) if cells * 2**k <= finest]
    return np.asarray(sum(parts) / np.float32(1.15), np.float32)


def _hard(field: Picture, r: Random) -> Picture:
    """0 to 1, with borders from soft to sharp where a field goes through 0."""
    out: Picture = np.clip(field * 2 ** r.uniform(-0.5, 4) + 0.5, 0, 1).astype(np.float32)
    return out


def printed(size: Size, r: Random, kind: str | None = None) -> Picture:
    """Share of its light that a printed cloth keeps, (H, W, 3), from 0 to 1.

    Args:
        size: (H, W).
        r: randomness.
        kind: one of `KINDS`; any of them where it is not given.
    """
    kind = KINDS[int(r.integers(len(KINDS)))] if kind is None else kind
    longest = max(size)
    y, x = np.mgrid[0 : size[0], 0 : size[1]].astype(np.float32) / np.float32(longest)
    lean = r.uniform(0, np.pi)
    # Cloth hangs: the print bends with it.
    bent = (r.uniform(0, 0.02) * noise(r, size, int(r.integers(3, 12))) for _ in range(2))
    u = x * np.cos(lean) + y * np.sin(lean) + next(bent)
    v = y * np.cos(lean) - x * np.sin(lean) + next(bent)
    count = min(2 ** r.uniform(2.5, 8), longest / 4)  # repeats on the longer side
    first, second = (np.sin(2 * np.pi * count * w).astype(np.float32) for w in (u, v))
    inks = [_ink(r) for _ in range(3)]
    if kind == "noise":
        cells = 2 ** r.uniform(1, 6)
        each = [_octaves(r, size, cells) for _ in range(3)]
        alike = r.random()
        shade = np.stack([alike * each[0] + (1 - alike) * e for e in each], 2)
        out = inks[0] * 2 ** (r.uniform(0.3, 1.5) * shade)
    else:
        if kind == "stripes":
            fine = np.sin(np.pi * count * u + r.uniform(0, 2 * np.pi)).astype(np.float32)
            shares = _hard(first + r.uniform(-0.7, 0.7), r), _hard(fine - 0.9, r)
        elif kind == "checks":
            shares = _hard(first, r), _hard(second, r) * np.float32(r.uniform(0.4, 1))
        elif kind == "dots":
            shares = _hard(first * second - r.uniform(0, 0.7), r), _hard(-first * second - 0.8, r)
        else:
            cells = 2 ** r.uniform(2, 6)
            veins = np.float32(0.15) - np.abs(_octaves(r, size, cells))
            shares = _hard(_octaves(r, size, cells), r), _hard(veins, r)
        out = np.broadcast_to(inks[0], (*size, 3))
        for share, ink in zip(shares, inks[1:], strict=True):
            out = out * (1 - share[..., None]) + ink * share[..., None]
    strength = np.float32(r.uniform(0.08, 1))
    return np.clip(1 - strength + strength * out, 0, 1).astype(np.float32)
