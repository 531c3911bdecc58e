"""The queue and its worker: each shot once, failures told and passed by, one worker at a time."""

from __future__ import annotations

import errno
import logging
import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import torch
from PIL import Image

from stream import durable
from stream.batch.answer import is_transient
from stream.batch.jobs import Job, JobQueue, QueueError, enqueue
from stream.batch.making import make_pictures
from stream.batch.process import WorkerProcess
from stream.batch.render import Renderer
from stream.batch.state import State
from stream.batch.sweep import Sweep, retry_passed
from stream.batch.worker import Worker, worker_at_work, worker_lock
from stream.durable import StorageError
from stream.errors import UserError
from stream.event import Event
from stream.people import RosterError
from stream.prints.about import About
from stream.prints.output import Output
from stream.prints.picture import picture_bytes, picture_owner
from stream.shot import (
    ShotError,
    attach_original,
    load_shot,
    render_again,
    save_shot,
)
from tests.stream.batch.scenario import SETTINGS, TAKEN, make_event, make_frame, make_still


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


@pytest.fixture
def queue(event: Event) -> Iterator[JobQueue]:
    with JobQueue(event) as opened:
        yield opened


def until_finished(queue: JobQueue, timeout_s: float = 60.0) -> list[Job]:
    deadline = time.monotonic() + timeout_s
    while True:
        jobs = queue.jobs()
        if all(j.finished for j in jobs):
            return jobs
        assert time.monotonic() < deadline, jobs
        time.sleep(0.05)


def keep(event: Event, index: int = 0, people: tuple[str, ...] = ("1",)) -> str:
    return save_shot(event, make_frame(index), people=people, settings=SETTINGS).id


def test_shots_become_pictures_and_bad_ones_block_nobody(event: Event, queue: JobQueue) -> None:
    good, damaged, broken, last = (keep(event, i) for i in range(4))
    (event.paths.shots / damaged / "frame.mkv").write_bytes(b"no frame")
    (event.paths.shots / broken / "shot.json").write_text("{")
    for shot_id in (good, good, damaged, last):
        enqueue(event, shot_id)
    with pytest.raises(ShotError):
        enqueue(event, broken)
    assert [j.state for j in queue.jobs()] == [
        State.WAITING,
        State.WAITING,
        State.FAILED,
        State.WAITING,
    ]
    worker = Worker(event)
    worker.start()
    jobs = until_finished(queue)
    assert worker_at_work(event)
    worker.stop()
    assert not worker_at_work(event)
    by_id = {j.shot_id: j for j in jobs}
    assert by_id[good].picture == "0001-Mira-Tallow.jpg"
    assert (by_id[damaged].state, by_id[damaged].transient) == (State.FAILED, False)
    assert "damaged" in by_id[damaged].why
    assert by_id[last].state is State.DONE
    names = sorted(p.name for p in event.paths.pictures.iterdir())
    assert names == ["0001-Mira-Tallow.jpg", "0004-Mira-Tallow.jpg"]
    with Image.open(event.paths.pictures / names[0]) as image:
        assert image.size == (80, 100)

    # Damaged for good: asked for again after the file was put back, it is made.
    (event.paths.shots / damaged / "frame.mkv").write_bytes(
        (event.paths.shots / good / "frame.mkv").read_bytes()
    )
    shot = load_shot(event, damaged)
    assert shot.sha256 != load_shot(event, good).sha256
    text = (event.paths.shots / damaged / "shot.json").read_text("utf-8")
    fixed = text.replace(str(shot.sha256), str(load_shot(event, good).sha256))
    (event.paths.shots / damaged / "shot.json").write_text(fixed, "utf-8")
    queue.enqueue(render_again(event, damaged))
    second = Worker(event)
    second.start()
    (again,) = [j for j in until_finished(queue) if j.shot_id == damaged]
    second.stop()
    assert again.state is State.DONE


def test_a_job_is_asked_for_once_however_often(event: Event, queue: JobQueue) -> None:
    shot = load_shot(event, keep(event))
    assert [queue.enqueue(shot) for _ in range(3)] == [True] * 3
    assert queue.known() == {shot.job}


def test_the_sweep_finds_what_was_never_queued(event: Event, queue: JobQueue) -> None:
    ids = [keep(event, i) for i in range(2)]
    now = datetime.now(UTC)
    sweep = Sweep(event, queue)
    assert sweep(now) == 2
    assert sweep(now) == 0
    assert Sweep(event, queue)(now) == 0
    later = render_again(event, ids[0])
    assert sweep(now) == 1
    assert later.job in queue.known()


