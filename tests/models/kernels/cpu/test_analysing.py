"""The steps of a live analysis by kernels, against those in plain torch."""

from __future__ import annotations

from functools import cache

import pytest
import torch
from torch import Tensor

from models.analysis import REFERENCE, Analysis, Grade, Known, Steps
from models.color import Planes
from models.composite import Scene
from models.field import Fitted
from models.kernels.cpu.analysing import steps
from models.keyer import Keyer
from models.plate import Plate, read_plate
from models.pyramid import grow
from models.resample import Placement
from models.screen import Hue, find
from models.settings import KeySettings
from models.upright import Upright
from tests.models.cases import CASES
from tests.models.rendered import BLUE, GREEN, VIDEO_8, colour, person, shown, video_planes
from tests.models.stages import fall_off, floor_shadow, folds, marks, plain, room, seam

FIELD = 1e-4
TEXTURE = 2e-3
"""Deviations are roots of small differences: rounding alone moves those of flat places so far."""


@cache
def scenes() -> dict[str, tuple[Tensor, Tensor | None]]:
    """Frames in linear light, and a plate of each."""
    alpha = person()
    out: dict[str, tuple[Tensor, Tensor | None]] = {}
    for name in ("skin", "hair", "veil, grey", "shadow", "noise", "blue-grey on blue"):
        case = CASES[name]()
        frame = Upright(case.planes, case.encoding, 0).reduced(1)
        out[name] = frame, Upright(case.plate, case.encoding, 0).reduced(1)
    base = plain()
    for name, back in (
        ("folds", base * folds() * seam() * fall_off()),
        ("floor shadow", base * floor_shadow()),
        ("room", room(base)),
        ("room with floor", room(base, floor=130.0)),
        ("marks", marks(base, (0.3, 0.05, 0.05))),
        ("marked room", room(marks(base, BLUE), right=300.0)),
    ):
        out[name] = shown(alpha, colour((0.45, 0.25, 0.17)), back).picture, back
    made = torch.Generator().manual_seed(5)
    grain = 1 + 0.06 * torch.randn(base.shape, generator=made)
    out["noisy room"] = (out["room"][0] * grain).clamp(0, 1), out["room"][1]
    out["moved plate"] = out["room"][0], torch.roll(room(base * folds()), 9, -1)
    out["empty"] = base.clone(), base
    out["odd"] = out["folds"][0][..., 3:152, 1:202].contiguous(), None
    out["upright"] = out["room"][0].transpose(-1, -2).contiguous(), None
    out["large"] = torch.nn.functional.interpolate(out["room"][0], (300, 470)), None
    out["random"] = torch.rand((1, 3, 45, 61), generator=made), None
    out["greenish"] = torch.rand((1, 3, 60, 80), generator=made) * 0.3 + colour(GREEN), None
    for height, width in ((1, 1), (1, 9), (9, 1), (2, 3), (5, 4), (17, 8)):
        out[f"{height}x{width}"] = colour(GREEN).repeat(1, 1, height, width), None
    return out


def close(got: Tensor | None, want: Tensor | None, within: float = FIELD) -> None:
    if got is None or want is None:
        assert got is want
        return
    assert got.shape == want.shape
    assert bool(got.isfinite().all())
    assert bool(((got - want).abs() <= within).all())


def same_screen(got: Fitted, want: Fitted) -> None:
    assert got.hue is want.hue
    for name in ("color", "smooth", "sure", "hold_out", "outside"):
        close(getattr(got, name), getattr(want, name))


def looked_at(near: Tensor) -> Tensor:
    """Where interpolation at a pixel that is asked about may look."""
    return grow(near, 2)[0] > 0


def one(
    ours: Steps, frame: Tensor, guess: Tensor, hue: Hue, plate: Plate | None, from_plate: bool
) -> None:
    """Every step on a frame, each on the same input."""
    before = frame.clone()
    want = REFERENCE.fit(frame, guess, hue, from_plate)
    same_screen(ours.fit(frame, guess, hue, from_plate), want)
    bare = REFERENCE.with_outside(frame, want, plate)
    same_screen(ours.with_outside(frame, want, plate), bare)
    noise = REFERENCE.noise(bare, frame)
    assert ours.noise(bare, frame) == pytest.approx(noise, abs=1e-5, rel=1e-4)
    kept = torch.lerp(frame, bare.color, bare.hold_out)
    size = (frame.shape[-2] * 4, frame.shape[-1] * 4 - 3)
    where = REFERENCE.unclear_within(bare, bare.hold_out, 4, size)
    assert ours.unclear_within(bare, bare.hold_out, 4, size) == where
    for rounds in (0, 6):
        told = REFERENCE.find_subject(kept, bare, rounds, False, noise)
        found = ours.find_subject(kept, bare, rounds, False, noise)
        for name in ("color", "core", "own_key", "near", "solid"):
            close(getattr(found, name), getattr(told, name))
        seen = looked_at(told.near)
        around, full = found.told.around[0], told.told.around[0]
        assert bool(around.isfinite().all())
        for k in range(19):
            close(around[k][seen[0]], full[k][seen[0]], TEXTURE if k == 4 else FIELD)
        for k in range(9):
            within = TEXTURE if k == 7 else FIELD
            close(found.told.overview[:, k], told.told.overview[:, k], within)
    assert torch.equal(frame, before)


