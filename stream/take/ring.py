"""The last seconds of a source's packets, so that a take may begin before the press."""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from models.color import Encoding
from stream.capture.frame import Frame
from stream.capture.tap import SECOND_US, Piece, Streams
from stream.take.backlog import Backlog
from stream.take.time_line import TimeLine

log = logging.getLogger("posewall.take")

KEEP_S = 5.0
MOST_BYTES = 64 << 20
"""chosen: 10 s of a camera of 50 Mbit/s; telephones and cameras send less."""
GOOD_AGAIN = 150
"""chosen: so many frames with good timestamps in a row, some seconds, and a source whose timestamps
were wrong is believed again; twice as many after each time that it went wrong again."""
MOST_FRAME_BYTES = 64 << 20
"""chosen: half a second of uncompressed 4:2:2 of 1080p at 30 frames a second, or more than one of
720p; it is kept for as long as such a source is live."""
BEGIN_BYTES = 128 << 20
"""chosen: a second of the same, in which the process that compresses them begins: it took 1.05 s on
two processors that three others wanted as well."""


@dataclass(frozen=True)
class RingState:
    """What could be recorded now.

    Attributes:
        ready: a take would begin at once.
        why: for people: why nothing can be recorded, or what is waited for; empty when ready.
        behind_s: how far back a take could begin.
        bytes: memory in use.
        copied: packets are copied; else frames are encoded.
    """

    ready: bool
    why: str
    behind_s: float
    bytes: int
    copied: bool


@dataclass(frozen=True)
class Shown:
    """What the source shows.

    Attributes:
        source: its name, for people.
        quarter_turns: clockwise quarter turns that make it upright.
        sizes: (H, W) of each plane.
        encoding: how to read the planes.
    """

    source: str
    quarter_turns: int
    sizes: tuple[tuple[int, ...], ...]
    encoding: Encoding

    @classmethod
    def of(cls, frame: Frame) -> Shown:
        """What a frame shows."""
        sizes = tuple(tuple(p.shape) for p in frame.planes)
        return cls(frame.source, frame.quarter_turns, sizes, frame.encoding)


Numbered = tuple[int, Piece]
"""A piece and which it is of all, in the order in which they came."""


