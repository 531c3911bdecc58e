"""The sound of a file, decoded to stereo as it is, with what the file says of its time.

Sources: ITU-R BS.775-4 (how more channels become two: the media library's mix follows it).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import av
import numpy as np
from av.audio.stream import AudioStream
from av.stream import Discard

from stream.errors import UserError
from stream.sound.samples import Block, Spool
from stream.sound.timeline import Mark

# chosen: many times what a damaged place costs; a file of nothing but noise ends.
_MOST_DAMAGED = 5000


class SoundError(UserError):
    """A file that was to be heard cannot be."""


class NoSoundError(SoundError):
    """The file can be read and holds no sound."""


# What six and eight channels without names are, in the order of WAVE files (common practice): left,
# right, centre, the bass channel, which a mix to two leaves out, and two or four around. Shares of
# the left side by BS.775-4, scaled so that nothing can exceed full scale.
_HALF = 0.5**0.5
_AROUND = {
    6: (1.0, 0.0, _HALF, 0.0, _HALF, 0.0),
    8: (1.0, 0.0, _HALF, 0.0, _HALF, 0.0, _HALF, 0.0),
}


def _mixed(channels: Block) -> Block:
    """Channels of which nobody says where they belong, as two.

    Args:
        channels: (C, N) float32. Of numbers that mean nothing, as recorders with several inputs
            give them, the first two are taken, which such devices play themselves (common
            practice).
    """
    shares = _AROUND.get(len(channels))
    if shares is None:
        return channels[[0, min(1, len(channels) - 1)]]
    left = np.array(shares)
    right = left[[1, 0, 2, 3, *(n for k in range(4, len(left), 2) for n in (k + 1, k))]]
    mix: Block = (np.stack([left, right]) / left.sum()).astype(np.float32) @ channels
    return mix


class _Stereo:
    """Decoded frames to stereo at their own rate."""

    def __init__(self) -> None:
        self._of: tuple[str, str, int] | None = None
        self._unnamed = False
        self._resampler = av.AudioResampler("flt", "stereo")

    def blocks(self, frame: av.AudioFrame) -> list[Block]:
        """The samples of a frame, all of them.

        Raises:
            ValueError: a form of sound that the library does not know.
        """
        form = (frame.format.name, frame.layout.name, frame.sample_rate)
        if form != self._of:
            self._unnamed = form[1].endswith("channels") or form[1].startswith("ambisonic")
            kept = form[1] if self._unnamed else "stereo"
            # Interleaved, since the library hands over no more than eight planes.
            self._resampler = av.AudioResampler("flt", kept, frame.sample_rate)
            self._of = form
        frame.pts = None  # no samples are to be made up or left out here
        done: list[Block] = []
        for out in self._resampler.resample(frame):
            rows = out.to_ndarray().reshape(out.samples, -1).T.astype(np.float32)
            block = _mixed(rows) if self._unnamed else rows
            done.append(np.nan_to_num(block, nan=0.0, posinf=0.0, neginf=0.0))
        return done


def _open(path: Path) -> av.container.InputContainer:
    try:
        return av.open(f"file:{path}", options={"protocol_whitelist": "file"})
    except av.error.FileNotFoundError as e:
        raise SoundError(f"{path}: there is no such file; check the name") from e
    except av.error.PermissionError as e:
        raise SoundError(f"{path}: may not be read; check the permissions") from e
    except (av.error.FFmpegError, OSError, ValueError) as e:
        raise SoundError(
            f"{path.name}: holds no sound that can be read; need a sound or video file, such as "
            "WAV, FLAC, M4A or MP3; export it once more"
        ) from e


def _decoded(
    container: av.container.InputContainer, stream: AudioStream
) -> Iterator[av.AudioFrame]:
    """Frames until the end; what is damaged is left out, and so becomes a gap."""
    damaged = 0
    packets = container.demux(stream)
    while damaged < _MOST_DAMAGED:
        try:
            packet = next(packets, None)
            if packet is None:
                return
            for frame in packet.decode():
                assert isinstance(frame, av.AudioFrame)
                yield frame
        except av.error.InvalidDataError:
            damaged += 1
        except (av.error.FFmpegError, OSError):
            return  # what came until here is what there is


def read_sound(
    path: Path,
    spool: Spool,
    until_s: float | None = None,
    seen: Callable[[float], None] = lambda _: None,
) -> list[Mark]:
    """Decode the first sound of a file.

    Args:
        path: any file with sound; pictures in it are passed over.
        spool: takes the samples, stereo, at the file's own rates. More channels are mixed; of
            channels without places the first two are taken.
        until_s: the second of the file's time line after which nothing is needed.
        seen: told the second that was reached.

    Returns:
        What the file says of the samples' time.

    Raises:
        SoundError: the file cannot be read.
        NoSoundError: it holds no sound.
    """
    if path.is_file() and path.stat().st_size == 0:
        raise SoundError(f"{path}: the file is empty; copy it once more")
    marks: list[Mark] = []
    with _open(path) as container:
        sounds = [s for s in container.streams.audio if s.codec_context is not None]
        if not sounds:
            raise NoSoundError(f"{path.name}: holds no sound; need a file with a sound track")
        for stream in container.streams:
            if stream is not sounds[0]:
                stream.discard = Discard.all
        stereo = _Stereo()
        for frame in _decoded(container, sounds[0]):
            at_s = frame.time
            if until_s is not None and at_s is not None and at_s > until_s:
                break
            try:
                blocks = stereo.blocks(frame)
            except (av.error.FFmpegError, ValueError):
                continue
            for block in blocks:
                spool.append(block)
                marks.append(Mark(at_s, block.shape[1], frame.sample_rate))
                at_s = None
            if marks:
                seen(marks[-1].at_s or 0.0)
    return marks
