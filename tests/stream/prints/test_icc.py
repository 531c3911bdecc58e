"""Colours into a profile, against the profile's own numbers and against ImageCms."""

from __future__ import annotations

import io
import random
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from stream.color_profile import INTENTS, Pixels, srgb_profile
from stream.errors import UserError
from stream.prints.icc import checked, read_profile, srgb
from tests.reference.ciede2000 import ciede2000
from tests.stream.prints.profiles import ink_rgb, inks, srgb_lab, wide, wide_lab

# chosen: half of what an eye just sees (a difference of about 1, common practice).
CLOSE = 0.5


def colours(count: int = 4096) -> np.ndarray:
    """All corners, a ramp of greys, and chance."""
    rng = np.random.default_rng(11)
    corners = np.array([[r, g, b] for r in (0, 255) for g in (0, 255) for b in (0, 255)])
    greys = np.repeat(np.arange(256)[:, None], 3, 1)
    rest = rng.integers(0, 256, (count - 264, 3))
    return np.concatenate([corners, greys, rest]).astype(np.uint8).reshape(64, -1, 3)


def by_pillow(pixels: np.ndarray, data: bytes, mode: str, intent: int, point: bool) -> np.ndarray:
    """The same by Pillow, which knows 8 bits."""
    done = ImageCms.profileToProfile(
        Image.fromarray(pixels),
        ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile())),
        ImageCms.ImageCmsProfile(io.BytesIO(data)),
        ImageCms.Intent(intent),
        mode,
        flags=ImageCms.Flags.BLACKPOINTCOMPENSATION if point else ImageCms.Flags.NONE,
    )
    assert done is not None
    return np.asarray(done)


@pytest.mark.parametrize("point", [False, True])
@pytest.mark.parametrize("intent", INTENTS)
def test_rgb_as_imagecms_has_it(intent: str, point: bool) -> None:
    plain, profile = colours(), checked(wide(), "wide.icc")
    want = wide_lab(by_pillow(plain, wide(), "RGB", INTENTS.index(intent), point) / 255)
    shallow = profile.convert(plain, intent, point)
    deep = profile.convert(plain.astype(np.uint16) * 257, intent, point)
    assert shallow.dtype == np.uint8
    assert deep.dtype == np.uint16
    assert ciede2000(wide_lab(shallow / 255), want).max() <= CLOSE
    # Rounding to Pillow's 8 bits alone moves dark colours of so wide a profile by up to 1.3.
    far = ciede2000(wide_lab(deep / 65535), want)
    assert far.mean() <= CLOSE / 2
    assert np.quantile(far, 0.98) <= CLOSE


def test_rgb_of_16_bits_by_the_profiles_own_numbers() -> None:
    # All of sRGB lies inside BT.2020, so that the colour itself has to come out.
    plain = colours()
    deep = checked(wide(), "wide.icc").convert(plain.astype(np.uint16) * 257, "relative", False)
    far = ciede2000(wide_lab(deep / 65535), srgb_lab(plain / 255))
    assert far.max() <= CLOSE
    assert far.mean() <= 0.05


def test_16_bits_stay_16_bits() -> None:
    ramp = np.arange(0, 65536, 7, dtype=np.uint16)
    grey = np.stack([ramp] * 3, -1)[None]
    deep = checked(wide(), "wide.icc").convert(grey, "relative", True)
    # 8 bits would leave 256 steps.
    assert len(np.unique(deep[0, :, 1])) > 9000
    assert (np.diff(deep[0, :, 1].astype(int)) >= 0).all()


