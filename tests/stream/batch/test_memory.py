"""How much memory a print takes: its own pixels and a strip, not the layers above and below it.

The same print in strips of an eighth of a megapixel and in two sizes: what the larger takes more
is what a pixel takes. Made in processes of their own, from parts that lie on the disk.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from models.keyer import KeySettings
from models.strips import MOST_BYTES
from scripts.large import POSTER, design
from stream.event import Event
from stream.shot import add_still

RUN = """
import sys
import torch
from models import banded, strips, window
strips.STRIP_PIXELS = banded.CUT_PIXELS = window.BAND_PIXELS = 1 << 17
torch.set_num_threads(1)
from scripts.stages import peak_bytes
from stream.batch.render import Renderer
from stream.event import Event
from stream.prints.about import About
from stream.prints.output import Output
from stream.prints.picture import picture_bytes
from stream.shot import load_shot
event = Event.open(sys.argv[1])
picture = Renderer(event).render(load_shot(event, sys.argv[2]))
picture_bytes(picture.pixels, Output(), About(picture.ppi, picture.taken, "0" * 32))
print(picture.pixels.shape[0] * picture.pixels.shape[1], peak_bytes())
"""
ROOT = Path(__file__).resolve().parents[3]
LARGEST = 6000 * 9000
MOST_A_PIXEL = 20.0


def _still(path: Path) -> Path:
    """A grey figure before a green screen."""
    shown = np.full((600, 400, 3), (60, 180, 70), np.uint8)
    shown[200:, 130:270] = (150, 150, 150)
    Image.fromarray(shown).save(path)
    return path


def _peak(event: Event, shot: str) -> tuple[int, int]:
    """Pixels of a picture and the most memory of a process that makes it."""
    words = [sys.executable, "-W", "ignore", "-c", RUN, str(event.paths.root), shot]
    done = subprocess.run(words, capture_output=True, text=True, check=True, cwd=ROOT)
    pixels, peak = done.stdout.split()[-2:]
    return int(pixels), int(peak)


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the system does not tell")
def test_a_larger_print_takes_little_more_than_its_own_pixels(tmp_path: Path) -> None:
    still = _still(tmp_path / "still.png")
    listed = tmp_path / "roster.csv"
    listed.write_text("number,name\n1,Mira Tallow\n", "utf-8")
    told = []
    for ppi in (50, 110):
        folder = tmp_path / str(ppi)
        poster = design(folder / POSTER, ppi)
        event = Event.create(folder / "event", "Posters", roster=listed, templates=[poster])
        made = event.template(POSTER)
        shot, _ = add_still(event, still, people=["1"], template=made, settings=KeySettings())
        made.strips(made.picture_size(), {}).rows(slice(0, 1))  # its parts, onto the disk
        told.append(_peak(event, shot.id))
    (small, low), (large, high) = told
    a_pixel = (high - low) / (large - small)
    # Codes, and the encoder's copy of four bytes and its file: scene and subject took 60 more.
    assert a_pixel < MOST_A_PIXEL, f"{a_pixel:.1f} bytes a pixel"
    assert low + a_pixel * (LARGEST - small) < MOST_BYTES
