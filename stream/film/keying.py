"""A take's frames keyed for its films: followed in order, analysed and placed several at a time."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass

import torch

from models.cut import Placed
from models.replay import Replays
from models.sequence import KeyedClip, KeyedFrame
from models.state import State
from stream.capture.frame import Frame
from stream.film.pictures import FilmPictures
from stream.take import TakeError


class Sources:
    """A take's frames by their numbers, in rising order."""

    def __init__(self, opened: Callable[[], Iterator[Frame]]) -> None:
        """Prepare.

        Args:
            opened: opens the take and gives all of its frames.
        """
        self._opened = opened
        self._frames = opened()
        self._next = 0

    def at(self, number: int) -> Frame:
        """One of them.

        Raises:
            TakeError: the take has fewer.
        """
        if number < self._next:  # a film may show a part again
            self._frames, self._next = self._opened(), 0
        frame: Frame | None = None
        while self._next <= number:
            frame = next(self._frames, None)
            self._next += 1
            if frame is None:
                break
        if frame is None:
            raise TakeError(
                "the take ends earlier than when its film was begun; put its file back from a "
                "copy and render it once more."
            )
        return frame


@dataclass(frozen=True)
class Keyed:
    """A frame of the take, keyed.

    Attributes:
        source: its number.
        placed: its subject in each slot of each film, by the films' names.
        screen_found: as in `models.cut.Cut`.
        plate_fits: as in `models.cut.Cut`.
        state: what the clip knew after it.
    """

    source: int
    placed: Mapping[str, Sequence[Placed | None]]
    screen_found: bool
    plate_fits: bool | None
    state: State


class Keying:
    """Keys frames ahead of those that ask for them; to be left as a context."""

    def __init__(
        self, clip: KeyedClip, sources: Sources, films: Sequence[FilmPictures], workers: int
    ) -> None:
        """Prepare; nothing is keyed yet.

        Args:
            clip: follows the take.
            sources: gives its frames.
            films: say where they lie.
            workers: how many frames are in work at a time; each is worked on by one thread, so
                that the sums are the same for any number of them.
        """
        self._clip, self._sources, self._films = clip, sources, films
        self._ahead = max(1, workers)
        self._threads = torch.get_num_threads()
        self._pool = ThreadPoolExecutor(
            self._ahead, "posewall-keying", initializer=torch.set_num_threads, initargs=(1,)
        )
        self._replays = Replays()

    def __enter__(self) -> Keying:
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown(cancel_futures=True)
        self._replays.forget()
        # The workers' single thread became the usual number for threads that begin later.
        torch.set_num_threads(self._threads)

    def frames(self, numbers: Iterable[int]) -> Iterator[Keyed]:
        """Key frames of the take.

        Args:
            numbers: theirs, in the order in which the films show them.

        Raises:
            TakeError: the take has fewer.
        """
        coming: deque[Future[Keyed]] = deque()
        for number in numbers:
            frame = self._sources.at(number)
            with self._replays:
                keyed = self._clip.next(frame.planes, frame.encoding, frame.quarter_turns)
            coming.append(self._pool.submit(self._place, number, keyed, self._clip.state))
            if len(coming) > self._ahead:
                yield coming.popleft().result()
        while coming:
            yield coming.popleft().result()

    def _place(self, number: int, keyed: KeyedFrame, state: State) -> Keyed:
        with self._replays:
            placed = {film.name: film.place(keyed) for film in self._films}
        return Keyed(number, placed, keyed.screen_found, keyed.plate_fits, state)
