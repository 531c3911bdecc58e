"""One scene cut by the real command and scored against its truth, in a worker process."""

from __future__ import annotations

import io
import shutil
import signal
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from numpy.typing import NDArray

from scripts.scenes import Scenes, open_scenes
from scripts.sheet import Result, sheet
from stream.cli import main as posewall
from stream.errors import UserError

Floats = NDArray[np.floating[Any]]
GROWN_PX = 3
CLOSED_FORM_ON = "yuv420"


@dataclass(frozen=True)
class Task:
    """What one worker does in one go: a still, a clip, or a still by closed form, one variant."""

    folder: Path
    kind: str
    scene: str
    variant: str
    plates: tuple[bool, ...]
    grades: tuple[str, ...]
    sheet: Path | None = None


@dataclass(frozen=True)
class Row:
    """One cut and its figures; ``error`` instead of figures where it failed."""

    kind: str
    scene: str
    variant: str
    plate: bool
    grade: str
    figures: dict[str, float]
    seconds: float = 0.0
    said: str = ""
    error: str = ""


def bound(threads: int) -> None:
    """Called once in each worker: so many threads; an interrupt is the parent's business."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    torch.set_num_threads(threads)
    cv2.setNumThreads(threads)


@lru_cache(maxsize=1)
def _open(folder: Path) -> Scenes:
    return open_scenes(folder)


@lru_cache(maxsize=1)
def _still(folder: Path, name: str) -> dict[str, Any]:
    found: dict[str, Any] = _open(folder).load.still(name)
    return found


@contextmanager
def _room() -> Iterator[Path]:
    room = Path(tempfile.mkdtemp(prefix="posewall-quality-"))
    try:
        yield room
    finally:
        shutil.rmtree(room, ignore_errors=True)


def cut(source: Path, plate: Path | None, out: Path, grade: str) -> tuple[float, str]:
    """`posewall cut`, the command itself, in this process.

    Returns:
        The seconds that it took, files included, and what it said to the user.
    """
    words = ["cut", str(source), "--out", str(out), "--grade", grade]
    words += ["--plate", str(plate)] if plate else []
    said = io.StringIO()
    with redirect_stdout(io.StringIO()), redirect_stderr(said):
        start = time.perf_counter()
        code = posewall(words)
        seconds = time.perf_counter() - start
    if code:
        raise UserError(said.getvalue().strip() or f"posewall cut ended with {code}")
    return seconds, said.getvalue().strip()


def read_alpha(path: Path) -> Floats:
    """A matte file as (H, W) float64 in [0, 1]."""
    return _plain(path)


def _plain(path: Path) -> Floats:
    codes = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if codes is None:
        raise UserError(f"{path.name}: posewall cut did not write it")
    return np.asarray(codes / (65535.0 if codes.dtype == np.uint16 else 255.0), np.float64)


def _write(path: Path, rgb: NDArray[np.uint8]) -> Path:
    cv2.imwrite(str(path), rgb[..., ::-1])
    return path


def _stills(task: Task, room: Path) -> Iterator[Row]:
    scenes, d = _open(task.folder), _still(task.folder, task.scene)
    rgb = scenes.load.variant(task.variant, d)
    shot = _write(room / f"{task.scene}.png", rgb)
    plate = None
    if any(task.plates):
        plate = _write(room / f"{task.scene}_plate.png", scenes.load.plate(task.variant, d))
    truth = d["F"] if d["N"] is None else d["N"]
    for with_plate in task.plates:
        for grade in task.grades:
            row = Row("still", task.scene, task.variant, with_plate, grade, {})
            try:
                seconds, said = cut(shot, plate if with_plate else None, room, grade)
            except UserError as e:
                yield replace(row, error=str(e))
                continue
            alpha = read_alpha(room / f"{task.scene}.matte.png")
            colour = _plain(room / f"{task.scene}.fg.png")[..., 2::-1]
            fg = scenes.score.srgb_dec(colour).astype(np.float32)
            figures = scenes.score.score(alpha, d["a"], fg, truth)
            if task.sheet and grade == "final" and with_plate == task.plates[0]:
                title = f"{task.scene} {task.variant}, {'with' if with_plate else 'no'} plate"
                sheet(task.sheet, title, Result(rgb, d["a"], truth, alpha, fg))
            yield replace(row, figures=figures, seconds=seconds, said=said)


def _clips(task: Task, room: Path) -> Iterator[Row]:
    scenes = _open(task.folder)
    frames = list(scenes.load.video(task.scene))
    plate = _write(room / "plate.png", scenes.load.plate("yuv420", frames[0]))
    truth = [x["a"] for x in frames]
    del frames
    for with_plate in task.plates:
        for grade in task.grades:
            row = Row("clip", task.scene, task.variant, with_plate, grade, {})
            out = room / f"{with_plate}-{grade}"
            try:
                source = scenes.clip(task.scene, task.variant)
                seconds, said = cut(source, plate if with_plate else None, out, grade)
                mattes = sorted(out.glob("*.matte.png"))
                if len(mattes) != len(truth):
                    raise UserError(f"{len(mattes)} mattes for {len(truth)} frames")
            except UserError as e:
                yield replace(row, error=str(e))
                continue
            got = [read_alpha(m) for m in mattes]
            each = [scenes.score.score(g, t, conn=False) for g, t in zip(got, truth, strict=True)]
            figures = {k: float(np.mean([x[k] for x in each])) for k in each[0]}
            figures["dtSSD"] = scenes.score.dtssd(got, truth)
            shutil.rmtree(out)
            yield replace(row, figures=figures, seconds=seconds, said=said)


def trimap_of(alpha: Floats, grown_px: int = GROWN_PX) -> Floats:
    """0 outside, 1 inside, .5 where the alpha is partial and ``grown_px`` around that."""
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * grown_px + 1,) * 2)
    partial = ((alpha > 0) & (alpha < 1)).astype(np.uint8)
    return np.where(cv2.dilate(partial, disc) > 0, 0.5, (alpha >= 1).astype(np.float64))


def _closed_form(task: Task, room: Path) -> Iterator[Row]:
    """The same still by pymatting's closed form, which is given the true alpha's trimap."""
    from pymatting.alpha.estimate_alpha_cf import estimate_alpha_cf

    scenes, d = _open(task.folder), _still(task.folder, task.scene)
    rgb = scenes.load.variant(task.variant, d)
    shot = _write(room / f"{task.scene}.png", rgb)
    plate = _write(room / f"{task.scene}_plate.png", scenes.load.plate(task.variant, d))
    trimap = trimap_of(d["a"])
    encoded = rgb / 255.0
    row = Row("closed form", task.scene, task.variant, True, "final", {})
    # The first call of either compiles or loads; only later ones are timed.
    corner = slice(0, 48)
    small = np.tile(np.linspace(0, 1, 48), (48, 1))
    estimate_alpha_cf(encoded[corner, corner], np.clip(np.round(small * 2) / 2, 0, 1))
    cut(shot, plate, room, "final")
    seconds, said = cut(shot, plate, room, "final")
    ours = scenes.score.score(read_alpha(room / f"{task.scene}.matte.png"), d["a"], conn=False)
    yield replace(row, figures=ours, seconds=seconds, said=said)
    for light, image in (("encoded", encoded), ("linear", scenes.score.srgb_dec(encoded))):
        start = time.perf_counter()
        alpha = estimate_alpha_cf(image, trimap)
        seconds = time.perf_counter() - start
        figures = scenes.score.score(alpha, d["a"], conn=False)
        yield replace(row, grade=f"closed form, {light}", figures=figures, seconds=seconds)


KINDS = {"still": _stills, "clip": _clips, "closed form": _closed_form}


def work(task: Task) -> list[Row]:
    """Cut and score; called in a worker."""
    with _room() as room:
        return list(KINDS[task.kind](task, room))
