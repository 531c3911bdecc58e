"""A kept shot made otherwise: the new picture is another file, and the earlier one stays."""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from models.mask import Mask
from models.settings import KeySettings
from stream.durable import add_copy, file_digest, held, replace_file, storing
from stream.event import Event
from stream.painted import MaskError, read_mask, write_matte
from stream.shot.changes import rewrite
from stream.shot.finding import load_shot
from stream.shot.ordering import ordered, other_shape
from stream.shot.record import UNPAINTED, Shot, ShotError
from stream.shot.store import load_frame
from stream.shot.titling import another_edition, output_of
from stream.template import Nudge, Template

log = logging.getLogger("posewall.shot")


@dataclass(frozen=True)
class ByHand:
    """What was painted in a finished picture of a shot.

    Attributes:
        matte: what was changed of the matte, over the upright frame; None where nothing was.
        turns: the frame's quarter turns when it was painted.
        retouch: a PNG file as large as the picture; None where nothing is retouched.
        retouch_at: where that picture had the frame.
    """

    matte: Mask | None
    turns: int
    retouch: bytes | None
    retouch_at: Mapping[str, Any] | None


def _measured(event: Event, shot: Shot, mask: Path) -> int:
    """The quarter turns of the frame that a mask was painted over.

    Raises:
        UserError: the mask cannot be used for this frame.
    """
    painted = read_mask(mask)
    if shot.still_until is not None:
        raise ShotError(f"shot {shot.id} still awaits its camera still; paint the mask on that.")
    if shot.choice_until is not None:
        raise ShotError(f"the best frame of shot {shot.id} is being chosen; paint on that one.")
    frame = load_frame(event, shot)
    if painted.size != frame.upright_size:
        have, need = painted.size, frame.upright_size
        raise MaskError(
            f"{mask}: is {have[1]}x{have[0]} and the frame of shot {shot.id} is "
            f"{need[1]}x{need[0]} (width x height, upright); paint over the picture that "
            "'posewall batch frame' writes"
        )
    return frame.quarter_turns


def _keep_bytes(event: Event, shot: Shot, kind: str, data: bytes) -> str:
    """Put a file into a shot's folder under a name by its content."""
    name = f"{kind}-{hashlib.sha256(data).hexdigest()[:12]}.png"
    target = event.paths.shots / shot.id / name
    if not target.is_file():
        replace_file(target, data)
    return name


def _painted(event: Event, shot: Shot, by_hand: ByHand) -> Shot:
    """The shot with what was painted, its files kept."""
    retouch = by_hand.retouch and _keep_bytes(event, shot, "retouch", by_hand.retouch)
    at = by_hand.retouch_at if retouch else None
    shot = replace(shot, retouch=retouch or None, retouch_at=at)
    if by_hand.matte is None:
        return shot
    name = _keep_bytes(event, shot, "matte", write_matte(by_hand.matte))
    return replace(shot, matte=name, matte_turns=by_hand.turns)


def _alike(shot: Shot) -> Shot:
    """The shot with everything written out that means the same."""
    return replace(
        shot,
        settings=KeySettings.from_json(dict(shot.settings)).to_json(),
        mask_turns=shot.mask_turns if shot.mask else 0,
        matte_turns=shot.matte_turns if shot.matte else 0,
    )


def _ordered(
    event: Event,
    shot: Shot,
    people: Sequence[str] | None,
    template: Template | None,
    size: str | None,
) -> Shot:
    """The shot for other people, by another template or in another size."""
    people = None if people is None else tuple(dict.fromkeys(people))
    if people is not None and people != shot.people:
        shot = replace(shot, people=people)
        # They stood in this design as it was then, even if it is no longer among the templates.
        posed = template or event.template_version(shot.template, shot.template_version)
        wanted, notes = ordered(event, people, posed)
        shot = shot.wanting(wanted)
        for note in notes:
            shot = shot.noting(note)
    if template is not None and template.version != shot.template_version:
        kept = event.keep_template(template)
        also = tuple(w for w in shot.also if w.template != kept.name)
        shot = replace(shot, template=kept.name, template_version=kept.version, also=also)
    if size is None:
        return shot
    made = event.template_version(shot.template, shot.template_version)
    if made.print_as(size) is None:
        raise ShotError(f"shot {shot.number:04d}: {other_shape(size, made)}.")
    return replace(shot, size=size)


def change_shot(
    event: Event,
    shot_id: str,
    given: Mapping[str, Any] | None = None,
    *,
    mask: Path | None = None,
    drop_mask: bool = False,
    nudge: Nudge | None = None,
    beside: Sequence[str] | None = None,
    by_hand: ByHand | None = None,
    drop_by_hand: bool = False,
    people: Sequence[str] | None = None,
    template: Template | None = None,
    size: str | None = None,
) -> Shot:
    """Make a kept shot otherwise; the picture becomes another file and the earlier one stays.

    Args:
        event: the event.
        shot_id: the shot.
        given: key settings by name; what is not there stays as it is.
        mask: strokes painted over the shot's frame; the file is copied into the shot's folder.
        drop_mask: the strokes painted before no longer count.
        nudge: how far the subject is moved and scaled from its place.
        beside: ids of the shots in the template's further slots.
        by_hand: what was painted in its opened-up picture.
        drop_by_hand: what was painted there before no longer counts.
        people: roster numbers of who is really in it; their orders come with them.
        template: which template the main picture is made with.
        size: the paper that the main picture is made for.

    Returns:
        The shot as kept; the same as before where nothing of it changed.

    Raises:
        UserError: no such shot, a mask that cannot be used, or the disk did not take it.
        PosewallError: a setting that cannot be.
    """
    seen, digest, turns = load_shot(event, shot_id), "", 0
    if mask is not None:
        # Reading a large still takes long, and a press in the meantime wants the lock.
        turns, digest = _measured(event, seen, mask), file_digest(mask)
    with storing(f"shot {shot_id}", event.paths.root), held(event.paths.lock):
        shot = load_shot(event, shot_id)
        output = dict(event.config.pictures)
        output_of(event, output)
        now = replace(
            shot, settings=KeySettings.from_json({**shot.settings, **(given or {})}).to_json()
        )
        if drop_mask:
            now = replace(now, mask=None, mask_turns=0)
        if drop_by_hand:
            now = replace(now, **{k: v for k, v in UNPAINTED.items() if not k.startswith("mask")})
        if (mask or by_hand) and (shot.frame, shot.sha256) != (seen.frame, seen.sha256):
            raise ShotError(
                f"shot {shot.id} got its camera still just now; paint the mask on that."
            )
        if mask is not None:
            name = f"mask-{digest[:12]}.png"
            now = replace(now, mask=name, mask_turns=turns)
            if not (event.paths.shots / shot.id / name).is_file():
                add_copy(mask, event.paths.shots / shot.id / name)
        now = _ordered(event, now, people, template, size)
        if nudge is not None:
            now = replace(now, nudge=nudge.to_json() if nudge != Nudge() else {})
        if beside is not None:
            now = replace(now, beside=tuple(beside))
        if by_hand is not None:
            now = _painted(event, now, by_hand)
        if _alike(now) == _alike(shot):
            return shot
        now = replace(now, output=output)
        log.info("shot %s is made otherwise (edition %d)", shot.id, len(shot.earlier) + 2)
        return rewrite(event, another_edition(event, shot, now))
