"""The Keyer on frames of every kind: no subject, nothing else, any size, any planes."""

from __future__ import annotations

import pytest
import torch

from models import window
from models.color import SRGB_8BIT, Encoding, Matrix, Range, Siting, rgb_to_planes
from models.keyer import Composite, Cut, Grade, Keyer
from models.resample import Placement
from models.transfer import Transfer, decode, encode
from tests.models.cases import CASES
from tests.models.keying import GRADES, backdrop, cut, scene
from tests.models.rendered import (
    BLUE,
    GREEN,
    HEIGHT,
    RGB_16,
    SKIN,
    VIDEO_8,
    WIDTH,
    colour,
    mean_error,
    rgb_planes,
    uneven,
    video_planes,
)


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("plate", [False, True])
@pytest.mark.parametrize("noise", [0.0, 3.0])
@pytest.mark.parametrize("base", [GREEN, BLUE])
def test_no_subject_at_all(
    base: tuple[float, float, float], noise: float, plate: bool, grade: Grade
) -> None:
    bare = uneven(base)
    grain = torch.randn(bare.shape, generator=torch.Generator().manual_seed(5)) * noise / 255
    planes = rgb_to_planes(encode(bare, Transfer.SRGB) + grain, SRGB_8BIT)
    keyer = Keyer(grade)
    if plate:
        keyer.set_plate(rgb_planes(bare), SRGB_8BIT)
    got = keyer.cut(planes, SRGB_8BIT)
    assert got.screen_found
    assert float(got.alpha.mean()) < 1e-3
    assert float(got.alpha.max()) < (0.1 if noise else 1e-6)


@pytest.mark.parametrize("grade", GRADES)
def test_nothing_but_subject(grade: Grade) -> None:
    shade = 0.6 + 0.4 * torch.rand(1, 1, HEIGHT, WIDTH, generator=torch.Generator().manual_seed(5))
    frame = colour(SKIN) * shade
    planes = rgb_planes(frame)
    keyer = Keyer(grade)
    keyer.set_plate(rgb_planes(uneven(GREEN)), SRGB_8BIT)
    got = keyer.cut(planes, SRGB_8BIT)
    assert not got.screen_found
    assert got.plate_fits is None
    assert torch.equal(got.alpha, torch.ones(1, 1, HEIGHT, WIDTH))
    torch.testing.assert_close(
        got.fg, decode(torch.stack(planes)[None].float() / 255, Transfer.SRGB), atol=1e-6, rtol=0
    )


