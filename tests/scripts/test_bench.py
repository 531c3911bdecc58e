"""The benchmark's own command."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import cv2
import pytest
import torch
from PIL import Image

from models import kernels
from scripts import firststart, keying
from scripts.keying import growth
from scripts.programme import WARM
from scripts.report import Report
from scripts.timing import one_thread
from stream.live.compiler import mark_file

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--only", "keyed"], "--only keyed: known are final prints evening large films keying"),
        (["--only", "long"], "--only long: need --minutes, too"),
        (["--minutes", "0"], "--minutes 0.0: need a number above 0"),
        (["--people", "0"], "--people 0: need at least 1"),
    ],
)
def test_what_cannot_be_measured_is_refused(words: list[str], sentence: str) -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / "scripts" / "bench.py"), *words],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert sentence in done.stderr
    assert "Traceback" not in done.stderr


def _rows(folder: Path) -> list[dict[str, Any]]:
    (path,) = folder.glob("*.json")
    found: list[dict[str, Any]] = json.loads(path.read_text("utf-8"))["rows"]
    return found


def test_a_row_is_kept_as_soon_as_it_is_there(tmp_path: Path) -> None:
    report = Report(tmp_path / "bench", "now", {"cores": 2}, 100.0)
    assert report.written == "Nothing was measured."
    report.add({"row": "words alone"})
    assert [x.name for x in (tmp_path / "bench").iterdir()] == ["now.json"]
    report.add({"row": "a cut", "over_copy": 5.0, "seconds": {"ours": [1.0]}})
    assert [r["row"] for r in _rows(tmp_path / "bench")] == ["words alone", "a cut"]
    with Image.open(tmp_path / "bench" / "now.png") as picture:
        first = picture.height
    report.add({"row": "another", "over_copy": 6.0})
    with Image.open(tmp_path / "bench" / "now.png") as picture:
        assert picture.height > first
    assert sorted(x.name for x in (tmp_path / "bench").iterdir()) == ["now.json", "now.png"]
    assert report.written.endswith("now.png")


def test_a_row_that_fails_says_so_and_the_others_go_on(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    report = Report(tmp_path, "now", {}, 100.0)
    with report.measuring("a cut"):
        raise RuntimeError("the screen is gone")
    with report.measuring("a print"):
        report.add({"row": "a print"})
    with pytest.raises(KeyboardInterrupt), report.measuring("a long run"):
        raise KeyboardInterrupt
    assert report.failed == ["a cut"]
    failed, made = _rows(tmp_path)
    assert made == {"row": "a print"}
    assert failed["not_measured"] == "the screen is gone"
    assert "RuntimeError" in failed["seconds"]["traceback"]
    told = capsys.readouterr()
    assert "a cut could not be measured: the screen is gone" in told.err
    assert "Traceback" not in told.out + told.err


def test_both_sides_have_one_thread_while_they_are_compared() -> None:
    before = torch.get_num_threads(), cv2.getNumThreads()
    try:
        torch.set_num_threads(2)
        cv2.setNumThreads(2)
        with one_thread():
            assert (torch.get_num_threads(), cv2.getNumThreads()) == (1, 1)
        assert (torch.get_num_threads(), cv2.getNumThreads()) == (2, 2)
    finally:
        torch.set_num_threads(before[0])
        cv2.setNumThreads(before[1])


def test_a_demo_that_is_not_there_is_a_row_that_says_so(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / "scripts" / "bench.py"), "--only", "final", "--quick",
         "--made", str(tmp_path / "none"), "--out", str(tmp_path / "out")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "bench: not measured: the demo's event and clip" in done.stderr
    assert "none" in done.stderr
    assert "Traceback" not in done.stderr + done.stdout
    (only,) = _rows(tmp_path / "out")
    assert only["not_measured"]


def test_what_an_earlier_program_compiled_is_not_compiled_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    mark = mark_file()
    assert mark is not None
    loaded: list[str] = []
    monkeypatch.setattr(kernels, "load", loaded.append)
    mark.touch()
    firststart.compile_all("cpu")
    assert not loaded
    firststart.compile_all("cuda")  # of a card nothing is compiled apart
    assert loaded == ["cuda"]


def test_a_first_start_is_told_until_the_kernels_are_used() -> None:
    begin: dict[str, Any] = {"device": "cpu", "started": 100.0, "first": 104.0, "taken": None}
    row = firststart.row(begin)
    assert row["kernels"] == "none for this device"
    assert "fps_until_then" not in row
    row = firststart.row(begin | {"taken": {"wall": 154.0, "frames_out": WARM + 400}})
    assert row["fps_until_then"] == pytest.approx(8.0)
    assert row["kernels_in_use_after_s"] == pytest.approx(54.0)
    assert row["thirtieth_picture_after_s"] == pytest.approx(4.0)
    row = firststart.row(begin | {"taken": {"wall": 104.0, "frames_out": WARM}})
    assert row["fps_until_then"] is None


SIZES = {360 * 640: 0.25, 720 * 1280: 1.0, 1080 * 1920: 2.25, 2160 * 3840: 9.0}


@pytest.mark.parametrize(
    ("power", "fixed", "holds"), [(1.0, 0.0, True), (0.9, 0.3, True), (1.2, 0.0, False)]
)
def test_cost_is_held_against_pixels(power: float, fixed: float, holds: bool) -> None:
    usual = {n: fixed + times**power for n, times in SIZES.items()}
    row = growth(usual)
    assert row["linear"].startswith("met" if holds else "NOT met")
    if not fixed:
        assert row["power"] == pytest.approx(power)
        assert row["worst_step"] == pytest.approx(4.0 ** (power - 1))
    assert f"pixels^{row['power']:.2f}" in row["linear"]


def test_one_size_that_leaves_the_line_is_seen() -> None:
    usual = {n: times * (1.4 if times == 2.25 else 1.0) for n, times in SIZES.items()}
    row = growth(usual)
    assert row["power"] < keying.MOST_POWER
    assert row["worst_step"] == pytest.approx(1.4)
    assert row["linear"].startswith("NOT met")
