"""From a kept take to its finished films: the keyer of the stills, frame by frame, piece by piece.

A film is keyed in pieces of about two seconds. Each is durable before it counts, and with the last
one lies what the keyer knew after it; so a film that was broken off at any moment goes on there.
The take is then decoded from its begin again and what is made already is passed over: streams that
cannot be entered just anywhere come out the same.
"""

from __future__ import annotations

import json
import logging
import shutil
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import torch

from models.keyer import Grade, Keyer, KeySettings
from stream.capture.frame import Frame
from stream.durable import replace_file
from stream.event import Event
from stream.film.design import Design, design
from stream.film.encoder import SOFTWARE, Coding, EncoderError, choose, software
from stream.film.finishing import check_names, finish
from stream.film.mux import PiecesDifferError
from stream.film.owner import metadata_of
from stream.film.pictures import FilmPictures, placements_of
from stream.film.pins import pins_of
from stream.film.poster import poster_bytes
from stream.film.progress import Progress, Watch
from stream.film.rates import USUAL, TimeLine, time_line
from stream.film.reel import Reel, Told
from stream.film.shape import SHAPES
from stream.film.survey import Survey, survey
from stream.film.work import Work
from stream.people import Person, texts
from stream.shot import Plate, load_plate, output_of
from stream.take import Take, TakeError, open_take

log = logging.getLogger("posewall.film")

PLATE_UNFIT = "the clean plate was not used: it is of another source or size than this take"
OTHER_SCREEN = "the clean plate does not show this screen, so the film was cut without it"
NO_SCREEN = (
    "no green or blue screen was to be seen in {} of the {} frames, so all of them was laid over "
    "the design; look at the film before you hand it on"
)
NOBODY = "nobody was found in this take; look at the film before you hand it on"
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
        end_s: where its part that is shown ends.
        found: what was seen in it.
        settings: how it is keyed.
        people: who may be named in the files.
        fields: what is written in the films.
    """

    take: Take
    end_s: float
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
    ) -> None:
        """Prepare.

        Args:
            event: whose takes they are made of.
            device: where they are keyed.
            encoder: as in `stream.film.encoder.choose`.
            rank: chooses the poster.
            clock: monotonic, seconds.
        """
        self.event, self.device = event, device
        self._encoder, self._clock = encoder, clock
        self._rank = rank or best_first

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
        try:
            return self._made(take, self._encoder, Watch(seen, between, stop, self._clock))
        except PiecesDifferError as e:
            log.warning("take %s: %s; its films are made anew", take.id, e)
            again = self._encoder
        except EncoderError as e:
            if self._encoder != "auto":
                raise
            log.warning("take %s: %s; its films are made anew, by software", take.id, e)
            again = SOFTWARE
        self._work(take).remove()
        return self._made(take, again, Watch(seen, between, stop, self._clock))

    def _work(self, take: Take) -> Work:
        return Work(self.event.paths.film_work / take.job)

    def _made(self, take: Take, encoder: str, watch: Watch) -> Made:
        """As `make`, by one choice of an encoder."""
        work = self._work(take)
        fields, people = self._words(take)
        shapes = {f.shape: SHAPES[f.shape].size for f in take.films}
        make_folder(work.folder)
        codings = {name: choose(size, USUAL, work.folder, encoder) for name, size in shapes.items()}
        pins = pins_of(self.event, take, fields, codings, self.device)
        found = work.plan(pins)
        if found is not None and "made" in found:
            made = Made(**{k: tuple(v) for k, v in found["made"].items()})
            if all(inside(self.event.paths.films, f).exists() for f in made.films + made.posters):
                return made
            found = None
        settings = KeySettings.from_json(dict(take.settings))
        keyer = Keyer(Grade.FINAL, settings, self.device)
        plate, notes = self._plate(take, keyer)
        if found is None:
            looked = self._survey(take, keyer, settings, plate, watch)
            found = {"survey": looked.to_json(), "threads": torch.get_num_threads()}
            work.begin(pins, found)
        cast = _Cast(take, Survey.from_json(found["survey"]), settings, people, fields)
        with _threads(int(found["threads"])):
            made = self._films(cast, keyer, codings, work, notes, watch)
        told = {"films": made.films, "posters": made.posters, "notes": made.notes}
        work.begin(pins, {**found, "made": told})
        work.clear()
        return made