@pytest.mark.parametrize("intent", INTENTS)
def test_cmyk_as_imagecms_has_it(intent: str) -> None:
    plain, profile = colours(), checked(inks(), "inks.icc")
    want = by_pillow(plain, inks(), "CMYK", INTENTS.index(intent), True)
    shallow = profile.convert(plain, intent, True)
    deep = profile.convert(plain.astype(np.uint16) * 257, intent, True)
    assert shallow.shape[2] == deep.shape[2] == profile.channels == 4
    seen = srgb_lab(ink_rgb(want / 255))
    assert ciede2000(srgb_lab(ink_rgb(shallow / 255)), seen).max() <= CLOSE
    # Pillow's 8 bits of four inks alone move a colour by up to a code each.
    assert np.abs(deep / 257 - want).max() <= 1.5
    far = ciede2000(srgb_lab(ink_rgb(deep / 65535)), seen)
    assert np.quantile(far, 0.99) <= CLOSE


def test_intent_and_black_point_reach_the_library() -> None:
    plain, profile = colours(), checked(inks(), "inks.icc")
    relative = profile.convert(plain, "relative", True)
    assert (profile.convert(plain, "relative", False) != relative).any()
    # ICC.1: absolute keeps the paper's own white; this paper is the reference white.
    assert profile.convert(plain, "absolute", False)[0, 7].max() <= 3
    assert (srgb().convert(plain, "relative", True) == plain).all()
    assert srgb_lab(ink_rgb(relative[0, 0] / 255))[0] < 15, "black comes out dark"


def test_the_srgb_profile_is_the_same_every_time() -> None:
    srgb_profile.cache_clear()
    one = srgb_profile()
    srgb_profile.cache_clear()
    assert srgb_profile() == one


@pytest.mark.parametrize(
    ("data", "said"),
    [
        (b"", "no ICC profile"),
        (b"x" * 500, "no ICC profile"),
        (wide()[:16] + b"GRAY" + wide()[20:], "RGB or CMYK printer"),
        (wide()[:12] + b"link" + wide()[16:], "class 'link'"),
        (wide()[:140], "damaged"),
    ],
)
def test_what_is_no_output_profile_is_said(data: bytes, said: str) -> None:
    with pytest.raises(UserError, match=said) as told:
        checked(data, "paper.icc")
    assert "paper.icc" in str(told.value)


def test_a_file_is_read_again_only_after_a_change(tmp_path: Path) -> None:
    path = tmp_path / "paper.icc"
    with pytest.raises(UserError, match="cannot be opened"):
        read_profile(path)
    path.write_bytes(wide())
    first = read_profile(path)
    assert read_profile(path) is first
    path.write_bytes(inks())
    assert read_profile(path).space == "cmyk"


def mutated(data: bytes, seed: int) -> bytes:
    """A profile with some bytes changed, cut off or doubled; never the signature."""
    rng = random.Random(seed)
    out = bytearray(data)
    for _ in range(rng.choice((1, 2, 5, 20, 100))):
        # Mostly where sizes, counts and places stand.
        at = rng.randrange(rng.choice((132, 300, 900, len(out))))
        if not 36 <= at < 40 and at < len(out):
            out[at] = rng.choice((0, 1, 127, 128, 255, rng.randrange(256)))
    kind = rng.random()
    if kind < 0.1:
        del out[rng.randrange(132, len(out)) :]
    elif kind < 0.2:
        at = rng.randrange(132, len(out))
        out[at:at] = out[at : at + rng.randrange(400)]
    return bytes(out)


@pytest.mark.parametrize("source", [wide, inks])
def test_hostile_profiles_give_a_sentence_or_a_picture(source: object) -> None:
    plain = colours(1024)
    data = wide() if source is wide else inks()
    refused, slowest = 0, 0.0
    for seed in range(100):
        bad = mutated(data, seed)
        start = time.process_time()
        told = ""
        try:
            profile = checked(bad, "paper.icc")
            for intent in INTENTS:
                done: Pixels = profile.convert(plain, intent, True)
                assert done.shape == (*plain.shape[:2], profile.channels)
                assert done.dtype == np.uint8
        except UserError as e:
            told = str(e)
        if told:
            refused += 1
            assert "paper.icc" in told
            assert "\n" not in told
        slowest = max(slowest, time.process_time() - start)
    assert 5 <= refused <= 95, refused
    # No speed, but a hang: a sound profile takes some hundredths of it.
    assert slowest < 20
