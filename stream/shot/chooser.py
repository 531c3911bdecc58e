"""The process that chooses the best frame of a shot, for the program that shows the picture.

To compare frames takes seconds of work and memory of its own. Here it is done beside, at low
priority, and what came of it lies in the shot's folder.
"""

from __future__ import annotations

import hashlib
import logging
import os
import shutil
import signal
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import torch

from models.errors import PosewallError
from models.settings import KeySettings
from stream.best import Ranking, contact_strip, rank
from stream.durable import replace_file, storing
from stream.event import Event
from stream.opencv import cv2
from stream.own_process import at_end_of_input, stand_back
from stream.shot.burst import Burst
from stream.shot.choice import (
    STRIP,
    STRIP_FRAMES,
    Candidate,
    Choice,
    drop_runners,
    runners_wanted,
    settle_choice,
)
from stream.shot.finding import load_shot
from stream.shot.frames import encode_frame, view_jpeg
from stream.shot.plates import load_plate
from stream.shot.record import Shot
from stream.shot.store import load_frame

log = logging.getLogger("posewall.shot")


def placed(ranking: Ranking, keep: int, press: int | None) -> tuple[int, ...]:
    """Which frames are kept, the best first; the one of the press is always among them.

    Args:
        ranking: of all frames.
        keep: how many runners-up stay.
        press: the frame of the press; None where there is none.
    """
    best, *others = ranking.order
    runners = tuple(others[:keep])
    if press is not None and press not in (best, *runners):
        runners = (*runners[: max(keep - 1, 0)], press)
    return (best, *runners)


def choose(event: Event, shot_id: str, folder: Path, seen: Callable[[int, int], None]) -> Shot:
    """Choose the best of the frames that were laid down, and make the shot of it.

    Args:
        event: the event.
        shot_id: the shot.
        folder: of `lay_down`; it is gone afterwards.
        seen: told how many frames were looked at, of how many.

    Raises:
        UserError: the frames, the shot or its plate cannot be read, or the disk did not take the
            choice. The shot has the frame of the press then.
    """
    try:
        shot = load_shot(event, shot_id)
        own = load_frame(event, shot)
        burst = Burst.open(folder, own)
        settings = KeySettings.from_json(dict(shot.settings))
        plate = load_plate(event, shot.plate) if shot.plate else None
        fitting = plate.frame if plate is not None and plate.fits(own, still=False) else None
        ranking = rank(burst, settings, fitting, seen)
        press = next((n for n, t in enumerate(burst.told) if t["index"] == shot.index), None)
        keep = runners_wanted(event)
        with storing(f"the choice for shot {shot_id}", event.paths.root):
            candidates = tuple(
                _kept(event, shot, burst, ranking, n, n == press)
                for n in placed(ranking, keep, press)
            )
            strip = contact_strip(burst, ranking, ranking.best, STRIP_FRAMES)
            replace_file(event.paths.shots / shot_id / STRIP, strip)
        shot = settle_choice(event, shot_id, Choice(candidates, len(burst)))
        drop_runners(event, shot_id, keep)
        return shot
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _kept(
    event: Event, shot: Shot, burst: Burst, ranking: Ranking, number: int, press: bool
) -> Candidate:
    """Store one frame for good, but the press's, which is stored already."""
    judged, told = ranking.judged[number], burst.told[number]
    about = Candidate(
        file=shot.frame,
        sha256=shot.sha256 or "",
        view="best-press.jpg",
        reasons=tuple(judged.reasons),
        figures=dict(judged.figures),
        press=press,
        before_s=told["before_s"],
        pts=told["pts"],
        time_base=told["time_base"],
        index=told["index"],
    )
    frame, folder = burst[number], event.paths.shots / shot.id
    if not press:
        name, data = encode_frame(frame.planes, frame.encoding)
        about = replace(
            about,
            file=f"best-{number:03d}{Path(name).suffix}",
            sha256=hashlib.sha256(data).hexdigest(),
            view=f"best-{number:03d}.jpg",
        )
        replace_file(folder / about.file, data)
    view = view_jpeg(frame.planes, frame.encoding, frame.quarter_turns, ranking.part)
    replace_file(folder / about.view, view)
    return about


def main(root: str, shot_id: str, folder: str) -> int:
    """Choose; tell how far it is on the standard output, a line "DONE OF" for each frame."""
    # Whoever sends it to all processes of the program means the program.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    at_end_of_input(lambda: os.kill(os.getpid(), signal.SIGTERM))
    stand_back(10, idle=True)
    torch.set_num_threads(1)
    cv2.setNumThreads(1)
    try:
        event = Event.open(root)
        with event.logging():
            choose(event, shot_id, Path(folder), lambda done, of: print(done, of, flush=True))
    except PosewallError as error:
        print(error, flush=True)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
