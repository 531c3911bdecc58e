"""`take_back`: what was painted in a document, kept with its shots for every later picture."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import torch
from torch import Tensor

from models.mapping import alike, back_to_frame, changed
from models.mask import Mask, from_matte
from stream.event import Event
from stream.opening.openings import Opening, Written, load_opening, note_taken
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


@dataclass(frozen=True)
class _Seen:
    """One subject's place in a document, with what was written there."""

    returned: Returned
    opening: Opening
    written: Written

    @property
    def where(self) -> Tensor:
        """(H, W), 1 where its matte was painted."""
        return changed(self.written.matte, self.returned.matte)

    @property
    def retouched(self) -> bool:
        """Whether its retouch is another than was written."""
        return not alike(self.written.retouch, self.returned.retouch)


def _strokes(seen: _Seen, before: Mask | None) -> Mask:
    """What was painted, over the frame, on top of what was painted there before."""
    paper, where = seen.opening.paper, seen.where
    both = torch.stack([where * seen.returned.matte, where])[None]
    back = back_to_frame(both, paper.placement, paper.frame_size)[0]
    counts = back[1].clamp(0, 1)
    mask = from_matte((back[0] / counts.clamp_min(1e-6)).clamp(0, 1), counts)
    return before.then(mask) if before is not None and before.size == mask.size else mask


def _checked(event: Event, returned: Returned, file: str) -> _Seen:
    """What was written where this came back from.

    Raises:
        DocumentError: it does not fit that, or the shot as it is now.
    """
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
    seen = _Seen(returned, opening, written)
    known = (None, opening.matte[0], opening.gave[0]), (None, opening.retouch, opening.gave[1])
    if (shot.matte not in known[0] and bool(seen.where.any())) or (
        shot.retouch not in known[1] and seen.retouched
    ):
        raise DocumentError(
            f"{file}: shot {shot.number:04d} was painted in another document since this was opened "
            "up, which would be lost; open it up anew and paint there, or let go what was painted "
            f"there with 'posewall batch change {shot.number} --no-paint'"
        )
    return seen


def _one(event: Event, places: list[_Seen]) -> Taken:
    """Keep what came back for one shot, which may stand in several slots."""
    opening = places[0].opening
    shot = load_shot(event, places[0].returned.shot_id)
    folder = event.paths.shots / shot.id
    mask: Mask | None = None
    if any(bool(p.where.any()) for p in places):
        name, turns = opening.matte
        if name is not None:
            mask = read_matte(folder / name).turned(opening.turns - turns)
        for place in places:
            if bool(place.where.any()):
                mask = _strokes(place, mask)
    again = [p for p in places if p.retouched]
    if again:
        codes = again[0].returned.retouch
        retouch = None if codes is None else png_bytes(codes)
        at = again[0].opening.paper.to_json()
    else:
        # As it was painted, not as far as this picture shows it.
        retouch = None if shot.retouch is None else (folder / shot.retouch).read_bytes()
        at = dict(shot.retouch_at or {})
    now = change_shot(
        event, shot.id, by_hand=ByHand(mask, opening.turns, retouch, at if retouch else None)
    )
    for place in places:
        note_taken(event, shot.id, place.opening.name, now.matte, now.retouch)
    painted = max(float(p.where.mean()) for p in places)
    ignored = tuple(dict.fromkeys(i for p in places for i in p.returned.ignored))
    return Taken(now, painted, retouch is not None, now.render != shot.render, ignored)


def take_back(event: Event, file: Path) -> tuple[list[Taken], list[Shot]]:
    """Read a document back that `open_up` wrote.

    Args:
        event: the event.
        file: the document, as an editor saved it.

    Returns:
        What came back for each subject, and the shots whose pictures are to be made anew.

    Raises:
        DocumentError: it cannot be read, is of another event, or the shot was painted elsewhere
            since it was opened up; nothing of it is kept then.
        UserError: the disk did not take it.
    """
    try:
        data = file.read_bytes()
    except OSError as e:
        raise DocumentError(f"{file} cannot be opened ({e.strerror}); check name and place.") from e
    shots: dict[str, list[_Seen]] = {}
    # All of it before anything is kept.
    for one in read_returned(data, file.name):
        shots.setdefault(one.shot_id, []).append(_checked(event, one, file.name))
    for places in shots.values():
        if sum(p.retouched for p in places) > 1:
            raise DocumentError(
                f"{file.name}: one shot stands in several places of this picture and was retouched "
                "in more than one; retouch it in one of them, the others show it, too"
            )
    taken, again = [], {}
    for places in shots.values():
        found = _one(event, places)
        taken.append(found)
        if not found.new:
            continue
        again[found.shot.id] = found.shot
        main = places[0].opening.picture_of
        if main not in again:
            again[main] = render_again(event, main)
    return taken, list(again.values())