class PacketRing:
    """A tap that keeps what came last. Its source's thread never waits for anybody.

    Attributes:
        wants_sound: the source's own sound is kept, too.
        refused: why it cannot be recorded at all; empty where it can.
    """

    def __init__(
        self,
        keep_s: float = KEEP_S,
        *,
        own_sound: bool = True,
        most_bytes: int = MOST_BYTES,
        most_frame_bytes: int = MOST_FRAME_BYTES,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        """Begin empty.

        Args:
            keep_s: how far back a take may begin, seconds.
            own_sound: keep the source's own sound as well.
            most_bytes: of packets.
            most_frame_bytes: of frames, where the source does not compress.
            clock: that frames arrive by.
        """
        self.wants_sound = own_sound
        self.refused = ""
        self._keep_us = round(keep_s * SECOND_US)
        self._most, self._most_frames = most_bytes, most_frame_bytes
        self._clock = clock
        self._lock = threading.Lock()
        self._line = TimeLine()
        self._streams: Streams | None = None
        self._shown: Shown | None = None
        self._given: Streams | None = None  # as the source said it
        self._mistrusted = self._needs_key = self._joined = False
        self._good, self._good_again = 0, GOOD_AGAIN
        self._groups: deque[list[Numbered]] = deque()  # each a key frame and what needs it
        self._sound: deque[Numbered] = deque()
        self._count = 0
        self._bytes = 0
        self._backlogs: list[tuple[Backlog, bool]] = []  # and whether it wants sound

    # The tap's side: the thread that reads the source.

    def refuse(self, why: str) -> None:
        """The source cannot be recorded at all."""
        self.refused = why

    def opened(self, streams: Streams, again: bool) -> None:
        """A connection, or a round of a file, begins."""
        with self._lock:
            self._given = streams
            # What it sends from now on is judged anew; but not amid a take, which would end by it.
            self._mistrusted = self._mistrusted and bool(again or self._backlogs)
            if self._mistrusted:
                streams = replace(streams, picture=None, why="its timestamps are wrong")
            before, self._streams = self._streams, streams
            if before is not None and (before.picture, before.sound) != (
                streams.picture,
                streams.sound,
            ):
                self._anew(f"{streams.source}: sends something else than before")
            self._needs_key, self._joined = True, again
            if not again:
                self._line.begin()
                self._line.by_arrival = streams.by_arrival or self._mistrusted

    def took(self, pieces: Sequence[Piece], shift_us: int, frame: Frame | None) -> None:
        """Lay packets and a frame on the line."""
        with self._lock:
            if frame is not None:
                self._meet(frame, pieces)
            if self._streams is None or not self._line.begun:
                return
            now_us = round(self._clock() * SECOND_US)
            for piece in pieces:
                if piece.sound or self._streams.picture is not None:
                    self._add(self._line.lay(piece, now_us, shift_us))
            if frame is not None and self._streams.picture is None:
                at_us = self._line.frame_us(frame)
                size = sum(p.nbytes for p in frame.planes)
                whole = Piece(at_us, at_us, 0, True, True, False, b"", frame=frame, size=size)
                self._add(self._line.lay(whole, now_us))
            self._trim()

    def _anew(self, why: str) -> None:
        """What comes does not go on from what came."""
        self._groups.clear()
        self._sound.clear()
        self._bytes = 0
        self._needs_key = True
        for backlog, _ in self._backlogs:
            backlog.end(why)

    def _meet(self, frame: Frame, pieces: Sequence[Piece]) -> None:
        """What a frame tells of its source."""
        shown, before = Shown.of(frame), self._shown
        self._shown = shown
        if before is not None and (shown.sizes, shown.encoding) != (before.sizes, before.encoding):
            height, width = shown.sizes[0]
            self._anew(f"{shown.source}: its picture changed, to {width} x {height}")
        good, streams = self._line.meet(frame), self._given
        if streams is None or streams.by_arrival:
            return
        if self._mistrusted:
            self._good = self._good + 1 if good and frame.pts is not None else 0
            self._trust(streams, frame, pieces)
            return
        if good:
            return
        # Shown in the right order with times in a wrong one: packets cannot be put in order.
        self._mistrusted, self._line.by_arrival, self._good = True, True, 0
        self._streams = replace(streams, picture=None, why="its timestamps are wrong")
        log.warning("%s: its timestamps are wrong; takes go by arrival", shown.source)
        self._anew(f"{shown.source}: its timestamps are wrong")

    def _trust(self, streams: Streams, frame: Frame, pieces: Sequence[Piece]) -> None:
        """Believe the timestamps again, where they have been good for long.

        At a key frame, with which the packets can begin, and not amid a take: its file has begun
        with what was compressed here.
        """
        key = streams.picture is None or any(p.key and not p.sound for p in pieces)
        if self._good < self._good_again or not key or self._backlogs:
            return
        self._mistrusted, self._streams = False, streams
        self._good_again *= 2
        self._line.trust(frame)
        self._anew("")
        log.info("%s: its timestamps are right again", streams.source)

    def _add(self, piece: Piece | None) -> None:
        if piece is None:
            return
        self._count += 1
        if piece.sound:
            self._sound.append((self._count, piece))
            self._bytes += piece.size
        else:
            if self._joined and self._groups and not piece.shown:
                self._anew("the file begins again amid pictures that need those before them")
            if self._needs_key and not piece.key:
                return
            self._needs_key = self._joined = False
            if piece.key:
                self._groups.append([])
            if self._groups:  # none where a group grew too large to be kept
                self._groups[-1].append((self._count, piece))
                self._bytes += piece.size
        for backlog, sound in self._backlogs:
            if sound or not piece.sound:
                backlog.put(piece)

    def _trim(self) -> None:
        """Forget what no take can want any more."""
        streams, groups = self._streams, self._groups
        if streams is None:
            return
        most = self._most
        if streams.picture is None:
            # Amid a take the frames before it lie in its backlog; they are not to be there twice.
            most = self._most_frames // (4 if self._backlogs else 1)
        newest = groups[-1][-1][1] if groups else self._sound[-1][1] if self._sound else None
        if newest is None:
            return
        oldest_us = newest.decode_us - self._keep_us
        while len(groups) > 1 and (groups[1][0][1].at_us <= oldest_us or self._bytes > most):
            self._bytes -= sum(p.size for _, p in groups.popleft())
        if self._bytes > most and groups and len(groups[0]) > 1:
            # So long without a key frame that it may not be kept: a take begins with the next one.
            self._bytes -= sum(p.size for _, p in groups.popleft())
        first_us = groups[0][0][1].at_us if groups else oldest_us
        while self._sound and self._sound[0][1].at_us < first_us - SECOND_US:
            self._bytes -= self._sound.popleft()[1].size

    # The recorder's side.

    @property
    def streams(self) -> Streams | None:
        """What the source consists of; None before it opened."""
        return self._streams

    @property
    def shown(self) -> Shown | None:
        """What the source shows; None before its first frame."""
        return self._shown

    def line_us(self, clock_s: float) -> int:
        """Where an instant of the clock lies on the line of the pieces, microseconds."""
        with self._lock:
            return self._line.of_clock(round(clock_s * SECOND_US))

    def attach(self, backlog: Backlog, from_us: int, sound: bool = True) -> None:
        """Give a backlog what is kept from an instant of the line, and all that comes after it.

        Begins with the last key frame before that instant, or with the first there is.
        """
        with self._lock:
            groups = list(self._groups)
            earlier = [i for i, g in enumerate(groups) if g[0][1].at_us <= from_us]
            pieces = [n for group in groups[earlier[-1] if earlier else 0 :] for n in group]
            if pieces and sound:
                first_us = pieces[0][1].at_us
                pieces += [n for n in self._sound if n[1].at_us >= first_us]
            for _, piece in sorted(pieces, key=lambda n: n[0]):
                backlog.put(piece)
            self._backlogs.append((backlog, sound))

    def detach(self, backlog: Backlog) -> None:
        """Give it nothing more."""
        with self._lock:
            self._backlogs = [b for b in self._backlogs if b[0] is not backlog]

    def state(self) -> RingState:
        """What could be recorded now."""
        with self._lock:
            behind_us, copied = 0, self._streams is not None and self._streams.picture is not None
            why = self.refused
            if not why and self._streams is None:
                why = "there is no picture yet"
            elif not why and not self._groups:
                why = "the source has sent no key frame yet"
            elif self._groups:
                behind_us = self._groups[-1][-1][1].at_us - self._groups[0][0][1].at_us
            behind_s = min(behind_us, self._keep_us) / SECOND_US
            return RingState(not why, why, behind_s, self._bytes, copied)
