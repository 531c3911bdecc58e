"""One press one still, in order; each still once; stills without a press are kept aside."""

from __future__ import annotations

from pathlib import Path

import pytest

from models.color import Encoding
from stream.errors import UserError
from stream.live.tether import Awaiting, Tether
from stream.shot import Shot
from tests.stream.live.frames import frame


def shot(shot_id: str) -> Shot:
    return Shot(
        id=shot_id,
        number=1,
        unique="0" * 32,
        taken=frame().taken,
        source="camera",
        frame="frame.mkv",
        original=None,
        proxy=None,
        encoding=Encoding(),
        quarter_turns=0,
        mirror=False,
        people=(),
        template="dusk",
        template_version="v",
        plate=None,
        settings={},
        picture="0001.jpg",
    )


class Store:
    """Notes what was asked; the real one is tried in test_live."""

    def __init__(self) -> None:
        self.done: list[tuple[str, str]] = []
        self.broken: set[str] = set()

    def attach(self, shot_id: str, still: Path) -> Shot:
        if still.name in self.broken:
            raise UserError(f"{still.name} cannot be read.")
        self.done.append((shot_id, still.name))
        return shot(shot_id)

    def still_alone(self, still: Path, people: tuple[str, ...]) -> Shot:
        self.done.append(("alone " + ",".join(people), still.name))
        return shot("9")

    def without_still(self, shot_id: str) -> Shot:
        self.done.append((shot_id, "video"))
        return shot(shot_id)


class Clock:
    """Moved by the test."""

    now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def said() -> list[str]:
    return []


@pytest.fixture
def store() -> Store:
    return Store()


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def tether(store: Store, said: list[str], clock: Clock) -> Tether:
    return Tether(store, said.append, clock, wait_s=30.0)


def test_in_order(tether: Tether, store: Store) -> None:
    for name in ("1", "2"):
        tether.press(Awaiting(100.0, (), name))
    assert tether.state() == {"waiting": 2, "unpressed": 0}
    for name in ("x.jpg", "y.jpg", "z.jpg"):
        tether.arrived(Path(name))
    assert store.done == [("1", "x.jpg"), ("2", "y.jpg")]
    assert tether.state() == {"waiting": 0, "unpressed": 1}
    assert tether.unpressed == (Path("z.jpg"),)


def test_without_a_video_frame_the_still_alone_is_the_shot(tether: Tether, store: Store) -> None:
    tether.press(Awaiting(100.0, ("7", "8"), None))
    assert tether.arrived(Path("x.jpg")) is not None
    assert store.done == [("alone 7,8", "x.jpg")]


def test_a_still_that_never_comes(
    tether: Tether, store: Store, said: list[str], clock: Clock
) -> None:
    tether.press(Awaiting(100.0, (), "1"))
    clock.now_s = 129.0
    assert tether.expire() == 0
    tether.press(Awaiting(129.0, (), "2"))
    clock.now_s = 131.0
    assert tether.expire() == 1
    assert store.done == [("1", "video")]
    assert "no still within 30 s" in said[0]
    assert "shot 1 uses the video picture" in said[0]
    tether.arrived(Path("x.jpg"))
    assert store.done[-1] == ("2", "x.jpg")


def test_a_damaged_still_leaves_the_video_frame(
    tether: Tether, store: Store, said: list[str]
) -> None:
    store.broken.add("x.jpg")
    tether.press(Awaiting(100.0, (), "1"))
    assert tether.arrived(Path("x.jpg")) is None
    assert store.done == [("1", "video")]
    assert said == ["Still x.jpg: x.jpg cannot be read."]
