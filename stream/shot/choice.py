"""The frames that a shot's picture may be made of: the best of a burst, and its runners-up.

They lie in the shot's folder, losslessly, with ``best.json``, which says of each how it was judged,
and ``strip.jpg``, which shows them beside each other. Which one is in use stands in the shot's own
record; best.json repeats it for people.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import PurePath
from typing import Any

from stream.config import EventError
from stream.durable import held, replace_file, storing
from stream.event import Event
from stream.shot.changes import CHOICE_MISSED, rewrite
from stream.shot.finding import load_shot, shot_ids
from stream.shot.frames import check_file
from stream.shot.record import UNPAINTED, Shot, ShotError
from stream.shot.titling import another_edition, output_of

log = logging.getLogger("posewall.shot")
CHOICE_RECORD, STRIP = "best.json", "strip.jpg"
STRIP_FRAMES = 12
"""chosen: two rows."""
MOST_KEPT = 5
"""chosen: as many as an operator looks through between two guests."""
PAINT_DROPPED = "what was painted by hand was painted over another frame and does not count for it"


@dataclass(frozen=True)
class Candidate:
    """One frame of a burst that was kept.

    Attributes:
        file: the frame, inside the shot's folder.
        sha256: of that file, in hex.
        view: a small picture of it for people, there as well.
        reasons: how it was judged, in plain words.
        figures: how it was judged, in numbers.
        press: it is the frame of the press.
        before_s: how long before the press it was taken, in seconds; None of a camera's stills.
        name: of the camera's file; empty of a video frame.
        pts, time_base, index: the frame's place in its source.
    """

    file: str
    sha256: str
    view: str
    reasons: tuple[str, ...] = ()
    figures: Mapping[str, Any] = field(default_factory=dict)
    press: bool = False
    before_s: float | None = None
    name: str = ""
    pts: int | None = None
    time_base: str | None = None
    index: int = 0

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Candidate:
        """The reverse of `dataclasses.asdict`; unknown keys are left aside.

        Raises:
            KeyError, TypeError, ValueError: a value is missing or cannot be what it should be.
        """
        known = {f.name: data[f.name] for f in fields(cls) if f.name in data}
        known["reasons"] = tuple(str(r) for r in data.get("reasons", ()))
        known["figures"] = dict(data.get("figures") or {})
        one = cls(**known)
        for name in (one.file, one.view):
            if PurePath(name).name != name or "\\" in name:
                raise ValueError(f"'{name}' is not a plain file name")
        return one

    @property
    def words(self) -> str:
        """When it was taken, and how it was judged, for people."""
        when = "at the press" if self.press else self.name
        if not self.press and self.before_s is not None:
            off_s = abs(self.before_s)
            side = "before" if self.before_s > 0 else "after"
            when = f"{off_s:.{1 if off_s >= 0.1 else 2}f} s {side}"
        return ": ".join(filter(None, (when, ", ".join(self.reasons))))


@dataclass(frozen=True)
class Choice:
    """What a shot may be made of.

    Attributes:
        candidates: the best one first.
        looked_at: how many frames were compared.
    """

    candidates: tuple[Candidate, ...]
    looked_at: int

    def place(self, file: str) -> int | None:
        """Where a frame stands, from 1; None where it is none of them."""
        return next((n for n, c in enumerate(self.candidates, 1) if c.file == file), None)

    def to_bytes(self, in_use: str) -> bytes:
        """The content of best.json.

        Args:
            in_use: file of the frame that the picture is made of.
        """
        frames = [
            {"place": n, "in_use": c.file == in_use, **asdict(c)}
            for n, c in enumerate(self.candidates, 1)
        ]
        data = {"looked_at": self.looked_at, "frames": frames}
        return (json.dumps(data, indent=2, ensure_ascii=False) + "\n").encode()


def kept_runners(event: Event) -> int:
    """How many runners-up the event wants kept: ``keep`` in [best] of event.toml.

    Raises:
        EventError: it is neither true, false nor such a number.
    """
    said = event.config.best.get("keep", True)
    if isinstance(said, bool):
        return MOST_KEPT if said else 0
    if isinstance(said, int) and 0 <= said <= MOST_KEPT:
        return said
    raise EventError(
        f"{event.paths.config}, [best]: keep is {said!r}; need true, false, or how many runners-up "
        f"are kept, 0 to {MOST_KEPT}."
    )


def runners_wanted(event: Event) -> int:
    """As `kept_runners`; where that cannot be read all are kept, since they do not come again."""
    try:
        return kept_runners(event)
    except EventError as e:
        log.warning("%s All are kept meanwhile.", e)
        return MOST_KEPT


def load_choice(event: Event, shot_id: str) -> Choice | None:
    """The frames that a shot may be made of; None where no best one was chosen.

    Raises:
        ShotError: their record is damaged.
    """
    path = event.paths.shots / shot_id / CHOICE_RECORD
    try:
        data = json.loads(path.read_text("utf-8"))
        candidates = tuple(Candidate.from_json(c) for c in data["frames"])
        return Choice(candidates, int(data["looked_at"]))
    except FileNotFoundError:
        return None
    except (OSError, KeyError, TypeError, ValueError) as e:
        raise ShotError(f"{path} cannot be read ({e}); put it back from a copy.") from e


def write_choice(event: Event, shot: Shot, choice: Choice) -> None:
    """Put best.json in place of what is there; the caller holds the event's lock."""
    replace_file(event.paths.shots / shot.id / CHOICE_RECORD, choice.to_bytes(shot.frame))


