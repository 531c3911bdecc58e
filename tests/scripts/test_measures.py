"""What is made of the live program's run: which frame was seen when, trends, and the picture."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image

from models import kernels
from models.color import Encoding
from models.composite import Scene
from models.keyer import Grade, Keyer
from models.resample import Placement
from scripts import cards
from scripts.cards import held_bytes
from scripts.keying import Job
from scripts.lasting import flat, quarters, samples, trend
from scripts.living import Run, keyed_by, missed, percentiles_ms, shown, told
from scripts.plots import WIDTH, bars, draw, ratios
from scripts.programme import Ending, Noted
from scripts.timing import met
from stream.live.figures import Stages


def _reading(at: float, frames: int, resident: float) -> dict[str, object]:
    return {
        "wall": at,
        "cpu": at / 2,
        "spent": {"key": at / 10},
        "resident": {"now": resident, "peak": 2e9},
        "frames_in": frames,
        "frames_out": frames,
        "dropped": 0,
        "errors": 0,
    }


def _run(seconds: int, delay_s: float = 0.05, every: int = 1) -> Run:
    """Frames at 30 a second from 1000 s on, each ``every``-th drawn; a clip of 40 frames."""
    run = Run({"started": 990.0, "first": 993.0, "device": "cpu"}, frames=40, browser="chromium")
    run.came = [(n, 1000 + n / 30) for n in range(30 * seconds)]
    run.drawn = [(at + delay_s, n % 40) for n, at in run.came if n % every == 0]
    run.readings = [_reading(1000 + s, 30 * s, 1e9 + 1e6 * s) for s in range(0, seconds + 1, 2)]
    run.last = run.readings[-1]
    return run


def test_frames_are_told_apart_over_the_loops_of_a_clip() -> None:
    run = _run(6)
    run.drawn.insert(50, (run.drawn[49][0] + 0.001, run.drawn[49][1]))  # drawn twice
    run.drawn.insert(60, (run.drawn[59][0] + 0.001, None))  # misread
    got = shown(run)
    assert got.number == list(range(180))
    assert got.delay == pytest.approx([0.05] * 180)
    assert got.late_by == pytest.approx([0.0] * 180, abs=1e-6)


def test_drops_and_delays_of_a_row() -> None:
    every, third = told(_run(8), 1.0), told(_run(8, 0.15, 3), 1.5)
    assert every["dropped_share"] == 0
    assert every["fps_shown"] == pytest.approx(30, rel=0.02)
    assert every["bars"]["dropped_share"].startswith("met")
    assert every["bars"]["p99_ms"].startswith("met")
    assert third["dropped_share"] == pytest.approx(2 / 3, abs=0.02)
    assert third["delay"]["p99_ms"] == pytest.approx(150)
    assert third["longest_gap_ms"] == pytest.approx(100, abs=1)
    assert third["bars"] == {
        "fps_shown": "NOT met (bar: at least 15)",
        "peak_bytes": "NOT met (bar: at most 1.5e+09)",
    }
    assert third["processor_ms_a_picture"]["key"] == pytest.approx(1e3 * 0.8 / 240)


def test_percentiles_are_by_nearest_rank() -> None:
    got = percentiles_ms([x / 1000 for x in range(1, 1001)])
    assert got == pytest.approx({"p50_ms": 500, "p99_ms": 990, "p99.9_ms": 999, "max_ms": 1000})
    assert percentiles_ms([]) == {}
    assert met(None, 1.0) == "not measured"


def test_a_trend_is_the_straight_line() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(0, 1200, 10.0)
    taken = [{"t_s": x, "y": 5 + x / 3600 + float(rng.normal(0, 0.01))} for x in t]
    line = trend(taken, "y")
    assert line is not None
    kept = [s for s in taken if s["t_s"] >= 60]
    # numpy's least squares is the reference
    slope = np.polyfit([s["t_s"] for s in kept], [s["y"] for s in kept], 1)[0]
    assert line["an_hour"] == pytest.approx(3600 * slope)
    assert abs(line["an_hour"] - 1) < 4 * line["sure_to"]
    assert line["over_the_run"] == pytest.approx(slope * 1130)
    assert trend(taken[:2], "y") is None
    assert trend(taken, "nothing") is None


def _samples(grows_by: float, noise: float) -> list[dict[str, float]]:
    rng = np.random.default_rng(7)
    t = np.arange(10, 1201, 10.0)
    fills = np.maximum(0, 1 - t / 50)  # once, at the beginning
    return [
        {"t_s": float(x), "y": float(2 - f + grows_by * x / 1200 + rng.normal(0, noise))}
        for x, f in zip(t, fills, strict=True)
    ]


def test_what_stays_flat_is_told_from_what_grows() -> None:
    assert flat(_samples(0.0, 0.005), "y", "GB", 0.02, share=True).startswith("met (bar: at most 2")
    grown = flat(_samples(0.2, 0.005), "y", "GB", 0.02, share=True)
    assert grown.startswith("NOT met")
    assert "GB in the last quarter" in grown
    assert flat(_samples(0.2, 0.005), "y", "ms", 0.3, share=False).startswith("met (bar: at most")
    # A step late in the run tilts the line little.
    step = [{**s, "y": s["y"] + 0.06 * (s["t_s"] > 900)} for s in _samples(0.0, 0.0)]
    assert flat(step, "y", "ms", 0.055, share=False).startswith("NOT met")
    both = quarters(step, "y")
    assert both is not None
    assert both[1] - both[0] == pytest.approx(0.06)
    assert flat(step[:1], "y", "ms", 1, share=False).startswith("not measured")
    assert quarters([], "y") is None


def test_a_row_says_what_keyed_and_from_when_it_counts() -> None:
    run = _run(8)
    run.start = 1000.0
    assert keyed_by(run) == {
        "keyed_by": "torch",
        "counted_from": "10.0 s after the program's start; kernels were not taken over",
    }
    run.switches = [(997.5, "kernels")]
    assert keyed_by(run) == {
        "keyed_by": "kernels",
        "counted_from": "10.0 s after the program's start, 2.5 s after the kernels were taken over",
    }
    run.switches.append((1003.0, "torch"))
    assert keyed_by(run)["keyed_by"] == "kernels, then torch from 3.0 s of the run on"


def test_an_input_has_ended_when_it_is_closed() -> None:
    read, write = os.pipe()
    ended = Ending(read)
    os.write(write, b"words")
    assert not ended(0.05)
    os.close(write)
    assert ended(10)
    os.close(read)


def test_only_the_live_keyer_s_kernels_count() -> None:
    noted = Noted()
    with noted.noting():
        keyer, beside = (Keyer(Grade.LIVE) for _ in range(2))
        stages = Stages()

        def try_first() -> None:
            beside.use_kernels()

        assert kernels.load("cpu")
        thread = threading.Thread(target=try_first)
        thread.start()
        thread.join()
        with stages.timed("key"):
            pass
        assert (noted.path, noted.switches()) == ("torch", [])
        before = time.time()
        keyer.use_kernels()
        assert noted.path == "kernels"
        keyer.drop_kernels()
    assert noted.path == "torch"
    assert [path for _, path in noted.switches()] == ["kernels", "torch"]
    assert all(before <= at <= time.time() for at, _ in noted.switches())
    keyer.use_kernels()
    assert len(noted.switches()) == 2  # nothing is noted after the block


def test_samples_follow_memory_and_delay() -> None:
    taken = samples(_run(8))
    assert [s["t_s"] for s in taken] == [2, 4, 6, 8]
    assert [s["resident_gb"] for s in taken] == pytest.approx([1.002, 1.004, 1.006, 1.008])
    assert [s["p99_ms"] for s in taken] == pytest.approx([50] * 4)
    assert max(s["dropped_share"] for s in taken) < 0.04


def test_the_picture_shows_all_kinds(tmp_path: Path) -> None:
    live = told(_run(8), 1.0)
    live["seconds"]["samples"] = samples(_run(8))
    rows = [{"row": "a cut", "over_copy": 530.0, "over_plain": 0.6, "spread": 0.1}, live]
    assert ratios(rows[0]) == {"over copy": 530.0, "over plain": 0.6}
    alone = bars(rows)
    assert alone is not None
    path = tmp_path / "all.png"
    assert draw(rows, {"cores": 2}, path, 100.0)
    with Image.open(path) as picture:
        assert picture.width == WIDTH == 1400
        assert picture.height > alone.height + 480 + 760
        assert picture.getpixel((2, 2)) == (255, 255, 255)
        colours = {c for _, c in picture.getcolors(1 << 20) or []}
    # a bar on each side of 1, the histogram, the marks
    assert {(194, 112, 61), (47, 125, 107), (60, 98, 168), (179, 38, 58)} <= colours
    assert not draw([{"row": "nothing"}], {}, tmp_path / "none.png", 100.0)


def test_frames_that_nobody_saw_are_told_by_the_clock() -> None:
    assert missed(1800, 60.0) == 0
    assert missed(300, 60.0) == pytest.approx(5 / 6)  # a page that stood still after ten seconds
    assert missed(720, 60.0) == pytest.approx(0.6)  # a reader at 12 a second
    assert missed(0, 60.0) == missed(0, 0.0) == 1


def test_memory_is_counted_once() -> None:
    wide = torch.zeros(1, 1, 4, 5).expand(1, 3, 4, 5)
    run = [wide, (wide, torch.zeros(3, dtype=torch.uint8)), "words"]
    assert held_bytes(run) == 4 * 5 * 4 + 3


@pytest.mark.skipif(torch.cuda.is_available(), reason="there is a card")
def test_without_a_card_it_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    cards.on_card(None, None, None, 1)  # type: ignore[arg-type]
    assert "not measured, since there is no CUDA here" in capsys.readouterr().out


def test_templates_take_turns_so_that_no_lane_draws_one_twice_in_a_row() -> None:
    plane = torch.zeros(4, 6, dtype=torch.uint8)
    scene = Scene(torch.rand(1, 3, 5, 7))
    work = Job((plane,) * 3, (plane,) * 3, Encoding(), Encoding(), scene, Placement(1.0, 0.0, 0.0))
    jobs = cards.copies(work, "cpu")
    assert len({j.planes[0].data_ptr() for j in jobs}) == cards.BUFFERS
    assert len({j.scene.below.data_ptr() for j in jobs}) == cards.TEMPLATES
    for job, next_but_one in zip(jobs, (*jobs[2:], *jobs[:2]), strict=True):
        assert torch.equal(job.scene.below, scene.below)
        assert job.scene is not next_but_one.scene


def test_kernels_in_tritons_folder_are_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pytest.importorskip("triton")
    monkeypatch.setenv("TRITON_CACHE_DIR", str(tmp_path / "none"))
    assert cards.compiled_kernels() == 0
    monkeypatch.setenv("TRITON_CACHE_DIR", str(tmp_path))
    for name in ("a/plain.cubin", "a/plain.ptx", "b/plain.cubin", "c/launcher.so"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    assert cards.compiled_kernels() == 2
