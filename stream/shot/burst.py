"""Frames around a press, laid on the disk until the best of them is chosen.

They lie as they are, without compression, in a folder inside the shot's own whose name says that it
may go: only those that are kept are stored for good. Source: NumPy's own format (NEP 1), three
arrays after each other in a file.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any, overload

import numpy as np
import torch

from stream.capture.frame import Frame
from stream.durable import partial_path, storing
from stream.event import Event
from stream.shot.record import Shot, ShotError

LIST = "burst.json"


def alike(frame: Frame, other: Frame) -> bool:
    """Whether two frames can stand for each other in one shot."""
    return (
        frame.source == other.source
        and frame.encoding == other.encoding
        and frame.quarter_turns == other.quarter_turns
        and frame.upright_size == other.upright_size
    )


def lay_down(event: Event, shot: Shot, frames: Sequence[Frame]) -> Path:
    """Lay the frames around a shot's own into its folder, from memory.

    Args:
        event: the event.
        shot: kept already; the frame with its index is the one of the press.
        frames: in order of time.

    Returns:
        The folder. It is swept like all that a dead process leaves, when it has grown old.

    Raises:
        StorageError: the disk did not take them; nothing is left behind.
    """
    folder = partial_path(event.paths.shots / shot.id)
    press_s = next((f.arrived_s for f in frames if f.index == shot.index), frames[-1].arrived_s)
    with storing(f"the frames around shot {shot.id}", event.paths.root):
        try:
            folder.mkdir()
            told = []
            for n, frame in enumerate(frames):
                with (folder / f"{n:03d}.npy").open("xb") as file:
                    for plane in frame.on_host().planes:
                        np.save(file, plane.contiguous().numpy(), allow_pickle=False)
                told.append(
                    {
                        "index": frame.index,
                        "pts": frame.pts,
                        "time_base": str(frame.time_base) if frame.time_base else None,
                        "before_s": round(press_s - frame.arrived_s, 4),
                        "taken": frame.taken.isoformat(),
                    }
                )
            (folder / LIST).write_text(json.dumps(told), "utf-8")
        except BaseException:
            shutil.rmtree(folder, ignore_errors=True)
            raise
    return folder


@dataclass(frozen=True)
class Burst(Sequence[Frame]):
    """Frames as `lay_down` left them; each is read when it is asked for, and not kept.

    Attributes:
        folder: where they lie.
        like: the shot's own frame, which the others equal in all but time and content.
        told: what is known of each.
    """

    folder: Path
    like: Frame
    told: tuple[dict[str, Any], ...]

    @classmethod
    def open(cls, folder: Path, like: Frame) -> Burst:
        """The frames of a folder.

        Raises:
            ShotError: they are not whole.
        """
        try:
            return cls(folder, like, tuple(json.loads((folder / LIST).read_text("utf-8"))))
        except (OSError, ValueError, TypeError) as e:
            raise ShotError(f"the frames in {folder} cannot be read ({e}).") from e

    def __len__(self) -> int:
        return len(self.told)

    @overload
    def __getitem__(self, at: int) -> Frame: ...

    @overload
    def __getitem__(self, at: slice) -> Sequence[Frame]: ...

    def __getitem__(self, at: int | slice) -> Frame | Sequence[Frame]:
        if isinstance(at, slice):
            return replace(self, told=self.told[at])
        about = self.told[at]
        number = at % len(self.told)
        with (self.folder / f"{number:03d}.npy").open("rb") as file:
            first, second, third = (
                torch.from_numpy(np.load(file, allow_pickle=False)) for _ in range(3)
            )
        return replace(
            self.like,
            planes=(first, second, third),
            pts=about["pts"],
            time_base=Fraction(about["time_base"]) if about["time_base"] else None,
            index=about["index"],
            arrived_s=self.like.arrived_s - about["before_s"],
        )
