"""Files that are either whole under their final name or not there at all.

The order is that of POSIX.1-2017 ``fsync`` and ``rename``: write under another name in the same
folder, fsync the file, rename it, fsync the folder that holds the name.
"""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from filelock import FileLock, Timeout

from stream.errors import UserError

PARTIAL = ".partial-"
# chosen: far longer than the largest copy takes, so that nothing at work is ever swept away.
STALE_S = 600.0


class StorageError(UserError):
    """The disk did not take what was to be kept; nothing half-written is left."""


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable; a no-op where folders cannot be opened (Windows)."""
    if os.name == "nt":
        return
    fd = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def make_folder(folder: Path) -> None:
    """Make a folder and those above it that are missing, their names durable."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    folder.mkdir(exist_ok=True)
    sync_folder(folder.parent)


def write_synced(path: Path, data: bytes) -> None:
    """Write a new file and fsync it. For a file inside a folder that is not committed yet."""
    with path.open("xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def copy_synced(source: Path, target: Path) -> None:
    """Copy a file byte for byte and fsync the copy."""
    with source.open("rb") as read, target.open("xb") as file:
        shutil.copyfileobj(read, file, 1 << 20)
        file.flush()
        os.fsync(file.fileno())


def partial_path(folder: Path) -> Path:
    """A name in ``folder`` that nobody uses and that `sweep_partials` knows."""
    return folder / f"{PARTIAL}{uuid.uuid4().hex}"


@contextmanager
def renamed_to(path: Path) -> Iterator[Path]:
    """Another name in the same folder to write to; ``path`` has it once the block ends well."""
    partial = partial_path(path.parent)
    try:
        yield partial
        partial.replace(path)
    except BaseException:
        partial.unlink(missing_ok=True)
        raise


def replace_file(path: Path, data: bytes) -> None:
    """Put ``data`` under ``path``, whole or not at all, in place of what is there."""
    with renamed_to(path) as partial:
        write_synced(partial, data)
    sync_folder(path.parent)


def file_digest(path: Path) -> str:
    """SHA-256 of a file's bytes, read piece by piece, in hex.

    Raises:
        OSError: it cannot be read.
    """
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def add_copy(source: Path, target: Path) -> None:
    """Copy ``source`` to ``target``, byte for byte, whole or not at all."""
    with renamed_to(target) as partial:
        copy_synced(source, partial)
    sync_folder(target.parent)


def commit_folder(partial: Path, final: Path) -> None:
    """Give a folder of fsynced files its final name.

    Raises:
        FileExistsError: the name is taken; ``partial`` is left as it is.
    """
    for folder, _, _ in os.walk(partial):
        sync_folder(Path(folder))
    if final.exists():
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(final))
    partial.rename(final)
    sync_folder(final.parent)


def sweep_partials(folder: Path, older_than_s: float = STALE_S, now_s: float | None = None) -> int:
    """Remove what processes that died have left unfinished in ``folder``.

    Args:
        folder: where to look; nothing below it.
        older_than_s: younger leftovers stay, they may be at work: a folder is as young as what was
            written in it last. Seconds.
        now_s: the wall clock, seconds since 1970; None asks it.

    Returns:
        How many were removed.
    """
    limit = (time.time() if now_s is None else now_s) - older_than_s
    count = 0
    for path in folder.glob(f"{PARTIAL}*"):
        try:
            if _written_s(path) > limit:
                continue
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink()
        except FileNotFoundError:
            continue
        count += 1
    return count


def _written_s(path: Path) -> float:
    """When a file, or anything in a folder, was written last; a growing file moves no folder's."""
    times = [path.lstat().st_mtime]
    if path.is_dir() and not path.is_symlink():
        for folder, folders, files in os.walk(path):
            for name in folders + files:
                with suppress(FileNotFoundError):
                    times.append((Path(folder) / name).lstat().st_mtime)
    return max(times)


def storage_sentence(error: OSError, what: str, folder: Path) -> str:
    """What went wrong with the disk, in one sentence for the user."""
    if error.errno in (errno.ENOSPC, errno.EDQUOT):
        try:
            free = f"{shutil.disk_usage(folder).free / 1e6:.0f} MB are free"
        except OSError:
            free = "no room is left"
        return (
            f"{what} was not kept: the disk with {folder} is full ({free}); "
            "make room on it and do it again."
        )
    if error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        return (
            f"{what} was not kept: writing to {folder} is not allowed ({error.strerror}); "
            "give yourself the right to write there or move the event folder."
        )
    if error.errno == errno.EFBIG:
        return (
            f"{what} was not kept: a file in {folder} would be larger than this disk or this "
            "account may hold; use another disk or raise the limit, and do it again."
        )
    return (
        f"{what} was not kept: the disk with {folder} answered '{error.strerror or error}'; "
        "check that it is connected and healthy, and do it again."
    )


@contextmanager
def storing(what: str, folder: Path) -> Iterator[None]:
    """Turn the disk's own errors into one sentence.

    Raises:
        StorageError: in place of an `OSError`.
    """
    try:
        yield
    except OSError as e:
        raise StorageError(storage_sentence(e, what, folder)) from e


@contextmanager
def held(lock_file: Path, timeout_s: float = 30.0) -> Iterator[None]:
    """Hold a lock that all processes of one event share; the kernel drops it when one dies.

    Raises:
        StorageError: another process kept it for ``timeout_s``.
    """
    # A lock object of its own for every use also keeps the threads of one process apart.
    lock = FileLock(lock_file, timeout=timeout_s, thread_local=False)
    try:
        lock.acquire()
    except Timeout as e:
        raise StorageError(
            f"another Posewall process has been writing to {lock_file.parent} for "
            f"{timeout_s:.0f} s; wait for it or end it, and do it again."
        ) from e
    try:
        yield
    finally:
        lock.release()
