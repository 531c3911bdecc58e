"""Films of few pixels in short pieces: soon made, and broken off between pieces and amid them.

What is tested with them is the order in which the program writes, and neither decides that.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from models.color import rgb_to_planes
from models.transfer import encode
from stream.event import Event
from stream.film import piece_encoder
from stream.shape import SHAPES, Shape
from stream.shot import save_plate
from stream.take import Take
from tests.models.rendered import GREEN, VIDEO_8, uneven
from tests.stream.film.planes import taken
from tests.stream.film.takes import clip_of, take_of

SMALL = {"wide": Shape("wide", (180, 320)), "tall": Shape("tall", (320, 180))}
PIECE_S = 0.4


def make_small() -> None:
    """In a process of its own, which makes nothing else."""
    SHAPES.update(SMALL)
    piece_encoder.PIECE_S = PIECE_S


@pytest.fixture
def small(monkeypatch: pytest.MonkeyPatch) -> None:
    """For one test."""
    for name, shape in SMALL.items():
        monkeypatch.setitem(SHAPES, name, shape)
    monkeypatch.setattr(piece_encoder, "PIECE_S", PIECE_S)


def keep_plate(event: Event) -> str:
    """The screen of `tests.stream.film.planes.taken` with nobody before it."""
    bare = rgb_to_planes(encode(uneven(GREEN), VIDEO_8.transfer), VIDEO_8)
    return save_plate(event, replace(taken(1)[0], planes=bare))


def plain_and_plated(event: Event, folder: Path, count: int = 27) -> list[Take]:
    """Two takes of a clip at 10 frames a second: one without a clean plate and one with it.

    The second has both shapes, in which the same frames of the take are shown at the same times.
    """
    clip = clip_of(folder / "clip.mkv", count, 10)
    plain = take_of(event, clip, people=["1"])
    return [plain, take_of(event, clip, ("wide", "tall"), people=["2"], plate=keep_plate(event))]
