"""Films of one take that are made in one go: each of its frames is keyed once, for all of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from torch import Tensor

from models.sequence import KeyedClip
from models.state import State
from stream.capture.frame import Frame
from stream.film.encoder import Coding
from stream.film.keying import Keyed, Keying, Sources
from stream.film.pictures import FilmPictures
from stream.film.piece_encoder import PieceEncoder, cut_in_pieces, group_of
from stream.film.progress import Stopped, Watch
from stream.film.rates import TimeLine
from stream.film.work import Kept, Work


@dataclass(frozen=True)
class Told:
    """What the frames of a take told, all in all.

    Attributes:
        keyed: frames that were keyed.
        bare: those that showed no screen.
        unfit: those whose screen the clean plate did not show.
    """

    keyed: int = 0
    bare: int = 0
    unfit: int = 0

    def also(self, frame: Keyed) -> Told:
        """With one frame more."""
        bare, unfit = not frame.screen_found, frame.plate_fits is False
        return replace(self, keyed=self.keyed + 1, bare=self.bare + bare, unfit=self.unfit + unfit)

    def plus(self, other: Told) -> Told:
        """With those of another reel."""
        return Told(self.keyed + other.keyed, self.bare + other.bare, self.unfit + other.unfit)


@dataclass(frozen=True)
class _Ending:
    """A piece whose files are being finished."""

    number: int
    encoders: Mapping[str, PieceEncoder]
    state: State
    told: Told

    @property
    def done(self) -> bool:
        return all(encoder.done for encoder in self.encoders.values())

    def count(self, work: Work) -> None:
        """Wait for its files, and let it count."""
        try:
            for encoder in self.encoders.values():
                encoder.wait()
        except BaseException:
            self.drop()
            raise
        work.finish(list(self.encoders), self.number, self.state, asdict(self.told))

    def drop(self) -> None:
        """Leave it; nothing is written any more once this returns."""
        for encoder in self.encoders.values():
            encoder.drop()


def _sources(shown: Sequence[int | None]) -> Iterator[int]:
    """The frames of a take that a film shows, each once for as long as it is shown."""
    last: int | None = None
    for source in shown:
        if source is not None and source != last:
            last = source
            yield source


class Reel:
    """Makes the pieces of one or more films that show the same frames at the same times.

    Attributes:
        line: which frames of the take they show.
        work: the folder that they are made in.
        names: of the films.
    """

    def __init__(
        self,
        films: Sequence[FilmPictures],
        line: TimeLine,
        codings: Mapping[str, Coding],
        work: Work,
        poster_at: int,
        workers: int = 1,
    ) -> None:
        """Prepare.

        Args:
            films: that are made.
            line: which frames of the take they show.
            codings: how each is coded, by its name.
            work: the folder that it is made in.
            poster_at: the number of the frame that is kept as a poster.
            workers: how many frames of the take are keyed at a time.
        """
        self.line, self.work = line, work
        self.names = [film.name for film in films]
        self._films, self._codings = films, codings
        self._poster_at, self._workers = poster_at, workers
        self._begins = cut_in_pieces(line.shown, line.rate)

    @property
    def frames(self) -> int:
        """How many are to be made, of all films together."""
        return len(self.line.shown) * len(self._films)

    def run(
        self,
        clip: KeyedClip,
        frames: Callable[[], Iterator[Frame]],
        keep_poster: Callable[[str, Tensor], None],
        watch: Watch,
    ) -> Told:
        """Make the pieces that are missing.

        Args:
            clip: keys the take.
            frames: opens the take and gives all of its frames.
            keep_poster: keeps the codes of a film's poster, durably, by the film's name.
            watch: told of every frame.

        Raises:
            Stopped: as somebody wished; what counted stays.
            TakeError: the take is not what it was.
            EncoderError, OSError: what kept a piece from being made.
        """
        kept = self._kept()
        told, state = Told(**(kept.told or {})), kept.state
        if kept.pieces:
            clip.restore(kept.state)
        begin = self._begins[kept.pieces]
        watch.passed(begin * len(self._films))
        ending: _Ending | None = None
        encoders: dict[str, PieceEncoder] = {}
        keyed: Keyed | None = None
        with Keying(clip, Sources(frames), self._films, self._workers) as keying:
            coming = keying.frames(_sources(self.line.shown[begin:]))
            try:
                for number in range(kept.pieces, len(self._begins) - 1):
                    encoders = self._encoders(number)
                    for n in range(self._begins[number], self._begins[number + 1]):
                        watch.look()
                        source = self.line.shown[n]
                        if source is not None and (keyed is None or keyed.source != source):
                            keyed = next(coming)
                            told, state = told.also(keyed), keyed.state
                        self._frame(n, source, keyed, encoders, keep_poster)
                        watch.made(len(self._films))
                        if ending is not None and ending.done:
                            ending.count(self.work)
                            ending = None
                    for encoder in encoders.values():
                        encoder.close()
                    if ending is not None:
                        ending.count(self.work)
                    ending, encoders = _Ending(number, encoders, state, told), {}
                if ending is not None:
                    ending.count(self.work)
            except BaseException as e:
                # Nobody writes into the folder once this has ended.
                for encoder in encoders.values():
                    encoder.drop()
                if ending is not None and isinstance(e, Stopped):
                    ending.count(self.work)
                elif ending is not None:
                    ending.drop()
                raise
        return told

    def _frame(
        self,
        n: int,
        source: int | None,
        keyed: Keyed | None,
        encoders: Mapping[str, PieceEncoder],
        keep_poster: Callable[[str, Tensor], None],
    ) -> None:
        """One frame of every film, handed to its encoder."""
        for film in self._films:
            placed = [] if source is None or keyed is None else keyed.placed[film.name]
            planes = film.picture(n, source, placed)
            if n == self._poster_at:
                keep_poster(film.name, film.codes)
            encoders[film.name].put(planes)

    def pieces(self, name: str) -> list[Path]:
        """The files of a film's pieces, in order."""
        return [self.work.piece(name, i) for i in range(len(self._begins) - 1)]

    def _kept(self) -> Kept:
        """Where it stands; from its begin where a poster is gone."""
        kept = self.work.kept(self.names)
        beyond = self._begins[kept.pieces] > self._poster_at
        if beyond and not all(self.work.poster(name).is_file() for name in self.names):
            self.work.forget()
            return Kept()
        return kept

    def _encoders(self, number: int) -> dict[str, PieceEncoder]:
        group = group_of(self.line.rate)
        return {
            film.name: PieceEncoder(
                self.work.piece(film.name, number),
                self._codings[film.name],
                film.size,
                self.line.rate,
                group,
            )
            for film in self._films
        }
