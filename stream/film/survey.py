"""A take looked through before its film is made: its timestamps, its figure, its best frame."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from models.figure import Figure, usual_figure
from models.keyer import Keyer
from stream.capture.frame import Frame

_FIGURES = 9
"""chosen: frames over the take in which the subject is looked for; the median of each line is kept,
so that up to four may show an arm held out."""
_CANDIDATES = 12
"""chosen: frames for the poster, out of the middle of the take."""
_MIDDLE = (0.08, 0.92)


@dataclass(frozen=True)
class Survey:
    """What was found.

    Attributes:
        times_s: of all frames, on the take's time line, in seconds, rising.
        size: (H, W) of the frames, upright.
        figure: one for the whole film; None where nobody was found.
        best: numbers of the frames that the poster may show, the best first.
    """

    times_s: tuple[float, ...]
    size: tuple[int, int]
    figure: Figure | None
    best: tuple[int, ...]

    def to_json(self) -> dict[str, Any]:
        """Plain values."""
        data = asdict(self)
        data["figure"] = None if self.figure is None else asdict(self.figure)
        return data

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> Survey:
        """The reverse of `to_json`.

        Raises:
            KeyError, TypeError, ValueError: it is something else.
        """
        figure = data["figure"]
        height, width = data["size"]
        return cls(
            tuple(float(t) for t in data["times_s"]),
            (int(height), int(width)),
            None if figure is None else Figure(**figure),
            tuple(int(n) for n in data["best"]),
        )


def second_of(frame: Frame, number: int) -> float:
    """A frame's time on the take's time line; without a timestamp, by 30 a second."""
    if frame.pts is None or frame.time_base is None:
        return number / 30
    return float(frame.pts * frame.time_base)


def _spread(begin_s: float, end_s: float, count: int, middle: tuple[float, float]) -> list[float]:
    low, high = (begin_s + share * (end_s - begin_s) for share in middle)
    return [low + (i + 0.5) * (high - low) / count for i in range(count)]


def survey(
    frames: Iterable[Frame],
    begin_s: float,
    end_s: float,
    keyer: Keyer,
    rank: Callable[[Sequence[Frame]], Sequence[int]],
    seen: Callable[[float], None] = lambda _: None,
) -> Survey | None:
    """Look a take through.

    Args:
        frames: all of the take.
        begin_s, end_s: the part that is shown.
        keyer: has the take's settings and plate; it must not be following a clip.
        rank: puts frames in order, the best first.
        seen: told the second that was reached; what it raises ends the survey.

    Returns:
        None where the take holds no frame at all.
    """
    times: list[float] = []
    size: tuple[int, int] | None = None
    figures: list[Figure | None] = []
    candidates: list[tuple[int, Frame]] = []
    looks, wishes = (
        _spread(begin_s, end_s, count, middle)
        for count, middle in ((_FIGURES, (0.0, 1.0)), (_CANDIDATES, _MIDDLE))
    )
    last: Frame | None = None
    for number, frame in enumerate(frames):
        at = second_of(frame, number)
        # A stamp that is not later than the one before would be shown for no time at all.
        times.append(at if not times or at > times[-1] else times[-1] + 1e-4)
        size = size or frame.upright_size
        if looks and at >= looks[0]:
            looks = [t for t in looks if t > at]
            turns = frame.quarter_turns
            figures.append(keyer.figure(frame.planes, frame.encoding, turns, bool(figures)))
        if wishes and at >= wishes[0]:
            wishes = [t for t in wishes if t > at]
            candidates.append((number, frame))
        last = frame
        seen(at)
    if size is None or last is None:
        return None
    if not figures:  # a take so short that none of its frames came late enough
        figures.append(keyer.figure(last.planes, last.encoding, last.quarter_turns))
    if not candidates:
        candidates.append((len(times) - 1, last))
    order = rank([frame for _, frame in candidates])
    best = tuple(candidates[i][0] for i in order)
    return Survey(tuple(times), size, usual_figure(figures), best)
