"""One press one still; each still once; nobody silently gets the picture of another."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image

from models.color import Encoding
from stream.errors import UserError
from stream.live.tether import GATHER_S, UNSURE, WINDOW_S, Awaiting, Tether
from stream.shot import Shot
from stream.template import Nudge, Template
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
        self.notes: dict[str, str] = {}

    def attach(self, shot_id: str, still: Path, note: str | None = None) -> Shot:
        if still.name in self.broken:
            raise UserError(f"{still.name} cannot be read.")
        self.done.append((shot_id, still.name))
        if note is not None:
            self.notes[shot_id] = note
        return shot(shot_id)

    def still_alone(
        self, still: Path, people: tuple[str, ...], template: Template | None, nudge: Nudge | None
    ) -> Shot:
        moved = f" {nudge.right:g}" if nudge else ""
        self.done.append((f"alone {','.join(people)}{moved}", still.name))
        return shot("9")

    def without_still(self, shot_id: str, note: str | None = None) -> Shot:
        self.done.append((shot_id, "video"))
        if note is not None:
            self.notes[shot_id] = note
        return shot(shot_id)

    def still_plate(self, still: Path) -> None:
        self.done.append(("plate", still.name))


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


def test_two_quick_presses_and_their_stills_in_order(
    tether: Tether, store: Store, said: list[str], clock: Clock
) -> None:
    for n, name in enumerate(("1", "2")):
        tether.press(Awaiting(100.0 + n, (name,), name))
    assert tether.state() == {"waiting": 2, "unpressed": 0}
    clock.now_s = 102.0
    for name in ("x.jpg", "y.jpg", "z.jpg"):
        tether.arrived(Path(name))
    assert store.done == [("1", "x.jpg"), ("2", "y.jpg")]
    assert tether.state() == {"waiting": 0, "unpressed": 1}
    assert tether.unpressed == (Path("z.jpg"),)
    assert store.notes == {}
    assert said == []


def test_a_missed_still_moves_nobody_elses(
    tether: Tether, store: Store, said: list[str], clock: Clock
) -> None:
    """The camera misses the first of four people."""
    for n, person in enumerate("ABCD"):
        clock.now_s = 100.0 + 12 * n
        tether.press(Awaiting(clock.now_s, (person,), person))
        clock.now_s += 2.0
        tether.expire()
        if person != "A":
            tether.arrived(Path(f"of-{person}.jpg"))
    assert store.done == [("A", "video"), ("B", "of-B.jpg"), ("C", "of-C.jpg"), ("D", "of-D.jpg")]
    # a transfer that takes long looks the same for B, and only for B
    assert list(store.notes) == ["B"]
    assert "right person" in store.notes["B"]
    assert any("shot A uses the video picture" in s for s in said)
    assert any("Shot B, still of-B.jpg" in s for s in said)


def test_two_people_and_one_still_is_nobodys(
    tether: Tether, store: Store, said: list[str], clock: Clock
) -> None:
    tether.press(Awaiting(100.0, ("A",), "1"))
    tether.press(Awaiting(103.0, ("B",), "2"))
    clock.now_s = 104.5
    tether.arrived(Path("x.jpg"))
    tether.expire()
    assert store.done == []  # the other may still come
    clock.now_s += GATHER_S
    tether.expire()
    assert store.done == [("1", "video"), ("2", "video")]
    assert store.notes == {"1": UNSURE, "2": UNSURE}
    assert tether.unpressed == (Path("x.jpg"),)
    assert "not clear whose" in said[0]
    # and the next person has her own
    clock.now_s = 120.0
    tether.press(Awaiting(120.0, ("C",), "3"))
    tether.arrived(Path("y.jpg"), 121.0)
    assert store.done[-1] == ("3", "y.jpg")


def test_the_same_people_twice_and_one_still_goes_to_the_newest(
    tether: Tether, store: Store, clock: Clock
) -> None:
    tether.press(Awaiting(100.0, ("A",), "1"))
    tether.press(Awaiting(103.0, ("A",), "2"))
    tether.arrived(Path("x.jpg"), 104.0)
    clock.now_s = 104.0 + GATHER_S
    tether.expire()
    assert store.done == [("1", "video"), ("2", "x.jpg")]
    assert "2" not in store.notes


def test_a_late_still_is_given_with_a_note(
    tether: Tether, store: Store, said: list[str], clock: Clock
) -> None:
    tether.press(Awaiting(100.0, ("A",), "1"))
    tether.arrived(Path("x.jpg"), 101.0 + WINDOW_S + 5)
    assert store.done == [("1", "x.jpg")]
    assert "12 s after the press" in store.notes["1"]
    assert "right person" in said[0]


def test_a_still_from_before_the_press_is_not_its_own(tether: Tether, store: Store) -> None:
    tether.press(Awaiting(100.0, ("A",), "1"))
    tether.arrived(Path("x.jpg"), 99.0)
    assert store.done == []
    tether.arrived(Path("y.jpg"), 101.0)
    assert store.done == [("1", "y.jpg")]


def with_time(path: Path, second: int) -> Path:
    """A still whose camera says when it took it (CIPA DC-008: DateTimeOriginal)."""
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0x9003] = f"2019:01:01 00:00:{second:02d}"
    Image.new("RGB", (16, 16)).save(path, exif=exif)
    return path


@pytest.mark.parametrize(("second", "agrees"), [(5, True), (1, False)])
def test_capture_times_must_agree_with_the_presses(
    tether: Tether, store: Store, tmp_path: Path, second: int, agrees: bool
) -> None:
    """The first missed and the second taken twice: as many stills as presses, yet not theirs."""
    tether.press(Awaiting(100.0, ("A",), "1"))
    tether.press(Awaiting(104.0, ("B",), "2"))
    tether.arrived(with_time(tmp_path / "x.jpg", 1), 105.0)
    tether.arrived(with_time(tmp_path / "y.jpg", second), 105.5)
    given = [("1", "x.jpg"), ("2", "y.jpg")]
    assert store.done == (given if agrees else [("1", "video"), ("2", "video")])


def test_a_still_for_the_plate(tether: Tether, store: Store, clock: Clock) -> None:
    tether.press(Awaiting(100.0, (), None, plate=True))
    assert tether.arrived(Path("x.jpg"), 103.0) == []
    assert store.done == [("plate", "x.jpg")]
    # one that never comes takes nothing from the next person
    tether.press(Awaiting(110.0, (), None, plate=True))
    tether.press(Awaiting(120.0, ("A",), "1"))
    tether.arrived(Path("y.jpg"), 121.0)
    assert store.done[1:] == [("1", "y.jpg")]
    assert store.notes == {}


def test_without_a_video_frame_the_still_alone_is_the_shot(tether: Tether, store: Store) -> None:
    tether.press(Awaiting(100.0, ("7", "8"), None, nudge=Nudge(3)))
    assert len(tether.arrived(Path("x.jpg"))) == 1
    assert store.done == [("alone 7,8 3", "x.jpg")]


def test_a_still_that_never_comes(
    tether: Tether, store: Store, said: list[str], clock: Clock
) -> None:
    tether.press(Awaiting(100.0, (), "1"))
    clock.now_s = 129.0
    tether.expire()
    assert store.done == []
    tether.press(Awaiting(129.0, (), "2"))
    clock.now_s = 131.0
    tether.expire()
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
    assert tether.arrived(Path("x.jpg")) == []
    assert store.done == [("1", "video")]
    assert said == ["Still x.jpg: x.jpg cannot be read."]