@pytest.mark.parametrize("level", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("grade", GRADES)
def test_frames_of_one_grey_are_kept_whole(level: float, grade: Grade) -> None:
    frame = torch.full((1, 3, 48, 64), level)
    for encoding, code in ((SRGB_8BIT, rgb_planes), (VIDEO_8, video_planes)):
        got = Keyer(grade).cut(code(frame, encoding), encoding)
        assert not got.screen_found
        assert float(got.alpha.min()) == 1
        torch.testing.assert_close(got.fg, frame, atol=0.006, rtol=0)


@pytest.mark.parametrize("base", [GREEN, BLUE, (0.0, 1.0, 0.0), (0.0, 0.0, 1.0)])
@pytest.mark.parametrize("grade", GRADES)
def test_frames_of_one_screen_colour_are_cut_away(
    base: tuple[float, float, float], grade: Grade
) -> None:
    got = Keyer(grade).cut(rgb_planes(colour(base).expand(1, 3, 48, 64)), SRGB_8BIT)
    assert got.screen_found
    assert float(got.alpha.max()) == 0


def whole(found: Cut | Composite) -> bool:
    """Finite, and alpha and colour where they belong."""
    alpha = found.alpha
    inside = (
        bool(torch.isfinite(alpha).all()) and 0 <= float(alpha.min()) <= float(alpha.max()) <= 1
    )
    if isinstance(found, Cut):
        fg = found.fg
        return inside and bool(torch.isfinite(fg).all()) and 0 <= float(fg.min()) <= float(fg.max())
    return inside


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("size", [(1, 1), (2, 2), (3, 5), (5, 3), (1, 40), (33, 1), (31, 47)])
@pytest.mark.parametrize("chroma", ["420", "422", "444", "rgb"])
def test_small_and_odd_frames(size: tuple[int, int], chroma: str, grade: Grade) -> None:
    made = torch.Generator().manual_seed(1)
    for kind in ("noise", "green", "half"):
        frame = torch.rand(1, 3, *size, generator=made)
        if kind == "green":
            frame = colour(GREEN).expand(1, 3, *size)
        if kind == "half":
            frame = colour(GREEN).expand(1, 3, *size).clone()
            frame[..., size[0] // 2 :, :] = colour(SKIN)
        if chroma == "rgb":
            planes, encoding = rgb_planes(frame), SRGB_8BIT
        else:
            planes, encoding = video_planes(frame, VIDEO_8, chroma), VIDEO_8
        keyer = Keyer(grade)
        keyer.set_plate(planes, encoding)
        for turns in (0, 1):
            keyer.set_plate(planes, encoding, turns)
            found = keyer.cut(planes, encoding, turns)
            assert found.alpha.shape[-2:] == (size if turns == 0 else size[::-1])
            assert whole(found)
            for scale in (0.3, 1.0, 2.5):
                picture = keyer.composite(
                    planes, encoding, turns, backdrop(7, 6), Placement(scale, 1, -1, True)
                )
                assert whole(picture)


@pytest.mark.parametrize(
    "encoding",
    [
        Encoding(Matrix.BT709, Range.NARROW, Transfer.BT709, Siting.LEFT, 10),
        Encoding(Matrix.BT601, Range.FULL, Transfer.SRGB, Siting.CENTER, 8),
        Encoding(Matrix.BT2020, Range.NARROW, Transfer.BT709, Siting.TOP_LEFT, 10),
        Encoding(Matrix.BT709, Range.NARROW, Transfer.BT709, Siting.LEFT, 12),
        Encoding(Matrix.RGB, Range.NARROW, Transfer.BT709, Siting.CENTER, 10),
        RGB_16,
    ],
    ids=lambda e: f"{e.matrix.value}-{e.range.value}-{e.depth}",
)
@pytest.mark.parametrize("chroma", ["420", "444"])
def test_every_kind_of_planes_gives_the_same_matte(encoding: Encoding, chroma: str) -> None:
    truth = scene()
    want = cut(rgb_planes(truth.picture, RGB_16), RGB_16)
    planes = rgb_to_planes(encode(truth.picture, encoding.transfer), encoding, chroma)
    got = Keyer().cut(planes, encoding)
    halved = chroma == "420" and encoding.matrix is not Matrix.RGB
    assert mean_error(got.alpha, want.alpha) < (0.0045 if halved else 2e-4)


def test_a_large_frame_is_analysed_small_and_cut_at_full_size() -> None:
    """Twice the live analysis a side: the fields are enlarged onto the frame's own pixels."""
    truth = scene()
    factor = 4
    picture = truth.picture.repeat_interleave(factor, -1).repeat_interleave(factor, -2)
    alpha = truth.alpha.repeat_interleave(factor, -1).repeat_interleave(factor, -2)
    got = Keyer(Grade.LIVE).cut(rgb_planes(picture), SRGB_8BIT)
    assert got.alpha.shape[-2:] == (HEIGHT * factor, WIDTH * factor)
    # measured .0012, as at the small size
    assert mean_error(got.alpha, alpha) < 0.0025
    small = Keyer(Grade.LIVE).composite(
        rgb_planes(picture), SRGB_8BIT, 0, backdrop(HEIGHT, WIDTH), Placement(1 / factor, 0, 0)
    )
    assert mean_error(small.alpha, truth.alpha) < 0.0025


@pytest.mark.gpu
@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("name", ["skin", "hair", "veil, grey", "shadow", "noise", "4:2:0"])
def test_cuda_agrees_with_the_cpu(name: str, grade: Grade) -> None:
    case = CASES[name]()
    placement = Placement(0.8, -9, -7, True)
    found, pictures = [], []
    for device in ("cpu", "cuda"):
        keyer = Keyer(grade, device=device)
        keyer.set_plate(case.plate, case.encoding)
        one = keyer.cut(case.planes, case.encoding)
        assert one.alpha.device.type == device
        found.append((one.alpha.cpu(), (one.fg * one.alpha).cpu()))
        there = backdrop(130, 180).to(device)
        pictures.append(
            keyer.composite(case.planes, case.encoding, 0, there, placement).picture.cpu().int()
        )
    for one, other in zip(*found, strict=True):
        # A pixel at a threshold may fall to either side.
        assert mean_error(one, other) < 1e-4
        assert float(((one - other).abs() > 2e-3).float().mean()) < 1e-3
    off = (pictures[0] - pictures[1]).abs()
    assert float((off > 1).float().mean()) < 1e-3


def test_a_large_print_in_bands_is_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    planes = rgb_planes(scene().picture)
    want = cut(planes)
    monkeypatch.setattr(window, "BAND_PIXELS", 3 * WIDTH + 1)
    got = cut(planes)
    assert torch.equal(got.fg, want.fg)
    assert torch.equal(got.alpha, want.alpha)
