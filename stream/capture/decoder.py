"""From packets to decoded frames: on a graphics card while that goes well, else in software."""

from __future__ import annotations

import logging
import os
from typing import TYPE_CHECKING, cast

import av
from av.codec.context import Flags, ThreadType
from av.sidedata.sidedata import SideDataContainer
from av.sidedata.sidedata import Type as SideDataType

from stream.capture.card import CardDecoder, CardError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from av.sidedata.sidedata import SideData
    from av.video.codeccontext import VideoCodecContext
    from av.video.stream import VideoStream

    MakeCard = Callable[[VideoCodecContext, str], CardDecoder]

log = logging.getLogger("posewall.capture")

# chosen: pictures are cut into few slices, and other stages of the program want the cores as well.
_MOST_THREADS = 4
# chosen: so many damaged pieces in a row are the card's doing rather than the line's.
_DAMAGED_IN_A_ROW = 8
# chosen: the longest run of packets that software is to catch up with, about 10 s at 60 a second.
_MOST_KEPT, _MOST_KEPT_BYTES = 600, 64 << 20
# chosen: enough for any decoder to give its first picture.
_MOST_LOOKED_AT = 32


def cores() -> int:
    """Processors that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def display_matrix(frame: av.VideoFrame) -> bytes | None:
    """The display matrix that came with a frame, nine 32-bit integers; None without one."""
    # Not frame.side_data, which the frame keeps: the two would hold each other until a collection.
    read = cast("Callable[[av.VideoFrame], Iterable[SideData]]", SideDataContainer)
    try:
        found = [bytes(e) for e in read(frame) if e.type == SideDataType.DISPLAYMATRIX]
    except ValueError:
        # A kind that PyAV has no name for, such as the Exif data of a JPEG, hides all the others.
        return None
    return found[0] if found else None


def _name(frame: av.VideoFrame) -> object:
    """What tells a frame from others of its stream."""
    return frame.opaque if frame.pts is None else frame.pts


def _is_of(frame: av.VideoFrame, packet: av.Packet[VideoStream]) -> bool:
    """Whether a frame was decoded from a packet."""
    same_time = packet.pts is not None and frame.pts == packet.pts
    return same_time or (frame.opaque is not None and frame.opaque == packet.opaque)


def _shown_by(frame: av.VideoFrame, last: int | None) -> bool:
    """Whether a frame of a kept packet is shown before a timestamp, or at it.

    Packets that software is the first to decode have no name: time may begin anew with them.
    """
    return None not in (last, frame.pts, frame.opaque) and frame.pts <= last  # type: ignore[operator]


class Decoder:
    """Decodes the packets of one stream.

    A card's decoder stands beside the one that the container made. The packets from the key frame
    of what was given last are kept: when the card fails, software decodes them again and goes on,
    so that no frame is lost by it. Which frames were given is known by their timestamps, and in a
    raw stream, which has none, by their packets.

    Attributes:
        display_matrix: of the container, as bytes, for frames that do not carry it themselves:
            those of a card. None where there is none, or software decodes.
    """

    def __init__(
        self,
        stream: VideoStream,
        label: str,
        device: str = "cpu",
        before: Decoder | None = None,
        make_card: MakeCard = CardDecoder,
    ) -> None:
        """Prepare.

        Args:
            stream: of the opened container.
            label: name of the source, for people.
            device: where frames may stay: a card's name, or anything else for main memory.
            before: the decoder of the same file's last round; a card goes on, or stays out of it.
            make_card: makes the card's decoder.
        """
        self._stream = stream
        self._label = label
        self.display_matrix: bytes | None = None
        # Frame threads would add their number of frames as delay, and where a file is damaged they
        # take good frames with them.
        stream.thread_type = ThreadType.SLICE
        stream.codec_context.thread_count = min(_MOST_THREADS, cores())
        stream.codec_context.flags |= Flags.copy_opaque
        self._card: CardDecoder | None = None
        self._failed: bool = before is not None and before._failed
        self._begun = self._looked = False
        self._looked_at = 0
        self._held: list[av.VideoFrame] = []
        self._damaged = 0
        self._kept: list[av.Packet[VideoStream]] = []
        self._kept_bytes = 0
        self._count = 0
        self._gave = False
        self._given: set[object] = set()
        if device.partition(":")[0] == "cuda" and not self._failed:
            self._take_card(device, before, make_card)

    @property
    def on_card(self) -> bool:
        """Whether the card decodes."""
        return self._card is not None

    def _take_card(self, device: str, before: Decoder | None, make_card: MakeCard) -> None:
        context = self._stream.codec_context
        if not CardDecoder.offered(context):
            log.info("%s: %s is decoded in software", self._label, context.name)
            return
        card = None if before is None else before._card
        if before is not None and card is not None and card.extradata == context.extradata:
            card.again()
            self._card, self._looked = card, before._looked
            self.display_matrix = before.display_matrix
            return
        try:
            self._card = make_card(context, device)
        except (av.error.FFmpegError, OSError, RuntimeError, AssertionError, ValueError) as e:
            self._failed = True
            self._say(e)

    def _say(self, error: Exception) -> None:
        why = getattr(error, "strerror", None) or str(error) or type(error).__name__
        log.warning("%s: the card does not decode it (%s); software does", self._label, why)

    def decode(self, packet: av.Packet[VideoStream]) -> list[av.VideoFrame]:
        """Frames in the order in which they are shown.

        Raises:
            av.error.InvalidDataError: the packet is damaged.
            av.error.FFmpegError: the decoder broke.
        """
        if self._card is None:
            return self._missing(packet.decode()) if self._given else packet.decode()
        if not self._begun:
            if not packet.is_keyframe:
                return packet.decode()
            self._begun = True
        self._keep(packet)
        if not self._looked:
            self._look(packet)
        try:
            frames = self._card.decode(packet)
        except av.error.InvalidDataError as e:
            self._damaged += 1
            if self._gave and self._damaged < _DAMAGED_IN_A_ROW:
                raise
            return self._give_up(e)
        except (av.error.FFmpegError, OSError, CardError) as e:
            return self._give_up(e)
        self._damaged = 0
        if not self._looked:
            self._held += frames
            return []
        frames, self._held = self._held + frames, []
        for frame in frames:
            self._note(frame)
        return frames

    def _keep(self, packet: av.Packet[VideoStream]) -> None:
        if not packet.is_keyframe and not self._kept:
            return  # too many since the key frame: software will wait for the next one
        # An object of its own, since the media library knows these by where they lie in memory.
        packet.opaque = (self._count,)
        self._count += 1
        self._kept.append(packet)
        self._kept_bytes += packet.size
        if len(self._kept) > _MOST_KEPT or self._kept_bytes > _MOST_KEPT_BYTES:
            self._kept, self._kept_bytes = [], 0
            self._given.clear()

    def _note(self, frame: av.VideoFrame) -> None:
        """Remember that a frame was given; drop what lies before one that is a key frame."""
        self._gave = True
        if not self._kept:
            return
        for i, packet in enumerate(self._kept):
            if packet.is_keyframe and _is_of(frame, packet):
                self._kept_bytes -= sum(p.size for p in self._kept[:i])
                del self._kept[:i]
                self._given.clear()
                break
        self._given.add(_name(frame))

    def _look(self, packet: av.Packet[VideoStream]) -> None:
        """Decode one frame in software for what only the container's own decoder is told."""
        self._looked_at += 1
        self._looked = self._looked_at >= _MOST_LOOKED_AT
        try:
            frames = packet.decode()
        except av.error.FFmpegError:
            return
        if frames:
            self._looked = True
            self.display_matrix = display_matrix(frames[0])
            self._stream.codec_context.flush_buffers()

    def _give_up(self, error: Exception) -> list[av.VideoFrame]:
        """Software takes over; the frames that the card still owed."""
        self._say(error)
        self._card, self._failed, self._held = None, True, []
        kept, self._kept = self._kept, []
        self.display_matrix = None
        self._stream.codec_context.flush_buffers()
        frames: list[av.VideoFrame] = []
        for packet in kept:
            try:
                frames += packet.decode()
            except av.error.InvalidDataError:
                continue
        return self._missing(frames)

    def _missing(self, frames: list[av.VideoFrame]) -> list[av.VideoFrame]:
        """What software decoded after the last of the frames that the card had given.

        They come in the order in which they are shown, perhaps a few at a time, and late.
        """
        had = [i for i, frame in enumerate(frames) if _name(frame) in self._given]
        missing = frames[had[-1] + 1 :] if had else frames
        if not had:
            last = max((n for n in self._given if isinstance(n, int)), default=None)
            missing = [frame for frame in frames if not _shown_by(frame, last)]
        if missing:
            self._given.clear()
        return missing
