"""The queue of films and its worker: pictures first, failures told, work gone on with."""

from __future__ import annotations

import errno
import os
import time
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import av
import pytest

from stream import durable
from stream.batch import filming
from stream.batch.film_jobs import FilmJob, read_share, write_share
from stream.batch.filming import STEADY_FRAMES
from stream.batch.jobs import JobQueue, enqueue_take
from stream.batch.pace import paces
from stream.batch.state import State
from stream.batch.sweep import Sweep, retry_passed, sweep_film_work
from stream.batch.telling import line
from stream.batch.worker import Worker
from stream.event import Event
from stream.film.owner import film_owner
from stream.prints.picture import picture_owner
from stream.shot import save_shot
from stream.take import Take, TakeError, load_take, rewrite_take
from stream.take.changes import change_take
from stream.take.recorder import recording_lock
from tests.stream.batch.clips import add_take
from tests.stream.batch.scenario import SETTINGS, make_event, make_frame
from tests.stream.film import ninth

pytestmark = pytest.mark.usefixtures("small_films")

FILM_FRAMES = 162


def add_long(event: Event) -> Take:
    """A take whose film has three pieces; a frame that is shown three times is keyed once."""
    return add_take(event, frames=FILM_FRAMES // 3, rate=10)


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


@pytest.fixture
def queue(event: Event) -> Iterator[JobQueue]:
    with JobQueue(event) as opened:
        yield opened


@pytest.fixture
def worker(event: Event) -> Iterator[Worker]:
    made = Worker(event)
    yield made
    made.stop()


def until(queue: JobQueue, take_id: str, *states: State, timeout_s: float = 240.0) -> FilmJob:
    """Wait until a take's films stand so."""
    deadline = time.monotonic() + timeout_s
    while True:
        (job,) = (j for j in queue.films() if j.take_id == take_id)
        if job.state in states:
            return job
        assert time.monotonic() < deadline, job
        time.sleep(0.05)


def until_keyed(queue: JobQueue, take_id: str, share: float = 0.0) -> None:
    """Wait until more than a share of a take's films is made."""
    deadline = time.monotonic() + 240
    while True:
        job = until(queue, take_id, State.IN_WORK, State.DONE)
        assert job.state is State.IN_WORK, "it was over before it was looked at"
        if (job.share or 0.0) > share:
            return
        assert time.monotonic() < deadline, job
        time.sleep(0.02)


def until_a_piece(event: Event, queue: JobQueue, take_id: str) -> None:
    """Wait until the first piece of a take's film is on the disk."""
    while not any(not p.name.startswith(durable.PARTIAL) for p in pieces(event)):
        job = until(queue, take_id, State.WAITING, State.IN_WORK)
        assert not job.finished
        time.sleep(0.02)


def pieces(event: Event) -> list[Path]:
    return list(event.paths.film_work.rglob("*.mkv"))


def test_a_take_becomes_a_film_with_its_poster(
    event: Event, queue: JobQueue, worker: Worker
) -> None:
    take = add_take(event)
    assert queue.films()[0].state is State.WAITING
    assert enqueue_take(event, take.id)
    assert enqueue_take(event, take.id)
    assert queue.known() == {take.job}
    worker.start()
    job = until(queue, take.id, State.DONE, State.FAILED)
    assert (job.state, job.films) == (State.DONE, ("t0001-Mira-Tallow-wide.mp4",)), job.why
    film = event.paths.films / job.films[0]
    assert film_owner(film) == picture_owner(film.with_suffix(".jpg")) == take.unique
    with av.open(str(film)) as container:
        video = container.streams.video[0]
        assert (video.height, video.width) == ninth.WIDE
        assert sum(1 for _ in container.decode(video)) == 12
    # What it took is known now: the next one is foretold by it.
    (pace,) = paces(event)
    assert (pace.template, pace.shapes, pace.frames) == ("pier", 1, 12)
    assert pace.shown_s == pytest.approx(12 / 25, abs=0.05)
    assert pace.usable
    again = change_take(event, take.id)
    (job,) = queue.films()
    assert (job.state, job.ahead) == (State.WAITING, 0)
    assert job.left_s == pytest.approx(pace.seconds, rel=0.01)
    queue.enqueue_take(again)
    until(queue, take.id, State.DONE)
    assert len(paces(event)) == 2
    # Nothing of the work stays once it is looked at.
    sweep_film_work(event, queue)
    assert list(event.paths.film_work.iterdir()) == []


def test_pictures_that_come_meanwhile_are_made_before_the_film(
    event: Event, queue: JobQueue, worker: Worker
) -> None:
    take = add_long(event)
    enqueue_take(event, take.id)
    worker.start()
    until_keyed(queue, take.id)
    for n in range(4):
        shot = save_shot(event, make_frame(n), people=["1"], settings=SETTINGS)
        queue.enqueue(shot)
    deadline = time.monotonic() + 120
    while not all(j.finished for j in queue.jobs()):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    assert [j.state for j in queue.jobs()] == [State.DONE] * 4
    assert queue.films()[0].state is State.IN_WORK
    until_keyed(queue, take.id, 0.5)


def test_a_film_goes_on_where_its_worker_was_ended(event: Event, queue: JobQueue) -> None:
    take = add_long(event)
    enqueue_take(event, take.id)
    first = Worker(event)
    first.start()
    until_a_piece(event, queue, take.id)
    first.stop()
    assert queue.films()[0].state is State.IN_WORK, "its job is left open"
    kept = {p: p.stat().st_mtime_ns for p in pieces(event)}
    assert kept
    second = Worker(event)
    second.start()
    job = until(queue, take.id, State.DONE, State.FAILED)
    second.stop()
    assert job.state is State.DONE, job.why
    with av.open(str(event.paths.films / job.films[0])) as container:
        assert sum(1 for _ in container.decode(video=0)) == FILM_FRAMES


def test_a_film_that_is_asked_for_otherwise_is_given_up(
    event: Event, queue: JobQueue, worker: Worker
) -> None:
    take = add_long(event)
    enqueue_take(event, take.id)
    worker.start()
    until_keyed(queue, take.id)
    now = change_take(event, take.id, end_s=0.4)
    queue.enqueue_take(now)
    job = until(queue, take.id, State.DONE, State.FAILED)
    assert job.state is State.DONE, job.why
    with av.open(str(event.paths.films / job.films[0])) as container:
        assert sum(1 for _ in container.decode(video=0)) == 12  # 0.4 s at 30 a second


def test_what_was_seen_of_one_making_says_nothing_of_the_next(event: Event) -> None:
    first = add_take(event)
    work = filming.FilmWork(event, "cpu", lambda: False, lambda: False)
    assert not work.superseded(first)
    other = add_take(event)
    now = change_take(event, first.id)
    assert not work.superseded(other)
    assert work.superseded(first), "looked at another within the same moment"
    assert not work.superseded(now), "the film that is asked for last is made"


def test_a_corrected_name_leaves_one_film(event: Event, queue: JobQueue, worker: Worker) -> None:
    take = add_take(event)
    enqueue_take(event, take.id)
    worker.start()
    until(queue, take.id, State.DONE)
    text = event.paths.roster.read_text("utf-8").replace("Tallow", "Tallowe")
    event.paths.roster.write_text(text, "utf-8")
    mine = event.paths.films / "t0001-Mira-Tallow-wide, cut.mp4"
    mine.write_bytes((event.paths.films / "t0001-Mira-Tallow-wide.mp4").read_bytes())
    queue.enqueue_take(change_take(event, take.id))
    until(queue, take.id, State.DONE)
    assert sorted(p.name for p in event.paths.films.iterdir()) == [
        "t0001-Mira-Tallow-wide, cut.mp4",
        "t0001-Mira-Tallowe-wide.jpg",
        "t0001-Mira-Tallowe-wide.mp4",
    ]


def test_what_cannot_be_made_is_told_and_blocks_nobody(
    event: Event, queue: JobQueue, worker: Worker
) -> None:
    damaged, broken, foreign, nobody, good = (add_take(event) for _ in range(5))
    (event.paths.takes / damaged.id / damaged.file).write_bytes(b"no take")
    (event.paths.takes / broken.id / "take.json").write_text("{")
    mine = event.paths.films / foreign.films[0].film
    mine.write_bytes(b"somebody's own")
    rewrite_take(event, replace(nobody, people=("9",)))
    with pytest.raises(TakeError):
        enqueue_take(event, broken.id)
    assert Sweep(event, queue)(datetime.now(UTC)) == 4
    worker.start()
    until(queue, good.id, State.DONE)
    told = {j.take_id: j for j in queue.films()}
    assert [j.state for j in told.values()] == [State.FAILED] * 4 + [State.DONE]
    assert "put it back from a copy" in told[broken.id].why
    assert "not this take's film" in told[foreign.id].why
    assert "number 9" in told[nobody.id].why
    for job in told.values():
        assert "\n" not in job.why
        assert not job.transient
    assert mine.read_bytes() == b"somebody's own"
    assert retry_passed(event, queue) == 0
    log = event.paths.log
    assert not log.exists() or "Mira" not in log.read_text("utf-8")


def test_a_full_disk_is_tried_again_with_the_pieces_that_are_there(
    event: Event, queue: JobQueue, worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    take = add_take(event)
    full = {"is": True}
    renamed = durable.sync_folder

    def refuse(folder: Path) -> None:
        if full["is"] and folder == event.paths.films:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        renamed(folder)

    for module in ("stream.durable", "stream.film.mux", "stream.whole_file"):
        monkeypatch.setattr(f"{module}.sync_folder", refuse, raising=False)
    enqueue_take(event, take.id)
    worker.start()
    job = until(queue, take.id, State.FAILED, State.DONE)
    assert (job.state, job.transient) == (State.FAILED, True)
    assert "full" in job.why
    pieces = list(event.paths.film_work.rglob("*.mkv"))
    sweep_film_work(event, queue)
    assert pieces
    assert list(event.paths.film_work.rglob("*.mkv")) == pieces
    full["is"] = False
    assert retry_passed(event, queue) == 1
    assert until(queue, take.id, State.FAILED, State.DONE).state is State.DONE
    assert load_take(event, take.id).render == 1


def test_an_error_of_the_program_is_told(
    event: Event, queue: JobQueue, worker: Worker, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError("by hand")

    monkeypatch.setattr(filming, "make_films", fail)
    take = add_take(event)
    enqueue_take(event, take.id)
    worker.start()
    job = until(queue, take.id, State.FAILED)
    assert "the program failed on this take (ZeroDivisionError" in job.why
    assert not job.transient


def test_the_sweep_queues_what_is_recorded_and_wanted(event: Event, queue: JobQueue) -> None:
    now = datetime.now(UTC)
    plain = add_take(event)
    # As one that is being recorded by another program, which holds its lock.
    recorded = add_take(event)
    rewrite_take(event, replace(recorded, recording=True, films=()))
    lock = recording_lock(event.paths.takes / recorded.id)
    lock.acquire()
    sweep = Sweep(event, queue)
    assert sweep(now) == 1
    assert sweep(now) == 0
    states = {j.take_id: j.state for j in queue.films()}
    assert states == {plain.id: State.WAITING, recorded.id: State.RECORDING}
    assert not enqueue_take(event, recorded.id)
    # Its program dies: it is mended, named and queued.
    lock.release()
    assert sweep(now) + sweep(now) == 1
    assert load_take(event, recorded.id).films[0].film == recorded.films[0].film
    assert queue.known() == {plain.job, recorded.job}


def test_an_event_may_want_no_films_unasked(event: Event, queue: JobQueue) -> None:
    with event.paths.config.open("a", encoding="utf-8") as file:
        file.write("\n[films]\nshapes = []\n")
    take = add_take(event)
    assert take.films == ()
    assert not enqueue_take(event, take.id)
    assert Sweep(event, queue)(datetime.now(UTC)) == 0
    (job,) = queue.films()
    assert (job.state, job.finished) == (State.UNASKED, True)
    assert [f.shape for f in change_take(event, take.id).films] == ["wide"]
    assert Sweep(event, queue)(datetime.now(UTC)) == 1


def test_leftovers_of_takes_that_are_finished_or_gone_are_removed(
    event: Event, queue: JobQueue
) -> None:
    waiting = add_take(event)
    enqueue_take(event, waiting.id)
    work = event.paths.film_work
    kept, gone = waiting.job, "t0009-0123ab.1"
    for name in (kept, gone, f"{waiting.id}.0", "my own"):
        (work / name).mkdir(parents=True)
        (work / name / "0001.mkv").write_bytes(b"piece")
    write_share(event, waiting, 0.5, 61.27)
    (work / f"{gone}.share").write_text("0.5")
    assert sweep_film_work(event, queue) == 3
    assert sorted(p.name for p in work.iterdir()) == ["my own", kept, f"{kept}.share"]
    assert read_share(event, waiting) == (0.5, 61.3)
    write_share(event, waiting, 0.25)
    assert read_share(event, waiting) == (0.25, None)
    for text in ("much", "0.5", '{"share": "much", "left_s": 1}', "[]"):
        (work / f"{kept}.share").write_text(text)
        assert read_share(event, waiting) == (None, None)


def test_how_far_a_film_is_and_how_long_it_takes_is_seen_from_outside(
    event: Event, queue: JobQueue, worker: Worker
) -> None:
    take, later = add_long(event), add_take(event)
    enqueue_take(event, take.id)
    enqueue_take(event, later.id)
    assert [(j.left_s, j.ahead) for j in queue.films()] == [(None, 0), (None, 1)]
    worker.start()
    # The first one measures itself, once its pace is steady; it knows nothing of the one after it.
    until_keyed(queue, take.id, STEADY_FRAMES / FILM_FRAMES)
    deadline = time.monotonic() + 240
    while (job := queue.films()[0]).left_s is None:
        assert job.state is State.IN_WORK
        assert time.monotonic() < deadline
        time.sleep(0.02)
    if job.state is State.IN_WORK:
        assert "% made, " in line(job)
    until(queue, take.id, State.DONE)
    waiting = queue.films()[1]
    assert waiting.state is State.DONE or waiting.left_s is not None


def test_a_take_that_was_cut_off_says_so_however_it_stands(event: Event, queue: JobQueue) -> None:
    take = rewrite_take(event, replace(add_take(event), notes=("cut off",)))
    (job,) = queue.films()
    assert line(job).endswith("\n      note: cut off")
    enqueue_take(event, take.id)
    assert queue.films()[0].notes == ("cut off",)
    failed = replace(job, state=State.FAILED, why="no")
    assert line(failed) == f"{job.number}  failed: no\n      note: cut off"
