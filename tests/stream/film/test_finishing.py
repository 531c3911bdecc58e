"""The end of a film's way, broken off between any two of its steps."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from stream.event import Event
from stream.film import finishing
from stream.film.encoder import Coding, EncoderError
from stream.film.encoder import write_piece as real_write_piece
from stream.film.progress import Progress
from stream.take import Take
from stream.take.changes import change_take
from tests.stream.batch.scenario import make_event
from tests.stream.film.making import broken_off, renderer
from tests.stream.film.small import small
from tests.stream.film.takes import clip_of, take_of

__all__ = ["small"]
pytestmark = pytest.mark.usefixtures("small")


class Died(BaseException):
    """In place of a death: nothing after it is done."""


def pair(event: Event, take: Take) -> tuple[bytes | None, bytes | None]:
    """The film and its poster, as they lie there."""
    (wanted,) = take.films
    paths = (event.paths.films / n for n in (wanted.film, wanted.poster))
    film, poster = (p.read_bytes() if p.exists() else None for p in paths)
    return film, poster


def test_an_old_film_never_has_a_new_poster(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    event = make_event(tmp_path)
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 24, 10), people=["1"])
    renderer(event).make(take)
    old = pair(event, take)
    kept = shutil.copytree(event.paths.root, tmp_path / "kept")
    take = change_take(event, take.id, begin_s=1.2)
    renderer(event).make(take)
    new = pair(event, take)
    assert old[0] != new[0]
    assert old[1] != new[1]
    # As it was, and asked for once more; then death after each step.
    shutil.rmtree(event.paths.root)
    shutil.copytree(kept, event.paths.root)
    take = change_take(event, take.id, begin_s=1.2)
    steps: list[str] = []
    allowed = 0

    def dying(name: str) -> Any:
        real = getattr(finishing, name)

        def step(*args: Any) -> Any:
            if len(steps) == allowed:
                raise Died
            steps.append(name)
            return real(*args)

        return step

    for name in ("sync_folder", "replace_file"):
        monkeypatch.setattr(finishing, name, dying(name))
    seen = []
    while True:
        steps.clear()
        try:
            renderer(event).make(take)
            break
        except Died:
            seen.append(pair(event, take))
            allowed += 1
    assert len(seen) >= 3
    for found in seen:
        assert found in (old, (old[0], None), (new[0], None), new)
    assert (new[0], None) in seen
    assert pair(event, take) == new


def test_the_first_film_never_lacks_its_poster(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    event = make_event(tmp_path)
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 4), people=["1"])

    def die(*_: object) -> None:
        raise Died

    monkeypatch.setattr(finishing, "sync_folder", die)
    with pytest.raises(Died):
        renderer(event).make(take)
    film, poster = pair(event, take)
    assert film is not None
    assert poster is not None
    monkeypatch.undo()


# --- an encoder that fails ------------------------------------------------------------------


def test_an_encoder_that_fails_for_a_moment_costs_no_finished_piece(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    event = make_event(tmp_path)
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 24, 10), people=["1"])
    twin = Event.open(shutil.copytree(event.paths.root, tmp_path / "twin"))
    renderer(twin).make(take)
    made: list[str] = []

    def failing(path: Path, coding: Coding, *rest: Any) -> int:
        made.append(coding.encoder)
        if len(made) == 4:
            raise EncoderError("the encoder is in use; render the take once more.")
        return real_write_piece(path, coding, *rest)

    monkeypatch.setattr("stream.film.piece_encoder.write_piece", failing)
    renderer(event, "auto").make(take)
    assert pair(event, take) == pair(twin, take)
    # Only those that were not finished yet are made again, two at most.
    pieces = 72 // 12
    assert pieces < len(made) <= pieces + 2


def test_a_film_goes_on_with_its_encoder_where_another_would_be_chosen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    event = make_event(tmp_path)
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 24, 10), people=["1"])
    broken_off(event, take, 24 + 40)

    def never(*_: Any) -> Coding:
        raise AssertionError("another one was asked for")

    monkeypatch.setattr("stream.film.render.choose", never)
    told: list[Progress] = []
    films = renderer(event, "auto").make(take, told.append)
    assert told[0].done > 12
    # Nor is a film that is done made again.
    told.clear()
    assert renderer(event, "auto").make(take, told.append) == films
    assert told == []


def test_an_encoder_that_always_fails_is_left_for_software(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    event = make_event(tmp_path)
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 4), people=["1"])
    goes = 0

    def failing(*args: Any) -> int:
        nonlocal goes
        goes += 1
        if goes <= 3:
            raise EncoderError("the encoder failed; render the take once more.")
        return real_write_piece(*args)

    monkeypatch.setattr("stream.film.piece_encoder.write_piece", failing)
    renderer(event, "auto").make(take)
    assert "its films are made with libx264 from here on" in caplog.text
    # Nobody is given another one than was asked for.
    monkeypatch.setattr("stream.film.piece_encoder.write_piece", _never)
    take = change_take(event, take.id)
    with pytest.raises(EncoderError):
        renderer(event).make(take)


def _never(*_: Any) -> int:
    raise EncoderError("the encoder failed; render the take once more.")
