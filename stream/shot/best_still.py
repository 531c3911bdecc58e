"""A shot of the best of several stills of one moment, the runners-up kept beside it."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import overload

from models.settings import KeySettings
from stream.best import contact_strip, rank
from stream.capture.frame import Frame
from stream.durable import copy_synced, file_digest, partial_path, storing, write_synced
from stream.event import Event
from stream.shot.choice import (
    CHOICE_RECORD,
    STRIP,
    STRIP_FRAMES,
    Candidate,
    Choice,
    runners_wanted,
)
from stream.shot.chooser import placed
from stream.shot.finding import shots
from stream.shot.frames import view_jpeg
from stream.shot.plates import load_plate
from stream.shot.record import Shot, ShotError
from stream.shot.store import (
    commit_shot,
    draft_shot,
    read_photo,
    still_name,
)
from stream.template import Nudge, Template

MOST_STILLS = 60
"""chosen: six seconds of ten a second; what is more was meant as something else."""


@dataclass(frozen=True)
class Stills(Sequence[Frame]):
    """Stills by their files; each is read when it is asked for, and not kept."""

    paths: tuple[Path, ...]

    def __len__(self) -> int:
        return len(self.paths)

    @overload
    def __getitem__(self, at: int) -> Frame: ...

    @overload
    def __getitem__(self, at: slice) -> Sequence[Frame]: ...

    def __getitem__(self, at: int | slice) -> Frame | Sequence[Frame]:
        return Stills(self.paths[at]) if isinstance(at, slice) else read_photo(self.paths[at])


def _digests(paths: Sequence[Path]) -> dict[str, Path]:
    """The files by their content, each once, in order.

    Raises:
        ShotError: too few or too many.
    """
    found: dict[str, Path] = {}
    for path in paths:
        try:
            found.setdefault(file_digest(path), path)
        except OSError as e:
            raise ShotError(f"{path} cannot be read ({e.strerror}); check the path.") from e
    if not 2 <= len(found) <= MOST_STILLS:
        raise ShotError(
            f"got {len(found)} different {'file' if len(found) == 1 else 'files'}; the best is "
            f"chosen of 2 to {MOST_STILLS} stills of one moment."
        )
    return found


def _alike(stills: Stills) -> Frame:
    """The first of the stills, every one of which can be read and is as large as it.

    Raises:
        UserError: it is not so.
    """
    first = stills[0]
    for n, path in enumerate(stills.paths):
        still = stills[n] if n else first
        if still.upright_size != first.upright_size:
            (high, wide), (other_high, other_wide) = still.upright_size, first.upright_size
            raise ShotError(
                f"{path}: is {wide} x {high} pixels and {stills.paths[0].name} is {other_wide} x "
                f"{other_high}; give stills of one moment by one camera."
            )
    return first


def add_best(
    event: Event,
    paths: Sequence[Path],
    *,
    people: Sequence[str] = (),
    template: Template | str | None = None,
    plate: str | None = None,
    settings: KeySettings,
    nudge: Nudge | None = None,
    seen: Callable[[int, int], None] = lambda done, of: None,
) -> tuple[Shot, bool]:
    """Make one shot of the best of several stills.

    Args:
        event: where to.
        paths: the files; those that are kept are copied in, byte for byte.
        people, template, plate, settings, nudge: as of `add_still`.
        seen: told how many stills were looked at, of how many.

    Returns:
        The shot, and whether it is new: of stills that a shot of the same people by the same
        template is made of already, no second one is made.

    Raises:
        StorageError: the disk did not take it; nothing is left behind.
        UserError: a file is no picture that can be read, they are of several sizes, or too few.
    """
    found = _digests(paths)
    stills = Stills(tuple(found.values()))
    first = _alike(stills)
    with storing("the best of these stills", event.paths.root):
        draft = draft_shot(
            event,
            first,
            "",
            people=people,
            template=template,
            plate=plate,
            settings=settings,
            mirror=False,
            nudge=nudge,
        )
        for known in shots(event):
            same = (known.people, known.template) == (draft.people, draft.template)
            if same and known.sha256 in found:
                return known, False
        empty = load_plate(event, draft.plate) if draft.plate else None
        fitting = empty.frame if empty is not None and empty.fits(first, still=True) else None
        ranking = rank(stills, settings, fitting, seen)
        partial = partial_path(event.paths.shots)
        try:
            partial.mkdir()
            candidates = []
            digests = tuple(found)
            for place, n in enumerate(placed(ranking, runners_wanted(event), None), 1):
                path, judged = stills.paths[n], ranking.judged[n]
                # Stills out of several folders may have one name.
                name = f"{place}-{still_name(path, draft.unique)}"
                copy_synced(path, partial / name)
                frame = stills[n]
                view = view_jpeg(frame.planes, frame.encoding, frame.quarter_turns, ranking.part)
                write_synced(partial / f"best-{place}.jpg", view)
                candidates.append(
                    Candidate(
                        file=name,
                        sha256=digests[n],
                        view=f"best-{place}.jpg",
                        reasons=tuple(judged.reasons),
                        figures=dict(judged.figures),
                        name=path.name,
                    )
                )
            write_synced(
                partial / STRIP, contact_strip(stills, ranking, ranking.best, STRIP_FRAMES)
            )
            best = stills[ranking.best]
            draft = replace(
                draft,
                taken=best.taken,
                source=best.source,
                frame=candidates[0].file,
                original=candidates[0].file,
                encoding=best.encoding,
                quarter_turns=best.quarter_turns,
                sha256=candidates[0].sha256,
            )
            choice = Choice(tuple(candidates), len(stills))
            write_synced(partial / CHOICE_RECORD, choice.to_bytes(draft.frame))
            return commit_shot(event, partial, draft), True
        except BaseException:
            shutil.rmtree(partial, ignore_errors=True)
            raise
