"""The coded pieces of a film: their pictures in order, without being decoded.

Sources: ITU-T H.264 (08/2021): 7.3.2 (parameter sets), annex E (video usability information);
ISO/IEC 14496-15 (how parameter sets lie beside a stream); ITU-T H.273 (colour code points).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
from av.bitstream import BitStreamFilterContext
from av.video.stream import VideoStream

from stream.errors import UserError


class MuxError(UserError):
    """A film could not be put together of its pieces and its sound."""


class PiecesDifferError(MuxError):
    """The pieces were encoded differently and do not fit into one stream."""


@dataclass(frozen=True)
class ColourTags:
    """How a film's colours are meant, as code points of ITU-T H.273; Rec.709 where not said.

    Attributes:
        primaries: colour primaries.
        transfer: transfer characteristics.
        matrix: matrix coefficients.
        full_range: whether luma goes from 0 to 255; else from 16 to 235.
    """

    primaries: int = 1
    transfer: int = 1
    matrix: int = 1
    full_range: bool = False


@dataclass(frozen=True)
class Piece:
    """One coded piece.

    Attributes:
        path: its file.
        order: for each picture in the order in which it is coded, its place among those shown.
    """

    path: Path
    order: tuple[int, ...]

    @property
    def delay(self) -> int:
        """How many pictures must be decoded before the first is shown, at least."""
        return max(n - shown for n, shown in enumerate(self.order))


def open_piece(path: Path) -> av.container.InputContainer:
    """A piece's file.

    Raises:
        MuxError: it is missing, cut off or no H.264.
    """
    try:
        container = av.open(f"file:{path}", options={"protocol_whitelist": "file"})
    except (av.error.FFmpegError, OSError, ValueError) as e:
        raise _broken(path) from e
    streams = container.streams.video
    if len(streams) != 1 or streams[0].codec_context.name != "h264":
        container.close()
        raise _broken(path)
    return container


def _broken(path: Path) -> MuxError:
    return MuxError(
        f"the film's piece {path.name} is damaged or no H.264; need it whole; remove it and "
        "render the film again"
    )


def _packets(container: av.container.InputContainer) -> Iterator[av.Packet[VideoStream]]:
    """Coded pictures, without the library's mark of the end."""
    for packet in container.demux(container.streams.video[0]):
        if packet.size:
            yield packet


def read_piece(path: Path, rate: Fraction) -> Piece:
    """Which picture of a piece is shown when.

    Pictures are put in order by their timestamps and then counted, since a film has a constant
    rate while timestamps may be rounded.

    Raises:
        MuxError: it is damaged, holds no picture, or pictures are missing in it.
    """
    stamps: list[float] = []
    with open_piece(path) as container:
        try:
            for n, packet in enumerate(_packets(container)):
                if packet.pts is None or packet.is_corrupt or (n == 0 and not packet.is_keyframe):
                    raise _broken(path)
                stamps.append(float(packet.pts * packet.time_base))
        except av.error.FFmpegError as e:
            raise _broken(path) from e
    if not stamps or len(set(stamps)) < len(stamps):
        raise _broken(path)
    shown = sorted(range(len(stamps)), key=stamps.__getitem__)
    steps = round((stamps[shown[-1]] - stamps[shown[0]]) * float(rate))
    if steps != len(stamps) - 1:
        raise MuxError(
            f"the film's piece {path.name} lasts {steps + 1} pictures at {float(rate):.3f} a "
            f"second and holds {len(stamps)}; remove it and render the film again"
        )
    order = [0] * len(stamps)
    for place, n in enumerate(shown):
        order[n] = place
    return Piece(path, tuple(order))


def tagging(tags: ColourTags) -> str:
    """The media library's filter that writes tags into a stream's own parameter sets."""
    return (
        f"h264_metadata=colour_primaries={tags.primaries}:"
        f"transfer_characteristics={tags.transfer}:matrix_coefficients={tags.matrix}:"
        f"video_full_range_flag={int(tags.full_range)}"
    )


def pictures(
    pieces: Sequence[Piece], rate: Fraction, tags: ColourTags
) -> Iterator[av.Packet[VideoStream]]:
    """The coded pictures of all pieces as one stream, in the order in which they are decoded.

    Each stands at its number: ``pts`` counts pictures from 0, ``dts`` begins below it by as many
    as the deepest reordering needs.

    Raises:
        PiecesDifferError: the pieces' parameter sets differ.
        MuxError: a piece is damaged.
    """
    delay = max(piece.delay for piece in pieces)
    first: tuple[bytes | None, int, int] | None = None
    begin = 0
    for piece in pieces:
        with open_piece(piece.path) as container:
            stream = container.streams.video[0]
            context = stream.codec_context
            form = (context.extradata, context.width, context.height)
            first = form if first is None else first
            if form != first:
                raise PiecesDifferError(
                    f"the film's piece {piece.path.name} was encoded differently from the first "
                    f"one ({form[1]} x {form[2]} beside {first[1]} x {first[2]}, or other "
                    "settings); remove the pieces and render the film again"
                )
            try:
                tagged = BitStreamFilterContext(tagging(tags), stream)
                count = 0
                for packet in _packets(container):
                    for out in tagged.filter(packet):
                        if count == len(piece.order):
                            raise _broken(piece.path)
                        out.time_base = 1 / rate
                        out.pts = begin + piece.order[count]
                        out.dts = begin + count - delay
                        out.duration = 1
                        count += 1
                        yield out
            except (av.error.FFmpegError, ValueError) as e:
                raise _broken(piece.path) from e
            if count != len(piece.order):
                raise _broken(piece.path)
            begin += count
