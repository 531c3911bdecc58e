"""Codecs keep what they promise; noise has the deviation of photons; curves stay near sRGB's."""

from __future__ import annotations

import numpy as np
import pytest

from models.training import cameras
from models.training.cameras import from_ycbcr, h264, subsampled, to_ycbcr
from models.training.subjects import Picture, encode

LUMA = np.array([0.2126, 0.7152, 0.0722])


def scene(height: int, width: int) -> Picture:
    """Smooth colours and one sharp square, codes."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    rgb = np.stack([40 + x, 90 + 0.5 * y, 60 + 0.3 * (x + y)], 2)
    rgb[height // 4 : height // 2, width // 4 : width // 2] = (200, 60, 50)
    return rgb


def test_subsampling_keeps_luma_and_halves_chroma() -> None:
    rgb = np.zeros((8, 8, 3), np.float32)
    rgb[:, ::2] = (180, 60, 60)
    rgb[:, 1::2] = (60, 180, 60)
    got = subsampled(rgb).astype(float)
    assert np.abs((got - rgb) @ LUMA).max() < 1.5
    # Red and green in turn have no chroma left of their own.
    assert abs((got[4, 4] - got[4, 5])[0] - (got[4, 4] - got[4, 5])[2]) < 3


def test_codes_are_the_standard_s() -> None:
    # BT.709-6, 8 bits: white 235, black 16; the bars' green 173, 42, 26 (computed from its matrix).
    colors = np.array([(255, 255, 255), (0, 0, 0), (0, 255, 0)], np.float32)
    got = [to_ycbcr(np.full((2, 2, 3), c, np.float32)) for c in colors]
    assert [tuple(float(p[0, 0]) for p in planes) for planes in got] == [
        (235, 128, 128),
        (16, 128, 128),
        (173, 42, 26),
    ]
    ten = to_ycbcr(np.full((2, 2, 3), 255, np.float32), 10)
    assert float(ten[0][0, 0]) == 940


def test_ten_bits_are_finer_than_eight() -> None:
    flat = np.random.default_rng(0).uniform(20, 230, (200, 3)).astype(np.float32)
    off = []
    for bits in (8, 10):
        there = [from_ycbcr(to_ycbcr(np.full((2, 2, 3), c, np.float32), bits), bits) for c in flat]
        off.append(np.abs(np.array(there)[:, 0, 0].astype(float) - flat).mean())
    assert off[1] < 0.6 * off[0]


@pytest.mark.parametrize("size", [(96, 128), (63, 81)])
def test_h264_gives_the_size_and_nearly_the_colors(size: tuple[int, int]) -> None:
    rgb = scene(*size)
    fine, again, coarse = h264(rgb, 18), h264(rgb, 18), h264(rgb, 30, (2, -3))
    assert fine.shape == coarse.shape == rgb.shape
    assert np.array_equal(fine, again)
    errors = [np.abs(c - rgb).mean() for c in (fine, coarse)]
    assert errors[0] < 3
    assert errors[0] < errors[1] < 8


def test_noise_is_that_of_its_electrons() -> None:
    flat = [np.full((200, 200, 3), v, np.float32) for v in (0.0, 0.5)]
    for seed in range(6):
        r = np.random.default_rng(seed)
        full, read = 10 ** r.uniform(2.8, 4.2), r.uniform(2, 8)
        got = cameras.noisy(flat, np.random.default_rng(seed))
        for level, p in zip((0, 0.5), got, strict=True):
            assert abs(p.mean() - level) < 5e-3
            # The softest grain, blurred by .9 pixels, keeps 1 / (2 sqrt(pi) .9) of its deviation.
            assert 0.28 < p.std() / (np.sqrt(level * full + read**2) / full) < 1.1


def test_curves_rise_and_stay_near_the_standard() -> None:
    ramp = np.repeat(np.linspace(0, 1, 500, dtype=np.float32)[None, :, None], 3, 2)
    assert np.array_equal(cameras.curve(None)(ramp), encode(ramp))
    for seed in range(20):
        got = cameras.curve(np.random.default_rng(seed))(ramp)
        assert (np.diff(got, axis=1) >= 0).all()
        assert 0 <= got.min() <= got.max() <= 255
        assert 0 < np.abs(got - encode(ramp)).max() < 40
