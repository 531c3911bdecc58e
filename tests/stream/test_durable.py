"""Files are whole under their name or not there; a failed write changes nothing."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import pytest

from stream.durable import (
    PARTIAL,
    StorageError,
    add_copy,
    commit_folder,
    held,
    partial_path,
    replace_file,
    storing,
    sweep_partials,
    write_synced,
)


@contextmanager
def no_file_beyond(size: int) -> Iterator[None]:
    """setrlimit(2): a write beyond RLIMIT_FSIZE is cut there, the next one fails with EFBIG."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


def test_a_failed_write_leaves_the_old_file_and_nothing_else(tmp_path: Path) -> None:
    path, source = tmp_path / "a.jpg", tmp_path / "source"
    replace_file(path, b"old")
    source.write_bytes(bytes(20_000))
    for write in (partial(replace_file, path, bytes(20_000)), partial(add_copy, source, path)):
        with no_file_beyond(8192), pytest.raises(OSError, match="too large"):
            write()
        assert path.read_bytes() == b"old"
        assert sorted(p.name for p in tmp_path.iterdir()) == ["a.jpg", "source"]
    add_copy(source, path)
    assert path.read_bytes() == source.read_bytes()


def test_nobody_ever_reads_half_a_file(tmp_path: Path) -> None:
    path = tmp_path / "record"
    size = 1 << 20
    replace_file(path, bytes(size))
    ended = threading.Event()

    def write() -> None:
        for value in range(1, 25):
            replace_file(path, bytes([value]) * size)
        ended.set()

    writer = threading.Thread(target=write)
    writer.start()
    while not ended.is_set():
        data = path.read_bytes()
        assert len(data) == size
        assert data.count(data[0]) == size
    writer.join()


def test_the_order_of_the_writes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # POSIX.1-2017: data first (fsync of the file), then the name (rename), then the folder.
    order: list[str] = []
    fsync, rename = os.fsync, Path.replace

    def seen_fsync(fd: int) -> None:
        order.append("folder" if Path(f"/proc/self/fd/{fd}").resolve() == tmp_path else "file")
        fsync(fd)

    def seen_rename(self: Path, target: Path) -> Path:
        order.append("rename")
        return rename(self, target)

    monkeypatch.setattr(os, "fsync", seen_fsync)
    monkeypatch.setattr(Path, "replace", seen_rename)
    replace_file(tmp_path / "a", b"data")
    assert order == ["file", "rename", "folder"]


def test_a_folder_is_committed_once(tmp_path: Path) -> None:
    for word in ("one", "two"):
        unready = partial_path(tmp_path)
        unready.mkdir()
        write_synced(unready / "file", word.encode())
        if word == "one":
            commit_folder(unready, tmp_path / "final")
        else:
            with pytest.raises(FileExistsError):
                commit_folder(unready, tmp_path / "final")
    assert (tmp_path / "final" / "file").read_bytes() == b"one"


def test_only_stale_leftovers_are_swept(tmp_path: Path) -> None:
    old, young, mine = tmp_path / f"{PARTIAL}a", tmp_path / f"{PARTIAL}b", tmp_path / "a.jpg"
    for path in (old, young, mine):
        path.write_bytes(b"x")
    os.utime(old, (1000, 1000))
    os.utime(mine, (1000, 1000))
    assert sweep_partials(tmp_path, older_than_s=600) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == [young.name, "a.jpg"]


def test_a_folder_in_which_a_file_grows_is_not_swept(tmp_path: Path) -> None:
    """POSIX.1-2017, write(): it marks the file's last modification, and no folder's."""
    folder = tmp_path / f"{PARTIAL}a"
    (folder / "deep").mkdir(parents=True)
    grows = folder / "deep" / "take.mkv"
    grows.write_bytes(b"x")
    for path in (folder, folder / "deep"):
        os.utime(path, (1000, 1000))
    assert sweep_partials(tmp_path, older_than_s=600) == 0
    assert grows.exists()
    os.utime(grows, (1000, 1000))
    assert sweep_partials(tmp_path, older_than_s=600) == 1
    assert not folder.exists()


def test_the_lock_is_dropped_when_its_holder_is_killed(tmp_path: Path) -> None:
    lock = tmp_path / "lock"
    code = (
        "import sys, time; from pathlib import Path; from stream.durable import held\n"
        "with held(Path(sys.argv[1])): print('held', flush=True); time.sleep(600)\n"
    )
    holder = subprocess.Popen([sys.executable, "-c", code, str(lock)], stdout=subprocess.PIPE)
    assert holder.stdout is not None
    assert holder.stdout.readline() == b"held\n"
    with pytest.raises(StorageError, match="another Posewall process"), held(lock, timeout_s=0.1):
        pass
    holder.kill()
    holder.wait()
    holder.stdout.close()
    with held(lock, timeout_s=5):
        pass


def test_the_lock_keeps_threads_apart_too(tmp_path: Path) -> None:
    lock = tmp_path / "lock"
    refused: list[StorageError] = []

    def attempt() -> None:
        try:
            with held(lock, timeout_s=0.1):
                pass
        except StorageError as e:
            refused.append(e)

    with held(lock):
        thread = threading.Thread(target=attempt)
        thread.start()
        thread.join()
    assert len(refused) == 1


def test_only_the_disks_own_errors_become_sentences(tmp_path: Path) -> None:
    with (
        pytest.raises(StorageError, match="this shot was not kept"),
        storing("this shot", tmp_path),
    ):
        (tmp_path / "nowhere" / "a").write_bytes(b"")
    with pytest.raises(ZeroDivisionError), storing("this shot", tmp_path):
        raise ZeroDivisionError