def test_a_still_that_never_came_is_given_up_in_time(event: Event, queue: JobQueue) -> None:
    due = datetime(2026, 5, 31, 18, 5, tzinfo=UTC)
    shot = save_shot(event, make_frame(), settings=SETTINGS, still_until=due)
    assert queue.enqueue(shot) is False
    sweep = Sweep(event, queue)
    assert sweep(due) == 0
    assert queue.jobs()[0].state is State.AWAITS_STILL
    assert sweep(due + timedelta(minutes=1)) == 1
    assert load_shot(event, shot.id).still_until is None
    assert queue.jobs()[0].state is State.WAITING


def test_a_late_still_replaces_the_picture_under_its_name(
    event: Event, queue: JobQueue, tmp_path: Path
) -> None:
    due = datetime(2026, 5, 31, 18, 5, tzinfo=UTC)
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS, still_until=due)
    Sweep(event, queue)(due + timedelta(minutes=1))
    worker = Worker(event)
    worker.start()
    until_finished(queue)
    path = event.paths.pictures / shot.picture
    before = path.read_bytes()
    queue.enqueue(attach_original(event, shot.id, make_still(tmp_path / "a.jpg")))
    until_finished(queue)
    worker.stop()
    assert [p.name for p in event.paths.pictures.iterdir()] == [shot.picture]
    assert path.read_bytes() != before


def test_making_twice_is_one_file_of_the_same_bytes(event: Event) -> None:
    shot = load_shot(event, keep(event))
    renderer = Renderer(event)
    make_pictures(renderer, shot)
    path = event.paths.pictures / shot.picture
    before = path.read_bytes()
    make_pictures(Renderer(event), shot)
    assert path.read_bytes() == before
    assert list(event.paths.pictures.iterdir()) == [path]


def test_a_corrected_name_leaves_one_picture(event: Event) -> None:
    shot_id = keep(event)
    renderer = Renderer(event)
    make_pictures(renderer, load_shot(event, shot_id))
    # A retouched copy is the photographer's own and stays, whatever its tags say.
    mine = event.paths.pictures / "0001-Mira-Tallow-retouched.jpg"
    mine.write_bytes((event.paths.pictures / "0001-Mira-Tallow.jpg").read_bytes())
    text = event.paths.roster.read_text("utf-8").replace("Tallow", "Tallowe")
    event.paths.roster.write_text(text, "utf-8")
    make_pictures(renderer, render_again(event, shot_id))
    names = sorted(p.name for p in event.paths.pictures.iterdir())
    assert names == ["0001-Mira-Tallow-retouched.jpg", "0001-Mira-Tallowe.jpg"]


@pytest.mark.parametrize("foreign", [True, False])
def test_another_picture_is_never_overwritten(event: Event, foreign: bool) -> None:
    shot = load_shot(event, keep(event))
    path = event.paths.pictures / shot.picture
    pixels = torch.zeros(8, 8, 3, dtype=torch.uint8)
    foreign_data = picture_bytes(pixels, Output(), About(300, TAKEN, "f" * 32))
    data = foreign_data if foreign else b"notes"
    path.write_bytes(data)
    with pytest.raises(ShotError, match="not this shot's picture"):
        make_pictures(Renderer(event), shot)
    assert path.read_bytes() == data


def test_a_full_disk_is_tried_again_and_then_told(
    event: Event, queue: JobQueue, monkeypatch: pytest.MonkeyPatch
) -> None:
    shot_id = keep(event)
    enqueue(event, shot_id)
    tries: list[Path] = []
    write = durable.write_synced

    def refuse(path: Path, data: bytes) -> None:
        if path.parent != event.paths.pictures:
            return write(path, data)
        tries.append(path)
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(durable, "write_synced", refuse)
    worker = Worker(event)
    worker.start()
    (job,) = until_finished(queue)
    assert len(tries) == 3
    assert (job.state, job.transient) == (State.FAILED, True)
    assert "full" in job.why
    # Room is made: what failed for a reason that passes is made without being asked for by name.
    monkeypatch.setattr(durable, "write_synced", write)
    assert retry_passed(event, queue) == 1
    (job,) = until_finished(queue)
    worker.stop()
    assert job.state is State.DONE


