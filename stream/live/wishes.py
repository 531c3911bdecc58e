"""What the user asked of the live program, and the machine that it has for it."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path

import torch

from stream.device import pick_device as pick_device
from stream.opencv import cv2
from stream.pages.address import DEFAULT_PORT

# chosen: keying asks for the interpreter's lock after every operation, and waits this long where
# another thread runs Python; with the usual 5 ms a frame took a third longer beside one (measured).
SWITCH_S = 0.001


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
        sound: of takes: a microphone's number or name, "own" for the source's own track, "none";
            None for the own track where there is one, else the first microphone.
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
    sound: str | None = None


def bound_threads() -> int:
    """Share the cores: keying leaves one to capture, JPEG, the pages and the browser.

    Threads that share a core with other work wait for each other at every operation: two for
    keying on two cores took 5 times as long as one as soon as anything else ran (measured).

    Returns:
        How many threads key.
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    threads = max(1, min(8, (cores or 2) - 1))
    torch.set_num_threads(threads)
    cv2.setNumThreads(1)
    sys.setswitchinterval(SWITCH_S)
    return threads
