"""Key times, ways between them, and the parts of a film."""

from __future__ import annotations

import pytest

from stream.film.poses import Parts, Pose, pose_at, smooth
from stream.template.film import Card, Key, Move

PARTS = Parts(2.0, 5.0, 3.0, 0.5, 1.0)


def test_a_layer_is_exactly_at_its_keys() -> None:
    keys = (Key(0.5, 0.0, -40.0), Key(1.25, 0.7, 3.0, 8.0, 1.5), Key(2.0))
    move = Move("a", "start", keys)
    assert pose_at([move], PARTS, 0.5) == Pose(0.0, -40.0)
    assert pose_at([move], PARTS, 1.25) == Pose(0.7, 3.0, 8.0, 1.5)
    assert pose_at([move], PARTS, 2.0) == Pose()
    # Before the first and after the last it stands as they say.
    assert pose_at([move], PARTS, 0.0) == Pose(0.0, -40.0)
    assert pose_at([move], PARTS, 9.0) == Pose()


@pytest.mark.parametrize(("share", "way"), [(0.25, 0.15625), (0.5, 0.5), (0.75, 0.84375)])
def test_smooth_is_hermites_cubic(share: float, way: float) -> None:
    """3 u^2 - 2 u^3 at quarters, worked out by hand."""
    assert smooth(share) == way
    keys = (Key(0.0, x=0.0), Key(4.0, x=100.0), Key(8.0, x=0.0, smooth=False))
    move = Move("a", "start", keys)
    assert pose_at([move], PARTS, 4 * share).x == pytest.approx(100 * way)
    assert pose_at([move], PARTS, 4 + 4 * share).x == pytest.approx(100 * (1 - share))


def test_smooth_begins_and_ends_at_rest() -> None:
    assert smooth(1e-4) < 1e-7
    assert 1 - smooth(1 - 1e-4) < 1e-7


@pytest.mark.parametrize(
    ("since", "zero"), [("start", 0.0), ("take", 2.0), ("take end", 7.0), ("end", 10.0)]
)
def test_times_count_from_where_they_say(since: str, zero: float) -> None:
    move = Move("a", since, (Key(-1.0, x=0.0), Key(1.0, x=10.0, smooth=False)))
    assert pose_at([move], PARTS, zero).x == pytest.approx(5.0)
    assert pose_at([move], PARTS, zero - 1).x == 0
    assert pose_at([move], PARTS, zero + 1).x == 10


def test_moves_of_one_layer_come_together() -> None:
    one = Move("a", "start", (Key(0, 0.5, 10, 1, 2),))
    other = Move("a", "start", (Key(0, 0.5, 5, -1, 3),))
    assert pose_at([one, other], PARTS, 0) == Pose(0.25, 15, 0, 6)


def test_the_take_lies_between_its_cards() -> None:
    assert PARTS.length_s == 10
    assert PARTS.take_at(1.99) is None
    assert PARTS.take_at(2.0) == 0
    assert PARTS.take_at(6.5) == 4.5
    assert PARTS.take_at(7.0) is None


def test_card_and_take_fade_into_each_other() -> None:
    on_card, on_take = (True, False, False), (False, True, False)
    for t_s, share in ((1.9, 0.0), (2.0, 0.0), (2.25, 0.5), (2.5, 1.0), (6.5, 0.5), (7.0, 0.0)):
        assert PARTS.share(t_s, on_take) == pytest.approx(share), t_s
    for t_s, share in ((1.9, 1.0), (2.25, 0.5), (2.5, 0.0), (6.5, 0.0), (9.0, 0.0)):
        assert PARTS.share(t_s, on_card) == pytest.approx(share), t_s
    assert all(PARTS.share(t / 10, (True, True, True)) == 1 for t in range(110))


def test_fades_are_shortened_with_the_take() -> None:
    parts = Parts.of(Card(1, 1.0), Card(1, 3.0), 2.0)
    assert (parts.fade_in_s, parts.fade_out_s) == (0.5, 1.5)
    none = Parts.of(Card(1, 0.0), Card(1, 0.0), 0.04)
    assert none.share(1.0, (False, True, False)) == 1
