"""Takes of a live program of its own: pressed, counted, recorded, cut off, listed."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from stream.live.link import LinkError, ask
from stream.shot import load_frame, load_shot
from stream.take import Take, load_take, open_take, take_ids
from tests.stream.live.evening import RATE, LiveProcess, make_clip, make_event
from tests.stream.pages.chromium import Chromium

SOUND_HZ = 48000


def make_sounding_clip(path: Path, seconds: float = 4.0) -> Path:
    """The usual clip, with a tone."""
    silent = make_clip(path.with_name(f"silent-{path.name}"), seconds=seconds)
    with av.open(str(silent)) as pictures, av.open(str(path), "w") as out:
        picture = pictures.streams.video[0]
        copied = out.add_stream_from_template(picture)
        sound = out.add_stream("aac", rate=SOUND_HZ, layout="mono")
        for packet in pictures.demux(picture):
            if packet.dts is not None:
                packet.stream = copied
                out.mux(packet)
        tone = 0.3 * np.sin(np.arange(round(SOUND_HZ * seconds)) * 2 * np.pi * 440 / SOUND_HZ)
        for at in range(0, len(tone) - 1024, 1024):
            part = tone[None, at : at + 1024].astype(np.float32)
            frame = av.AudioFrame.from_ndarray(part, "fltp", "mono")
            frame.sample_rate, frame.pts, frame.time_base = SOUND_HZ, at, Fraction(1, SOUND_HZ)
            out.mux(sound.encode(frame))
        out.mux(sound.encode(None))
    return path


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_sounding_clip(tmp_path_factory.mktemp("clip") / "walk.mp4")


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory, clip: Path) -> Iterator[LiveProcess]:
    """One live program for the tests that only use it; it makes no pictures and films."""
    event = make_event(tmp_path_factory.mktemp("running"))
    with LiveProcess(event, clip, "--no-batch", "--preview-height", "180") as live:
        live.until_live()
        live.until(lambda: take(live)["sound"])
        yield live


def take(live: LiveProcess) -> dict[str, Any]:
    return dict(live.state()["take"])


def seconds(live: LiveProcess, take_id: str, least: float) -> Take:
    """A kept take that shows so much; its pictures come out in order."""
    kept = load_take(live.event, take_id)
    assert not kept.recording
    end_s = kept.length_s if kept.end_s is None else kept.end_s
    assert end_s is not None
    assert end_s - kept.begin_s >= least
    reader = open_take(live.event, kept)
    assert reader.has_sound
    shown = [float(f.pts * f.time_base) for f in reader.frames() if f.pts and f.time_base]
    assert shown == sorted(shown)
    assert len(shown) >= RATE * least * 0.5
    return kept


def begun(live: LiveProcess, **words: Any) -> str:
    return str(ask(live.link, "/take", {"do": "start", **words})["take"])


def ended(live: LiveProcess) -> str:
    return str(ask(live.link, "/take", {"do": "stop"})["take"])


def test_by_command_with_who_and_what_was_next(running: LiveProcess) -> None:
    assert "sound of the source's own track" in running.said
    running.command("next", "7")
    done = running.command("take", "start", "--in", "1", "--longest", "30", "--before", "1")
    assert done.returncode == 0, done.stderr
    take_id = done.stdout.strip()
    assert "it ends by itself after 30 s" in done.stderr
    running.command("next", "31")  # whoever comes next
    running.until(lambda: take(running)["elapsed_s"] >= 2)
    assert (take(running)["state"], take(running)["id"]) == ("recording", take_id)
    done = running.command("take", "stop")
    assert (done.returncode, done.stdout.strip()) == (0, take_id)
    assert f"Kept take {take_id}" in done.stderr
    kept = seconds(running, take_id, 2.0)
    assert (kept.people, kept.template) == (("007",), "dusk")
    assert take(running)["state"] == "none"
    row = running.state()["takes"][0]
    assert (row["id"], row["who"]) == (take_id, "Mira Tollan")
    # Named and queued: what it waits for is that somebody makes it.
    running.until(lambda: running.state()["takes"][0]["state"] == "queued")
    assert load_take(running.event, take_id).films


def test_keys_of_the_terminal_and_a_grab_meanwhile(running: LiveProcess) -> None:
    before = take_ids(running.event)
    running.press("t")
    running.until(lambda: take(running)["state"] == "counting")
    running.until(lambda: take(running)["state"] == "recording")
    shot = ask(running.link, "/grab", {})["shot"]
    load_frame(running.event, load_shot(running.event, shot))
    running.until(lambda: take(running)["elapsed_s"] >= 1)
    running.press("t")
    running.until(lambda: take(running)["state"] == "none")
    (take_id,) = set(take_ids(running.event)) - set(before)
    running.until(lambda: f"Kept take {take_id}" in running.said)
    seconds(running, take_id, 1.0)


def test_double_starts_and_stops(running: LiveProcess) -> None:
    with ThreadPoolExecutor(4) as pool:
        asked = [pool.submit(begun, running) for _ in range(4)]
        failed = [f for f in asked if f.exception() is not None]
    assert len(failed) == 3
    assert all("running already" in str(f.exception()) for f in failed)
    (take_id,) = [f.result() for f in asked if f not in failed]
    running.until(lambda: take(running)["elapsed_s"] >= 0.5)
    with ThreadPoolExecutor(4) as pool:
        asked = [pool.submit(ended, running) for _ in range(4)]
    told = {f.result() for f in asked if f.exception() is None}
    assert told == {take_id}
    assert all("nothing to stop" in str(f.exception()) for f in asked if f.exception())
    with pytest.raises(LinkError, match="nothing to stop"):
        ended(running)
    refused = running.command("take", "stop")
    assert (refused.returncode, len(refused.stderr.splitlines())) == (2, 1)


def test_it_ends_by_itself(running: LiveProcess) -> None:
    take_id = begun(running, most_s=2)
    running.until(lambda: take(running)["state"] == "none")
    running.until(lambda: f"Kept take {take_id}" in running.said)
    kept = seconds(running, take_id, 1.8)
    assert kept.end_s is not None
    assert kept.end_s - kept.begin_s == pytest.approx(2, abs=0.1)


def test_a_count_that_is_ended_records_nothing(running: LiveProcess) -> None:
    before = take_ids(running.event)
    with ThreadPoolExecutor(1) as pool:
        answer = pool.submit(begun, running, count_s=30)
        running.until(lambda: take(running)["state"] == "counting")
        stopped = ask(running.link, "/take", {"do": "stop"})
        assert stopped["take"] is None
        with pytest.raises(LinkError, match="nothing was recorded"):
            answer.result()
    assert take_ids(running.event) == before
    refused = running.command("take", "start", "--longest", "4000")
    assert (refused.returncode, "cannot be recorded" in refused.stderr) == (2, True)


@pytest.mark.browser
def test_desk_and_stage_show_it(running: LiveProcess) -> None:
    address = f"http://127.0.0.1:{running.link.port}"
    with Chromium() as chromium:
        stage, desk = chromium.tab(), chromium.tab()
        stage.go(f"{address}/stage")
        desk.size(1280, 1200)
        desk.go(f"{address}/desk")
        desk.until("document.getElementById('source').className === 'live'")
        desk.click("take")
        stage.until("document.getElementById('ready').classList.contains('shown')")
        stage.until("document.body.classList.contains('recording')")
        desk.until("document.getElementById('takebox').className === 'recording'")
        running.until(lambda: take(running)["elapsed_s"] >= 1)
        desk.click("take")
        answer = "document.getElementById('answer').textContent"
        take_id = desk.until(f"/^Kept take /.test({answer}) && {answer}").split()[2].rstrip(",")
        stage.until("document.getElementById('note').textContent.startsWith('Thank you')")
        stage.until("!document.body.classList.contains('recording')")
        number = take_id.split("-")[0]
        desk.until(f"document.querySelector('#takes .number')?.textContent === '{number}'")
    seconds(running, take_id, 1.0)


def test_ending_the_program_keeps_it(tmp_path: Path, clip: Path) -> None:
    event = make_event(tmp_path)
    with LiveProcess(event, clip, "--no-batch", "--preview-height", "180") as live:
        live.until_live()
        take_id = begun(live)
        live.until(lambda: take(live)["elapsed_s"] >= 1.5)
        live.press("q")
        assert live.process.wait(120) == 0, live.said
        live.until_told("Ended; 0 shots and 1 take kept")
    seconds(live, take_id, 1.4)


def test_what_a_dead_program_recorded_is_kept_by_the_next(tmp_path: Path, clip: Path) -> None:
    event = make_event(tmp_path)
    with LiveProcess(event, clip, "--no-batch", "--preview-height", "180") as live:
        live.until_live()
        live.command("next", "7")
        take_id = begun(live)
        live.until(lambda: take(live)["elapsed_s"] >= 3)
        live.process.kill()
        live.process.wait(30)
    assert load_take(event, take_id).recording
    with LiveProcess(event, clip, "--no-batch", "--preview-height", "180") as live:
        live.until(lambda: not load_take(event, take_id).recording)
        live.until(lambda: [t for t in live.state()["takes"] if t["state"] == "queued"])
        assert f"Take {take_id} was cut off" in live.said
        state = live.state()
        # The desk tells both, too: what was cut off, and who is still thought to stand there.
        assert any(t.startswith(f"Take {take_id} was cut off") for t in state["troubles"])
        assert any("cut off" in n or "ended while" in n for n in state["takes"][0]["notes"])
        live.until(lambda: live.state()["next"])
        assert [p["number"] for p in live.state()["next"]] == ["007"]
        live.until(lambda: any("number 007" in t for t in live.state()["troubles"]))
        seconds(live, take_id, 2.0)


def test_without_sound_and_what_is_no_microphone(tmp_path: Path, clip: Path) -> None:
    event = make_event(tmp_path)
    options = "--no-batch", "--preview-height", "180"
    with LiveProcess(event, clip, *options, "--sound", "none") as live:
        live.until_live()
        assert "recorded without sound" in live.said
        take_id = begun(live)
        live.until(lambda: take(live)["elapsed_s"] >= 1)
        assert ended(live) == take_id
        assert not open_take(event, load_take(event, take_id)).has_sound
    with LiveProcess(event, clip, *options, "--sound", "no such microphone") as live:
        assert live.process.wait(60) == 2
        live.until_told("no microphone, or more than one, goes by this")
