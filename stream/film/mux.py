"""A film's pieces and its sound, put into one MP4 file.

Sources: ISO/IEC 14496-12 (edit lists, 8.6.6; the `colr` box, 12.1.5), ISO/IEC 14496-3 (AAC-LC),
ISO/IEC 14496-15. Pictures are copied as they were coded; sound is coded here. Both begin at 0 of
the presentation: edit lists take away what a decoder needs before its first picture and what an
AAC decoder gives before its first sample. The index stands before the data, so that a film begins
to play while it is still being fetched. The same input gives the same bytes.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
from av.audio.stream import AudioStream
from av.bitstream import BitStreamFilterContext
from av.codec.context import Flags
from av.video.stream import VideoStream

from stream.durable import storing
from stream.film.pieces import (
    ColourTags,
    MuxError,
    PiecesDifferError,
    open_piece,
    pictures,
    read_piece,
    tagging,
)
from stream.sound.samples import RATE
from stream.whole_file import whole_file

__all__ = ["ColourTags", "MuxError", "PiecesDifferError", "mux"]

# Common practice for stereo that is to stay clean when services code it once more.
_AAC_BITS_S = 192_000
# chosen: sound that is off by more than any rounding was made for another film, or cut off.
_NEAR_S = 0.05
_OPTIONS = {"movflags": "+faststart", "fflags": "+bitexact"}


def _picture_stream(
    out: av.container.OutputContainer, piece: Path, rate: Fraction, tags: ColourTags
) -> VideoStream:
    """The film's picture stream, coded as a piece's."""
    with open_piece(piece) as container:
        source = container.streams.video[0]
        stream = out.add_stream_from_template(source, opaque=True)
        # Puts the tags into the stream's own parameter sets, which stand beside it in the file.
        BitStreamFilterContext(tagging(tags), source, stream)
    context = stream.codec_context
    context.color_primaries = tags.primaries
    context.color_trc = tags.transfer
    context.colorspace = tags.matrix
    context.color_range = 2 if tags.full_range else 1
    stream.time_base = 1 / rate
    return stream


def _no_sound(path: Path, why: str) -> MuxError:
    return MuxError(f"the film's sound {path.name} {why}; remove it and render the film again")


def _even(path: Path) -> Iterator[av.AudioFrame]:
    """The sound's frames, as the encoder wants them, counted from 0."""
    at = 0
    with av.open(f"file:{path}", options={"protocol_whitelist": "file"}) as container:
        even = av.AudioResampler("fltp", "stereo", RATE)
        for decoded in container.decode(audio=0) if container.streams.audio else ():
            decoded.pts = None
            for frame in even.resample(decoded):
                frame.pts, frame.time_base = at, Fraction(1, RATE)
                at += frame.samples
                yield frame


def _coded_sound(
    path: Path, stream: AudioStream, length_s: float
) -> Iterator[av.Packet[AudioStream]]:
    """The sound as AAC, from its first sample at 0 on.

    Raises:
        MuxError: it cannot be read, or is not as long as the film.
    """
    samples = 0
    try:
        for frame in _even(path):
            samples += frame.samples
            yield from stream.encode(frame)
    except (av.error.FFmpegError, OSError, ValueError) as e:
        raise _no_sound(path, "is missing or damaged") from e
    if abs(samples / RATE - length_s) > _NEAR_S:
        raise _no_sound(path, f"lasts {samples / RATE:.2f} s and the pictures {length_s:.2f} s")
    yield from stream.encode(None)


def _begins_s(packet: av.Packet[Any]) -> float:
    return float((packet.dts or 0) * packet.time_base)


def _of(
    packets: Iterator[av.Packet[Any]], stream: VideoStream | AudioStream
) -> Iterator[tuple[float, int, av.Packet[Any]]]:
    """Packets for a stream, with what they are ordered by: their time, then their stream."""
    for packet in packets:
        packet.stream = stream
        yield _begins_s(packet), stream.index, packet


def mux(
    pieces: Sequence[Path],
    sound: Path | None,
    out: Path,
    rate: Fraction,
    tags: ColourTags | None = None,
    metadata: Mapping[str, str] | None = None,
) -> None:
    """Put a film together.

    Args:
        pieces: H.264, a file each, in order; each begins with a picture that needs none before
            it. Their pictures are counted, whatever their timestamps.
        sound: any lossless file that begins and ends with the film; None for a film without sound.
        out: the MP4 file; whole and durable or not there.
        rate: pictures a second.
        tags: what the colours mean; None is Rec.709, narrow range.
        metadata: by the media library's names: title, artist, comment, creation_time in ISO 8601.

    Raises:
        MuxError: a piece or the sound is damaged or missing, or the two do not last as long.
        PiecesDifferError: the pieces do not belong to one encoding.
        StorageError: the disk did not take it.
    """
    if not pieces:
        raise MuxError("a film needs at least one piece; render it again")
    tags = tags or ColourTags()
    parts = [read_piece(path, rate) for path in pieces]
    length_s = float(sum(len(part.order) for part in parts) / rate)
    with (
        storing(f"the film {out.name}", out.parent),
        whole_file(out) as partial,
        av.open(f"file:{partial}", "w", format="mp4", options=_OPTIONS) as container,
    ):
        container.metadata.update(metadata or {})
        picture = _picture_stream(container, pieces[0], rate, tags)
        rows = [_of(pictures(parts, rate, tags), picture)]
        if sound is not None:
            heard = container.add_stream("aac", rate=RATE, layout="stereo")
            heard.bit_rate = _AAC_BITS_S
            heard.codec_context.flags |= Flags.bitexact
            rows.append(_of(_coded_sound(sound, heard, length_s), heard))
        for _, _, packet in heapq.merge(*rows, key=lambda row: row[:2]):
            container.mux_one(packet)
