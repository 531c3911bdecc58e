"""What may change of a kept shot: its still, its key settings and mask, its picture once more.

Every change replaces shot.json as a whole, under the event's lock, so that live and batch may
both do it.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from models.settings import KeySettings
from stream.durable import add_copy, held, replace_file, storing, sweep_partials
from stream.event import Event
from stream.painted import MaskError, read_mask
from stream.shot.finding import load_shot, shot_ids
from stream.shot.naming import picture_name
from stream.shot.record import KEPT, RECORD, Shot, ShotError
from stream.shot.store import file_digest, load_frame, people_names, read_photo, still_name

log = logging.getLogger("posewall.shot")
STILL_MISSED = "the camera's still did not come; the video frame was used"
MASK_DROPPED = "the mask was painted over the video frame and does not count for the still"


def _rewrite(event: Event, shot: Shot) -> Shot:
    replace_file(event.paths.shots / shot.id / RECORD, shot.to_bytes())
    return shot


def attach_original(event: Event, shot_id: str, still: Path, *, plate: str | None = None) -> Shot:
    """Give a shot the still that the tethered camera delivered for it.

    The still is read once before, so that a damaged one never takes the video frame's place.
    The video frame stays as the proxy. A still that comes after the video frame was settled on
    is taken all the same, and the picture is made once more under the same name.

    Args:
        event: the event.
        shot_id: the shot that awaits it.
        still: the complete file; it is copied, byte for byte.
        plate: id of a clean plate made with the same camera, where there is one.

    Raises:
        UserError: no such shot, it has a still already, the still cannot be read, or the disk
            did not take it; the shot stays as it was.
    """
    read_photo(still)
    with storing(f"the still of shot {shot_id}", event.paths.root), held(event.paths.lock):
        shot = load_shot(event, shot_id)
        digest = file_digest(still)
        if shot.original is not None:
            if shot.sha256 == digest:
                return shot
            raise ShotError(f"shot {shot.id} has its still already; keep this one as a new shot.")
        name = still_name(still, shot.unique)
        add_copy(still, event.paths.shots / shot.id / name)
        late = shot.still_until is None
        log.info("shot %s got its still%s", shot.id, " late" if late else "")
        if shot.mask is not None:
            shot = replace(shot.noting(MASK_DROPPED), mask=None, mask_turns=0)
        return _rewrite(
            event,
            replace(
                shot,
                frame=name,
                original=name,
                proxy=shot.frame,
                sha256=digest,
                plate=plate or shot.plate,
                still_until=None,
                render=shot.render + 1 if late else shot.render,
                notes=tuple(n for n in shot.notes if n != STILL_MISSED),
            ),
        )


def settle(event: Event, shot_id: str, note: str = STILL_MISSED) -> Shot:
    """Await no still any longer: the shot's video frame is used, with a note that says so."""
    with storing(f"shot {shot_id}", event.paths.root), held(event.paths.lock):
        shot = load_shot(event, shot_id)
        if shot.still_until is None:
            return shot
        log.warning("shot %s: %s", shot.id, note)
        return _rewrite(event, replace(shot.noting(note), still_until=None))


def render_again(event: Event, shot_id: str) -> Shot:
    """Ask for the picture once more, with the people's names as the roster has them now."""
    with storing(f"shot {shot_id}", event.paths.root), held(event.paths.lock):
        shot = load_shot(event, shot_id)
        edition = len(shot.earlier) + 1
        name = picture_name(shot.number, people_names(event, shot.people), edition)
        former = tuple(dict.fromkeys((*shot.former_pictures, shot.picture)))
        return _rewrite(
            event,
            replace(
                shot,
                render=shot.render + 1,
                picture=name,
                former_pictures=tuple(f for f in former if f != name),
            ),
        )


def _measured(event: Event, shot: Shot, mask: Path) -> int:
    """The quarter turns of the frame that a mask was painted over.

    Raises:
        UserError: the mask cannot be used for this frame.
    """
    painted = read_mask(mask)
    if shot.still_until is not None:
        raise ShotError(f"shot {shot.id} still awaits its camera still; paint the mask on that.")
    frame = load_frame(event, shot)
    if painted.size != frame.upright_size:
        have, need = painted.size, frame.upright_size
        raise MaskError(
            f"{mask}: is {have[1]}x{have[0]} and the frame of shot {shot.id} is "
            f"{need[1]}x{need[0]} (width x height, upright); paint over the picture that "
            "'posewall batch frame' writes"
        )
    return frame.quarter_turns


def _keep_made(event: Event, shot: Shot) -> Shot:
    """The shot under the name that its picture has on the disk.

    A corrected name counts only once the picture was made with it; until then the picture has its
    former name, under which it is to stay. What is still made under the corrected one goes.
    """
    pictures = event.paths.pictures
    if (pictures / shot.picture).is_file():
        return shot
    made = [f for f in shot.former_pictures if (pictures / f).is_file()]
    if not made:
        return shot
    former = tuple(f for f in shot.former_pictures if f != made[-1])
    return replace(shot, picture=made[-1], former_pictures=(*former, shot.picture))


def change_key(
    event: Event,
    shot_id: str,
    given: Mapping[str, Any],
    *,
    mask: Path | None = None,
    drop_mask: bool = False,
) -> Shot:
    """Key a kept shot otherwise; the picture becomes another file and the earlier one stays.

    Args:
        event: the event.
        shot_id: the shot.
        given: key settings by name; what is not there stays as it is.
        mask: strokes painted over the shot's frame; the file is copied into the shot's folder.
        drop_mask: the strokes painted before no longer count.

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
        settings = KeySettings.from_json({**shot.settings, **given}).to_json()
        name, since = (None, 0) if drop_mask else (shot.mask, shot.mask_turns)
        if mask is not None:
            if (shot.frame, shot.sha256) != (seen.frame, seen.sha256):
                raise ShotError(
                    f"shot {shot.id} got its camera still just now; paint the mask on that."
                )
            name, since = f"mask-{digest[:12]}.png", turns
            if not (event.paths.shots / shot.id / name).is_file():
                add_copy(mask, event.paths.shots / shot.id / name)
        before = KeySettings.from_json(dict(shot.settings)).to_json()
        same_mask = name == shot.mask and (name is None or since == shot.mask_turns)
        if settings == before and same_mask:
            return shot
        shot = _keep_made(event, shot)
        told = shot.to_json()
        was = {field: told[field] for field in KEPT}
        earlier = (*shot.earlier, was)
        people = people_names(event, shot.people)
        log.info("shot %s is keyed otherwise (edition %d)", shot.id, len(earlier) + 1)
        return _rewrite(
            event,
            replace(
                shot,
                settings=settings,
                mask=name,
                mask_turns=since,
                earlier=earlier,
                picture=picture_name(shot.number, people, len(earlier) + 1),
                render=shot.render + 1,
            ),
        )


def sweep_leftovers(event: Event) -> int:
    """Remove what processes that died left unfinished in the event's folders."""
    folders = (
        event.paths.root,
        event.paths.shots,
        event.paths.plates,
        event.paths.pictures,
        event.paths.template_versions,
        *(f for f in event.paths.template_versions.iterdir() if f.is_dir()),
    )
    count = sum(sweep_partials(f) for f in folders)
    count += sum(sweep_partials(event.paths.shots / i) for i in shot_ids(event))
    if count:
        log.info("removed %d unfinished leftovers", count)
    return count
