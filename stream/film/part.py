"""What of a take its films show: which part, which frame stands for it, what to say of it."""

from __future__ import annotations

from collections.abc import Sequence
from math import inf

from stream.config import LEAST_TAKE_S
from stream.film.pictures import FilmPictures
from stream.film.rates import USUAL, TimeLine
from stream.film.reel import Told
from stream.film.survey import Survey
from stream.take import Take, TakeError

PLATE_UNFIT = "the clean plate was not used: it is of another source or size than this take"
OTHER_SCREEN = "the clean plate does not show this screen, so the film was cut without it"
NO_SCREEN = (
    "no green or blue screen was to be seen in {} of the {} frames, so the whole of each was laid "
    "over the design; look at the film before you hand it on"
)
GROWN = (
    "the {} film enlarges this take {:.1f} times, and people look soft in it; record in a larger "
    "video format, or nearer to them, or give the film a slot that shows more of the frame"
)
MOST_GROWN = 1.5
"""chosen: 1280x720 on the whole of 1920x1080; more is seen on a phone that is held near."""
SHORT = "only {:.2f} s of this take are shown, too short for a greeting; record it again"
NOBODY = "nobody was found in this take; look at the film before you hand it on"


def part_of(take: Take, found: Survey) -> tuple[float, float]:
    """Where the part of a take that is shown begins and ends, within what it holds.

    Raises:
        TakeError: it holds nothing there.
    """
    times = found.times_s
    usual = (times[-1] - times[0]) / (len(times) - 1) if len(times) > 1 else float(1 / USUAL)
    end_s = min(inf if take.end_s is None else take.end_s, times[-1] + usual)
    if end_s <= take.begin_s:
        raise TakeError(
            f"take {take.id} holds {times[-1] + usual:.1f} s and is to be shown from second "
            f"{take.begin_s:.1f} on; correct begin_s in its record."
        )
    return max(take.begin_s, min(times[0], end_s - usual)), end_s


def poster_at(line: TimeLine, films: Sequence[FilmPictures], best: Sequence[int]) -> int:
    """The number of the frame for the poster: the best that all films show in full, with as many
    as can be of the words and layers that come and go."""
    full = [
        (sum(film.standing(n) for film in films), n, source)
        for n, source in enumerate(line.shown)
        if source is not None and all(film.full_at(n) for film in films)
    ]
    most = max((standing for standing, _, _ in full), default=0)
    first: dict[int, int] = {}
    for standing, n, source in full:
        if standing == most:
            first.setdefault(source, n)
    for source in best:
        if source in first:
            return first[source]
    # Of a take faster than its film not every frame is shown: the nearest that is.
    if first and best:
        return first[min(first, key=lambda source: abs(source - best[0]))]
    return len(line.shown) // 2


def notes_of(told: Told, found: Survey) -> list[str]:
    """What a person should look at in the films of a take, a sentence each."""
    notes = []
    if told.bare:
        notes.append(NO_SCREEN.format(told.bare, told.keyed))
    if told.unfit > told.keyed // 2:
        notes.append(OTHER_SCREEN)
    if found.figure is None and not told.bare:
        notes.append(NOBODY)
    return notes


def short_notes(shown_s: float) -> list[str]:
    """Whether so many seconds of a take are too few, a sentence."""
    return [SHORT.format(shown_s)] if shown_s < LEAST_TAKE_S else []


def grown_notes(films: Sequence[FilmPictures]) -> list[str]:
    """Which films enlarge their take too much, a sentence each."""
    return [GROWN.format(f.name, f.grown) for f in films if f.grown > 1.02 * MOST_GROWN]
