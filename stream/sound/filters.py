"""A row of the media library's sound filters, fed with blocks of samples."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction

import av
import numpy as np
from av.filter import Graph

from stream.sound.samples import RATE, Block

# Timestamps of what goes in: ten million a second divide a sample finely enough to tell a clock
# that runs a millionth off from one that does not, over a frame.
TICKS = 10_000_000


class Filters:
    """Some filters in a row; samples in, samples out.

    What comes out may come later than what went in; `close` gives the rest. Nothing here is the
    library's own idea of time but what `push` is told.
    """

    def __init__(self, filters: Sequence[tuple[str, str]], rate: int = RATE) -> None:
        """Make them.

        Args:
            filters: name and arguments of each, in the order of the sound.
            rate: samples a second of what is pushed.
        """
        self._graph = Graph()
        self._rate = rate
        source = self._graph.add(
            "abuffer",
            f"sample_rate={rate}:sample_fmt=fltp:channel_layout=stereo:time_base=1/{TICKS}",
        )
        ends = [source, *(self._graph.add(name, said) for name, said in filters)]
        # Some filters work in a form of their own; what comes out is always the same.
        ends.append(self._graph.add("aformat", "sample_fmts=fltp:channel_layouts=stereo"))
        ends.append(self._graph.add("abuffersink"))
        self._graph.link_nodes(*ends).configure()
        self._source, self._sink = source, ends[-1]
        self._pushed = 0

    def push(
        self, block: Block, at_s: float | None = None
    ) -> Iterator[tuple[Block, dict[str, str]]]:
        """Give samples; take what is ready.

        Args:
            block: (2, N) float32.
            at_s: the second of its first sample; None counts on from the block before.

        Yields:
            (2, M) float32 and what the filters noted beside it.
        """
        if block.shape[1]:
            frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(block), "fltp", "stereo")
            frame.sample_rate = self._rate
            frame.time_base = Fraction(1, TICKS)
            at_s = self._pushed / self._rate if at_s is None else at_s
            frame.pts = round(at_s * TICKS)
            self._pushed += block.shape[1]
            self._source.push(frame)
        yield from self._ready()

    def close(self) -> Iterator[tuple[Block, dict[str, str]]]:
        """Say that nothing more comes; take the rest."""
        self._source.push(None)
        yield from self._ready()

    def _ready(self) -> Iterator[tuple[Block, dict[str, str]]]:
        while True:
            try:
                frame = self._sink.pull()
            except (av.error.BlockingIOError, av.error.EOFError):
                return
            assert isinstance(frame, av.AudioFrame)
            yield frame.to_ndarray().astype(np.float32, copy=False), frame.metadata
