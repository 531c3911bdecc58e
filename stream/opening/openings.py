"""What is known of the documents that were written of a shot: where, and what was in them.

Each opening is some files in the shot's folder: ``opened-XXXXXXXX.json`` says where the document
went and where the picture had the frame, ``opened-XXXXXXXX.png`` is the matte as it was written,
so that what was painted can be told from what was not; ``opened-XXXXXXXX-retouch.png`` is the
retouch, where the shot had one.
"""

from __future__ import annotations

import io
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import torch
from PIL import Image
from torch import Tensor

from models.errors import PosewallError
from models.resample import Placement
from stream.durable import replace_file, sync_folder
from stream.event import Event
from stream.opening.reading import DocumentError
from stream.template.png import png_bytes, read_png


@dataclass(frozen=True)
class Paper:
    """A picture that was painted over: its size, and where it had the frame.

    Attributes:
        size: (H, W) of the picture.
        frame_size: (H, W) of the upright frame.
        placement: where the frame lay in it.
    """

    size: tuple[int, int]
    frame_size: tuple[int, int]
    placement: Placement

    def to_json(self) -> dict[str, object]:
        """Plain values, readable in a file."""
        return {
            "size": list(self.size),
            "frame_size": list(self.frame_size),
            "placement": asdict(self.placement),
        }

    @classmethod
    def from_json(cls, data: object) -> Paper:
        """The reverse of `to_json`.

        Raises:
            DocumentError: it is something else.
        """
        try:
            assert isinstance(data, dict)
            high, wide = (int(v) for v in data["size"])
            frame_high, frame_wide = (int(v) for v in data["frame_size"])
            at = data["placement"]
            placement = Placement(
                float(at["scale"]), float(at["dx"]), float(at["dy"]), bool(at["mirror"])
            )
        except (AssertionError, KeyError, TypeError, ValueError) as e:
            raise DocumentError(
                f"where a picture was painted over is not to be read ({e!r}); open it up anew."
            ) from e
        if min(high, wide, frame_high, frame_wide) < 1 or not placement.scale > 0:
            raise DocumentError(
                "where a picture was painted over cannot be right; open it up anew."
            )
        return cls((high, wide), (frame_high, frame_wide), placement)


@dataclass(frozen=True)
class Opening:
    """One document of a shot.

    Attributes:
        name: 8 hex digits.
        document: where it was written.
        picture_of: id of the shot whose picture it shows; another one where several shots are laid
            into one picture.
        frame: file name and digest of the frame that it was made from.
        turns: the frame's quarter turns.
        matte: file of what was painted into the shot's matte before, which the document shows, and
            its quarter turns; what comes back counts on top of that.
        paper: the picture.
        retouch: file of what was painted over the shot's subject before.
        gave: files of matte and retouch that the shot had when it last came back.
    """

    name: str
    document: Path
    picture_of: str
    frame: tuple[str, str]
    turns: int
    matte: tuple[str | None, int]
    paper: Paper
    retouch: str | None = None
    gave: tuple[str | None, str | None] = (None, None)


@dataclass(frozen=True)
class Written:
    """A subject's layers as they were written into a document.

    Attributes:
        matte: (H, W) float32 in [0, 1].
        retouch: (4, H, W) uint8, straight; None for an empty layer.
    """

    matte: Tensor
    retouch: Tensor | None


def _record(event: Event, shot_id: str, name: str) -> Path:
    return event.paths.shots / shot_id / f"opened-{name}.json"


