"""Make the demo event: ``python -m demo_clips.make [--out FOLDER]``.

Everything is made once and the same every time with the same library versions. It is built in a
folder beside the target and moved in piece by piece; what else lies in the target stays.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import multiprocessing
import shutil
import sys
import tempfile
from collections.abc import Callable
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from importlib.metadata import version
from pathlib import Path

import cv2
import torch

from demo_clips import clip, scenario, templates, truth
from stream.errors import UserError

MADE = scenario.HERE / "made"
STAMP = "made.json"
LIBRARIES = ("numpy", "opencv-python", "pillow", "av", "torch")


def inputs_hash(scale: float, frames: int) -> str:
    """What the result depends on: code, subjects, fonts, roster, libraries, size and length."""
    digest = hashlib.sha256(f"{scale:g} {frames}".encode())
    for name in LIBRARIES:
        digest.update(f"{name} {version(name)}".encode())
    for path in sorted(scenario.HERE.rglob("*")):
        inside = path.relative_to(scenario.HERE)
        skip = inside.parts[0] in ("made", "README.md") or "__pycache__" in inside.parts
        # What another process is making just now is no part of it.
        skip = skip or inside.parts[0].startswith(".")
        if path.is_file() and not skip and path.suffix != ".pyc":
            digest.update(inside.as_posix().encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()


def _quiet() -> None:
    # Two processes share the machine; threads inside them would only wait for each other.
    torch.set_num_threads(1)
    cv2.setNumThreads(1)


def _evening(out: Path, scale: float, frames: int) -> None:
    templates.write_evening(out / "event" / "templates" / scenario.EVENING, scale)


def _daylight(out: Path, scale: float, frames: int) -> None:
    templates.write_daylight(out / "event" / "templates" / scenario.DAYLIGHT, scale)


def _landscape(out: Path, scale: float, frames: int) -> None:
    clip.write_clip(out / "clip.mp4", truth.LANDSCAPE, frames=frames, seed=5)
    clip.write_plate(out / "plates" / "clip.png", truth.LANDSCAPE)


def _portrait(out: Path, scale: float, frames: int) -> None:
    clip.write_clip(
        out / "clip_portrait_turned.mp4", truth.PORTRAIT, frames=frames, quarter_turns=1, seed=6
    )
    clip.write_plate(out / "plates" / "clip_portrait.png", truth.PORTRAIT)


Job = Callable[[Path, float, int], None]
# The longest first, so that two processes end together.
JOBS: dict[str, Job] = {
    "evening template": _evening,
    "daylight template": _daylight,
    "portrait clip": _portrait,
    "clip": _landscape,
}


def _run(name: str, out: Path, scale: float, frames: int) -> str:
    _quiet()
    JOBS[name](out, scale, frames)
    return name


def _copies(out: Path) -> None:
    for folder in ("plates", "stills", "event/templates"):
        (out / folder).mkdir(parents=True, exist_ok=True)
    for stem in ("portrait_6mp", "portrait_24mp"):
        shutil.copyfile(scenario.SUBJECT / f"{stem}.jpg", out / "stills" / f"{stem}.jpg")
        shutil.copyfile(scenario.SUBJECT / f"{stem}_plate.jpg", out / "plates" / f"{stem}.jpg")
    shutil.copyfile(scenario.ROSTER, out / "event" / "roster.csv")


def _stamped(out: Path) -> str | None:
    try:
        return str(json.loads((out / STAMP).read_text(encoding="utf-8"))["inputs"])
    except (OSError, ValueError, KeyError, TypeError):
        return None


def make(
    out: Path = MADE,
    *,
    scale: float = 1.0,
    frames: int = truth.FRAMES,
    workers: int = 2,
    say: Callable[[str], None] = print,
) -> bool:
    """Make the demo event where it is missing or out of date.

    Args:
        out: the folder; ``event/`` inside it becomes an event folder.
        scale: of the templates' pixels; 1 is print size.
        frames: length of the clips.
        workers: processes; 0 works in this one.
        say: gets the lines of progress.

    Returns:
        False where everything was there already.

    Raises:
        UserError: ``out`` holds something else, or cannot be written.
    """
    want = inputs_hash(scale, frames)
    have = _stamped(out)
    if have == want:
        say(f"{out}: already made")
        return False
    if out.exists() and have is None and (not out.is_dir() or any(out.iterdir())):
        raise UserError(
            f"{out} already holds something that is not the demo event; "
            "give an empty or a new folder with --out"
        )
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=f".{out.name}-", dir=out.parent) as name:
            build = Path(name)
            _copies(build)
            _build(build, scale, frames, workers, say)
            for path in sorted(p for p in build.rglob("*") if p.is_file()):
                target = out / path.relative_to(build)
                target.parent.mkdir(parents=True, exist_ok=True)
                path.replace(target)
            stamp = build / STAMP
            stamp.write_text(json.dumps({"inputs": want}) + "\n", encoding="utf-8")
            stamp.replace(out / STAMP)
    except OSError as e:
        raise UserError(
            f"the demo event could not be written to {out} ({e.strerror or e}); it needs about "
            "100 MB of room; free some, or give another folder with --out"
        ) from e
    say(f"{out}: done")
    return True


def _build(
    build: Path, scale: float, frames: int, workers: int, say: Callable[[str], None]
) -> None:
    say(f"making the demo event, {len(JOBS)} parts, about a minute")
    if not workers:
        for count, name in enumerate(JOBS, 1):
            JOBS[name](build, scale, frames)
            say(f"  {count} of {len(JOBS)}: {name}")
        return
    fresh = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=fresh) as pool:
        waiting: list[Future[str]] = [
            pool.submit(_run, name, build, scale, frames) for name in JOBS
        ]
        for count, done in enumerate(as_completed(waiting), 1):
            say(f"  {count} of {len(JOBS)}: {done.result()}")


def main(arguments: list[str] | None = None) -> int:
    """The command; 2 for a mistake that the user can mend."""
    parser = argparse.ArgumentParser(prog="python -m demo_clips.make", description="Make the demo.")
    parser.add_argument("--out", type=Path, default=MADE, help="folder to make it in")
    try:
        make(parser.parse_args(arguments).out, say=lambda line: print(line, flush=True))
    except UserError as e:
        print(e, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
