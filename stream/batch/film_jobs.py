"""How each take's films stand, and how far one in work is."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from stream.batch.state import MOST_STARTS, State
from stream.event import Event
from stream.take import Take, TakeError, load_take, take_ids


@dataclass(frozen=True)
class FilmJob:
    """How the films of one take stand.

    Attributes:
        take_id: the take's id.
        take: the take; None where its record is damaged.
        state: where they are.
        why: the sentence of a failure.
        transient: the failure may pass by itself, such as a full disk.
        films: file names below films/, once they are done.
        share: how much of them is done, 0 to 1, once they are begun; None where unknown.
        own_s: how long they themselves are still worked on; None where unknown.
        left_s: until they are made, those that go before them included; None where unknown.
        ahead: how many takes' films are made before them.
        asked: orders them; None where they are not queued yet.
        notes: warnings, those of the take among them.
    """

    take_id: str
    take: Take | None
    state: State
    why: str = ""
    transient: bool = False
    films: tuple[str, ...] = ()
    share: float | None = None
    own_s: float | None = None
    left_s: float | None = None
    ahead: int = 0
    asked: int | None = None
    notes: tuple[str, ...] = ()

    @property
    def number(self) -> str:
        """The take's running number, as it is written."""
        return self.take_id.split("-")[0]

    @property
    def key(self) -> str:
        """Tells this making of the films from one before or after it."""
        return self.take.job if self.take else self.take_id

    @property
    def finished(self) -> bool:
        """Nothing will change by itself: done, failed or never asked for."""
        return self.state in (State.DONE, State.FAILED, State.UNASKED)


def film_jobs(event: Event, rows: Mapping[str, Any]) -> list[FilmJob]:
    """How every take of the event stands, in order.

    Args:
        event: the event.
        rows: the store's, by the jobs' ids.
    """
    found: list[FilmJob] = []
    for take_id in take_ids(event):
        try:
            take = load_take(event, take_id)
        except TakeError as e:
            found.append(FilmJob(take_id, None, State.FAILED, why=str(e)))
        else:
            found.append(_job(event, take, rows.get(take.job)))
    return found


def _job(event: Event, take: Take, row: Any) -> FilmJob:
    job = FilmJob(take.id, take, State.FAILED, notes=take.notes)
    if take.recording:
        return replace(job, state=State.RECORDING)
    if row is None or row.status in ("ENQUEUED", "DELAYED"):
        wanted = take.films or wants_films(event, take)
        asked = None if row is None else row.created_at
        return replace(job, state=State.WAITING if wanted else State.UNASKED, asked=asked)
    if row.status == "PENDING":
        share, own_s = read_share(event, take)
        return replace(job, state=State.IN_WORK, share=share, own_s=own_s)
    if row.status == "SUCCESS" and isinstance(row.output, Mapping):
        notes = dict.fromkeys((*take.notes, *(str(n) for n in row.output.get("notes", ()))))
        job = replace(job, notes=tuple(notes))
        if row.output.get("films"):
            films = tuple(str(f) for f in row.output["films"])
            return replace(job, state=State.DONE, films=films)
        why, passing = str(row.output.get("why", "")), bool(row.output.get("transient"))
        return replace(job, why=why, transient=passing)
    if row.status == "MAX_RECOVERY_ATTEMPTS_EXCEEDED":
        why = f"the program was stopped {MOST_STARTS} times in the middle of this greeting"
        return replace(job, why=why)
    return replace(job, why=f"the job ended as {row.status} ({row.error})")


def wants_films(event: Event, take: Take) -> bool:
    """Whether films of a take are made unasked: something was recorded, and the event wants any."""
    nothing = take.length_s is not None and not take.length_s
    return not take.recording and not nothing and bool(event.config.film_shapes)


def _share_file(event: Event, take: Take) -> Path:
    return event.paths.film_work / f"{take.job}.share"


def write_share(event: Event, take: Take, share: float, left_s: float | None = None) -> None:
    """Say for other processes how much of a take's films is done, and how long it still takes.

    It is news for a second, so nothing makes it durable, and a disk that refuses it is no trouble.
    """
    path = _share_file(event, take)
    with suppress(OSError):
        path.parent.mkdir(exist_ok=True)
        other = path.with_suffix(".share-new")
        left_s = None if left_s is None else round(left_s, 1)
        other.write_text(json.dumps({"share": round(share, 4), "left_s": left_s}), "utf-8")
        other.replace(path)


def read_share(event: Event, take: Take) -> tuple[float | None, float | None]:
    """How much of a take's films is done, and how long they still take, as the worker last said.

    Returns:
        A share, 0 to 1, and seconds; None for what it did not say.
    """
    try:
        told = json.loads(_share_file(event, take).read_text("utf-8"))
        share, left_s = float(told["share"]), told["left_s"]
        left_s = None if left_s is None else max(float(left_s), 0.0)
    except (OSError, KeyError, ValueError, TypeError):
        return None, None
    return min(max(share, 0.0), 1.0), left_s


def drop_share(event: Event, take: Take) -> None:
    """Once the films are done or failed."""
    with suppress(OSError):
        _share_file(event, take).unlink(missing_ok=True)
