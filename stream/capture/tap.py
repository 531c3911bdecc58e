"""A tap on a source: its compressed packets, copied beside the decoder.

A source that has a tap decodes, waits and drops as it does without one. What was read since the
last frame is handed over together with that frame, by the thread that reads. Times are whole
microseconds on the source's own time line, which runs on where a file begins again.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Protocol

from stream.capture.adts import bare
from stream.capture.frame import Frame
from stream.capture.parameters import Parameters, parameters_of

if TYPE_CHECKING:
    from av.audio.stream import AudioStream
    from av.packet import Packet, PacketSideData
    from av.video.stream import VideoStream

SECOND_US = 1_000_000
# chosen: pictures wait for fewer others (16 at most in AVC and HEVC, at 25 a second or more).
_LONGEST_WAIT_US = 700_000
# chosen: a live source whose picture stalls for so long is begun anew; its sound would pile up.
_LONGEST_STALL_US = 10 * SECOND_US


@dataclass(frozen=True, slots=True)
class Piece:
    """One packet in memory of its own; or a frame, where the source does not compress.

    Attributes:
        at_us: when it is shown or heard.
        decode_us: when it is decoded; never after what follows it.
        length_us: how long it lasts; 0 where the source does not say.
        key: decoding can begin here.
        shown: False: decoded, but not shown.
        sound: it is of the sound stream.
        data: the compressed bytes; none of a frame.
        side: what comes beside them.
        frame: in place of bytes.
        size: bytes that it takes.
    """

    at_us: int
    decode_us: int
    length_us: int
    key: bool
    shown: bool
    sound: bool
    data: bytes
    side: tuple[PacketSideData, ...] = ()
    frame: Frame | None = None
    size: int = 0

    def moved(self, by_us: int) -> Piece:
        """The same, later by so much."""
        if by_us == 0:
            return self
        return replace(self, at_us=self.at_us + by_us, decode_us=self.decode_us + by_us)


@dataclass(frozen=True)
class Streams:
    """What a source consists of.

    Attributes:
        source: its name, for people.
        picture: parameters of its packets; None where frames are to be encoded instead.
        why: for people, why its packets cannot be copied; empty where they can.
        sound: parameters of its own sound; None without.
        silent: for people, why sound that it has cannot be kept; empty otherwise.
        by_arrival: its timestamps say nothing, so that packets count by when they came.
    """

    source: str
    picture: Parameters | None
    why: str = ""
    sound: Parameters | None = None
    silent: str = ""
    by_arrival: bool = False


class Tap(Protocol):
    """Takes what a source gives; called by the thread that reads, which must not wait for it.

    Attributes:
        wants_sound: the source's own sound is wanted, too.
    """

    wants_sound: bool

    def refuse(self, why: str) -> None:
        """The source cannot be recorded at all; a sentence for people."""

    def opened(self, streams: Streams, again: bool) -> None:
        """What comes from now on; ``again``: the same file once more, its time running on."""

    def took(self, pieces: Sequence[Piece], shift_us: int, frame: Frame | None) -> None:
        """What was read since the last frame, to be moved by ``shift_us``; and the frame."""


def _microseconds(ticks: int, packet: Packet[VideoStream] | Packet[AudioStream]) -> int:
    base = packet.time_base
    # In whole numbers: timestamps may be large, and a float would round them.
    return (2 * SECOND_US * ticks * base.numerator + base.denominator) // (2 * base.denominator)


class Gathering:
    """Gathers the packets of one opened container for a tap."""

    def __init__(
        self,
        tap: Tap,
        label: str,
        picture: VideoStream,
        sound: AudioStream | None,
        *,
        clock: Callable[[], float],
        by_arrival: bool,
        live: bool,
    ) -> None:
        """Prepare.

        Args:
            tap: whom to give them to.
            label: name of the source, for people.
            picture: the picture stream.
            sound: the sound stream that is read beside it, or None.
            clock: monotonic, seconds.
            by_arrival: its timestamps say nothing.
            live: it comes at its own time.
        """
        self._tap = tap
        self._clock = clock
        self._live = live
        # In the order of decoding is not in the order of showing, where frames wait for others.
        self._reorders = bool(picture.codec_context.has_b_frames)
        parameters = parameters_of(picture)
        why = "" if parameters else "its pictures come uncompressed"
        own = parameters_of(sound) if sound is not None else None
        self._headed = own is not None and own.headed
        silent = ""
        if sound is not None and own is None:
            silent = f"its own sound is in a form that cannot be kept ({sound.codec_context.name})"
        self._streams = Streams(label, parameters, why, own, silent, by_arrival)
        self._told = False
        self._pieces: list[Piece] = []
        self._decode_us: int | None = None

    def note(self, packet: Packet[VideoStream] | Packet[AudioStream], sound: bool) -> None:
        """Keep a packet until the next frame."""
        if not packet.size or packet.is_corrupt:
            return
        if (self._streams.sound if sound else self._streams.picture) is None:
            return
        at, decode = packet.pts, packet.dts
        if self._streams.by_arrival:
            at_us = decode_us = round(self._clock() * SECOND_US)
        elif at is None and (decode is None or (self._reorders and not sound)):
            if not sound and self._untimed():
                self.note(packet, sound)
            return
        else:
            first = decode if at is None else at
            at_us = _microseconds(first or 0, packet)
            decode_us = self._decoded_us(at_us, sound)
            if decode is not None:
                decode_us = _microseconds(decode, packet)
        waited_us = at_us - self._pieces[0].at_us if self._pieces else 0
        if sound and self._live and waited_us > _LONGEST_STALL_US:
            return
        data = bytes(packet)
        if sound and self._headed:
            data = bare(data)
        self._pieces.append(
            Piece(
                at_us,
                decode_us := min(decode_us, at_us),
                _microseconds(packet.duration or 0, packet),
                packet.is_keyframe,
                not packet.is_discard,
                sound,
                data,
                tuple(packet.iter_sidedata()),
                size=len(data),
            )
        )
        if not sound:
            self._decode_us = decode_us

    def _decoded_us(self, at_us: int, sound: bool) -> int:
        """When a packet is decoded that does not say it."""
        if sound or not self._reorders:
            return at_us
        return at_us - _LONGEST_WAIT_US if self._decode_us is None else self._decode_us

    def _untimed(self) -> bool:
        """A picture packet says nothing of its time; whether its arrival may say it instead."""
        if self._told:
            return False  # one in a stream of good ones: that frame is missing in a take
        if self._live and not self._reorders and not self._streams.sound:
            self._streams = replace(self._streams, by_arrival=True)
            return True
        self._streams = replace(
            self._streams, picture=None, why="its packets say nothing of their time"
        )
        return False

    def hand(self, shift_us: int, frame: Frame | None, again: bool = False) -> None:
        """Give the tap what was read, and the frame that came out of it."""
        if not self._told:
            self._told = True
            self._tap.opened(self._streams, again)
        pieces, self._pieces = self._pieces, []
        self._tap.took(pieces, shift_us, frame)
