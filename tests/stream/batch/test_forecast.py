"""When greetings may be expected: measured once, then foretold, and said in plain words."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from stream.batch.film_jobs import FilmJob
from stream.batch.filming import Timing
from stream.batch.forecast import MEASURED, UNKNOWN, about, awaited, expected, foretold
from stream.batch.pace import KEPT, Pace, needed_s, note_pace, paces
from stream.batch.state import State
from stream.film.progress import Progress
from stream.take import FilmWanted, Take
from tests.stream.batch.scenario import make_event
from tests.stream.film.takes import record

PACE = Pace(frames=300, seconds=600.0, shown_s=10.0, template="pier", shapes=1)


def take(number: int = 1, seconds: float = 10.0, *shapes: str) -> Take:
    films = tuple(FilmWanted(shape, f"{number}-{shape}.mp4") for shape in shapes or ("wide",))
    take_id = f"t{number:04d}-3fa9c1"
    return record(id=take_id, number=number, template="pier", length_s=seconds, films=films)


def job(number: int, state: State, seconds: float = 10.0, **more: object) -> FilmJob:
    made = take(number, seconds)
    return FilmJob(made.id, made, state, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "less than a minute"),
        (40, "less than a minute"),
        (61, "about a minute"),
        (130, "about 2 minutes"),
        (700, "about 12 minutes"),
        (1500, "about 25 minutes"),
        (1530, "about 25 minutes"),
        (3000, "about 50 minutes"),
        (3590, "about an hour"),
        (5000, "about an hour and 25 minutes"),
        (7200, "about 2 hours"),
    ],
)
def test_times_are_said_as_people_say_them(seconds: float, words: str) -> None:
    assert about(seconds) == words


def test_a_time_is_never_said_much_too_short() -> None:
    ends = {"less than a minute": 1.0, "about a minute": 1.0, "about an hour": 60.0}
    for seconds in range(0, 3500, 7):
        words = about(float(seconds))
        minutes = ends[words] if words in ends else float(words.split()[1])
        assert minutes >= seconds / 60 - 1, seconds


def test_what_goes_before_is_said() -> None:
    assert expected(700.0, 0) == "about 12 minutes"
    assert expected(700.0, 1) == "about 12 minutes, after 1 other"
    assert expected(700.0, 2) == "about 12 minutes, after 2 others"
    assert expected(None, 0) == UNKNOWN
    assert expected(None, 1) == f"{UNKNOWN}, and 1 other is made before it"
    assert expected(700.0, 0, True) == "about 12 minutes, after the pictures that wait"
    assert expected(700.0, 2, True) == "about 12 minutes, after 2 others and the pictures that wait"
    assert expected(None, 1, True).endswith("1 other and the pictures that wait are made before it")


def test_the_one_in_work_measures_itself() -> None:
    assert awaited(job(1, State.IN_WORK, share=0.1)) == MEASURED
    assert awaited(job(1, State.IN_WORK, left_s=700.0)) == "about 12 minutes"
    assert (
        awaited(job(1, State.WAITING, left_s=700.0, ahead=1)) == "about 12 minutes, after 1 other"
    )
    assert awaited(job(1, State.WAITING)) == UNKNOWN
    for state in (State.DONE, State.FAILED, State.UNASKED, State.RECORDING):
        assert awaited(job(1, state)) == ""


def test_the_line_is_that_of_the_queue() -> None:
    """One by one, in the order in which they were asked for; each with all before it."""
    jobs = [
        job(1, State.DONE),
        job(2, State.WAITING, asked=30),
        job(3, State.IN_WORK, share=0.25, own_s=100.0),
        job(4, State.WAITING, 5.0),
        job(5, State.WAITING, asked=20),
        job(6, State.FAILED),
        job(7, State.RECORDING),
    ]
    told = foretold(jobs, [PACE])
    assert [j.take_id for j in told] == [j.take_id for j in jobs]
    line = {j.take.number: j for j in told if j.take}
    assert [line[n].ahead for n in (3, 5, 2, 4)] == [0, 1, 2, 3]
    assert foretold(told, [PACE]) == told
    # The last one is not queued yet, and half as long.
    assert [line[n].left_s for n in (3, 5, 2, 4)] == pytest.approx([100.0, 700.0, 1300.0, 1600.0])
    assert all((line[n].left_s, line[n].ahead) == (None, 0) for n in (1, 6, 7))


def test_what_nobody_knows_is_not_said() -> None:
    jobs = [job(1, State.IN_WORK), job(2, State.WAITING)]
    assert [(j.left_s, j.ahead) for j in foretold(jobs, [])] == [(None, 0), (None, 1)]
    # One whose length is not known makes all after it unknown, and none before it.
    odd = replace(take(2), length_s=None)
    jobs = [job(1, State.WAITING, asked=1), FilmJob(odd.id, odd, State.WAITING, asked=2)]
    jobs.append(job(3, State.WAITING, asked=3))
    assert [j.left_s for j in foretold(jobs, [PACE])] == [pytest.approx(600), None, None]


def test_one_in_work_that_has_not_measured_itself_is_foretold() -> None:
    jobs = [job(1, State.IN_WORK, share=0.5)]
    assert foretold(jobs, [PACE])[0].left_s == pytest.approx(300)
    # Its frames are all made: what is left, its sound and one file of both, is short.
    assert foretold([job(1, State.IN_WORK, share=1.0)], [])[0].left_s == 0


def test_the_last_ones_like_it_decide() -> None:
    slow = replace(PACE, seconds=6000.0)
    assert needed_s(take(), []) is None
    assert needed_s(take(1, 20.0), [PACE]) == pytest.approx(1200)
    assert needed_s(replace(take(), begin_s=4.0, end_s=6.0), [PACE]) == pytest.approx(120)
    # One that was slowed down by something else decides nothing.
    assert needed_s(take(), [slow, PACE, PACE, PACE]) == pytest.approx(600)
    assert needed_s(take(), [PACE, slow, PACE]) == pytest.approx(600)
    # As many shapes, and by the same template, where there are such.
    other = replace(slow, template="gate")
    assert needed_s(take(), [PACE, other, other]) == pytest.approx(600)
    both = replace(slow, shapes=2)
    assert needed_s(take(), [PACE, both, both]) == pytest.approx(600)
    assert needed_s(take(1, 10.0, "wide", "tall"), [PACE, both]) == pytest.approx(6000)
    assert needed_s(take(1, 10.0, "wide", "tall"), [PACE]) == pytest.approx(600)


def test_paces_are_kept_a_few_and_a_damaged_file_is_none(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    assert paces(event) == ()
    for n in range(KEPT + 3):
        note_pace(event, replace(PACE, seconds=100.0 + n))
    note_pace(event, replace(PACE, shown_s=0.0))
    note_pace(event, replace(PACE, seconds=float("inf")))
    assert [p.seconds for p in paces(event)] == [100.0 + n for n in range(3, KEPT + 3)]
    for text in ("", "{", "[1]", '[{"frames": 3}]', '{"a": 1}'):
        event.paths.pace.write_text(text, "utf-8")
        assert paces(event) == ()
    note_pace(event, PACE)
    assert paces(event) == (PACE,)


def test_the_pace_of_a_greeting_is_that_of_its_own_work(tmp_path: Path) -> None:
    event, made = make_event(tmp_path), take()
    now_s = 100.0

    def passes(seconds: float) -> None:
        nonlocal now_s
        now_s += seconds

    timing = Timing(event, made, lambda: now_s)
    for done in range(1, 11):
        passes(3.0)
        timing.seen(Progress(done, 10, None, "keying"))
        timing.aside(lambda: passes(50.0))  # pictures went first
    timing.over()
    (pace,) = paces(event)
    assert pace.seconds == pytest.approx(30.0)
    assert pace.frames == 10
    # One that an earlier run has made half of tells nothing, one that it had begun what the whole
    # would have taken.
    for before, known in ((6, 1), (2, 2)):
        timing = Timing(event, made, lambda: now_s)
        for done in range(before + 1, 11):
            passes(3.0)
            timing.seen(Progress(done, 10, None, "keying"))
        timing.over()
        assert [p.seconds for p in paces(event)] == [pytest.approx(30.0)] * known


def test_a_disk_that_takes_nothing_is_no_trouble(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    event.paths.pace.mkdir()
    note_pace(event, PACE)
    assert paces(event) == ()
