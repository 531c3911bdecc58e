"""Recorded samples, laid where they belong on a time line of 48 kHz.

Stretches are fitted to their timestamps (`timeline.py`); a clock that drifts is followed by the
media library's resampler, gaps are silence, and of what overlaps the earlier part is kept.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from stream.sound.filters import Filters
from stream.sound.samples import RATE, Block, Spool
from stream.sound.timeline import Mark, Run, runs

# Around the part that is wanted, so that a resampler's beginning lies outside it.
_AROUND_S = 0.1
# chosen: long enough that no click is heard where sound breaks off, too short to be missed.
_EDGE_S = 0.002
# chosen: samples given to the resampler at a time; it looks at the time once for each.
_STEP = 1024
# The resampler is told the rate that was found, in whole samples a second. What is left of the
# clock's error it takes back by itself: from a twentieth of a millisecond on, within .2 s, by any
# amount; it injects and drops nothing.
_FOLLOW = (
    "async=48000:min_comp=0.00005:comp_duration=0.2:max_soft_comp=0.5:min_hard_comp=1000:"
    "flags=res:linear_interp=1:filter_size=64"
)


def _resampled(spool: Spool, run: Run, low: int, high: int) -> Iterator[Block]:
    """Samples ``low`` to ``high`` of a stretch, at 48 kHz and by its own clock."""
    if run.rate == RATE and run.steady:
        yield from spool.blocks(run.first + low, run.first + high)
        return
    begin = run.when(low)
    said, rate = "filter_size=64", run.rate
    if not run.steady:
        said, rate = _FOLLOW, max(1, round((high - low) / (run.when(high) - begin)))
    filters = Filters([("aresample", f"{RATE}:{said}")], rate)
    for at in range(low, high, _STEP):
        block = spool.read(run.first + at, min(_STEP, high - at))
        for out, _ in filters.push(block, max(0.0, run.when(at) - begin)):
            yield out
    for out, _ in filters.close():
        yield out


def _faded(block: Block, at: int, whole: int, comes: bool, goes: bool) -> Block:
    """Some samples of a stretch, faded where the stretch comes out of nothing or breaks off.

    Args:
        block: (2, N) float32.
        at: number of its first sample in the stretch.
        whole: how long the stretch is.
        comes: whether it begins after a gap.
        goes: whether it ends before one.
    """
    edge = min(round(_EDGE_S * RATE), whole // 2)
    near = (comes and at < edge) or (goes and at + block.shape[1] > whole - edge)
    if not edge or not near:
        return block
    n = np.arange(at, at + block.shape[1])
    gain = np.ones(len(n))
    if comes:
        gain = np.minimum(gain, (n + 1) / (edge + 1))
    if goes:
        gain = np.minimum(gain, np.maximum(0, whole - n) / (edge + 1))
    return (block * gain).astype(np.float32)


def _lay(block: Block, position: int, length: int, out: Spool) -> None:
    """Put samples at a place of a time line that is filled from its beginning on."""
    block = block[:, max(0, out.samples - position) :]
    position = max(position, out.samples)
    block = block[:, : max(0, length - position)]
    if block.shape[1]:
        out.silence(position - out.samples)
        out.append(block)


def place(spool: Spool, marks: Sequence[Mark], begin_s: float, end_s: float, out: Spool) -> float:
    """Lay recorded samples on a time line.

    Args:
        spool: the samples, as they were recorded.
        marks: what was said of them.
        begin_s: the second of their time line at which ``out`` begins.
        end_s: the second at which it ends.
        out: takes exactly ``round((end_s - begin_s) * 48000)`` samples.

    Returns:
        By how much a clock ran beside the one of the timestamps at most, as a share.
    """
    length = max(0, round((end_s - begin_s) * RATE))
    worst = 0.0
    found = runs(marks)
    joined = [abs(b.when(0) - a.when(a.samples)) <= _EDGE_S for a, b in pairwise(found)]
    for run, comes, goes in zip(found, [False, *joined], [*joined, False], strict=True):
        start_s, stop_s = run.when(0), run.when(run.samples)
        if stop_s <= begin_s or start_s >= end_s:
            continue
        pace = (stop_s - start_s) * run.rate / run.samples
        worst = max(worst, abs(pace - 1.0))
        low = max(0, int((begin_s - _AROUND_S - start_s) / pace * run.rate))
        high = min(run.samples, int((end_s + _AROUND_S - start_s) / pace * run.rate) + 1)
        at = round((run.when(low) - begin_s) * RATE)
        whole = round((run.when(high) - run.when(low)) * RATE)
        edges = (low == 0 and not comes, high == run.samples and not goes)
        count = 0
        for block in _resampled(spool, run, low, high):
            _lay(_faded(block, count, whole, *edges), at + count, length, out)
            count += block.shape[1]
    out.silence(length - out.samples)
    return worst
