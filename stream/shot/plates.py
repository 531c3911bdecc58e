"""Clean plates on disk: the empty screen as one source saw it."""

from __future__ import annotations

import hashlib
import json
import logging
import re
import shutil
import time
import uuid
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from models.color import Encoding
from models.errors import PosewallError
from stream.capture.frame import Frame
from stream.capture.stills import read_still
from stream.durable import (
    commit_folder,
    copy_synced,
    file_digest,
    partial_path,
    storing,
    write_synced,
)
from stream.event import Event
from stream.shot.frames import check_file, decode_frame, encode_frame
from stream.shot.record import ShotError

log = logging.getLogger("posewall.shot")
PLATE_RECORD = "plate.json"


@dataclass(frozen=True)
class Plate:
    """A clean plate: the empty screen as one source saw it.

    Attributes:
        id: folder name below ``plates/``.
        frame: the picture of the screen.
        still: it came from a still camera, not from the video.
    """

    id: str
    frame: Frame
    still: bool

    def fits(self, frame: Frame, still: bool) -> bool:
        """Whether it belongs to what took ``frame``: the same kind and, upright, the same size."""
        return self.still == still and self.frame.upright_size == frame.upright_size


def save_plate(event: Event, frame: Frame, *, still: Path | None = None) -> str:
    """Keep a clean plate.

    Args:
        event: where to.
        frame: the empty screen.
        still: the still's file, where the plate is one; it is copied byte for byte.

    Returns:
        The plate's id. The same still is kept only once.

    Raises:
        StorageError: the disk did not take it; nothing is left behind.
    """
    frame = frame.on_host()
    with storing("the clean plate", event.paths.root):
        digest = hashlib.sha256(still.read_bytes()).hexdigest() if still else ""
        unique = digest or uuid.uuid4().hex
        final = event.paths.plates / f"{frame.taken:%Y%m%d-%H%M%S}-{unique[:12]}"
        if final.is_dir():
            return final.name
        partial = partial_path(event.paths.plates)
        try:
            partial.mkdir()
            if still:
                name = f"still{still.suffix.lower()}"
                copy_synced(still, partial / name)
            else:
                name, data = encode_frame(frame.planes, frame.encoding)
                write_synced(partial / name, data)
                digest = hashlib.sha256(data).hexdigest()
            record = {
                "taken": frame.taken.isoformat(),
                "source": frame.source,
                "frame": name,
                "sha256": digest,
                "still": still is not None,
                "encoding": frame.encoding.to_json(),
                "quarter_turns": frame.quarter_turns,
            }
            text = json.dumps(record, indent=2, ensure_ascii=False) + "\n"
            write_synced(partial / PLATE_RECORD, text.encode())
            commit_folder(partial, final)
        except BaseException:
            shutil.rmtree(partial, ignore_errors=True)
            raise
    log.info("kept clean plate %s", final.name)
    return final.name


def plate_digest(event: Event, plate_id: str) -> str | None:
    """What tells a plate's content from another's; None where it cannot be read.

    Its record holds the digest of its picture, which is checked when it is loaded.
    """
    try:
        return file_digest(event.paths.plates / plate_id / PLATE_RECORD)
    except OSError:
        return None


def load_plate(event: Event, plate_id: str) -> Plate:
    """A clean plate by its id.

    Raises:
        ShotError: it is not there or damaged.
    """
    if not re.fullmatch(r"[0-9a-f-]+", plate_id):
        raise ShotError(f"'{plate_id}' is no clean plate's id.")
    folder = event.paths.plates / plate_id
    try:
        data = json.loads((folder / PLATE_RECORD).read_text("utf-8"))
        name, taken = str(data["frame"]), datetime.fromisoformat(data["taken"])
        encoding = Encoding.from_json(data["encoding"])
        path = folder / Path(name).name
        check_file(path, str(data["sha256"]))
        if data["still"]:
            return Plate(plate_id, read_still(path), True)
        planes = decode_frame(path, encoding)
        turns, source = int(data["quarter_turns"]), str(data["source"])
    except (OSError, ValueError, KeyError, TypeError, PosewallError) as e:
        raise ShotError(
            f"the clean plate {plate_id} cannot be read ({e}); put it back from a copy."
        ) from e
    frame = Frame(planes, encoding, turns, None, None, time.monotonic(), taken, source, 0)
    return Plate(plate_id, frame, False)