def keep_opening(
    event: Event, shot_id: str, opening: Opening, matte: Tensor, retouch: Tensor | None
) -> None:
    """Note a document, before it is written.

    Args:
        event: the event.
        shot_id: whose subject it is.
        opening: what is known of it.
        matte: (H, W) uint8, as it will stand in the document.
        retouch: (4, H, W) uint8, likewise; None for an empty layer.
    """
    root = event.paths.root
    inside = opening.document.is_relative_to(root)
    out = io.BytesIO()
    Image.fromarray(matte.numpy(), "L").save(out, "PNG", compress_level=1)
    path = _record(event, shot_id, opening.name)
    replace_file(path.with_suffix(".png"), out.getvalue())
    if retouch is not None:
        replace_file(_retouch_of(path), png_bytes(retouch))
    data = {
        "document": str(opening.document.relative_to(root) if inside else opening.document),
        "picture_of": opening.picture_of,
        "frame": list(opening.frame),
        "turns": opening.turns,
        "matte": list(opening.matte),
        "paper": opening.paper.to_json(),
        "retouch": opening.retouch,
    }
    _write(path, data)


def _write(path: Path, data: Mapping[str, object]) -> None:
    replace_file(path, (json.dumps(data, indent=2, ensure_ascii=False) + "\n").encode())


def _retouch_of(path: Path) -> Path:
    return path.with_name(f"{path.stem}-retouch.png")


def note_taken(
    event: Event, shot_id: str, name: str, matte: str | None, retouch: str | None
) -> None:
    """Note what a shot has since a document of it came back, so that it may come back again.

    Args:
        event: the event.
        shot_id: whose subject it is.
        name: of the opening.
        matte, retouch: files of the shot.
    """
    path = _record(event, shot_id, name)
    _write(path, {**json.loads(path.read_text("utf-8")), "gave": [matte, retouch]})


def load_opening(event: Event, shot_id: str, name: str) -> tuple[Opening, Written]:
    """A document's note, and what was written into it.

    Raises:
        DocumentError: it is not there or damaged.
    """
    path = _record(event, shot_id, name)
    try:
        data = json.loads(path.read_text("utf-8"))
        paper = Paper.from_json(data["paper"])
        frame, digest = data["frame"]
        before, before_turns = data["matte"]
        if before is not None and Path(str(before)).name != before:
            raise ValueError("a name leads out of the folder")
        gave = data.get("gave") or (None, None)
        opening = Opening(
            name,
            (event.paths.root / data["document"]).resolve(),
            str(data["picture_of"]),
            (str(frame), str(digest)),
            int(data["turns"]),
            (None if before is None else str(before), int(before_turns)),
            paper,
            data.get("retouch"),
            (gave[0], gave[1]),
        )
        with Image.open(path.with_suffix(".png"), formats=("PNG",)) as image:
            matte = torch.from_numpy(np.array(image.convert("L"))).float() / 255
        if tuple(matte.shape) != paper.size:
            raise ValueError("the matte has another size")
        shown = None
        if opening.retouch is not None and _retouch_of(path).exists():
            shown = read_png(_retouch_of(path).read_bytes(), "the retouch as it was opened up")
            if tuple(shown.shape[1:]) != paper.size:
                raise ValueError("the retouch has another size")
    except (OSError, ValueError, LookupError, TypeError, SyntaxError, PosewallError) as e:
        raise DocumentError(
            f"shot {shot_id} knows nothing usable of this document ({type(e).__name__}); it was "
            "opened up in another event or its note was removed, so open the picture up anew."
        ) from e
    return opening, Written(matte, shown)


def opened_documents(event: Event, shot_id: str) -> list[Path]:
    """Where documents of a shot were written, as far as the notes can be read."""
    found = []
    for path in sorted((event.paths.shots / shot_id).glob("opened-*.json")):
        try:
            text = json.loads(path.read_text("utf-8"))["document"]
            found.append((event.paths.root / str(text)).resolve())
        except (OSError, ValueError, KeyError, TypeError):
            continue
    return found


def forget_openings(event: Event, shot_id: str) -> None:
    """Remove the notes of a shot's documents."""
    folder = event.paths.shots / shot_id
    for path in folder.glob("opened-*"):
        path.unlink(missing_ok=True)
    sync_folder(folder)