def test_an_error_of_the_program_is_logged_and_told_and_blocks_nobody(
    event: Event, queue: JobQueue, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    first, second = keep(event, 1), keep(event, 2)
    pictures = Renderer.pictures

    def fail(self: Renderer, shot: object) -> object:
        if getattr(shot, "id", "") == first:
            raise ZeroDivisionError("by hand")
        return pictures(self, shot)  # type: ignore[arg-type]

    monkeypatch.setattr(Renderer, "pictures", fail)
    with caplog.at_level(logging.ERROR, "posewall"):
        worker = Worker(event)
        worker.start()
        jobs = until_finished(queue)
        worker.stop()
    assert [j.state for j in jobs] == [State.FAILED, State.DONE]
    assert "ZeroDivisionError" in jobs[0].why
    assert any(r.exc_info and first in r.getMessage() for r in caplog.records)
    assert load_shot(event, second).id == second


def test_no_name_of_the_roster_is_in_the_log(event: Event, monkeypatch: pytest.MonkeyPatch) -> None:
    good, taken, odd = (keep(event, i, ("1", "03")) for i in range(3))
    target = event.paths.pictures / load_shot(event, taken).picture
    target.write_bytes(b"notes")
    locked = event.paths.pictures / load_shot(event, odd).picture
    replace = Path.replace

    def refuse(self: Path, other: Path) -> Path:
        if Path(other) == locked:
            # As Windows answers while a viewer holds the file; the message has its name.
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), str(self), None, other)
        return replace(self, other)

    monkeypatch.setattr(Path, "replace", refuse)
    with event.logging(), JobQueue(event) as queue:
        worker = Worker(event)
        worker.start()
        jobs = {j.shot_id: j for j in until_finished(queue)}
        # A file that lacks its first line: its people would be taken for columns.
        event.paths.roster.write_text("1,Mira Tallow,Otters\n03,Åsa Öberg,Herons\n", "utf-8")
        assert len(event.roster) == 3
        worker.stop()
    states = [jobs[i].state for i in (good, taken, odd)]
    assert states == [State.DONE, State.FAILED, State.FAILED]
    assert "begins with 0002" in jobs[taken].why
    text = event.paths.log.read_text("utf-8")
    for part in (f"shot {good}: picture done", f"shot {taken}: ", f"shot {odd}: "):
        assert part in text
    assert "roster as it was before" in text
    for name in ("Mira", "Tallow", "Åsa", "Öberg"):
        assert name not in text


def test_what_may_pass_by_itself() -> None:
    assert is_transient(OSError(errno.ENOSPC, ""))
    assert is_transient(StorageError(""))
    assert is_transient(RosterError(""))
    assert is_transient(MemoryError())
    assert not is_transient(OSError(errno.ENOENT, ""))
    assert not is_transient(UserError(""))
    assert not is_transient(ValueError())


def test_a_second_worker_stands_by_and_takes_over(event: Event, queue: JobQueue) -> None:
    lock = worker_lock(event)
    lock.acquire(timeout=0)
    worker = Worker(event)
    worker.start()
    keep(event)
    assert not worker.working.wait(0.8)
    assert queue.known() == set()
    lock.release()
    assert worker.working.wait(30)
    assert [j.state for j in until_finished(queue)] == [State.DONE]
    worker.stop()


def test_a_worker_process_ends_with_the_one_that_started_it(event: Event, queue: JobQueue) -> None:
    shot_id = keep(event)
    enqueue(event, shot_id)
    code = (
        "import sys, time; from stream.event import Event\n"
        "from stream.batch import WorkerProcess\n"
        "w = WorkerProcess(Event.open(sys.argv[1])); w.start(); print('up', flush=True)\n"
        "time.sleep(600)\n"
    )
    parent = subprocess.Popen(
        [sys.executable, "-c", code, str(event.paths.root)], stdout=subprocess.PIPE
    )
    assert parent.stdout is not None
    parent.stdout.readline()
    until_finished(queue)
    assert worker_at_work(event)
    parent.kill()
    parent.wait()
    parent.stdout.close()
    deadline = time.monotonic() + 30
    while worker_at_work(event):
        assert time.monotonic() < deadline
        time.sleep(0.1)
    assert picture_owner(event.paths.pictures / "0001-Mira-Tallow.jpg")
    text = event.paths.log.read_text("utf-8")
    assert "picture done" in text
    assert "Mira" not in text


def test_a_worker_process_is_started_once_and_stopped(event: Event) -> None:
    process = WorkerProcess(event)
    process.start()
    process.start()
    assert process.alive
    process.stop()
    assert not process.alive
    assert not worker_at_work(event)


def test_a_store_that_cannot_be_used_is_one_sentence(event: Event) -> None:
    event.paths.queue.write_bytes(b"this is no database, whatever its name says" * 100)
    with pytest.raises(QueueError, match="stay kept") as caught:
        JobQueue(event)
    assert "\n" not in str(caught.value)


def test_no_thread_of_the_library_outlives_the_worker(event: Event) -> None:
    before = {t.name for t in threading.enumerate()}
    worker = Worker(event)
    worker.start()
    assert worker.working.wait(30)
    worker.stop()
    left = {t.name for t in threading.enumerate()} - before
    assert not {name for name in left if "queue" in name or "worker" in name}
