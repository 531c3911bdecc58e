"""An encoder that fails amid a film, or is in use elsewhere, costs time and nothing made."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

import pytest

from models.state import State
from stream.event import Event
from stream.film import piece_encoder
from stream.film.encoder import HARDWARE, SOFTWARE, Coding, EncoderError, write_piece
from stream.film.goes import BUSY, RESTS_S, Goes
from stream.film.mux import PiecesDifferError
from stream.film.probe import Refusal, all_there
from stream.film.progress import Progress, Stopped, Watch
from stream.film.render import Made
from stream.film.work import Work
from stream.take import Take
from tests.stream.batch.scenario import make_event
from tests.stream.film.making import renderer
from tests.stream.film.small import small
from tests.stream.film.takes import clip_of, take_of

__all__ = ["small"]
FAILED = EncoderError("the encoder failed")


class Table:
    """What is waited and told."""

    def __init__(self) -> None:
        self.slept_s = 0.0
        self.told: list[Progress] = []

    def sleep(self, seconds: float) -> None:
        self.slept_s += seconds

    def watch(self) -> Watch:
        return Watch(self.told.append, lambda: None, lambda: False, lambda: 0.0)


def piece(work: Work, number: int) -> None:
    part = work.part("wide")
    part.piece("wide", number).write_bytes(b"coded")
    part.finish(("wide",), number, State(), {})


def test_failures_between_which_something_is_made_are_not_counted_together(tmp_path: Path) -> None:
    work, table = Work(tmp_path / "film"), Table()
    goes = Goes(work, "auto", "take", table.sleep)
    for number in range(8):
        goes.failed(FAILED, table.watch())
        piece(work, number)
    assert work.pieces == 8
    assert goes.encoder == "auto"
    assert table.slept_s == 8 * RESTS_S[0]
    assert {p.stage for p in table.told} == {BUSY}


def test_one_that_makes_nothing_more_is_left_for_software_and_that_keeps_what_it_has(
    tmp_path: Path,
) -> None:
    work, table = Work(tmp_path / "film"), Table()
    goes = Goes(work, "auto", "take", table.sleep)
    piece(work, 0)
    for _ in range(len(RESTS_S) + 1):
        assert goes.encoder == "auto"
        goes.failed(FAILED, table.watch())
    assert goes.encoder == SOFTWARE
    for _ in RESTS_S:
        goes.failed(FAILED, table.watch())
    with pytest.raises(EncoderError, match="the encoder failed"):
        goes.failed(FAILED, table.watch())
    assert table.slept_s == 2 * sum(RESTS_S)
    assert work.pieces == 1
    assert (work.folder / "wide" / "wide-00000.mkv").exists()


def test_one_that_was_asked_for_by_name_is_not_tried_again(tmp_path: Path) -> None:
    table = Table()
    with pytest.raises(EncoderError):
        Goes(Work(tmp_path), SOFTWARE, "take", table.sleep).failed(FAILED, table.watch())
    assert not table.slept_s


def test_pieces_that_differ_are_made_anew_once(tmp_path: Path) -> None:
    work, table = Work(tmp_path / "film"), Table()
    goes = Goes(work, SOFTWARE, "take", table.sleep)
    piece(work, 0)
    goes.failed(PiecesDifferError("they differ"), table.watch())
    assert not work.folder.exists()
    with pytest.raises(PiecesDifferError):
        goes.failed(PiecesDifferError("they differ"), table.watch())


# --- whole films ----------------------------------------------------------------------------


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


@pytest.mark.usefixtures("small")
def test_an_encoder_that_fails_once_at_each_piece_makes_the_film(
    event: Event,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    take, table = take_of(event, clip_of(tmp_path / "clip.mkv", 20, 10)), Table()
    work, failed_at = Work(event.paths.film_work / take.job), list[int]()

    def fails_often(*given: object) -> int:
        if work.pieces not in failed_at:
            failed_at.append(work.pieces)
            raise FAILED
        return write_piece(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(piece_encoder, "write_piece", fails_often)
    films = renderer(event, "auto", sleep=table.sleep).make(take, table.told.append)
    assert (event.paths.films / films.films[0]).is_file()
    # In their order: nothing that was made is made again.
    assert failed_at == sorted(failed_at)
    assert len(failed_at) > len(RESTS_S) + 1
    assert table.slept_s >= len(failed_at) * RESTS_S[0]
    assert BUSY in {p.stage for p in table.told}
    assert "from here on" not in caplog.text


def by_the_card(event: Event, take: Take, *, made: bool) -> None:
    """Let a take's film have been begun by a card's encoder."""
    path = event.paths.film_work / take.job / "plan.json"
    plan = json.loads(path.read_text("utf-8"))
    plan["pins"]["films"] = {"wide": HARDWARE[0].to_json()}
    if not made:
        del plan["found"]["made"]
    path.write_text(json.dumps(plan), "utf-8")


def in_use(coding: Coding, size: object, rate: object) -> Refusal | None:
    return None if coding.encoder == SOFTWARE else Refusal("out of memory", passes=True)


@pytest.fixture
def filmed(event: Event, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Take, Made]:
    """A take whose film is made, where the card is in use from here on."""
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 6, 10), people=["1"])
    made = renderer(event, SOFTWARE, sleep=Table().sleep).make(take)
    monkeypatch.setattr("stream.film.render.all_there", partial(all_there, try_out=in_use))
    return take, made


@pytest.mark.usefixtures("small")
def test_a_finished_film_needs_no_encoder(event: Event, filmed: tuple[Take, Made]) -> None:
    take, made = filmed
    by_the_card(event, take, made=True)
    table = Table()
    assert renderer(event, "auto", sleep=table.sleep).make(take, table.told.append) == made
    assert not table.told
    assert not table.slept_s


@pytest.mark.usefixtures("small")
def test_a_film_that_begins_anew_anyway_waits_for_nothing(
    event: Event, filmed: tuple[Take, Made]
) -> None:
    take, _ = filmed
    by_the_card(event, take, made=False)
    changed = event.paths.root / "event.toml"
    changed.write_text(changed.read_text("utf-8").replace(event.name, "Harbour Walk"), "utf-8")
    table = Table()
    renderer(Event.open(event.paths.root), "auto", sleep=table.sleep).make(take, table.told.append)
    assert not table.slept_s


@pytest.mark.usefixtures("small")
def test_that_an_encoder_is_waited_for_is_told_and_can_be_ended(
    event: Event, filmed: tuple[Take, Made]
) -> None:
    take, _ = filmed
    by_the_card(event, take, made=False)
    table = Table()
    with pytest.raises(Stopped):
        renderer(event, "auto", sleep=table.sleep).make(
            take, table.told.append, stop=lambda: table.slept_s > 5
        )
    assert {p.stage for p in table.told} == {BUSY}
    # It is still there to be gone on with.
    plan = (event.paths.film_work / take.job / "plan.json").read_text("utf-8")
    assert HARDWARE[0].encoder in plan
