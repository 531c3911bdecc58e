"""A Keyer with an engine gives the pictures that it gives without, whatever happens in between."""

from __future__ import annotations

import gc
import weakref
from typing import Any, NoReturn

import pytest
import torch

from models.analysis import Analysis, Known
from models.color import SRGB_8BIT, Encoding, Planes
from models.errors import ShapeError
from models.figure import Figure
from models.kernels.cuda import core
from models.kernels.cuda.analysis import LiveAnalysis
from models.kernels.cuda.engine import Engine
from models.kernels.cuda.live import MOST_KINDS, LiveAnalyser
from models.kernels.cuda.places import COUNTERS
from models.kernels.fused import Fused
from models.keyer import Grade, Keyer, Placing
from models.mask import Mask
from models.resample import Placement
from models.settings import KeySettings
from models.upright import Upright
from tests.models.kernels.cuda.pictures import (
    DEVICE,
    assert_same,
    engine,
    person,
    planes_of,
    reference,
    template,
)

HERE, SIZE = Placement(1.0, -6.0, -6.0), (10, 30)
CAMERA = Encoding()
FRAME = person(24, 40)


def bare(height: int = 24, width: int = 40, light: float = 1.0) -> Planes:
    """A picture of the screen alone."""
    return planes_of(light * FRAME[..., :1, :1].expand(1, 3, height, width), CAMERA)


def keyer(fast: bool = True, live: bool = True) -> Keyer:
    """A Keyer of a clip, with an engine for its device, whose analysis may be the reference's."""
    made = Keyer(Grade.LIVE, device=DEVICE, clip=live)
    if not fast:
        return made
    network = made.solver.network
    assert network is not None
    if live:
        analyser = LiveAnalyser(made.settings, network)
        made.parts = Fused(
            engine=Engine(network, analyser, made.settings, alpha=True), analyser=analyser
        )
    else:
        made.parts = Fused(engine=engine(clip=False))
    return made


def used(made: Keyer) -> int:
    """How many frames its engine made pictures of."""
    assert made.parts.engine is not None
    return made.parts.engine._count


def test_a_clip_goes_on_while_its_scene_and_its_plate_change() -> None:
    both = keyer(), keyer(False)
    made = both[0]
    analyser, pictures = made.parts.analyser, made.parts.engine
    assert analyser is not None
    assert pictures is not None
    planes = planes_of(FRAME, CAMERA)

    def agree(size: tuple[int, int], fits: bool | None) -> LiveAnalysis:
        before, where = used(made), template(size).to(DEVICE)
        got, want = (k.composite(planes, CAMERA, 0, where, HERE) for k in both)
        assert want.plate_fits is fits
        assert_same(got, want)
        assert used(made) == before + 1
        return analyser.prepare(planes, CAMERA, 0)

    assert float(agree(SIZE, None).state[13]) == 0
    shown = agree((11, 31), None)
    assert float(shown.state[13]) == 1  # the second followed the first, whose scene is gone
    ((*lanes,),) = pictures._lanes.values()
    assert [list(lane.pictures) for lane in lanes] == [[], [(11, 31)]]
    made.set_plate(bare(light=0.7), CAMERA)
    assert analyser.prepare(planes, CAMERA, 0) is shown
    assert shown.plate is not None
    plate = bare()
    for one in both:
        one.set_plate(plate, CAMERA)
    agree(SIZE, True)  # the new plate in place of the one before
    other, where = bare(20, 40), template(SIZE).to(DEVICE)
    for one in both:
        one.set_plate(other, CAMERA)
        with pytest.raises(ShapeError, match="clean plate: it is 40x20 and the frame is 40x24"):
            one.composite(planes, CAMERA, 0, where, HERE)
        one.set_plate(None)
    assert not analyser.variant
    assert shown.plate is None


def test_what_the_last_kinds_of_frames_showed_is_kept_and_no_more() -> None:
    network = keyer(False).solver.network
    assert network is not None
    analyser, planes = LiveAnalyser(KeySettings(), network), planes_of(FRAME, CAMERA)
    first = weakref.ref(analyser.prepare(planes, CAMERA, 0))
    for turns in range(1, MOST_KINDS):
        analyser.prepare(planes, CAMERA, turns)
    assert first() is analyser.prepare(planes, CAMERA, 0)
    for turns in range(1, MOST_KINDS + 1):
        analyser.prepare(planes, CAMERA, turns)
    gc.collect()
    assert first() is None
    analyser.discard()
    assert not len(analyser._made)


def test_a_plate_of_another_size_than_the_first_frame() -> None:
    made, where = keyer(), template(SIZE)
    made.set_plate(bare(20, 40), CAMERA)
    with pytest.raises(ShapeError, match="clean plate: it is 40x20"):
        made.composite(planes_of(FRAME, CAMERA), CAMERA, 0, where.to(DEVICE), HERE)
    assert used(made) == 0


