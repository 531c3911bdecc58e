"""A plate belongs to one source and one stand of the camera; when it stops fitting, it is said."""

from __future__ import annotations

from models.color import Encoding, Planes
from models.keyer import Grade, Keyer
from stream.live.plates import DOUBT_S, FITS, GONE, NONE, PlateKeeper, as_turned
from tests.stream.live.frames import frame


class Recorder:
    """What the keyer was told."""

    def __init__(self) -> None:
        self.has: Planes | None = None

    def set_plate(
        self, planes: Planes | None, encoding: Encoding | None = None, quarter_turns: int = 0
    ) -> None:
        self.has = planes


class Clock:
    """Moved by the test."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def kept() -> tuple[PlateKeeper, Recorder, list[str], Clock]:
    said: list[str] = []
    clock = Clock()
    return PlateKeeper(said.append, clock), Recorder(), said, clock


def test_in_use_from_the_next_frame_on() -> None:
    keeper, keyer, said, _ = kept()
    empty = frame(luma=90)
    keeper.use(empty, "plate-1")
    assert keeper.plate_id is None  # not before the keyer has it
    keeper.before(keyer, frame())
    assert keyer.has is empty.planes
    assert keeper.plate_id == "plate-1"
    assert keeper.state()["state"] == FITS
    keeper.drop()
    keeper.before(keyer, frame())
    assert keyer.has is None
    assert keeper.plate_id is None
    assert keeper.state()["state"] == NONE
    assert said == []


def test_another_source_size_or_turn_loses_it() -> None:
    for other in (
        frame(source="second camera"),
        frame(size=(72, 128)),
        frame(quarter_turns=1),
        frame(quarter_turns=2),
    ):
        keeper, keyer, said, _ = kept()
        keeper.use(frame(), "p")
        keeper.before(keyer, frame())
        keeper.before(keyer, other)
        assert keyer.has is None
        assert keeper.plate_id is None
        assert keeper.state()["state"] == GONE
        assert len(said) == 1
        assert "take a new one" in said[0]
        keeper.before(keyer, other)
        assert len(said) == 1  # said once, not on every frame


def test_a_plate_of_another_size_is_refused() -> None:
    keeper, keyer, said, _ = kept()
    keeper.use(frame(size=(72, 128)), "p")
    keeper.before(keyer, frame())
    assert keyer.has is None
    assert keeper.plate_id is None
    assert "128 x 72" in said[0]
    assert "64 x 36" in said[0]


def test_given_up_only_when_it_has_not_fitted_for_a_while() -> None:
    keeper, keyer, said, clock = kept()
    keeper.use(frame(), "p")
    keeper.before(keyer, frame())
    assert not keeper.after(False)
    clock.now_s = DOUBT_S - 0.1
    assert not keeper.after(False)
    assert not keeper.after(True)  # it fits again: the doubt begins anew
    clock.now_s = DOUBT_S + 0.1
    assert not keeper.after(False)
    clock.now_s = 2 * DOUBT_S + 0.2
    assert keeper.after(False)
    keeper.give_up(keyer)
    assert keyer.has is None
    assert keeper.state()["state"] == GONE
    assert "no longer fits" in said[0]
    assert not keeper.after(None)


def test_the_real_keyer_takes_it() -> None:
    keeper, _, said, _ = kept()
    keyer = Keyer(Grade.LIVE)
    keeper.use(frame(), "p")
    keeper.before(keyer, frame(quarter_turns=0))
    assert keeper.plate_id == "p"
    assert said == []


def test_a_file_for_a_camera_on_its_side() -> None:
    lying, upright = frame(size=(36, 64)), frame(size=(64, 36))
    live = frame(size=(36, 64), quarter_turns=3)  # --turn 270
    for plate in (as_turned(lying, 270), as_turned(upright, 270)):
        keeper, _, said, _ = kept()
        keyer = Keyer(Grade.LIVE)
        keeper.use(plate, "p")
        keeper.before(keyer, live)
        assert keeper.plate_id == "p"
        assert said == []
        keyer.cut(live.planes, live.encoding, live.quarter_turns)  # the sizes go together
    assert as_turned(lying, 90).quarter_turns == 1
    said_by_exif = frame(size=(64, 36), quarter_turns=1)
    assert as_turned(said_by_exif, 90) is said_by_exif
    assert as_turned(lying, None) is lying
    assert as_turned(lying, 180) is lying