@pytest.mark.parametrize("name", list(scenes()))
def test_each_step(name: str) -> None:
    frame, back = scenes()[name]
    ours = steps()
    found, same = find(frame), ours.find(frame, None)
    if found is None:
        assert same is None
        return
    assert same is not None
    hue, color = found
    assert same[0] is hue
    close(same[1], color)
    one(ours, frame, color, hue, None, False)
    if back is None:
        return
    plate = read_plate(back, find(back))
    misfit = REFERENCE.plate_misfit(frame, plate.color, hue)
    assert ours.plate_misfit(frame, plate.color, hue) == pytest.approx(misfit, abs=1e-4)
    for _ in range(2):  # what depends on the plate alone is kept
        one(ours, frame, plate.color, hue, plate, True)


def test_another_hue_is_told_and_no_screen() -> None:
    ours = steps()
    for frame in (colour(BLUE), colour(GREEN), colour((0.3, 0.3, 0.3)), colour((0, 0, 0))):
        wide = frame.repeat(1, 1, 40, 50)
        for wanted in (None, *Hue):
            got, want = ours.find(wide, wanted), find(wide, wanted)
            assert (got is None) == (want is None)
            if got is not None and want is not None:
                assert got[0] is want[0]
                close(got[1], want[1])


def test_what_is_told_keeps_its_own_memory() -> None:
    ours = steps()
    found = []
    for name in ("room", "folds", "empty", "room", "marks", "noise"):
        frame = scenes()[name][0]
        screen = find(frame)
        assert screen is not None
        bare = ours.fit(frame, screen[1], screen[0], False)
        subject = ours.find_subject(frame, bare, 6, False, 0.01)
        found.append((subject, subject.told.around.clone(), bare, bare.color.clone()))
    for subject, around, bare, color in found:
        assert torch.equal(subject.told.around, around)
        assert torch.equal(bare.color, color)
    # The memory of those that are gone is used again, and is zero where nothing is written.
    frame = scenes()["room"][0]
    wanted, bare = found[3][1], found[3][2]
    subject = found[3][0]
    del found, around, color
    for _ in range(4):
        again = ours.find_subject(frame, bare, 6, False, 0.01)
        assert torch.equal(again.told.around, wanted)
    assert torch.equal(subject.told.around, wanted)


def _moving(turns: int = 0) -> list[Planes]:
    out = []
    for shift in (-30.0, -12.0, 0.0, 25.0):
        picture = shown(person(shift), colour((0.45, 0.25, 0.17)), room(plain() * folds())).picture
        wide = torch.nn.functional.interpolate(picture, scale_factor=3, mode="bilinear")
        out.append(video_planes(torch.rot90(wide, turns, (-2, -1))))
    return out


def _same(got: Known, want: Known) -> None:
    assert got.plate_fits == want.plate_fits
    assert got.where == want.where
    assert got.noise == pytest.approx(want.noise, abs=1e-5)
    assert got.bare is not None
    assert want.bare is not None
    same_screen(got.bare, want.bare)


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_clip_is_analysed_alike(turns: int) -> None:
    ours = Analysis(Grade.LIVE, KeySettings(), True, steps=steps())
    theirs = Analysis(Grade.LIVE, KeySettings(), True)
    for planes in _moving(turns):
        frame = Upright(planes, VIDEO_8, turns)
        _same(ours(frame), theirs(frame))


def _scene(size: tuple[int, int]) -> Scene:
    y = torch.linspace(0.1, 0.7, size[0]).view(1, 1, -1, 1)
    return Scene((y * colour((1.0, 0.6, 0.8))).expand(1, 3, *size).contiguous())


@pytest.mark.parametrize("with_plate", [False, True])
def test_a_live_picture_is_the_same(with_plate: bool) -> None:
    ours, theirs = Keyer(Grade.LIVE, clip=True), Keyer(Grade.LIVE, clip=True)
    ours._analysis.steps = steps()
    if with_plate:
        wide = torch.nn.functional.interpolate(room(plain() * folds()), scale_factor=3)
        for keyer in (ours, theirs):
            keyer.set_plate(video_planes(wide), VIDEO_8)
    scene = _scene((360, 540))
    placement = Placement(0.75, 0, 0)
    for planes in _moving():
        got, want = (
            keyer.composite(planes, VIDEO_8, 0, scene, placement) for keyer in (ours, theirs)
        )
        pairs = got.picture.int() - want.picture.int()
        assert int(pairs.abs().max()) <= 1
        cut, known = ours.cut(planes, VIDEO_8), theirs.cut(planes, VIDEO_8)
        assert float((cut.alpha - known.alpha).abs().max()) < 1 / 255


@pytest.mark.parametrize("name", list(CASES))
def test_a_live_cut_is_the_same(name: str) -> None:
    case = CASES[name]()
    for plate in (None, case.plate):
        cuts = []
        for made in (REFERENCE, steps()):
            keyer = Keyer(Grade.LIVE)
            keyer._analysis.steps = made
            keyer.set_plate(plate, case.encoding)
            cuts.append(keyer.cut(case.planes, case.encoding))
        close(cuts[1].alpha, cuts[0].alpha, 1 / 255)
        close(cuts[1].fg * cuts[1].alpha, cuts[0].fg * cuts[0].alpha, 1 / 255)