def test_a_placing_by_the_figure_and_a_mask_in_between() -> None:
    made, plain, where = keyer(live=False), keyer(False, live=False), template(SIZE).to(DEVICE)
    planes = planes_of(person(), CAMERA)
    seen: list[Figure | None] = []

    def placing(figure: Figure | None) -> Placement:
        seen.append(figure)
        return HERE

    assert_same(
        made.composite(planes, CAMERA, 0, where, placing),
        plain.composite(planes, CAMERA, 0, where, placing),
    )
    assert seen[0] == seen[1] is not None
    assert used(made) == 1
    strokes = torch.zeros(1, 2, 40, 60)
    strokes[:, 0, 10:14] = 1
    for mask, count in ((Mask(strokes), 1), (None, 2)):
        for one in (made, plain):
            one.set_mask(mask)
        assert_same(
            made.composite(planes, CAMERA, 0, where, HERE),
            plain.composite(planes, CAMERA, 0, where, HERE),
        )
        assert used(made) == count


def test_a_frame_is_analysed_once_where_the_engine_leaves_it_to_the_reference(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made, plain = keyer(live=False), keyer(False, live=False)
    planes, where = planes_of(FRAME, CAMERA), template(SIZE, 2).to(DEVICE)
    analyse, seen = Analysis.__call__, []

    def counted(self: Analysis, frame: Upright, *rest: Any) -> Known:
        seen.append(frame)
        return analyse(self, frame, *rest)

    monkeypatch.setattr(Analysis, "__call__", counted)
    both: list[Placing | None] = [lambda _: HERE, lambda _: HERE]  # one over the other
    got = made.composite(planes, CAMERA, 0, where, both)
    assert len(seen) == 1
    assert used(made) == 0
    assert_same(got, plain.composite(planes, CAMERA, 0, where, both))


def test_two_frames_on_their_way() -> None:
    made, where = engine(clip=False), template(SIZE)
    frames = [planes_of(FRAME.roll(2 * i, -1), CAMERA) for i in range(4)]
    for pair in (frames[:2], frames[2:]):
        sent = [made.submit(planes, CAMERA, 0, where, HERE) for planes in pair]
        for pending, planes in reversed(list(zip(sent, pair, strict=True))):
            assert pending is not None
            assert_same(pending.wait(), reference(planes, CAMERA, 0, where, HERE))


class _Broken:
    def __getitem__(self, _: object) -> NoReturn:
        raise RuntimeError("the launch failed")


def test_a_frame_that_breaks_off_leaves_nothing_to_the_next(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made, where, planes = engine(clip=False), template(SIZE), planes_of(FRAME, CAMERA)
    told: list[int] = []
    monkeypatch.setattr(made._analyser, "discard", lambda: told.append(1))
    with monkeypatch.context() as broken:
        broken.setattr(core, "asked_kernel", _Broken())
        with pytest.raises(RuntimeError, match="the launch failed"):
            made.composite(planes, CAMERA, 0, where, HERE)
    assert told
    assert not made._lanes
    assert not made._graphs
    got = made.composite(planes, CAMERA, 0, where, HERE)
    assert_same(got, reference(planes, CAMERA, 0, where, HERE))


def test_every_frame_begins_to_count_anew() -> None:
    made, where, planes = engine(clip=False), template(SIZE), planes_of(FRAME, CAMERA)
    made.composite(planes, CAMERA, 0, where, HERE)
    for lanes in made._lanes.values():
        for lane in lanes:
            lane.numbers[:, COUNTERS : COUNTERS + 2] = 3
    for _ in range(2):
        got = made.composite(planes, CAMERA, 0, where, HERE)
        assert_same(got, reference(planes, CAMERA, 0, where, HERE))


def test_smaller_green_and_blue_are_refused() -> None:
    first, second, third = planes_of(FRAME, CAMERA)
    assert second.shape != first.shape
    assert engine().composite((first, second, third), SRGB_8BIT, 0, template(SIZE), HERE) is None
    with pytest.raises(ShapeError):
        keyer(live=False).composite((first, second, third), SRGB_8BIT, 0, template(SIZE), HERE)


@pytest.mark.gpu
def test_what_the_callers_stream_makes_is_waited_for() -> None:
    made, where = engine(KeySettings(), clip=False), template((270, 480))
    big = torch.nn.functional.interpolate(person(), (270, 480), mode="bilinear").clamp(0, 1)
    wanted = [p.to(DEVICE) for p in planes_of(big, CAMERA)]
    y, cb, cr = (torch.zeros_like(p) for p in wanted)
    made.composite((y, cb, cr), CAMERA, 0, where, HERE)  # compiles
    torch.cuda._sleep(100_000_000)  # type: ignore[no-untyped-call]
    for into, plane in zip((y, cb, cr), wanted, strict=True):
        into.copy_(plane)
    got = made.composite((y, cb, cr), CAMERA, 0, where, HERE)
    assert_same(got, reference((y, cb, cr), CAMERA, 0, where, HERE))
