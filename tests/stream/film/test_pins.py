"""A film in work goes on only where all that decides it is the same."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from models.estimator import weights_digest
from stream.config import EventConfig
from stream.event import Event
from stream.film.encoder import software
from stream.film.pins import pins_of
from stream.shape import SHAPES
from stream.shot import save_plate
from stream.shot.plates import PLATE_RECORD
from stream.take import Take, load_take
from tests.stream.batch.scenario import make_event
from tests.stream.film.making import broken_off, renderer
from tests.stream.film.planes import taken
from tests.stream.film.small import keep_plate, small
from tests.stream.film.takes import clip_of, take_of

__all__ = ["small"]
CODINGS = {"wide": software(2)}


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


def told(event: Event, name: str | None = None, **more: bool) -> Event:
    """The event with other words in event.toml."""
    path = event.paths.root / "event.toml"
    config = EventConfig.load(path)
    path.write_text(
        replace(
            config,
            name=name or config.name,
            pictures={**config.pictures, **more},
        ).to_toml(),
        "utf-8",
    )
    return Event.open(event.paths.root)


def put(event: Event, plate: str, other: str) -> None:
    """Another plate's content under a plate's name."""
    for path in (event.paths.plates / plate).iterdir():
        path.unlink()
    for path in (event.paths.plates / other).iterdir():
        (event.paths.plates / plate / path.name).write_bytes(path.read_bytes())


def test_whatever_decides_a_film_is_pinned(
    event: Event, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plate = keep_plate(event)
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 3), people=["1"], plate=plate)
    fields = {"name": "Mira"}

    def pins() -> str:
        return json.dumps(pins_of(Event.open(event.paths.root), take, fields, CODINGS, "cpu"))

    first = pins()
    assert pins() == first
    seen = {first}
    assert "Mira" not in first
    for change in (
        lambda: told(event, names=True),
        lambda: told(event, name="Harbour Walk"),
        lambda: put(event, plate, save_plate(event, taken(1)[0])),
        lambda: monkeypatch.setattr("stream.film.pins.weights_digest", lambda name: f"{name}!"),
        lambda: monkeypatch.setattr("stream.film.pins.refiner_digest", lambda: "other"),
    ):
        change()
        seen.add(pins())
    assert len(seen) == 6
    assert take.plate is not None
    (event.paths.plates / take.plate / PLATE_RECORD).unlink()
    assert pins() not in seen


def test_the_weights_are_those_that_key_films() -> None:
    assert len(weights_digest("final")) == 64
    assert weights_digest("final") != weights_digest("live")


def files(event: Event, take: Take) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in event.paths.films.iterdir()}


@pytest.mark.usefixtures("small")
def test_a_film_resumed_after_a_change_is_not_of_two_minds(tmp_path: Path) -> None:
    """Its poster was written with a name in it before names were to be left out."""
    assert SHAPES["wide"].size == (180, 320)
    event = told(make_event(tmp_path), names=True)
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 24, 10), people=["1"])
    broken_off(event, take, 24 + 60)
    work = event.paths.film_work / take.job
    (poster,) = work.rglob("wide.jpg")
    assert b"Mira Tallow" in poster.read_bytes()
    assert len(list(work.rglob("wide-*.mkv"))) > 1
    quiet = told(event, names=False)
    renderer(quiet).make(load_take(quiet, take.id))
    for data in files(quiet, take).values():
        assert b"Mira Tallow" not in data
