"""Where recorded samples stand in time: gaps found, jitter smoothed, a drifting clock followed.

A file says of some samples at which second they begin. These timestamps may be rounded (Matroska:
a millisecond by default, RFC 9559, section 11.2), shaken by the moment at which a packet came, and
their clock may run beside that of the sound. So every stretch without a gap gets one line: the
second of each of its samples, fitted to all timestamps of the stretch.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

# chosen: a timestamp that is off by so much, or by so many times what timestamps usually are off,
# and stays so, is a gap. The first is a third of what EBU R37 lets a stage be late.
_GAP_S, _GAP_SHAKES = 0.005, 8.0
# chosen: so much before and after a gap says whether it stays.
_AROUND_S = 0.4
# chosen: shorter stretches tell no drift from jitter.
_DRIFT_FROM_S, _DRIFT_MARKS = 4.0, 20
# chosen: a clock's rate changes over minutes, with its warmth.
_KNOT_S = 10.0
# chosen: nobody hears or measures less; such a stretch is taken as it is.
_STRAIGHT_S = 0.0002


@dataclass(frozen=True)
class Mark:
    """Some samples in a row and what the file says of them.

    Attributes:
        at_s: the second at which the first of them is heard; None where the file says nothing.
        samples: how many.
        rate: samples a second.
    """

    at_s: float | None
    samples: int
    rate: int


@dataclass(frozen=True)
class Run:
    """A stretch without a gap.

    Attributes:
        first: the number of its first sample among all.
        samples: how many there are.
        rate: samples a second, as the file says.
        knots: (K,) numbers of samples in the stretch, rising.
        late_s: (K,) by how many seconds the line lies after ``sample / rate`` there.
    """

    first: int
    samples: int
    rate: int
    knots: Floats
    late_s: Floats

    @property
    def steady(self) -> bool:
        """Whether its clock runs as the file says."""
        return bool(np.ptp(self.late_s) <= _STRAIGHT_S)

    def when(self, sample: float) -> float:
        """The second of a sample of the stretch; before and after it the line goes on."""
        if self.steady:
            return sample / self.rate + float(np.median(self.late_s))
        k, late = self.knots, self.late_s
        if sample < k[0]:
            slope = (late[1] - late[0]) / (k[1] - k[0])
            return float(sample / self.rate + late[0] + slope * (sample - k[0]))
        if sample > k[-1]:
            slope = (late[-1] - late[-2]) / (k[-1] - k[-2])
            return float(sample / self.rate + late[-1] + slope * (sample - k[-1]))
        return float(sample / self.rate + np.interp(sample, k, late))


def _lateness(marks: Sequence[Mark]) -> tuple[Floats, Floats]:
    """Of each mark: seconds of sound before it, and how much later than those it says it is."""
    lengths = np.array([m.samples / m.rate for m in marks])
    before = np.concatenate([[0.0], np.cumsum(lengths)[:-1]])
    late = np.empty(len(marks))
    last = 0.0
    for i, mark in enumerate(marks):
        last = last if mark.at_s is None else mark.at_s - before[i]
        late[i] = last
    return before, late


def _gaps(marks: Sequence[Mark]) -> list[int]:
    """Numbers of the marks before which sound is missing, or with which time jumps."""
    before, late = _lateness(marks)
    steps = np.diff(late)
    if not len(steps):
        return []
    usual = float(np.median(np.abs(steps)))
    least = max(_GAP_S, _GAP_SHAKES * usual)
    found: list[int] = []
    for i in range(1, len(marks)):
        if marks[i].rate != marks[i - 1].rate:
            found.append(i)
            continue
        if abs(steps[i - 1]) <= least:
            continue
        # The stretch on either side, not reaching over a gap that was found already.
        low = max(int(np.searchsorted(before, before[i] - _AROUND_S)), found[-1] if found else 0)
        high = int(np.searchsorted(before, before[i] + _AROUND_S, side="right"))
        stays = np.median(late[i:high]) - np.median(late[min(low, i - 1) : i])
        if abs(stays) > least:
            found.append(i)
    return found


def _fit(at: Floats, late: Floats, length: float, knots: int) -> Floats:
    """A line of straight pieces through what shakes, by least squares; outliers let go once.

    Args:
        at: (N,) where the values stand, from 0 to ``length``.
        late: (N,) the values.
        length: where the last knot stands.
        knots: how many knots there are, evenly.

    Returns:
        (``knots``,) the line's values at the knots.
    """
    place = at / length * (knots - 1)
    hats = np.maximum(0.0, 1.0 - np.abs(place[:, None] - np.arange(knots)[None]))
    line: Floats = np.linalg.lstsq(hats, late, rcond=None)[0]
    off = np.abs(hats @ line - late)
    near = off <= 4.0 * np.median(off) + 1e-6
    if near.all() or np.any(hats[near].sum(0) <= 0.0):
        return line
    kept: Floats = np.linalg.lstsq(hats[near], late[near], rcond=None)[0]
    return kept


def _run(marks: Sequence[Mark], first: int) -> Run:
    rate = marks[0].rate
    before, late = _lateness(marks)
    samples = sum(m.samples for m in marks)
    length = samples / rate
    said = np.array([m.at_s is not None for m in marks])
    if not said.any():
        said[:] = True
    at, late = before[said], late[said]
    ends = np.array([0.0, float(samples)])
    middle = np.full(2, np.median(late))
    if length < _DRIFT_FROM_S or len(at) < _DRIFT_MARKS:
        return Run(first, samples, rate, ends, middle)
    pieces = max(1, round(length / _KNOT_S))
    if len(at) < _DRIFT_MARKS * pieces:
        pieces = 1
    line = _fit(at, late, length, pieces + 1)
    if np.ptp(line) <= _STRAIGHT_S:
        return Run(first, samples, rate, ends, middle)
    return Run(first, samples, rate, np.linspace(0.0, samples, pieces + 1), line)


def runs(marks: Sequence[Mark]) -> list[Run]:
    """The stretches of a recording, in the order in which they were recorded.

    Args:
        marks: all of its samples, in order. A first one without a second stands at 0, a later one
            without a second goes on from the one before.
    """
    marks = [m for m in marks if m.samples > 0]
    if not marks:
        return []
    bounds = [0, *_gaps(marks), len(marks)]
    found, first = [], 0
    clock = 0.0
    for low, high in pairwise(bounds):
        part = list(marks[low:high])
        if part[0].at_s is None:
            part[0] = Mark(clock, part[0].samples, part[0].rate)
        run = _run(part, first)
        found.append(run)
        first += run.samples
        clock = run.when(run.samples)
    return found


def end_s(marks: Sequence[Mark]) -> float:
    """The second at which the last sample of a recording has been heard; 0 without any."""
    return max((run.when(run.samples) for run in runs(marks)), default=0.0)
