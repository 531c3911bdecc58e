"""What the user asked of the live program, and the machine that it has for it."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import cv2
import torch

from stream.errors import UserError
from stream.pages.serve import DEFAULT_PORT


@dataclass(frozen=True)
class Wishes:
    """The options of `posewall live`.

    Attributes:
        source: camera, address or file.
        turn: degrees clockwise that make the picture upright; None believes the source.
        mirror: the stage acts as a mirror unless it chooses otherwise itself.
        template: name; None for the event's usual one.
        stills: folder that a tethered camera delivers into.
        port: of the pages; 0 for any free one.
        device: "auto", "cpu" or "cuda".
        preview_height: of the live picture, in pixels.
        plate: a still of the empty screen.
        once: a file ends the program when it has been played.
        batch: make pictures beside the live program.
    """

    source: str
    turn: int | None = None
    mirror: bool = False
    template: str | None = None
    stills: Path | None = None
    port: int = DEFAULT_PORT
    device: str = "auto"
    preview_height: int = 720
    plate: Path | None = None
    once: bool = False
    batch: bool = True


def pick_device(wish: str) -> str:
    """The device to key on.

    Raises:
        UserError: CUDA was asked for and there is none.
    """
    there = torch.cuda.is_available()
    if wish == "cuda" and not there:
        raise UserError("--device cuda: no usable CUDA device was found; use --device cpu or auto.")
    return "cuda" if wish == "cuda" or (wish == "auto" and there) else "cpu"


def bound_threads() -> None:
    """Share the cores: from three on, keying leaves one to capture, JPEG and the pages.

    With two it may use both: it is by far the largest share, and the others need a tenth of one.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    count = cores or 2
    torch.set_num_threads(count if count <= 2 else min(8, count - 1))
    cv2.setNumThreads(1)
