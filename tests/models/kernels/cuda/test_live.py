"""Engine and analysis together are the live Keyer: a clip, with a plate and without, per kind."""

from __future__ import annotations

import gc

import pytest
import torch

from models.color import Encoding
from models.kernels.cuda.engine import Engine
from models.kernels.cuda.live import MOST_KINDS, LiveAnalyser
from models.keyer import Grade, Keyer
from models.resample import Placement
from models.settings import KeySettings
from models.upright import Upright
from tests.models.kernels.cuda.pictures import DEVICE, assert_same, person, planes_of, template

HERE, SIZE = Placement(1.0, -6.0, -6.0), (14, 48)
CAMERA = Encoding()


def test_a_clip_of_two_kinds_of_frames_and_a_plate_that_does_not_fit() -> None:
    network = Keyer(Grade.LIVE, device=DEVICE).solver.network
    assert network is not None
    analyser = LiveAnalyser(KeySettings(), network)
    engine = Engine(network, analyser, alpha=True)
    where, first = template(SIZE), person()
    # Each kind of frame remembers its own screen, as a keyer of its own does.
    keyers = {turns: Keyer(Grade.LIVE, device=DEVICE, clip=True) for turns in (0, 2)}
    for frame, turns in ((first, 0), (first, 2), (first * 0.97, 0)):
        planes = planes_of(frame, CAMERA, "420", turns)
        got = engine.composite(planes, CAMERA, turns, where, HERE)
        assert_same(got, keyers[turns].composite(planes, CAMERA, turns, where.to(DEVICE), HERE))
    other = planes_of(torch.zeros_like(first) + first[:, [2, 0, 1], :1, :1], CAMERA)
    keyers[0].set_plate(other, CAMERA)
    y, cb, cr = (p.to(DEVICE) for p in other)
    analyser.set_plate(Upright((y, cb, cr), CAMERA, 0))
    planes = planes_of(first, CAMERA)
    got = engine.composite(planes, CAMERA, 0, where, HERE)
    want = keyers[0].composite(planes, CAMERA, 0, where.to(DEVICE), HERE)
    assert want.plate_fits is False
    assert_same(got, want)
    del engine
    gc.collect()
    assert len(analyser._made) == MOST_KINDS  # what they remember outlives the graphs


def _one_engine_through_all(
    size: tuple[int, int], picture: tuple[int, int], left: Placement, right: Placement, times: int,
    stages: slice = slice(None),
) -> None:  # fmt: skip
    """Plate on, unfit and off, slots that change: every picture as by a keyer without kernels."""
    plain = Keyer(Grade.LIVE, device=DEVICE, clip=True)
    network = plain.solver.network
    assert network is not None
    analyser = LiveAnalyser(KeySettings(), network)
    made, where = Engine(network, analyser, alpha=True), template(picture, 2)
    there = where.to(DEVICE)
    shown = torch.nn.functional.interpolate(person(), size, mode="bilinear").clamp(0, 1)
    bare = shown[..., :1, :1].expand_as(shown)
    plates = {
        True: planes_of(bare, CAMERA), False: planes_of(bare[:, [2, 0, 1]], CAMERA), None: None,
    }  # fmt: skip
    turns: list[tuple[bool | None, list[Placement | None]]] = [
        (None, [left, right]),
        (True, [left, None]),
        (True, [None, right]),
        (False, [right, left]),
        (None, [right, None]),
        (True, [left, right]),
    ]
    for i, (fits, places) in enumerate(turns[stages]):
        plate = plates[fits]
        plain.set_plate(plate, CAMERA)
        if plate is not None:
            y, cb, cr = (p.to(DEVICE) for p in plate)
            analyser.set_plate(Upright((y, cb, cr), CAMERA, 0))
        else:
            analyser.set_plate(None)
        for n in range(times):
            planes = planes_of(shown.roll(i + n, -1), CAMERA)
            want = plain.composite(planes, CAMERA, 0, there, places)
            assert want.plate_fits is fits
            assert_same(made.composite(planes, CAMERA, 0, where, places), want)


def test_one_engine_through_plates_and_slots() -> None:
    left, right = Placement(1.0, -30.0, -12.0), Placement(1.0, 30.0, -12.0)
    _one_engine_through_all((40, 60), (14, 59), left, right, 1, slice(2, 5))


@pytest.mark.gpu
def test_one_engine_through_plates_and_slots_replays_its_graphs() -> None:
    left, right = Placement(0.5, -10.0, 10.0), Placement(0.5, 238.0, -20.0)
    _one_engine_through_all((270, 480), (270, 480), left, right, 6)


@pytest.mark.gpu
def test_the_keyer_uses_the_engine_and_gives_the_same_pictures() -> None:
    where = template((270, 480)).to("cuda")
    small = person(64, 96)
    frame = torch.nn.functional.interpolate(small, (540, 960), mode="bilinear").clamp(0, 1)
    planes = planes_of(frame, CAMERA)
    for placement in (Placement(0.5, 0, 0), Placement(1.0, -200, -100), Placement(1.4, -300, -90)):
        plain = Keyer(Grade.LIVE, device="cuda", clip=True)
        fast = Keyer(Grade.LIVE, device="cuda", clip=True)
        fast.use_kernels()
        for _ in range(3):
            want = plain.composite(planes, CAMERA, 0, where, placement)
            got = fast.composite(planes, CAMERA, 0, where, placement)
            assert not got.picture.is_cuda
            off = (got.picture.int() - want.picture.cpu().int()).abs()
            assert int(off.max()) <= 1
