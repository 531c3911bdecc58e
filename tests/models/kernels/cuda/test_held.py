"""A tile of the bare picture that still stands in a buffer stays; whatever came over it goes."""

from __future__ import annotations

from models.color import Encoding
from models.kernels.cuda.engine import Engine
from models.kernels.cuda.lane import Picture
from models.resample import Placement
from tests.models.kernels.cuda.pictures import (
    assert_same,
    engine,
    person,
    planes_of,
    reference,
    template,
)

CAMERA, SIZE = Encoding(), (14, 120)
PLANES = planes_of(person(), CAMERA)
LEFT, RIGHT = Placement(1.0, -10.0, -12.0), Placement(1.0, 62.0, -12.0)


def _buffers(made: Engine) -> list[Picture]:
    return [p for lanes in made._lanes.values() for lane in lanes for p in lane.pictures.values()]


def test_a_bare_tile_that_stands_is_not_made_again() -> None:
    made, where = engine(clip=False), template(SIZE)
    for _ in range(2):  # one for each lane
        made.composite(PLANES, CAMERA, 0, where, LEFT)
    number = next(iter(made._scenes.values()))[1].number  # type: ignore[union-attr]
    for buffer in _buffers(made):
        assert buffer.held.tolist() == [0, number]
        buffer.codes[:, 64:] = 77
    for _ in range(2):
        got = made.composite(PLANES, CAMERA, 0, where, LEFT)
        assert got is not None
        assert bool((got.picture[:, 64:] == 77).all())
    for buffer in _buffers(made):
        buffer.held.zero_()
    for _ in range(2):
        got = made.composite(PLANES, CAMERA, 0, where, LEFT)
        assert_same(got, reference(PLANES, CAMERA, 0, where, LEFT))


def test_a_subject_that_moves_leaves_nothing_behind() -> None:
    made, where = engine(clip=False), template(SIZE)
    for place in (LEFT, RIGHT, RIGHT, LEFT, LEFT, RIGHT):
        got = made.composite(PLANES, CAMERA, 0, where, place)
        assert_same(got, reference(PLANES, CAMERA, 0, where, place))


def test_another_template_another_slot_another_way_and_nobody_in_one_buffer() -> None:
    made, first, second = engine(clip=False), template(SIZE, 2), template(SIZE, 2, gains=0)
    larger = Placement(1.3, -9.0, -5.0)
    turns = (
        (first, [LEFT, RIGHT]),
        (first, [LEFT, None]),  # a bare tile where the second subject stood last
        (second, [None, LEFT]),
        (first, [RIGHT, LEFT]),
        (first, [LEFT, Placement(1.3, 62.0, -5.0)]),
        (first, [LEFT, None]),
        (second, [larger, None]),
        (second, [RIGHT, None]),
        (first, [None, None]),
        (second, [None, RIGHT]),
    )
    for where, places in turns:
        want = reference(PLANES, CAMERA, 0, where, places)
        for _ in range(2):
            assert_same(made.composite(PLANES, CAMERA, 0, where, places), want)
    assert len({id(p) for p in _buffers(made)}) == 2
    assert len(made._graphs) > 2
