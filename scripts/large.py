"""The largest print: a 24 MP still as a 20 x 30 inch poster, and the most memory that it takes.

``python scripts/large.py`` makes the poster's design, its event and, by the real
``posewall batch run``, its picture; ``--pictures 2`` a second one from the design's kept parts.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import cv2
import numpy as np
from numpy.typing import NDArray

from demo_clips import make
from models.keyer import KeySettings
from models.strips import MOST_BYTES
from scripts.evening import STILL
from scripts.timing import met
from stream.capture.stills import read_still
from stream.event import Event
from stream.shot import add_still, save_plate

ROOT = Path(__file__).resolve().parent.parent
POSTER = "poster"
INCHES, PPI = (20, 30), 300


def description(ppi: int) -> str:
    """The poster's template.toml, on a canvas of its print's pixels."""
    return f"""[picture]
width_in = {INCHES[0]}
height_in = {INCHES[1]}
ppi = {ppi}

[slot]
above = "hills"

[[layer]]
name = "light"
mode = "screen"

[[layer]]
name = "grain"
mode = "multiply"

[[text]]
value = "{{name}}"
above = "frame"
box = [{2 * ppi}, {27 * ppi}, {16 * ppi}, {ppi + ppi // 3}]
size = {ppi}
least = {ppi // 5}
color = "#ffffff"
align = "center"
"""


def _waves(height: int, width: int, rows: float, columns: float) -> NDArray[np.uint8]:
    """A smooth pattern of 8-bit codes, made without a large float between."""
    down = np.sin(np.linspace(0, rows, height)) * 60
    across = np.cos(np.linspace(0, columns, width)) * 60
    return np.add.outer(down.astype(np.int16), across.astype(np.int16) + 128).astype(np.uint8)


def design(folder: Path, ppi: int = PPI) -> Path:
    """A poster's design at full size: hills, and above the subject light, grain and a frame.

    Args:
        folder: made here.
        ppi: pixels an inch.
    """
    height, width = INCHES[1] * ppi, INCHES[0] * ppi
    folder.mkdir(parents=True)
    (folder / "template.toml").write_text(description(ppi), "utf-8")
    fast = [cv2.IMWRITE_PNG_COMPRESSION, 1]

    def layer(name: str, *channels: NDArray[np.uint8]) -> None:
        if not cv2.imwrite(str(folder / name), cv2.merge(channels), fast):
            raise OSError(f"{folder / name} could not be written; look for room on the disk")

    one, two = _waves(height, width, 9, 5), _waves(height, width, 4, 14)
    layer("10-hills.png", two, one, one)
    clear = np.zeros((height, width), np.uint8)
    clear[: height // 3] = 70
    layer("20-light.png", one, two, two, clear)
    layer("30-grain.png", one // 8 + 220, one // 8 + 220, one // 8 + 220, two // 2)
    rim = width // 20
    clear[:] = 255
    clear[rim:-rim, rim:-rim] = 0
    clear[-height // 8 : -rim, rim:-rim] = 160
    layer("40-frame.png", two // 2, one // 3, one // 2, clear)
    return folder


def large(made: Path, *, pictures: int = 1, form: str = "jpeg") -> dict[str, Any]:
    """Make posters in a process of its own.

    Args:
        made: the demo's files.
        pictures: how many people; the second takes the design's parts from the disk.
        form: of the files.

    Returns:
        A row: its name, pictures made, the most memory held, seconds a picture.

    Raises:
        RuntimeError: the command did not get as far as its summary, or a picture is missing.
    """
    folder = Path(tempfile.mkdtemp(prefix="posewall-large-"))
    try:
        listed = folder / "roster.csv"
        people = "".join(f"{i},Quenmi Tölor{i}\n" for i in range(1, pictures + 1))
        listed.write_text("number,name\n" + people, "utf-8")
        poster = design(folder / POSTER)
        event = Event.create(folder / "event", "Large", roster=listed, templates=[poster])
        with (event.paths.root / "event.toml").open("a", encoding="utf-8") as toml:
            toml.write(f'\n[pictures]\nform = "{form}"\n')
        event = Event.open(event.paths.root)
        plate_file = made / "plates" / STILL
        plate = save_plate(event, read_still(plate_file), still=plate_file)
        settings = KeySettings.from_json(dict(event.config.key))
        for person in event.roster.people:
            add_still(
                event,
                made / "stills" / STILL,
                people=[person.number],
                template=event.template(POSTER),
                plate=plate,
                settings=settings,
            )
        told = folder / "stages.json"
        words = [sys.executable, "-m", "scripts.stages", str(told), "batch", "run"]
        done = subprocess.run(
            [*words, "--event", str(event.paths.root)],
            cwd=ROOT,
            check=False,
            text=True,
            capture_output=True,
        )
        files = [p for p in event.paths.pictures.rglob("*") if p.is_file()]
        if not told.exists() or len(files) != pictures:
            raise RuntimeError(
                f"the batch ended with {done.returncode}: {done.stdout}{done.stderr}"
            )
        stages = json.loads(told.read_text("utf-8"))
    finally:
        shutil.rmtree(folder, ignore_errors=True)
    high, wide = INCHES[1] * PPI, INCHES[0] * PPI
    peak = stages["peak_bytes"]
    return {
        "row": f"24 MP still into {wide}x{high} as {form}, {pictures} pictures, batch run",
        "peak_gb": None if peak is None else peak / 1e9,
        "peak_bytes": peak,
        "bars": {"peak_bytes": met(peak, MOST_BYTES)},
        "seconds": {"shots": stages["shots"], **stages["seconds"]},
    }


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="The most memory that a poster takes.")
    parser.add_argument("--pictures", type=int, default=1, help="how many, one after another")
    parser.add_argument("--form", default="jpeg", help="of the files, as in event.toml")
    args = parser.parse_args()
    make.make(make.MADE)
    print(json.dumps(large(make.MADE, pictures=args.pictures, form=args.form), indent=1))
    return 0


if __name__ == "__main__":
    sys.exit(main())
