"""A clip file whose packets cannot be copied: its pictures compressed anew, its sound as it is."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

from stream.capture.clip import Clip
from stream.capture.frame import Frame
from stream.capture.parameters import Parameters
from stream.capture.tap import SECOND_US, Piece, Streams
from stream.take.backlog import Backlog, missing_words
from stream.take.clip_copy import SEEN_EVERY, Seen
from stream.take.encoding import STOPPED, FrameEncoder
from stream.take.media_file import MediaFile
from stream.take.record import TakeError
from stream.take.time_line import own_us

# chosen: frames in memory before the encoder is waited for.
_AHEAD_BYTES = 64 << 20
# Common practice: 25 a second, where a frame says nothing of its time.
_STEP_US = 40_000


class Steps(NamedTuple):
    """When frames are shown whose timestamps are wrong.

    Attributes:
        start_us: the first, on the clip's time line.
        step_us: so far apart are they.
    """

    start_us: int
    step_us: int


class Encoded(NamedTuple):
    """What is not kept of a clip.

    Attributes:
        silent: why its sound is not; empty otherwise.
        missing: which of its pictures; empty where all are there.
    """

    silent: str
    missing: str


class _Sound:
    """A tap that keeps a clip's sound until the pictures of its time are written."""

    wants_sound = True

    def __init__(self) -> None:
        self.parameters: Parameters | None = None
        self.silent = ""
        self._waiting: deque[Piece] = deque()

    def refuse(self, why: str) -> None:
        raise TakeError(f"{why}.")

    def opened(self, streams: Streams, again: bool) -> None:
        self.parameters, self.silent = streams.sound, streams.silent

    def took(self, pieces: Sequence[Piece], shift_us: int, frame: Frame | None) -> None:
        self._waiting.extend(piece.moved(shift_us) for piece in pieces if piece.sound)

    def until(self, at_us: int | None) -> Iterator[Piece]:
        """What is heard up to an instant of the clip's time line; None: all that is left."""
        while self._waiting and (at_us is None or self._waiting[0].at_us <= at_us):
            yield self._waiting.popleft()


class _Writer:
    """Writes what an encoder gives, and the sound of that time before it."""

    def __init__(self, media: Path, sound: _Sound, first_us: int) -> None:
        """Prepare.

        Args:
            media: the new file.
            sound: the clip's.
            first_us: when the first frame is shown, on the clip's time line.
        """
        self._media, self._sound, self._first_us = media, sound, first_us
        self._file: MediaFile | None = None

    def collect(self, encoder: FrameEncoder, wait_s: float) -> None:
        """Write what there is by now."""
        while (piece := encoder.out.get(wait_s)) is not None:
            if self._file is None and encoder.parameters is not None:
                self._file = MediaFile(self._media, encoder.parameters, self._sound.parameters)
            if self._file is not None:
                picture = piece.moved(-self._first_us)
                self._write_sound(picture.decode_us)
                self._file.write(picture)

    def _write_sound(self, until_us: int | None) -> None:
        first_us = self._first_us
        for piece in self._sound.until(None if until_us is None else until_us + first_us):
            if piece.at_us >= first_us and self._file is not None:
                self._file.write(piece.moved(-first_us))

    def finish(self) -> None:
        if self._file is not None:
            self._write_sound(None)
            self._file.finish()


def encoded(path: Path, media: Path, steps: Steps | None, seen: Seen) -> Encoded:
    """Compress a clip's frames, and copy its sound.

    Args:
        path: the clip.
        media: the new file.
        steps: when its frames are shown; None believes their timestamps.
        seen: told of the seconds done.

    Returns:
        What is not kept of it.

    Raises:
        UserError: the clip cannot be read, or its frames could not all be compressed.
        OSError: the disk does not take it.
    """
    sound = _Sound()
    clip = Clip(path, paced=False, tap=sound)
    given = Backlog(4 * _AHEAD_BYTES)
    encoder: FrameEncoder | None = None
    writer: _Writer | None = None
    first_us = 0
    clip.open()
    try:
        index = 0
        while (frame := clip.read()) is not None:
            own = own_us(frame)
            at_us = own if steps is None else steps.start_us + index * steps.step_us
            if at_us is None:
                at_us = index * _STEP_US
            size = sum(p.nbytes for p in frame.planes)
            piece = Piece(at_us, at_us, 0, True, True, False, b"", frame=frame, size=size)
            given.put(piece)
            if encoder is None or writer is None:
                first_us = at_us
                encoder = FrameEncoder(given, piece)
                writer = _Writer(media, sound, first_us)
            while given.bytes > _AHEAD_BYTES and encoder.busy:
                writer.collect(encoder, 0.01)
            writer.collect(encoder, 0.0)
            if not encoder.busy:  # though it is given more
                break
            index += 1
            if index % SEEN_EVERY == 0:
                seen((at_us - first_us) / SECOND_US)
        given.end("")
        while encoder is not None and writer is not None and (encoder.busy or encoder.out.bytes):
            writer.collect(encoder, 0.05)
        if encoder is not None and (given.bytes or encoder.out.ended):
            raise TakeError(
                f"{path}: is not kept, since {encoder.out.ended or STOPPED} amid it; close other "
                "programs and do it again."
            )
    finally:
        clip.close()
        if encoder is not None:
            encoder.close()
        if writer is not None:
            writer.finish()
    gaps = [*given.gaps, *(encoder.out.gaps if encoder is not None else ())]
    return Encoded(sound.silent, missing_words(gaps, first_us))
