"""One running live program: its pages, commands, keys and pictures."""

from __future__ import annotations

import stat
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from stream.errors import UserError
from stream.event import Event
from stream.live.commands import ENDING
from stream.live.link import LinkError, ask, read_link
from stream.live.session import Session
from stream.live.wishes import Wishes
from stream.shot import load_frame, load_shot, shot_ids
from tests.stream.live.evening import LiveProcess, make_clip, make_event, record
from tests.stream.pages.chromium import Chromium


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_clip(tmp_path_factory.mktemp("clip") / "walk.mp4")


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory, clip: Path) -> Iterator[LiveProcess]:
    """One live program for the tests that only use it."""
    event = make_event(tmp_path_factory.mktemp("running"))
    with LiveProcess(event, clip) as live:
        live.until_live()
        yield live
        kept = live.state()["kept"]
        live.press("q")
        assert live.process.wait(60) == 0, live.said
        live.until_told(f"Ended; {kept} shot")
        assert live.said.index(ENDING) < live.said.index("Ended; ")
        assert read_link(event.paths.root) is None


def assert_complete(event: Event, shot_id: str) -> None:
    """Everything of a shot is there and can be read."""
    shot = load_shot(event, shot_id)
    frame = load_frame(event, shot)
    assert tuple(frame.planes[0].shape) == (180, 320)
    assert event.template_version(shot.template, shot.template_version).name == "dusk"


def test_the_link_is_for_its_owner_only(running: LiveProcess) -> None:
    path = running.event.paths.live
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert running.link.pid == running.process.pid
    assert len(running.link.token) >= 32


def test_the_pages_listen_on_loopback_only(running: LiveProcess) -> None:
    # proc(5), /proc/net/tcp: local addresses in hex, little-endian; 0100007F is 127.0.0.1
    table = Path("/proc/net/tcp")
    if not table.exists():
        pytest.skip("no /proc/net/tcp on this system")
    port = f":{running.link.port:04X}"
    rows = [line.split() for line in table.read_text("utf-8").splitlines()[1:]]
    listening = {row[1] for row in rows if row[1].endswith(port) and row[3] == "0A"}
    assert listening == {f"0100007F{port}"}


def test_next_by_number_and_name(running: LiveProcess) -> None:
    done = running.command("next", "7", "sela")
    assert done.returncode == 0, done.stderr
    assert done.stdout == "Next: Mira Tollan, Sela Marsh\n"
    assert [p["number"] for p in running.state()["next"]] == ["007", "31"]
    unknown = running.command("next", "Nobody Known")
    assert unknown.returncode == 2
    assert "nobody on the roster" in unknown.stderr.lower()
    assert [p["number"] for p in running.state()["next"]] == ["007", "31"]
    assert running.command("next").stdout == "Next: nobody by name\n"
    assert running.state()["next"] == []


def test_grab_by_command_is_the_moment_of_the_press(running: LiveProcess) -> None:
    running.command("next", "31")
    before = time.time()
    done = running.command("grab")
    assert done.returncode == 0, done.stderr
    after = time.time()
    shot_id = done.stdout.strip()
    assert_complete(running.event, shot_id)
    shot = load_shot(running.event, shot_id)
    assert shot.people == ("31",)
    # The press was at the start of that process, before its libraries were loaded.
    assert shot.taken.timestamp() - before < (after - before) / 2
    assert not shot.mirror
    row = running.state()["shots"][0]
    assert (row["id"], row["who"]) == (shot_id, "Sela Marsh")


def test_double_presses_give_two_shots(running: LiveProcess) -> None:
    before = set(shot_ids(running.event))
    with ThreadPoolExecutor(4) as pool:
        answers = list(pool.map(lambda _: ask(running.link, "/grab", {}), range(4)))
    ids = {a["shot"] for a in answers}
    assert len(ids) == 4
    assert set(shot_ids(running.event)) - before == ids
    for shot_id in ids:
        assert_complete(running.event, shot_id)


def test_keys_of_the_terminal(running: LiveProcess) -> None:
    before = len(shot_ids(running.event))
    running.press(" ")
    running.press("x")  # means nothing
    running.press("g")
    running.until(lambda: len(shot_ids(running.event)) == before + 2)
    for shot_id in shot_ids(running.event)[before:]:
        running.until(lambda shot_id=shot_id: f"Kept {shot_id}" in running.said)


