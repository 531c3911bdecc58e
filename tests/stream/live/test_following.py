"""Placements that follow a person: time comes in as numbers."""

from __future__ import annotations

import math

import pytest

from models.resample import Placement
from stream.live.following import AWAY_S, LOOK_S, PLACE_BAND, SCALE_BAND, Following

ANCHOR = (100.0, 300.0)
HEIGHT = 360
STEP = 1 / 25


def at(x: float, y: float = 200.0, scale: float = 1.0, mirror: bool = False) -> Placement:
    """A frame whose point (x, y) lies at the anchor."""
    return Placement(scale, ANCHOR[0] - scale * x, ANCHOR[1] - scale * y, mirror)


class Walk:
    """A slot followed over time, looked at as the live loop does."""

    def __init__(self) -> None:
        self.following = Following()
        self.now_s = 50.0
        self.about: tuple[object, ...] = ("size",)

    def step(self, wanted: Placement, found: bool = True, seconds: float = STEP) -> Placement:
        self.now_s += seconds
        if self.following.due(self.now_s):
            return self.following.look(wanted, found, ANCHOR, HEIGHT, self.about, self.now_s)
        return self.following.go_on(ANCHOR, wanted.mirror, self.now_s)


def close(a: Placement, b: Placement, within: float = 1e-6) -> bool:
    return a.mirror == b.mirror and all(
        abs(x - y) <= within for x, y in ((a.scale, b.scale), (a.dx, b.dx), (a.dy, b.dy))
    )


def test_the_first_is_placed_at_once() -> None:
    walk = Walk()
    assert close(walk.step(at(40, scale=1.3)), at(40, scale=1.3))


def test_trembling_is_not_followed() -> None:
    walk = Walk()
    first = walk.step(at(40))
    for i in range(200):
        off = 0.6 * PLACE_BAND * HEIGHT * math.sin(i * 1.7)
        got = walk.step(at(40 + off, 200 + off, 1 + 0.9 * SCALE_BAND * math.cos(i * 2.3) ** 3))
        assert close(got, first, 1e-9)


def test_a_step_aside_is_followed_softly_and_reached() -> None:
    walk = Walk()
    walk.step(at(40))
    seen = [walk.step(at(90)).dx for _ in range(50)]
    moves = [a - b for a, b in zip([at(40).dx, *seen], seen, strict=False)]
    assert all(move >= -1e-9 for move in moves)  # one way, never back
    assert max(moves) < 0.25 * 50  # and never in one jump
    assert abs(seen[-1] - at(90).dx) < 0.1
    assert abs(seen[6] - at(90).dx) < 25  # half the way in a quarter of a second


def test_the_scale_changes_more_slowly_and_the_anchor_stays() -> None:
    walk = Walk()
    walk.step(at(40, 200, 1.0))
    for _ in range(5):
        got = walk.step(at(40, 200, 1.5))
        # The point that stands at the anchor, the feet, does not slide while the size changes.
        assert got.dx + got.scale * 40 == pytest.approx(ANCHOR[0])
        assert got.dy + got.scale * 200 == pytest.approx(ANCHOR[1])
    assert 1.02 < got.scale < 1.2
    for _ in range(100):
        got = walk.step(at(40, 200, 1.5))
    assert got.scale == pytest.approx(1.5, abs=0.01)


def test_it_does_not_hang_on_the_frame_rate() -> None:
    ends = []
    for rate in (10, 50):
        walk = Walk()
        walk.step(at(40))
        for _ in range(rate // 2):
            got = walk.step(at(90, scale=1.2), seconds=1 / rate)
        ends.append(got)
    assert close(ends[0], ends[1], 1e-6)


def test_nobody_for_a_moment_moves_nothing() -> None:
    walk = Walk()
    first = walk.step(at(40))
    for _ in range(int(0.8 * AWAY_S / STEP)):
        assert close(walk.step(at(500, scale=3), found=False), first)
    # Back within the second: on from where it was, softly.
    assert close(walk.step(at(60), seconds=LOOK_S), first, 10)
    assert not close(walk.step(at(60)), at(60), 1)


def test_somebody_new_is_placed_at_once() -> None:
    walk = Walk()
    walk.step(at(40))
    for _ in range(int(1.5 * AWAY_S / STEP)):
        walk.step(at(500, scale=3), found=False)
    assert close(walk.step(at(90, scale=1.4), seconds=LOOK_S), at(90, scale=1.4))


def test_until_somebody_comes_the_slot_decides() -> None:
    walk = Walk()
    for _ in range(3):
        assert close(walk.step(at(10), found=False, seconds=LOOK_S), at(10))
    assert close(walk.step(at(70), seconds=LOOK_S), at(70))


@pytest.mark.parametrize("change", ["about", "mirror", "clock"])
def test_another_picture_begins_anew(change: str) -> None:
    walk = Walk()
    walk.step(at(40))
    if change == "about":
        walk.about = ("another size",)
    if change == "clock":
        walk.now_s -= 20
    other = at(90, scale=2, mirror=change == "mirror")
    assert close(walk.step(other, seconds=LOOK_S), other)


def test_it_looks_now_and_then() -> None:
    walk = Walk()
    assert walk.following.due(0.0)
    walk.step(at(40))
    assert not walk.following.due(walk.now_s + 0.5 * LOOK_S)
    assert walk.following.due(walk.now_s + LOOK_S)
