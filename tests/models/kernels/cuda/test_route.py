"""A frame unlike the one before goes its own way, and one like it the same."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Callable
from dataclasses import replace

import pytest
import torch

from models.color import Encoding, Planes, Range
from models.composite import Scene
from models.kernels.cuda import engine as engines
from models.kernels.cuda.engine import Engine
from models.kernels.cuda.exchange import exchange, fetch
from models.kernels.cuda.lane import Form, Lane
from models.kernels.cuda.live import LiveAnalyser
from models.kernels.cuda.room import Room
from models.keyer import Grade, Keyer
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

HERE, CAMERA, SIZE = Placement(1.0, -6.0, -6.0), Encoding(), (6, 12)
FRAME = person(24, 40)


def paired(planes: Planes) -> Planes:
    """The same planes as a card's decoder writes them: in one memory, chroma by turns."""
    first, second, third = planes
    (high, wide), (rows, columns) = first.shape, second.shape
    own = first.new_empty(high * wide + 2 * rows * columns)
    own[: high * wide] = first.reshape(-1)
    pair = own[high * wide :].view(rows, columns, 2)
    pair[..., 0], pair[..., 1] = second, third
    return own[: high * wide].view(high, wide), pair[..., 0], pair[..., 1]


def in_a_row(planes: Planes) -> Planes:
    """The same planes, one after the other in one memory."""
    own = torch.cat([p.reshape(-1) for p in planes])
    parts = own.split([p.numel() for p in planes])  # type: ignore[no-untyped-call]
    first, second, third = (a.view(p.shape) for a, p in zip(parts, planes, strict=True))
    return first, second, third


def padded(planes: Planes) -> Planes:
    """The same planes in rows that are longer than they."""
    wider = [torch.nn.functional.pad(p, (0, 7)) for p in planes]
    first, second, third = (a[:, :-7] for a in wider)
    return first, second, third


def paired_in_longer_rows(planes: Planes) -> Planes:
    """The same planes, only the chroma by turns in rows that are longer than it."""
    first, second, third = planes
    rows, columns = second.shape
    own = first.new_full((rows, columns + 8, 2), 99)
    pair = own[:, :columns]
    pair[..., 0], pair[..., 1] = second, third
    return first.contiguous(), pair[..., 0], pair[..., 1]


def test_each_frame_is_drawn_as_it_was_asked_for() -> None:
    made, where, other = engine(clip=False), template(SIZE), template((5, 12))
    planes, later = planes_of(FRAME, CAMERA), planes_of(FRAME.roll(3, -1), CAMERA)
    full = Encoding(range=Range.FULL)
    moved, mirrored = Placement(1.0, -9.0, -5.0), replace(HERE, mirror=True)
    asked: list[tuple[Planes, Encoding, int, Scene, Placement]] = [
        (planes, CAMERA, 0, where, HERE),
        (later, CAMERA, 0, where, replace(HERE)),
        (later, CAMERA, 0, where, moved),
        (later, CAMERA, 0, where, mirrored),
        (later, full, 0, where, mirrored),
        (later, CAMERA, 0, where, HERE),
        (later, CAMERA, 2, where, HERE),
        (later, CAMERA, 0, other, HERE),
        (planes, CAMERA, 0, where, HERE),
    ]
    for frame in asked:
        assert_same(made.composite(*frame), reference(*frame))


def test_planes_that_lie_otherwise_are_the_same_planes() -> None:
    made, where = engine(clip=False), template(SIZE)
    for i, laid in enumerate((in_a_row, paired, padded, paired, in_a_row)):
        planes = laid(planes_of(FRAME.roll(i, -1), CAMERA))
        got = made.composite(planes, CAMERA, 0, where, HERE)
        assert_same(got, reference(planes, CAMERA, 0, where, HERE))


def test_a_list_of_places_may_change_after_the_frame() -> None:
    made, where, planes = engine(clip=False), template(SIZE), planes_of(FRAME, CAMERA)
    places = [HERE]
    made.submit(planes, CAMERA, 0, where, places)
    places[0] = Placement(1.0, -9.0, -5.0)
    got = made.composite(planes, CAMERA, 0, where, places)
    assert_same(got, reference(planes, CAMERA, 0, where, places))


def test_what_is_not_covered_leaves_the_way_as_it_was() -> None:
    made, where, planes = engine(clip=False), template(SIZE), planes_of(FRAME, CAMERA)
    want = reference(planes, CAMERA, 0, where, HERE)
    assert_same(made.composite(planes, CAMERA, 0, where, HERE), want)
    assert made.composite(planes, CAMERA, 0, where, lambda _: HERE) is None
    assert_same(made.composite(planes, CAMERA, 0, where, HERE), want)


