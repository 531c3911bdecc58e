"""Scoring on a folder of scenes: the figures are those of the real command, and mistakes are told.

The figures of the scorers themselves belong to the folders. What stands here was worked out by hand
or comes from a second, plain reading of the files.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest

from scripts import quality, tables
from scripts.scenes import open_scenes
from scripts.scoring import Row, Task, trimap_of
from scripts.sheet import ENLARGED, GAP, LINE, SIDE, Result, over, places
from stream.cli import main as posewall
from tests.house.tree import ROOT
from tests.scripts.folder import plant_folder


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """The small folder; its modules are forgotten afterwards."""
    before = {name: sys.modules.pop(name, None) for name in ("load", "score")}
    yield plant_folder(tmp_path / "scenes")
    for name, module in before.items():
        sys.modules.pop(name, None)
        if module is not None:
            sys.modules[name] = module


def _code_clip(folder: Path) -> None:
    load = open_scenes(folder).load
    path = folder / "data" / "video" / "v01_walk" / "shot_h264_crf23.mp4"
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=Fraction(30))
        stream.width, stream.height, stream.pix_fmt = 192, 256, "yuv420p"
        stream.options = {"crf": "23", "threads": "1"}
        for d in load.video("v01_walk"):
            frame = av.VideoFrame.from_ndarray(load.variant("clean", d), format="rgb24")
            container.mux(stream.encode(frame))
        container.mux(stream.encode())


def _run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(ROOT / "scripts" / "quality.py"), *words],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "OMP_NUM_THREADS": "1"},
    )


def _rows(out: Path) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = json.loads((out / "figures.json").read_text("utf-8"))["rows"]
    return rows


def test_a_whole_folder_is_scored(folder: Path, tmp_path: Path) -> None:
    _code_clip(folder)
    bars = tmp_path / "bars.toml"
    bars.write_text("[stills.yuv420]\nSAD = 0\nhaze = 1.0\n[clips.crf23]\nSAD = 100\n", "utf-8")
    out = tmp_path / "out"
    ran = _run(str(folder), "--workers", "1", "--out", str(out), "--bars", str(bars))
    assert ran.returncode == 0, ran.stderr
    assert "4/4" in ran.stdout, "progress is told"
    rows = _rows(out)
    assert [r["error"] for r in rows] == [""] * (2 * 4 + 4 + 3)
    found = {(r["kind"], r["variant"], r["plate"], r["grade"]): r["figures"] for r in rows}
    assert len(found) == len(rows)
    assert 0 < found["clip", "crf23", True, "final"]["dtSSD"] < 0.05

    # A second, plain way to the same figure.
    scenes = open_scenes(folder)
    d = scenes.load.still("t01_round")
    cv2.imwrite(str(tmp_path / "x.png"), scenes.load.variant("under1", d)[..., ::-1])
    cv2.imwrite(str(tmp_path / "p.png"), scenes.load.plate("under1", d)[..., ::-1])
    for plate in (["--plate", str(tmp_path / "p.png")], []):
        assert posewall(["cut", str(tmp_path / "x.png"), *plate]) == 0
        matte = cv2.imread(str(tmp_path / "x.matte.png"), cv2.IMREAD_UNCHANGED)
        assert matte is not None
        sad = np.abs(matte / 65535 - d["a"]).sum() / 1000
        assert found["still", "under1", bool(plate), "final"]["SAD"] == pytest.approx(sad, rel=1e-3)

    whole = (out / "table.md").read_text("utf-8")
    sad = found["still", "yuv420", True, "final"]["SAD"]
    assert f"**{tables.shown(sad)}** (0)" in whole
    assert "1 of 3 figures miss their bar." in ran.stdout
    assert whole.count("| t01_round |") == 2 * 4 + 1
    page = cv2.imread(str(out / "t01_round.jpg"))
    assert page is not None
    side = SIDE * ENLARGED
    assert page.shape[1] == 9 * (side + GAP) - GAP
    assert (page.shape[0] - 2 * LINE) % (side + LINE) == 0


def test_a_scene_that_fails_is_told_and_the_others_go_on(folder: Path, tmp_path: Path) -> None:
    (folder / "data" / "stills" / "t02_broken").mkdir()
    text = (folder / "load.py").read_text("utf-8")
    broken = 'if "broken" in name:\n        raise ValueError("no truth")\n    return scene()'
    (folder / "load.py").write_text(text.replace("return scene()", broken), "utf-8")
    out = tmp_path / "out"
    ran = _run(str(folder), "--workers", "1", "--out", str(out), "--only", "under1")
    assert ran.returncode == 1
    errors = {r["scene"]: r["error"] for r in _rows(out)}
    assert errors == {"t01_round": "", "t02_broken": "ValueError: no truth"}
    assert "- t02_broken under1, final, plate: ValueError: no truth" in ran.stdout


def test_an_interrupt_keeps_what_is_finished(
    folder: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def stopped(tasks: list[Task], workers: int) -> Iterator[list[Row]]:
        yield [_row("t01_round", 10)]
        raise KeyboardInterrupt

    monkeypatch.setattr(quality, "done", stopped)
    out = tmp_path / "out"
    assert quality.main([str(folder), "--out", str(out)]) == 130
    assert [r["figures"]["SAD"] for r in _rows(out)] == [10]
    assert "Stopped early" in capsys.readouterr().out


def _spoil_nothing(folder: Path) -> None:
    pass


def _no_loader(folder: Path) -> None:
    (folder / "load.py").unlink()


def _no_scenes(folder: Path) -> None:
    (folder / "data" / "stills" / "t01_round").rmdir()


def _no_plate(folder: Path) -> None:
    text = (folder / "load.py").read_text("utf-8")
    (folder / "load.py").write_text(text.replace("def plate", "def _plate"), "utf-8")


def _no_python(folder: Path) -> None:
    (folder / "score.py").write_text("def score(:\n", "utf-8")


@pytest.mark.parametrize(
    ("spoil", "words", "told"),
    [
        (_no_loader, [], "there is no load.py in it"),
        (_no_scenes, [], "there are no scenes in data/stills"),
        (_no_plate, [], "it lacks plate"),
        (_no_python, [], "it could not be loaded (SyntaxError"),
        (_spoil_nothing, ["--only", "yuv420 foggy"], "ONLY names foggy; known here are yuv420"),
        (_spoil_nothing, ["--scenes", "t01 t07"], "SCENES names t07; there are t01_round"),
        (_spoil_nothing, ["--workers", "some"], "WORKERS is some; need a whole number from 1"),
        (_spoil_nothing, ["--bars", "none.toml"], "need a TOML file of bars"),
        (_spoil_nothing, ["--base", "none.json"], "need the figures.json of an earlier run"),
    ],
)
def test_what_cannot_be_used_is_told_in_one_sentence(
    folder: Path, capsys: pytest.CaptureFixture[str], spoil: Any, words: list[str], told: str
) -> None:
    spoil(folder)
    assert quality.main([str(folder), *words]) == 2
    error = capsys.readouterr().err
    assert told in error
    assert error.startswith("quality: ")
    assert error.count("\n") == 1


@pytest.mark.parametrize(
    ("data", "told"), [("", "no folder was named"), ("gone", "no such folder")]
)
def test_a_folder_must_be_named(data: str, told: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert quality.main([data]) == 2
    assert told in capsys.readouterr().err


def _row(scene: str, sad: float, plate: bool = True, grade: str = "final", de: float = 1.0) -> Row:
    figures = {"SAD": sad, "Grad": 1.0, "band": 0.1, "haze": 0.0, "holes": 0.0, "dE00": de}
    return Row("still", scene, "yuv420", plate, grade, figures)


def test_means_ratios_and_bars_worked_out_by_hand() -> None:
    rows = [_row("a", 10), _row("b", 20, de=2.6)]
    rows += [_row("a", 10, plate=False), _row("b", 32, plate=False)]
    rows += [_row("a", 11, grade="live"), _row("b", 22, grade="live")]
    bars = {
        "everywhere": {"haze": 0.003, "SAD": 99},
        "stills": {"yuv420": {"SAD": 14.9}},
        "ratios": {"no_plate": 1.3, "live": 1.25},
        "colour": {"variant": "yuv420", "times": 1.25, "floor": {"a": 1.0, "b": 2.0}},
    }
    short, whole = quality.report(rows, bars, [_row("a", 8), _row("b", 32)])
    line = next(x for x in short.splitlines() if x.startswith("| yuv420 |"))
    cells = [x.strip() for x in line.strip("|").split("|")]
    assert cells[1] == "**15** (14.9)"
    # 42 / 30 and 33 / 30.
    assert cells[-4:] == ["**1.4** (1.3)", "1.6 b", "1.1", "1.1 a"]
    assert "3 of 6 figures miss their bar." in short
    assert "- yuv420 b dE00: 2.6, bar 2.5" in short
    assert "20 → 15 (-25.0 %)" in short
    assert whole.startswith(short.rstrip())
    assert "| b | final, no plate | 32 |" in whole


def test_a_failed_cut_leaves_no_figure_and_no_part_in_a_mean() -> None:
    rows = [_row("a", 10), Row("still", "b", "yuv420", True, "final", {}, error="no disk")]
    short, whole = quality.report(rows, {}, [])
    assert "| yuv420 | 10 |" in short
    assert "- b yuv420, final, plate: no disk" in short
    assert "| b | final, plate | failed |" in whole


def test_the_bars_that_are_kept_can_be_read() -> None:
    bars = tomllib.loads(quality.BARS.read_text("utf-8"))
    assert set(bars) == {"everywhere", "stills", "ratios", "colour", "clips", "closed_form"}
    assert tables.Marks(bars).bar("stills", "clean", "SAD") == 11
    assert tables.Marks(bars).bar("stills", "clean", "dE76") is None


def test_the_trimap_is_the_partial_alpha_grown_by_three_pixels() -> None:
    alpha = np.zeros((20, 40))
    alpha[:, 20] = 0.5
    alpha[:, 21:] = 1
    trimap = trimap_of(alpha)
    assert trimap[10].tolist() == [0.0] * 17 + [0.5] * 7 + [1.0] * 16


def test_the_sheet_shows_where_the_error_is() -> None:
    rng = np.random.default_rng(1)
    fg = rng.random((400, 600, 3))
    true = np.zeros((400, 600))
    true[:, 300:] = 1
    true[100:140, 280:300] = 0.5
    alpha = true.copy()
    alpha[330:350, 520:540] = 0.2
    shot = np.zeros((400, 600, 3), np.uint8)
    why, top, left = places(Result(shot, true, fg, alpha, fg), side=100)[0]
    assert why == "largest matte error"
    assert top <= 330 <= 350 <= top + 100
    assert left <= 520 <= 540 <= left + 100
    chosen = {w: (t, x) for w, t, x in places(Result(shot, true, fg, alpha, fg), side=100)}
    top, left = chosen["most partial alpha"]
    assert top <= 100 <= 140 <= top + 100
    # Half linear white is code 188 in sRGB (IEC 61966-2-1).
    white = over(np.full((1, 1), 0.5), np.ones((1, 1, 3)), np.zeros((1, 1, 3)))
    assert white[0, 0].tolist() == [188, 188, 188]
