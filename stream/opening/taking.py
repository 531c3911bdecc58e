"""`take_back`: what was painted in a document, kept with its shots for every later picture."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import torch
from torch import Tensor

from models.mapping import back_to_frame, changed
from models.mask import Mask, from_matte
from stream.event import Event
from stream.opening.openings import Opening, load_opening
from stream.opening.reading import DocumentError, Returned, read_returned
from stream.painted import read_matte
from stream.shot import ByHand, Shot, change_shot, load_shot, render_again
from stream.template.png import png_bytes


@dataclass(frozen=True)
class Taken:
    """What came back for one shot.

    Attributes:
        shot: as it is kept now.
        matte: the share of the picture whose matte was painted, 0 to 1.
        retouched: whether anything is painted over it.
        new: False where nothing of it changed.
        ignored: layers that were not read back.
    """

    shot: Shot
    matte: float
    retouched: bool
    new: bool
    ignored: tuple[str, ...]


def _strokes(event: Event, shot: Shot, opening: Opening, where: Tensor, matte: Tensor) -> Mask:
    """What was painted, over the frame, on top of what was painted there before."""
    paper = opening.paper
    both = torch.stack([where * matte, where])[None]
    back = back_to_frame(both, paper.placement, paper.frame_size)[0]
    counts = back[1].clamp(0, 1)
    mask = from_matte((back[0] / counts.clamp_min(1e-6)).clamp(0, 1), counts)
    name, turns = opening.matte
    if name is None:
        return mask
    before = read_matte(event.paths.shots / shot.id / name).turned(opening.turns - turns)
    return before.then(mask) if before.size == mask.size else mask


def _one(event: Event, returned: Returned, file: str) -> tuple[Taken, Opening]:
    opening, written = load_opening(event, returned.shot_id, returned.opening)
    shot = load_shot(event, returned.shot_id)
    if returned.size != opening.paper.size:
        have, need = returned.size, opening.paper.size
        raise DocumentError(
            f"{file}: the canvas is {have[1]} x {have[0]} pixels and was {need[1]} x {need[0]} "
            "when it was opened up; undo the scaling or cropping and save it again"
        )
    if (shot.frame, shot.sha256 or "") != opening.frame:
        raise DocumentError(
            f"{file}: shot {shot.number:04d} has got its camera still since this was opened up; "
            "open it up anew"
        )
    where = changed(written, returned.matte)
    painted = float(where.mean())
    mask = _strokes(event, shot, opening, where, returned.matte) if painted else None
    retouch = None if returned.retouch is None else png_bytes(returned.retouch)
    by_hand = ByHand(mask, opening.turns, retouch, opening.paper.to_json())
    now = change_shot(event, shot.id, by_hand=by_hand)
    new = now.render != shot.render
    return Taken(now, painted, retouch is not None, new, returned.ignored), opening


def take_back(event: Event, file: Path) -> tuple[list[Taken], list[Shot]]:
    """Read a document back that `open_up` wrote.

    Args:
        event: the event.
        file: the document, as an editor saved it.

    Returns:
        What came back for each subject, and the shots whose pictures are to be made anew.

    Raises:
        DocumentError: it cannot be read, or is of another event; nothing of it is kept then.
        UserError: the disk did not take it.
    """
    try:
        data = file.read_bytes()
    except OSError as e:
        raise DocumentError(f"{file} cannot be opened ({e.strerror}); check name and place.") from e
    returned = read_returned(data, file.name)
    for one in returned:
        load_opening(event, one.shot_id, one.opening)
    taken, again = [], {}
    for one in returned:
        found, opening = _one(event, one, file.name)
        taken.append(found)
        if not found.new:
            continue
        again[found.shot.id] = found.shot
        if opening.picture_of not in again:
            again[opening.picture_of] = render_again(event, opening.picture_of)
    return taken, list(again.values())
