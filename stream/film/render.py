"""From a kept take to its finished films: the keyer of the stills, frame by frame, piece by piece.

A film is keyed in pieces of about two seconds. Each is durable before it counts, and with the last
one lies what the keyer knew after it; so a film that was broken off at any moment goes on there.
The take is then decoded from its begin again and what is made already is passed over: streams that
cannot be entered just anywhere come out the same.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Generator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from typing import Any

import torch
from torch import Tensor

from models.keyer import Grade, Keyer, KeySettings
from stream.best import rank
from stream.capture.frame import Frame
from stream.durable import make_folder, replace_file
from stream.event import Event
from stream.film.design import Design, design
from stream.film.encoder import Coding, EncoderError
from stream.film.finishing import check_names, finish
from stream.film.goes import BUSY, Goes
from stream.film.mux import PiecesDifferError
from stream.film.owner import metadata_of
from stream.film.part import (
    PLATE_UNFIT,
    grown_notes,
    notes_of,
    part_of,
    poster_at,
    short_notes,
)
from stream.film.pictures import FilmPictures, placements_of
from stream.film.pins import coded, pins_of
from stream.film.poster import poster_bytes
from stream.film.probe import all_there, begun_with, choose
from stream.film.progress import Progress, Watch
from stream.film.rates import USUAL, TimeLine, time_line
from stream.film.reel import Reel, Told
from stream.film.survey import Survey, second_of, survey
from stream.film.work import Work
from stream.people import Person, texts
from stream.prints.naming import inside
from stream.shape import SHAPES
from stream.shot import Plate, load_plate, output_of
from stream.take import Take, TakeError, open_take

_MOST_WORKERS = 4
"""chosen: frames that are keyed at a time take some hundred megabytes each at 1080p, and what is
done in their order leaves no more than that to do."""
Rank = Callable[[Sequence[Frame], KeySettings, Frame | None], Sequence[int]]
"""Puts frames in order, the best first."""


@dataclass(frozen=True)
class Made:
    """What was made of a take.

    Attributes:
        films: names below ``films/``.
        posters: names of their posters.
        notes: for people.
    """

    films: tuple[str, ...]
    posters: tuple[str, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Cast:
    """What the films of a take have in common.

    Attributes:
        take: the take.
        found: what was seen in it.
        settings: how it is keyed.
        people: who may be named in the files.
        fields: what is written in the films.
    """

    take: Take
    found: Survey
    settings: KeySettings
    people: tuple[Person, ...]
    fields: Mapping[str, str]


class FilmRenderer:
    """Renders the films of one event. One thread at a time."""

    def __init__(
        self,
        event: Event,
        device: str = "cpu",
        encoder: str = "auto",
        rank: Rank | None = None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], object] = time.sleep,
    ) -> None:
        """Prepare.

        Args:
            event: whose takes they are made of.
            device: where they are keyed.
            encoder: as in `stream.film.probe.choose`.
            rank: chooses the poster.
            clock: monotonic, seconds.
            sleep: waits so many seconds.
        """
        self.event, self.device = event, device
        self._encoder, self._clock, self._sleep = encoder, clock, sleep
        self._rank = rank or best_first
        # A graphics card works on one frame after another anyway.
        threads = torch.get_num_threads()
        self._workers = min(threads, _MOST_WORKERS) if self.device == "cpu" else 1

    def make(
        self,
        take: Take,
        seen: Callable[[Progress], None] = lambda _: None,
        between: Callable[[], None] = lambda: None,
        stop: Callable[[], bool] = lambda: False,
    ) -> Made:
        """Make every film that is wanted of a take, and go on with one that was begun.

        Doing it twice gives the same films under the same names.

        Args:
            take: as it is kept.
            seen: told of every frame.
            between: called before every frame: what goes first may be done there.
            stop: asked before every frame.

        Raises:
            Stopped: ``stop`` said so; what was finished stays.
            PosewallError: a file of the take, its template, plate or music cannot be used.
            OSError: the disk did not take it.
        """
        if take.recording:
            raise TakeError(
                f"take {take.id} is still being recorded, or was broken off; wait for its end, or "
                "open the event once more."
            )
        if not take.films:
            return Made((), (), ())
        check_names(self.event, take)
        goes = Goes(self._work(take), self._encoder, f"take {take.id}", self._sleep)
        while True:
            watch = Watch(seen, between, stop, self._clock)
            try:
                return self._made(take, goes.encoder, watch)
            except (EncoderError, PiecesDifferError) as e:
                goes.failed(e, watch)

    def _work(self, take: Take) -> Work:
        return Work(self.event.paths.film_work / take.job)

    def _made(self, take: Take, encoder: str, watch: Watch) -> Made:
        """As `make`, by one choice of an encoder."""
        work = self._work(take)
        fields, people = self._words(take)
        shapes = {f.shape: SHAPES[f.shape].size for f in take.films}
        make_folder(work.folder)
        pins = pins_of(self.event, take, fields, {}, self.device)
        # What is begun is gone on with, even where another encoder would be chosen by now.
        codings = begun_with(work.codings(pins), shapes, encoder)
        if codings is not None:
            made = self._finished(work.plan(coded(pins, codings)) or {})
            if made is not None:
                return made
            if not self._all_there(codings, shapes, watch):
                codings = None
        if codings is None:
            codings = {name: choose(size, USUAL, encoder) for name, size in shapes.items()}
        pins = coded(pins, codings)
        found = work.plan(pins)
        if found is not None and "made" in found:  # but not all of it is there any more
            found = None
        settings = KeySettings.from_json(dict(take.settings))
        keyer = Keyer(Grade.FINAL, settings, self.device)
        plate, notes = self._plate(take, keyer)
        if found is None:
            looked = self._survey(take, keyer, settings, plate, watch)
            found = {"survey": looked.to_json()}
            work.begin(pins, found)
        looked = Survey.from_json(found["survey"])
        cast = _Cast(take, looked, settings, people, fields)
        made = self._films(cast, keyer, codings, work, notes, watch)
        told = {"films": made.films, "posters": made.posters, "notes": made.notes}
        work.begin(pins, {**found, "made": told})
        work.clear()
        return made

    def _finished(self, found: Mapping[str, Any]) -> Made | None:
        """What a plan says is made, where all of it is there."""
        if "made" not in found:
            return None
        made = Made(**{k: tuple(v) for k, v in found["made"].items()})
        files = (inside(self.event.paths.films, name) for name in made.films + made.posters)
        return made if all(file.exists() for file in files) else None

    def _all_there(
        self, codings: Mapping[str, Coding], shapes: Mapping[str, tuple[int, int]], watch: Watch
    ) -> bool:
        """Whether the encoders of films can be gone on with; tells where they are waited for."""
        stage, watch.stage = watch.stage, BUSY
        there = all_there(codings, shapes, USUAL, watch.pulse, self._sleep)
        watch.stage = stage
        return there

    def _words(self, take: Take) -> tuple[dict[str, str], tuple[Person, ...]]:
        """What is written in the films, and who may be named in their files."""
        people = []
        for number in dict.fromkeys(take.people):
            person = self.event.roster.get(number)
            if person is None:
                raise TakeError(
                    f"number {number} of this take is no longer on the roster; put the line back "
                    "into it and render the take again."
                )
            people.append(person)
        named = output_of(self.event, self.event.config.pictures).names
        return texts(people), tuple(people) if named else ()

    def _plate(self, take: Take, keyer: Keyer) -> tuple[Plate | None, list[str]]:
        """The take's clean plate, given to the keyer, and what to say of it."""
        if take.plate is None:
            return None, []
        plate = load_plate(self.event, take.plate)
        with closing(self._frames(take)) as frames:
            first = next(frames, None)
        if first is None or not plate.fits(first, still=False):
            return None, [PLATE_UNFIT]
        keyer.set_plate(plate.frame.planes, plate.frame.encoding, plate.frame.quarter_turns)
        return plate, []

    def _frames(self, take: Take) -> Generator[Frame]:
        """All frames of a take."""
        yield from open_take(self.event, take, self.device).frames()

    def _survey(
        self, take: Take, keyer: Keyer, settings: KeySettings, plate: Plate | None, watch: Watch
    ) -> Survey:
        def rank(frames: Sequence[Frame]) -> Sequence[int]:
            return self._rank(frames, settings, None if plate is None else plate.frame)

        end_s = take.end_s or take.length_s
        if end_s is None:  # a record made by hand
            with closing(self._frames(take)) as frames:
                end_s = max((second_of(f, n) for n, f in enumerate(frames)), default=0.0)
        with closing(self._frames(take)) as frames:
            looked = survey(frames, take.begin_s, end_s, keyer, rank, lambda _: watch.pulse())
        if looked is None:
            raise TakeError(
                f"take {take.id} holds no frame that can be read; put its file back from a copy."
            )
        return looked

    def _films(
        self,
        cast: _Cast,
        keyer: Keyer,
        codings: Mapping[str, Coding],
        work: Work,
        notes: list[str],
        watch: Watch,
    ) -> Made:
        """All films of a take; those that show the same frames at the same times in one go."""
        take, found = cast.take, cast.found
        template = self.event.template_version(take.template, take.template_version)
        begin_s, end_s = part_of(take, found)
        notes += short_notes(end_s - begin_s)
        designs: dict[str, Design] = {}
        together: dict[TimeLine, list[str]] = {}
        for name in codings:
            made = design(template, SHAPES[name], cast.fields, end_s - begin_s, self.device)
            line = time_line(found.times_s, begin_s, made.length_s, made.take_at)
            designs[name] = made
            together.setdefault(line, []).append(name)
        try:
            return self._filmed(cast, keyer, codings, work, notes, watch, designs, together, end_s)
        finally:
            for made in designs.values():
                made.close()

    def _filmed(
        self,
        cast: _Cast,
        keyer: Keyer,
        codings: Mapping[str, Coding],
        work: Work,
        notes: list[str],
        watch: Watch,
        designs: Mapping[str, Design],
        together: Mapping[TimeLine, list[str]],
        end_s: float,
    ) -> Made:
        """As `_films`, once their designs are there."""
        take, found = cast.take, cast.found
        reels = []
        for line, names in together.items():
            films = [self._pictures(name, designs[name], line, cast) for name in names]
            at = poster_at(line, films, found.best)
            part = work.part("+".join(names))
            reels.append(Reel(films, line, codings, part, at, self._workers))
            notes += grown_notes(films)
        watch.begin(sum(reel.frames for reel in reels))
        told = Told()
        for reel in reels:
            told = told.plus(self._run(reel, cast, keyer, watch))
        watch.ending("sound")
        finished = []
        for wanted in take.films:
            reel = next(r for r in reels if wanted.shape in r.names)
            people = [p.shown_name for p in cast.people if p.shown_name]
            about = metadata_of(take, self.event.name, people)
            finished.append(
                finish(
                    self.event, take, wanted, designs[wanted.shape], reel, end_s, about, watch.pulse
                )
            )
        notes += notes_of(told, found)
        notes += [note for made in designs.values() for note in made.notes]
        notes += [note for film in finished for note in film.notes]
        return Made(
            tuple(f.film for f in finished),
            tuple(f.poster for f in finished),
            tuple(dict.fromkeys([*take.notes, *notes])),
        )

    def _pictures(self, name: str, made: Design, line: TimeLine, cast: _Cast) -> FilmPictures:
        placements = placements_of(made, cast.found.size, cast.take, cast.found.figure)
        return FilmPictures(name, made, placements, line.rate, cast.settings.light_wrap)

    def _run(self, reel: Reel, cast: _Cast, keyer: Keyer, watch: Watch) -> Told:
        def keep(name: str, codes: Tensor) -> None:
            data = poster_bytes(codes, self.event, cast.take, cast.people)
            replace_file(reel.work.poster(name), data)

        return reel.run(keyer.clip(), lambda: self._frames(cast.take), keep, watch)


def best_first(
    frames: Sequence[Frame], settings: KeySettings, plate: Frame | None
) -> Sequence[int]:
    """Frames in order, the best for a poster first."""
    return rank(frames, settings, plate).order
