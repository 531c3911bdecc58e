"""A whole live picture with kernels and without: at most 1 code and 1/255 in alpha apart."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import pytest
import torch
from torch import Tensor

from models.color import Planes
from models.composite import Overlay, Scene
from models.keyer import Composite, Grade, Keyer
from models.mask import Mask
from models.placing import Placing
from models.resample import Placement
from models.settings import KeySettings
from tests.models.cases import hair
from tests.models.rendered import BROWN, GREEN, VIDEO_8, colour, shown, uneven, video_planes
from tests.models.stages import folds, plain, room

SIZE = (720, 1080)


@cache
def frame(grain: float = 0.01) -> Planes:
    """Hair before a screen in a room, as a camera gives it at 720 lines."""
    picture = shown(hair(), colour(BROWN), room(plain() * folds())).picture
    wide = torch.nn.functional.interpolate(picture, SIZE, mode="bilinear")
    made = torch.Generator().manual_seed(6)
    return video_planes((wide * (1 + grain * torch.randn(wide.shape, generator=made))).clamp(0, 1))


@cache
def plate() -> Planes:
    return video_planes(torch.nn.functional.interpolate(room(plain() * folds()), SIZE))


@cache
def small() -> Planes:
    return video_planes(shown(hair(), colour(BROWN), uneven(GREEN)).picture)


def scene(high: int, wide: int, overlays: tuple[Overlay, ...] = ()) -> Scene:
    made = torch.Generator().manual_seed(7)
    return Scene(torch.rand(1, 3, high, wide, generator=made), overlays)


def affine(high: int, wide: int) -> Overlay:
    made = torch.Generator().manual_seed(9)
    gain = torch.rand(1, 1, high, wide, generator=made)
    return Overlay(gain=gain.expand(1, 3, -1, -1), offset=0.4 * (1 - gain).expand(1, 3, -1, -1))


def keyers(settings: KeySettings | None = None, threads: int = 1) -> tuple[Keyer, Keyer]:
    ours, theirs = (Keyer(Grade.LIVE, settings, clip=True) for _ in range(2))
    ours.use_kernels(threads)
    return ours, theirs


def alike(got: Composite, want: Composite) -> None:
    assert got.picture.shape == want.picture.shape
    assert int((got.picture.int() - want.picture.int()).abs().max()) <= 1
    assert bool(got.alpha.isfinite().all())
    assert float((got.alpha - want.alpha).abs().max()) < 1 / 255
    assert got.screen_found is want.screen_found
    assert got.plate_fits == want.plate_fits
    assert got.coverage == pytest.approx(want.coverage, abs=1e-4)


def agree(
    pair: tuple[Keyer, Keyer], planes: Planes, there: Scene,
    placing: Placing | Sequence[Placing | None], turns: int = 0, times: int = 1,
) -> Composite:  # fmt: skip
    """What both make of a frame, the one picture when all is done."""
    for _ in range(times):
        got, want = (k.composite(planes, VIDEO_8, turns, there, placing) for k in pair)
        alike(got, want)
    return got


@pytest.mark.parametrize("with_plate", [False, True])
def test_a_clip_at_720_lines(with_plate: bool) -> None:
    pair = keyers()
    if with_plate:
        for keyer in pair:
            keyer.set_plate(plate(), VIDEO_8)
    there = scene(720, 576, (affine(720, 576),))
    got = agree(pair, frame(), there, Placement(1.1, -300, -30), times=2)
    assert 0.1 < got.coverage < 0.9


@pytest.mark.parametrize("scale", [0.3, 0.72, 1.0, 1.31, 3.0])
@pytest.mark.parametrize("mirror", [False, True])
def test_every_scale(scale: float, mirror: bool) -> None:
    there = scene(211, 173)
    pair = keyers()
    dx, dy = (there.size[1] - 240 * scale) / 2, there.size[0] - 160 * scale
    got = agree(pair, small(), there, Placement(scale, dx, dy, mirror))
    assert got.coverage > 0.01
    agree(pair, small(), there, Placement(scale, dx - 80.3, dy + 31.2, mirror))
    agree(pair, small(), there, Placement(scale, 1000, 0, mirror))


@pytest.mark.parametrize("turns", range(4))
def test_every_rotation(turns: int) -> None:
    y, cb, cr = (torch.rot90(p, turns) for p in small())
    for scale in (0.55, 1.2):
        agree(keyers(), (y, cb, cr), scene(190, 240), Placement(scale, 4, 3), turns)


@pytest.mark.parametrize("fineness", [0.9, 0.41])
@pytest.mark.parametrize("scale", [0.8, 1.0, 1.7])
def test_frames_that_are_keyed_coarser(fineness: float, scale: float) -> None:
    pair = keyers()
    for keyer in pair:
        keyer.fineness = fineness
    agree(pair, small(), scene(160, 180), Placement(scale, -20, -11, True))


@pytest.mark.parametrize(
    "settings",
    [
        KeySettings(choke=1.5),
        KeySettings(choke=-2.0),
        KeySettings(shadow="keep"),
        KeySettings(light_wrap=0.7),
        KeySettings(black_point=0.1, white_point=0.8, despill=0.6),
    ],
)
def test_every_setting(settings: KeySettings) -> None:
    for scale in (0.6, 1.2):
        agree(keyers(settings), small(), scene(170, 200), Placement(scale, 3, -8))


def test_strokes() -> None:
    strokes = torch.zeros(1, 2, 160, 240)
    strokes[:, 0, 20:40, 10:60] = 1
    strokes[:, 1, 100:150, 100:140] = 0.8
    pair = keyers()
    for keyer in pair:
        keyer.set_mask(Mask(strokes))
    for scale in (0.6, 1.2):
        agree(pair, small(), scene(170, 200), Placement(scale, 3, -8))


def test_two_slots() -> None:
    below = scene(170, 200).below
    there = Scene(below, (affine(170, 200),), ((affine(170, 200),),), (1, 0))
    places = Placement(0.8, 3, 10), Placement(1.1, -40, 4, True)
    pair = keyers()
    agree(pair, small(), there, places)
    agree(pair, small(), there, [None, places[1]])
    agree(pair, small(), there, [places[0], None])
    agree(pair, small(), there, [None, None])


def test_where_nobody_is_and_no_screen() -> None:
    y, cb, cr = small()
    empty = video_planes(uneven(GREEN))
    dark = torch.full_like(y, 16), torch.full_like(cb, 128), torch.full_like(cr, 128)
    nil = torch.zeros_like(y), torch.zeros_like(cb), torch.zeros_like(cr)
    found = []
    for planes in (empty, dark, small(), nil, dark):
        pair = keyers()
        found.append(agree(pair, planes, scene(150, 170), Placement(0.9, 0, 5)).screen_found)
        agree(pair, dark, scene(150, 170), Placement(1.3, 0, 5))
    # Codes of nil in Cb and Cr are a saturated green.
    assert found == [True, False, True, True, False]


def test_threads_make_no_difference() -> None:
    there = scene(400, 600, (affine(400, 600),))
    found: list[Composite] = []
    for threads in (1, 2, 3):
        keyer, _ = keyers(threads=threads)
        found += [
            keyer.composite(frame(), VIDEO_8, 0, there, Placement(scale, dx, -20))
            for scale, dx in ((0.57, 4), (1.05, -200))
        ]
    for i, one in enumerate(found):
        assert torch.equal(one.picture, found[i % 2].picture)
        assert torch.equal(one.alpha, found[i % 2].alpha)


def test_pictures_and_placed_subjects_are_not_written_over() -> None:
    keyer, _ = keyers()
    there = scene(211, 240)
    held: list[tuple[Tensor, Tensor]] = []
    placed = []
    for i in range(4):
        where = Placement(1.1, -10.0 * i, 2.0 * i)
        one = keyer.place(small(), VIDEO_8, 0, where, there.size)
        got = keyer.lay(one, there)
        again = keyer.lay(one, there)
        assert torch.equal(got.picture, again.picture)
        placed.append((one, got))
        for x in (got.picture, got.alpha, one.subject_pm):
            assert x is not None
            held.append((x, x.clone()))
    for x, kept in held:
        assert torch.equal(x, kept)
    for one, got in placed:
        assert torch.equal(keyer.lay(one, there).picture, got.picture)
