"""A clip file's packets copied as they are into a take's media file.

What an edit list (ISO/IEC 14496-12, 8.6.6) leaves out at the clip's begin or end is copied, too:
others may need it to be decoded. Where what is shown begins and ends is told beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import av

from stream.capture.container import Container, Target
from stream.capture.frame import Frame
from stream.capture.media import log
from stream.capture.tap import SECOND_US, Piece, Streams
from stream.take.media_file import MediaFile
from stream.take.record import TakeError

Seen = Callable[[float], None]
"""Told of the seconds done so far."""
SEEN_EVERY = 64
"""Packets or frames from one time to the next."""


@dataclass(frozen=True)
class Copied:
    """What was copied.

    Attributes:
        zero_us: the instant 0 of the new file, on the clip's time line.
        end_us: where what the clip shows ends, on that line, where the file goes on; else None.
        silent: why sound that it has is not kept; empty otherwise.
    """

    zero_us: int
    end_us: int | None
    silent: str


class _Copier:
    """A tap that writes what it is given; a clip whose packets cannot be copied is left."""

    wants_sound = True

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: MediaFile | None = None
        self.streams: Streams | None = None
        self.zero_us: int | None = None
        self._early: list[Piece] = []
        self._shown_us = -1  # of the picture that is shown last
        self._hidden_us: list[int] = []

    def refuse(self, why: str) -> None:
        raise TakeError(f"{why}.")

    def opened(self, streams: Streams, again: bool) -> None:
        self.streams = streams

    def took(self, pieces: Sequence[Piece], shift_us: int, frame: Frame | None) -> None:
        for piece in pieces:
            self._take(piece)

    def _take(self, piece: Piece) -> None:
        streams = self.streams
        if streams is None or streams.picture is None:
            return
        if self.zero_us is None:
            if piece.sound or not piece.key:
                self._early.append(piece)
                return
            self.zero_us = piece.at_us
            self._file = MediaFile(self._path, streams.picture, streams.sound)
            early, self._early = self._early, []
            self._take(piece)
            for sound in early:
                self._take(sound)
            return
        if piece.at_us >= self.zero_us and self._file is not None:
            self._file.write(piece.moved(-self.zero_us))
        if not piece.sound and piece.shown:
            self._shown_us = max(self._shown_us, piece.at_us)
        elif not piece.sound:
            self._hidden_us = [at for at in self._hidden_us if at > self._shown_us]
            self._hidden_us.append(piece.at_us)

    @property
    def done_us(self) -> int:
        return self._file.end_us if self._file is not None else 0

    @property
    def hidden_from_us(self) -> int | None:
        """From where on pictures are there that the clip does not show; None where none are."""
        return min((at for at in self._hidden_us if at > self._shown_us), default=None)

    def close(self) -> bool:
        """Whether there is a file."""
        if self._file is None:
            return False
        self._file.finish()
        return True


def copied(path: Path, media: Path, seen: Seen) -> Copied | None:
    """Copy a clip's packets.

    Args:
        path: the clip.
        media: the new file.
        seen: told of the seconds done.

    Returns:
        None where its packets cannot be copied.

    Raises:
        OSError: the disk does not take it.
    """
    tap = _Copier(media)
    target = Target(f"file:{path}", path.name, options={"protocol_whitelist": "file"})
    container = Container(target, log.warning, tap=tap)
    try:
        gathering = container.gathering
        for count, _ in enumerate(container.packets()):
            if gathering is not None and count % SEEN_EVERY == 0:
                gathering.hand(0, None)
                seen(tap.done_us / SECOND_US)
        if gathering is not None:
            gathering.hand(0, None)
    except (av.error.FFmpegError, OSError) as e:
        if isinstance(e, OSError) and not isinstance(e, av.error.FFmpegError):
            raise
        log.warning("%s: reading stopped (%s); what came before it is kept", path.name, e)
    finally:
        container.close()
    if not tap.close() or tap.zero_us is None or tap.streams is None:
        return None
    return Copied(tap.zero_us, tap.hidden_from_us, tap.streams.silent)
