"""A whole evening made unattended, by the real command: people, two templates, 24 MP stills."""

from __future__ import annotations

import json
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from statistics import median
from typing import Any

from demo_clips import scenario
from models.keyer import KeySettings
from stream.capture.stills import read_still
from stream.event import Event
from stream.shot import add_still, save_plate

ROOT = Path(__file__).resolve().parent.parent
TEMPLATES = (scenario.EVENING, scenario.DAYLIGHT)
STILL = "portrait_24mp.jpg"
_SYLLABLES = ("ba", "lor", "mi", "ne", "sza", "tö", "vé", "ri", "quen", "da", "ñe", "ul")


def roster(count: int, seed: int = 4) -> str:
    """People with invented names, each of whom ordered a picture by both templates."""
    rng = random.Random(seed)

    def word() -> str:
        return "".join(rng.choices(_SYLLABLES, k=rng.choice((2, 2, 3, 4)))).capitalize()

    wanted = "; ".join(TEMPLATES)
    lines = [f"{i},{word()} {word()},Group {i % 7 + 1},{wanted}" for i in range(1, count + 1)]
    return "\n".join(["number,name,group,order", *lines]) + "\n"


def plan(folder: Path, made: Path, count: int, templates: Sequence[Path]) -> Event:
    """An event with a shot of everybody, each one's still a file of its own."""
    listed = folder / "roster.csv"
    listed.write_text(roster(count), "utf-8")
    event = Event.create(folder / "event", "Evening", roster=listed, templates=templates)
    plate_file = made / "plates" / STILL
    plate = save_plate(event, read_still(plate_file), still=plate_file)
    settings = KeySettings.from_json(dict(event.config.key))
    for person in event.roster.people:
        add_still(
            event, made / "stills" / STILL, people=[person.number], plate=plate, settings=settings
        )
    return event


def evening(
    made: Path, count: int, templates: Sequence[Path], *, progress: bool = False
) -> dict[str, Any]:
    """Make everybody's pictures in a process of its own.

    Args:
        made: the demo's files.
        count: how many people.
        templates: folders of the two templates.
        progress: what the command says as it goes on is shown.

    Returns:
        A row: pictures, how many failed, shares of each stage, the most memory held.

    Raises:
        RuntimeError: the command did not get as far as its summary.
    """
    folder = Path(tempfile.mkdtemp(prefix="posewall-evening-"))
    try:
        event = plan(folder, made, count, templates)
        told = folder / "stages.json"
        words = [sys.executable, "-m", "scripts.stages", str(told), "batch", "run"]
        start = time.perf_counter()
        done = subprocess.run(
            [*words, "--event", str(event.paths.root)],
            cwd=ROOT,
            check=False,
            text=True,
            stdout=subprocess.PIPE,
            stderr=None if progress else subprocess.PIPE,
        )
        took = time.perf_counter() - start
        if not told.exists():
            raise RuntimeError(f"the batch ended with {done.returncode}: {done.stderr or ''}")
        stages = json.loads(told.read_text("utf-8"))
        pictures = sum(p.is_file() for p in event.paths.pictures.rglob("*.jpg"))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    seconds, shots = stages["seconds"], stages["shots"]
    total = sum(seconds.values()) or 1.0
    shares = {f"{name}_share": s / total for name, s in sorted(seconds.items(), key=_by_size)}
    peak = stages["peak_bytes"]
    return {
        "row": f"evening, {count} people x {len(templates)} templates from 24 MP stills",
        "pictures": pictures,
        "failed": count * len(templates) - pictures,
        "pictures_a_minute": pictures / took * 60,
        "seconds_a_picture": median(shots) / len(templates) if shots else None,
        "first_over_usual": shots[0] / median(shots) if shots else None,
        "peak_gb": None if peak is None else peak / 1e9,
        **shares,
        "seconds": {"all": took, "shots": shots, **seconds},
    }


def _by_size(item: tuple[str, float]) -> float:
    return -item[1]