@pytest.mark.browser
def test_the_pages_show_the_moving_composite_and_the_desk_grabs(running: LiveProcess) -> None:
    address = f"http://127.0.0.1:{running.link.port}"
    pixels = (
        "(() => { const c = document.getElementById('picture');"
        " const row = c.getContext('2d').getImageData(0, c.height >> 1, c.width, 1);"
        " return Array.from(row.data).join(); })()"
    )
    number = "Number(document.getElementById('picture').dataset.number)"
    with Chromium() as chromium:
        stage = chromium.tab()
        stage.go(f"{address}/stage")
        first = stage.until(f"{number} > 0 && {pixels}")
        stage.until(f"{pixels} !== '{first}'")
        desk = chromium.tab()
        desk.go(f"{address}/desk")
        desk.until("document.getElementById('source').className === 'live'")
        desk.run("document.getElementById('grab').click()")
        answer = desk.until(
            "document.getElementById('answer').textContent.startsWith('Kept ')"
            " && document.getElementById('answer').textContent"
        )
        assert_complete(running.event, answer.split()[1].rstrip(","))
        stage.until("document.getElementById('note').classList.contains('kept')")


def test_a_grab_of_a_second_ago_is_another_frame(running: LiveProcess) -> None:
    time.sleep(1.6)  # so that the ring reaches back far enough
    pressed_s, shots = [], []
    for age_s in (0.0, 1.5):
        pressed_s.append(time.monotonic())
        shots.append(ask(running.link, "/grab", {"age_s": age_s})["shot"])
    moments = [load_shot(running.event, i).taken.timestamp() for i in shots]
    # The second press comes as much later as the first one's answer took.
    apart_s = 1.5 - (pressed_s[1] - pressed_s[0])
    assert moments[0] != moments[1]
    assert moments[0] - moments[1] == pytest.approx(apart_s, abs=0.4)


def test_a_count_ends_in_a_shot(running: LiveProcess) -> None:
    with ThreadPoolExecutor(1) as pool:
        answer = pool.submit(ask, running.link, "/grab", {"after_s": 1.0})
        running.until(lambda: running.state()["count_s"] is not None)
        with pytest.raises(LinkError, match="running already"):
            ask(running.link, "/grab", {"after_s": 1.0})
        assert_complete(running.event, answer.result()["shot"])
    assert running.state()["count_s"] is None


def test_plate_is_taken_used_and_dropped(running: LiveProcess) -> None:
    done = running.command("plate")
    assert done.returncode == 0, done.stderr
    running.until(lambda: running.state()["plate"]["state"] == "fits")
    plates = [p.name for p in running.event.paths.plates.iterdir()]
    shot = ask(running.link, "/grab", {})["shot"]
    assert [record(running.event, shot)["plate"]] == plates
    assert running.command("plate", "--drop").returncode == 0
    running.until(lambda: running.state()["plate"]["state"] == "none")
    shot = ask(running.link, "/grab", {})["shot"]
    assert record(running.event, shot)["plate"] is None


def test_pictures_are_made_beside_it_and_its_worker_is_replaced(running: LiveProcess) -> None:
    psutil = pytest.importorskip("psutil")
    shot = ask(running.link, "/grab", {})["shot"]

    def stands() -> str:
        return next(str(s["state"]) for s in running.state()["shots"] if s["id"] == shot)

    running.until(lambda: stands() == "done")
    assert (running.event.paths.pictures / load_shot(running.event, shot).picture).is_file()
    program = psutil.Process(running.process.pid)

    def workers() -> list[Any]:  # beside them kernels may be compiled
        return [
            c
            for c in program.children()
            if c.status() != psutil.STATUS_ZOMBIE and "stream.batch.worker" in c.cmdline()
        ]

    (worker,) = workers()
    assert worker.nice() > program.nice()
    worker.kill()
    running.until(lambda: [c for c in workers() if c.pid != worker.pid])


def test_a_second_live_program_is_refused(running: LiveProcess, clip: Path) -> None:
    with pytest.raises(UserError, match="runs already"):
        Session(running.event, Wishes(source=str(clip), port=0)).start()
    assert running.link.pid == running.process.pid  # its file is untouched
