"""The live program's first start on a computer: nothing is compiled, and pictures come by torch.

It compiles beside the picture, which is what a photographer sees first, and once.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from demo_clips import scenario
from models import kernels
from scripts.living import ROOT, end
from scripts.programme import WARM
from stream.event import Event
from stream.live.compiler import Compiler, Filled


def first_start(made: Path, event: Event, folder: Path) -> dict[str, Any]:
    """The row of a start with a cache of its own, until the kernels key the pictures.

    Args:
        made: the demo's pictures.
        event: that it runs in.
        folder: where the cache is made.

    Raises:
        RuntimeError: the live picture did not come, or the kernels took too long.
    """
    caches = folder / "first-start"
    env = os.environ | {
        "NUMBA_CACHE_DIR": str(caches / "numba"), "TRITON_CACHE_DIR": str(caches / "triton")
    }  # fmt: skip
    clip, plate = made / "clip.mp4", made / "plates" / "clip.png"
    words = [caches.with_suffix(".json"), event.paths.root, clip, plate, scenario.EVENING, 720, 2.0]
    process = subprocess.Popen(
        [sys.executable, "-m", "scripts.programme", *map(str, words)],
        cwd=ROOT, env=env, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    try:
        begin = json.loads(process.stdout.readline() or '{"failed": "the program ended"}')
    finally:
        end(process)
    if "failed" in begin:
        raise RuntimeError(begin["failed"])
    return row(begin)


def row(begin: dict[str, Any]) -> dict[str, Any]:
    """What the program's first words tell, as a row.

    Args:
        begin: the first line of `scripts.programme`.
    """
    told: dict[str, Any] = {"row": "first start, nothing compiled, 1280x720 at 30 frames a second"}
    told |= {"device": begin["device"]}
    seconds = {"to_thirtieth_picture": begin["first"] - begin["started"]}
    taken = begin["taken"]
    if taken is None:
        told["kernels"] = "none for this device"
    else:
        seconds["to_kernels"] = taken["wall"] - begin["started"]
        told["kernels_in_use_after_s"] = seconds["to_kernels"]
        until_s = taken["wall"] - begin["first"]
        frames = taken["frames_out"] - WARM
        told["fps_until_then"] = frames / until_s if until_s > 0 and frames > 0 else None
    told["thirtieth_picture_after_s"] = seconds["to_thirtieth_picture"]
    return {**told, "seconds": seconds}


def compile_all(device: str) -> None:
    """Have a first start behind: the kernels lie in the cache, and programs know that they do.

    Args:
        device: where pictures are keyed.
    """
    if Compiler().fill(device, lambda done, of: None) is not Filled.KEPT:
        kernels.load(device)
