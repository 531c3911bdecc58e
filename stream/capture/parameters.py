"""What a decoder must know of a stream, apart from the container that it came in.

A Matroska header (RFC 9559, Tracks) holds all of it: codec, private data, size, colour, rotation;
so two streams that give the same header can be joined. The stream that is copied from must not be
read from the input itself, which may be closed by then.
"""

from __future__ import annotations

import av
from av.audio.stream import AudioStream
from av.container import OutputContainer
from av.video.stream import VideoStream

from stream.capture.adts import config_of

RAW_CODECS = frozenset({"rawvideo", "wrapped_avframe", "bitpacked"})
"""Pictures that are not compressed: the container has no form for most of them."""


class _Bytes:
    """What is written, kept in memory."""

    def __init__(self) -> None:
        self.data = bytearray()

    def write(self, data: bytes) -> int:
        self.data += data
        return len(data)


def _output() -> tuple[OutputContainer, _Bytes]:
    kept = _Bytes()
    # Without this the track's number would be drawn by chance, and no two headers be equal.
    options = {"fflags": "bitexact"}
    return av.open(kept, "w", format="matroska", options=options), kept


class Parameters:
    """Parameters of one stream; equal ones can follow each other in one track.

    Attributes:
        codec: name of the decoder.
        sound: whether it is sound.
        headed: its packets have headers that they lose when they are kept, see `adts.bare`.
        header: a header that holds nothing else.
    """

    def __init__(self, stream: VideoStream | AudioStream) -> None:
        """Take them from a stream of an open container.

        Raises:
            av.error.FFmpegError, ValueError: Matroska cannot hold such a stream.
        """
        config = config_of(stream) if isinstance(stream, AudioStream) else None
        self.codec = stream.codec_context.name
        self.headed = config is not None
        self.sound = stream.type == "audio"
        out, kept = _output()
        made = out.add_stream_from_template(stream, opaque=True)
        if config is not None:
            made.codec_context.extradata = config
        try:
            out.start_encoding()
            self.header = bytes(kept.data)
        finally:
            out.close()
        # Never started: nothing but a place for the parameters that outlives the input.
        self._place, _ = _output()
        self._stream = self._place.add_stream_from_template(stream, opaque=True)
        self._config = config

    def add_to(self, out: OutputContainer) -> VideoStream | AudioStream:
        """A new stream with these parameters."""
        made = out.add_stream_from_template(self._stream, opaque=True)
        if self._config is not None:
            made.codec_context.extradata = self._config
        return made

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Parameters) and self.header == other.header

    def __hash__(self) -> int:
        return hash(self.header)


def parameters_of(stream: VideoStream | AudioStream) -> Parameters | None:
    """The parameters of a stream that can be copied; None for one that cannot."""
    if stream.codec_context.name in RAW_CODECS:
        return None
    try:
        return Parameters(stream)
    except (av.error.FFmpegError, OSError, ValueError):
        return None