def test_graphs_that_were_given_up_are_not_used(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(engines, "_MOST_GRAPHS", 1)
    made, where, planes = engine(clip=False), template(SIZE), planes_of(FRAME, CAMERA)
    for _ in range(3):
        got = made.composite(planes, CAMERA, 0, where, HERE)
        assert_same(got, reference(planes, CAMERA, 0, where, HERE))
        assert len(made._graphs) == 1
        kept = [weakref.ref(way) for way in made._graphs.values()]
    made._drop(list(made._graphs))
    gc.collect()
    assert kept[0]() is None


def test_graphs_of_a_lane_share_what_they_key_in() -> None:
    made, planes = engine(clip=False), planes_of(FRAME, CAMERA)
    first, second = template(SIZE), template(SIZE, gains=0)
    for where in (first, second, first):
        for _ in range(2):  # one for each lane
            got = made.composite(planes, CAMERA, 0, where, HERE)
            assert_same(got, reference(planes, CAMERA, 0, where, HERE))
    lanes = [lane for lanes in made._lanes.values() for lane in lanes]
    gc.collect()
    rooms = {id(o) for o in gc.get_objects() if type(o) is Room and _is_of(o, lanes)}
    assert len(made._graphs) == 4
    assert len(rooms) == len(lanes) == 2
    made._drop(list(made._graphs))
    gc.collect()
    assert not any(lane.rooms for lane in lanes)


def _is_of(room: Room, lanes: list[Lane]) -> bool:
    memory = room.counters.untyped_storage().data_ptr()
    return memory in {lane.numbers.untyped_storage().data_ptr() for lane in lanes}


def test_a_scene_that_is_gone_is_dropped_while_another_goes_on() -> None:
    made, planes = engine(clip=False), planes_of(FRAME, CAMERA)
    first, second = template((4, 4)), template((5, 5))
    made.composite(planes, CAMERA, 0, first, HERE)
    layers = weakref.ref(made._scenes[id(first)][1].bare)  # type: ignore[union-attr]
    for _ in range(2):
        made.composite(planes, CAMERA, 0, second, HERE)
    del first
    made.composite(planes, CAMERA, 0, second, HERE)
    gc.collect()
    assert layers() is None


def test_a_plate_is_taken_over_with_the_next_frame() -> None:
    network = Keyer(Grade.LIVE, device=DEVICE).solver.network
    assert network is not None
    analyser, planes = LiveAnalyser(KeySettings(), network), planes_of(FRAME, CAMERA)
    made = analyser.prepare(planes, CAMERA, 0)
    for light in (1.0, 0.9):
        y, cb, cr = planes_of(light * FRAME[..., :1, :1].expand_as(FRAME), CAMERA)
        plate = Upright((y.to(DEVICE), cb.to(DEVICE), cr.to(DEVICE)), CAMERA, 0)
        analyser.set_plate(plate)
        analyser.without_plate(True)
        assert analyser.prepare(planes, CAMERA, 0).plate is None
        analyser.without_plate(False)
        assert analyser.prepare(planes, CAMERA, 0) is made
        assert made.plate is plate
    analyser.set_plate(None)
    assert analyser.prepare(planes, CAMERA, 0).plate is None
    analyser.discard()
    assert analyser.prepare(planes, CAMERA, 0) is not made


@pytest.mark.parametrize("slots", [1, 3])
def test_numbers_go_to_the_card_and_what_is_told_comes_back(slots: int) -> None:
    sent = torch.arange(slots * 32, dtype=torch.int32).view(slots, 32) - 9
    told = torch.tensor([0.5, 1, 2, -1, 0, 7, 3, 9], device=DEVICE)
    numbers = torch.full((slots + 1, 32), -77, dtype=torch.int32, device=DEVICE)
    heard = torch.zeros(8)
    if DEVICE.type == "cuda":
        sent, heard = sent.pin_memory(), heard.pin_memory()
    exchange(sent, numbers[:slots], told, heard)
    if DEVICE.type == "cuda":
        torch.cuda.synchronize()
    assert torch.equal(numbers[:slots].cpu(), sent)
    assert (numbers[slots] == -77).all()
    assert torch.equal(heard, told.cpu())


@pytest.mark.parametrize("laid", [in_a_row, paired, padded, paired_in_longer_rows])
@pytest.mark.parametrize("wide", [40, 27])
def test_planes_come_to_the_card_whole(laid: Callable[[Planes], Planes], wide: int) -> None:
    planes = planes_of(FRAME[..., :wide], CAMERA)
    index = -1 if DEVICE.type == "cpu" else 0
    lane = Lane.of(Form.of(laid(planes)), 0, 1, DEVICE)
    # An odd width leaves planes that cannot begin where the card reads whole words.
    assert (lane.whole is not None) == (wide == 40)
    y, cb, cr = (p.to(DEVICE) for p in planes)
    for shown in (laid(planes), laid((y, cb, cr))):
        for fetched in (False, True):
            for stored in lane.stored:
                stored.zero_()
            if not (fetched := fetched and lane.fetches(shown, index)):
                lane.sources.zero_()
                lane.upload(shown)
            fetch(lane.sources, lane.stored)
            for got, want in zip(lane.form.planes(lane.stored), planes, strict=True):
                assert torch.equal(got.cpu(), want)
    # What the last one was: on the card, or where everything is.
    assert fetched == (wide == 40 and laid in (in_a_row, paired))


def _big(shift: int) -> Planes:
    large = torch.nn.functional.interpolate(person(), (270, 480), mode="bilinear").clamp(0, 1)
    y, cb, cr = (p.to(DEVICE) for p in planes_of(large.roll(shift, -1), CAMERA))
    return y, cb, cr


def _live(host: bool = True) -> tuple[Engine, Keyer]:
    """An engine that waits for nothing, and a keyer of the same clip without one."""
    plain = Keyer(Grade.LIVE, device=DEVICE, clip=True)
    network = plain.solver.network
    assert network is not None
    analyser = LiveAnalyser(plain.settings, network)
    return Engine(network, analyser, plain.settings, host, alpha=host), plain


@pytest.mark.gpu
def test_pictures_that_somebody_keeps_stay_while_many_frames_follow() -> None:
    (made, plain), where = _live(), template((270, 480))
    frames = [_big(16 * i) for i in range(12)]
    sent = [made.submit(planes, CAMERA, 0, where, HERE) for planes in frames]
    kept = [pending.wait() for pending in sent if pending is not None]
    want = [plain.composite(planes, CAMERA, 0, where.to(DEVICE), HERE) for planes in frames]
    for got, there in zip(kept, want, strict=True):
        assert_same(got, there)
    part = kept[3].picture[100:200, 7:90].numpy()
    before = part.copy()
    held = [kept[0], kept[11]]
    del kept, sent, got
    for planes in frames[1:] * 4:
        made.submit(planes, CAMERA, 0, where, HERE)
    made.composite(frames[0], CAMERA, 0, where, HERE)
    assert (part == before).all()
    assert_same(held[0], want[0])
    assert_same(held[1], want[11])


@pytest.mark.gpu
def test_planes_of_a_frame_under_way_are_kept_and_let_go() -> None:
    (made, plain), where = _live(), template((270, 480))
    planes = _big(8)
    want = plain.composite(planes, CAMERA, 0, where.to(DEVICE), HERE)
    first = weakref.ref(planes[0])
    pending = made.submit(planes, CAMERA, 0, where, HERE)
    del planes
    assert first() is not None
    assert pending is not None
    assert_same(pending.wait(), want)
    assert first() is None


@pytest.mark.gpu
def test_a_picture_that_stays_on_the_card_and_planes_of_either_place() -> None:
    (made, plain), where = _live(host=False), template((270, 480))
    for i in range(8):
        y, cb, cr = _big(8 * i)
        planes = (y, cb, cr) if i % 3 else (y.cpu(), cb, cr.cpu().pin_memory())
        want = plain.composite(planes, CAMERA, 0, where.to(DEVICE), HERE)
        got = made.composite(planes, CAMERA, 0, where, HERE)
        assert got is not None
        assert got.picture.is_cuda
        assert got.screen_found == want.screen_found
        assert int((got.picture.int() - want.picture.int()).abs().max()) <= 1


@pytest.mark.gpu
def test_a_lane_that_goes_with_a_frame_under_way_waits_for_it() -> None:
    (made, _), where = _live(), template((270, 480))
    planes = _big(0)
    for _ in range(2):  # each lane's graph
        made.composite(planes, CAMERA, 0, where, HERE)
    torch.cuda._sleep(200_000_000)  # type: ignore[no-untyped-call]
    pending = made.submit(planes, CAMERA, 0, where, HERE)
    assert pending is not None
    done = pending.done
    assert done is not None
    assert not done.query()  # type: ignore[no-untyped-call]
    (lane,) = (x for lanes in made._lanes.values() for x in lanes if x.settle == pending.wait)
    computed = lane.computed
    assert computed is not None
    del lane, made, pending
    gc.collect()
    assert computed.query()  # type: ignore[no-untyped-call]
    done.synchronize()
