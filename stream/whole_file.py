"""A media file that is there whole and durable, or not at all."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import av

from stream.durable import renamed_to, sync_folder


@contextmanager
def whole_file(out: Path) -> Iterator[Path]:
    """A name to write to by a library; ``out`` has what was written once the block ends well.

    Raises:
        OSError: the disk did not take it.
    """
    with renamed_to(out) as partial:
        try:
            yield partial
        except av.error.FFmpegError as e:
            # The library's name for what the disk answered.
            raise OSError(e.errno, e.strerror) from e
        # The library has closed it; a descriptor of our own reaches the same file.
        with partial.open("rb+") as file:
            os.fsync(file.fileno())
    sync_folder(out.parent)
