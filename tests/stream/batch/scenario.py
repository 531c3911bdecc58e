"""A small event of our own invention, with real files: the Lantern Walk at Brightwater pier."""

from __future__ import annotations

import time
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from fractions import Fraction
from pathlib import Path

import numpy as np
import torch
from PIL import Image

from models.color import Encoding, Matrix, Planes, Range, Siting
from models.keyer import KeySettings
from models.transfer import Transfer
from stream.capture.frame import Frame
from stream.event import Event

ROSTER = "number,name,group\n1,Mira Tallow,Otters\n2,Jon Fenwick,Otters\n03,Åsa Öberg,Herons\n"
TAKEN = datetime(2026, 5, 31, 18, 4, 5, tzinfo=timezone(timedelta(hours=2)))
SETTINGS = KeySettings()
SMALL = (96, 128)


def make_template(folder: Path, ppi: int = 40, text: str = "{name}") -> Path:
    """A 2 x 2.5 in template of two layers with the subject between them and a line of text."""
    folder.mkdir(parents=True)
    Image.new("RGB", (200, 250), (40, 90, 160)).save(folder / "10-sky.png")
    strip = Image.new("RGBA", (200, 250), (0, 0, 0, 0))
    strip.paste((250, 240, 200, 255), (0, 220, 200, 250))
    strip.save(folder / "20-strip.png")
    (folder / "template.toml").write_text(
        f"[picture]\nwidth_in = 2\nheight_in = 2.5\nppi = {ppi}\n"
        '[slot]\nabove = "sky"\nfit = "cover"\n'
        f'[[text]]\nvalue = "{text}"\nabove = "strip"\nbox = [10, 222, 180, 26]\n'
        'size = 18\nleast = 8\ncolor = "#202020"\n',
        "utf-8",
    )
    return folder


def make_event(tmp: Path, roster: str = ROSTER) -> Event:
    """The event's folder with one template."""
    (tmp / "given").mkdir()
    listed = tmp / "given" / "list.csv"
    listed.write_text(roster, "utf-8")
    template = make_template(tmp / "given" / "pier")
    return Event.create(tmp / "walk", "Lantern Walk", roster=listed, templates=[template])


def noise(size: tuple[int, int], depth: int, chroma: tuple[int, int], seed: int) -> Planes:
    """Three planes of noise; chroma divided by (down, across), rounded up."""
    generator = torch.Generator().manual_seed(seed)
    half = (-(-size[0] // chroma[0]), -(-size[1] // chroma[1]))
    kind = torch.uint8 if depth == 8 else torch.int32
    made = [
        torch.randint(0, 1 << depth, shape, generator=generator, dtype=torch.int32).to(kind)
        for shape in (size, half, half)
    ]
    return made[0], made[1], made[2]


def make_frame(index: int = 0, size: tuple[int, int] = SMALL, quarter_turns: int = 0) -> Frame:
    """A green screen with a grey figure before it, told apart from others by its noise."""
    luma, cb, cr = (p.to(torch.int32) // 32 for p in noise(size, 8, (2, 2), index))
    height, width = size
    luma += 120
    cb += 60
    cr += 50
    body = (slice(height // 4, height), slice(width // 3, 2 * width // 3))
    half = (slice(height // 8, height // 2), slice(width // 6, width // 3))
    luma[body], cb[half], cr[half] = 140, 128, 128
    planes = (luma.to(torch.uint8), cb.to(torch.uint8), cr.to(torch.uint8))
    tags = Encoding(Matrix.BT709, Range.NARROW, Transfer.BT709, Siting.LEFT, 8)
    return Frame(
        planes,
        tags,
        quarter_turns,
        index,
        Fraction(1, 25),
        time.monotonic(),
        TAKEN,
        "pier camera",
        index,
    )


def without_colour(frame: Frame) -> Frame:
    """The same frame with a grey wall in place of its screen."""
    luma, cb, cr = frame.planes
    return replace(frame, planes=(luma, torch.full_like(cb, 128), torch.full_like(cr, 128)))


def same_planes(one: Planes, other: Planes) -> bool:
    """Bit-identical, of one type."""
    return all(a.dtype == b.dtype and torch.equal(a, b) for a, b in zip(one, other, strict=True))


def make_still(path: Path, size: tuple[int, int] = (200, 160), seed: int = 0) -> Path:
    """A camera's JPEG, (width, height), with its date."""
    pixels = np.random.default_rng(seed).integers(0, 60, (size[1], size[0], 3), np.uint8)
    pixels[..., 1] += 120
    pixels[size[1] // 4 :, size[0] // 3 : 2 * size[0] // 3] = (150, 140, 130)
    exif = Image.Exif()
    ifd = exif.get_ifd(0x8769)
    ifd[0x9003], ifd[0x9011] = "2026:05:31 18:04:07", "+02:00"
    Image.fromarray(pixels).save(path, quality=92, exif=exif)
    return path