def with_frame(shot: Shot, candidate: Candidate) -> Shot:
    """The shot made of another of its frames; nothing is awaited for it any more."""
    if shot.frame == candidate.file:
        return replace(shot, choice_until=None)
    if shot.mask or shot.matte or shot.retouch:
        shot = replace(shot.noting(PAINT_DROPPED), **UNPAINTED)
    return replace(
        shot,
        frame=candidate.file,
        original=candidate.file if candidate.name else None,
        sha256=candidate.sha256,
        pts=candidate.pts,
        time_base=candidate.time_base,
        index=candidate.index,
        choice_until=None,
    )


def settle_choice(event: Event, shot_id: str, choice: Choice) -> Shot:
    """Make a shot of the best of its frames, which lie in its folder.

    The picture that was waited for is made of it. Where the wait was given up meanwhile, the
    picture of the press's frame stays and that of the best one is another.

    Raises:
        UserError: no such shot, or the disk did not take it.
    """
    best = choice.candidates[0]
    with storing(f"the choice for shot {shot_id}", event.paths.root), held(event.paths.lock):
        before = load_shot(event, shot_id)
        now = with_frame(before, best)
        now = replace(now, notes=tuple(n for n in now.notes if n != CHOICE_MISSED))
        write_choice(event, now, choice)
        if before.choice_until is None and now.frame != before.frame:
            now = another_edition(event, before, now)
        now = rewrite(event, now)
    log.info("shot %s is made of the best of %d frames", shot_id, choice.looked_at)
    return now


def take_candidate(event: Event, shot_id: str, place: int) -> Shot:
    """Make a shot of another of its frames: another picture, and the earlier one stays.

    Args:
        event: the event.
        shot_id: the shot.
        place: of the frame in the order, from 1.

    Returns:
        The shot as kept; the same as before where that frame is in use already.

    Raises:
        UserError: no such shot or frame, the frame's file is damaged, or the disk did not take it.
    """
    choice = load_choice(event, shot_id)
    shot = load_shot(event, shot_id)
    if shot.choice_until is not None:
        raise ShotError(f"the best frame of shot {shot.id} is still being chosen; wait for it.")
    if choice is None or len(choice.candidates) < 2:
        raise ShotError(f"shot {shot.id} has no other frames; 'grab --best' keeps some.")
    if not 1 <= place <= len(choice.candidates):
        raise ShotError(
            f"shot {shot.id} has no frame {place}; give one of 1 to {len(choice.candidates)}."
        )
    candidate = choice.candidates[place - 1]
    check_file(event.paths.shots / shot_id / candidate.file, candidate.sha256)
    with storing(f"shot {shot_id}", event.paths.root), held(event.paths.lock):
        shot = load_shot(event, shot_id)
        if shot.frame == candidate.file:
            return shot
        output = dict(event.config.pictures)
        output_of(event, output)
        now = replace(with_frame(shot, candidate), output=output)
        write_choice(event, now, choice)
        log.info("shot %s is made of its frame %d", shot.id, place)
        return rewrite(event, another_edition(event, shot, now))


def drop_runners(event: Event, shot_id: str, keep: int) -> int:
    """Remove the runners-up of a shot that are not to be kept; frames of its pictures stay.

    Args:
        event: the event.
        shot_id: the shot.
        keep: how many runners-up stay.

    Returns:
        How many went.

    Raises:
        UserError: its records are damaged, or the disk did not do it.
    """
    if (choice := load_choice(event, shot_id)) is None or len(choice.candidates) <= 1 + keep:
        return 0
    with storing(f"shot {shot_id}", event.paths.root), held(event.paths.lock):
        shot, folder = load_shot(event, shot_id), event.paths.shots / shot_id
        if shot.choice_until is not None:
            return 0
        used = {shot.frame, *(str(e.get("frame")) for e in shot.earlier)}
        stay = [c for n, c in enumerate(choice.candidates) if n <= keep or c.file in used]
        gone = [c for c in choice.candidates if c not in stay]
        if not gone:
            return 0
        write_choice(event, shot, replace(choice, candidates=tuple(stay)))
        # The strip shows those that go, and what was seen at the press may be one of them.
        pressed = ["view.jpg"] if any(c.press for c in gone) else []
        for name in (STRIP, *pressed, *(n for c in gone for n in (c.file, c.view))):
            (folder / name).unlink(missing_ok=True)
    log.info("shot %s: %d runners-up removed, as the event says", shot_id, len(gone))
    return len(gone)


def sweep_runners(event: Event) -> int:
    """Remove the runners-up that the event does not want kept any more; how many went."""
    keep, count = runners_wanted(event), 0
    for shot_id in shot_ids(event) if keep < MOST_KEPT else ():
        try:
            count += drop_runners(event, shot_id, keep)
        except (ShotError, OSError) as e:
            log.warning("runners-up of shot %s: %s", shot_id, e)
    return count
