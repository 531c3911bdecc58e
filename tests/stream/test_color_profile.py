"""Colours from one profile to another: the depth that comes is the depth that goes."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image, ImageCms

from stream.color_profile import ProfileError, converted, opened, srgb_profile
from tests.stream.prints.profiles import inks, wide


@pytest.mark.parametrize("exact", [False, True])
def test_sixteen_bits_go_through_whole(exact: bool) -> None:
    codes = np.arange(65536, dtype=np.uint16).reshape(256, 256, 1).repeat(3, 2)
    there = converted(codes, (srgb_profile(), "rgb"), (wide(), "rgb"), exact=exact)
    assert there.dtype == np.uint16
    # Grey keeps its place, and no level of 8 bits is left: nearly every code is another.
    assert len(np.unique(there[..., 1])) > 50_000
    assert (np.diff(there.reshape(-1, 3).astype(int), axis=0) >= -8).all()


def test_eight_bits_are_those_of_pillow() -> None:
    steps = np.linspace(0, 255, 9).round().astype(np.uint8)
    cube = np.stack(np.meshgrid(steps, steps, steps), -1).reshape(27, 27, 3)
    ours = converted(cube, (srgb_profile(), "rgb"), (inks(), "cmyk"))
    way = ImageCms.buildTransform(
        opened(srgb_profile()), opened(inks()), "RGB", "CMYK",
        renderingIntent=ImageCms.Intent.RELATIVE_COLORIMETRIC,
        flags=ImageCms.Flags.BLACKPOINTCOMPENSATION,
    )  # fmt: skip
    theirs = ImageCms.applyTransform(Image.fromarray(np.ascontiguousarray(cube)), way)
    assert theirs is not None
    assert np.abs(ours.astype(int) - np.asarray(theirs)).max() <= 1
    assert ours.shape == (27, 27, 4)


def test_what_is_no_profile_is_told() -> None:
    pixels = np.zeros((1, 1, 3), np.uint8)
    for data in (b"", b"x" * 200, srgb_profile()[:150]):
        with pytest.raises(ProfileError):
            converted(pixels, (data, "rgb"), (srgb_profile(), "rgb"))
        with pytest.raises(ProfileError):
            opened(data)


def test_srgb_is_the_same_file_every_time() -> None:
    first = srgb_profile()
    srgb_profile.cache_clear()
    # ICC.1:2022, 7.2.1: bytes 24 to 35 are the date, 36 to 39 the signature.
    assert srgb_profile() == first
    assert first[36:40] == b"acsp"
