"""What is known of one take: enough to make its films again years later."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import datetime
from typing import Any

from stream.errors import UserError
from stream.file_name import stays_below
from stream.shape import SHAPES

RECORD = "take.json"
MEDIA = "take.mkv"
VIEW = "view.jpg"
ID_FORM = re.compile(r"t\d{4,}-[0-9a-f]{6}")
UNIQUE_FORM = re.compile(r"[0-9a-f]{32}")


class TakeError(UserError):
    """A take is not there, cannot be recorded, or its files cannot be used."""


@dataclass(frozen=True)
class FilmWanted:
    """A film that is to be made of a take.

    Attributes:
        shape: "wide" (1920 x 1080) or "tall" (1080 x 1920).
        film: file name below ``films/``; the poster lies beside it, with ``.jpg`` at its end.
    """

    shape: str
    film: str

    @property
    def poster(self) -> str:
        """File name of its poster below ``films/``."""
        return f"{self.film.rsplit('.', 1)[0]}.jpg"

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> FilmWanted:
        """The reverse of `dataclasses.asdict`; unknown keys are left aside.

        Raises:
            KeyError, TypeError, ValueError: a value is missing or cannot be what it should be.
        """
        wanted = cls(str(data["shape"]), str(data["film"]))
        if wanted.shape not in SHAPES:
            raise ValueError(f"a film's shape is '{wanted.shape}', not {' or '.join(SHAPES)}")
        return wanted


@dataclass(frozen=True)
class Take:
    """What was recorded between two presses: ``takes/ID/take.json`` beside its media file.

    Attributes:
        id: folder name below ``takes/``: "t", the running number and six hex digits of ``unique``.
        number: running number among the event's takes, from 1.
        unique: 32 hex digits, written into the metadata of its films.
        begun: wall clock at the instant 0 of the media file's time line, with a time zone.
        source: name of the source, for people.
        file: the media file, inside the take's folder: one picture stream and at most one sound
            stream, all timestamps on one time line that begins at 0.
        recording: it is being written; or the program died, until it is swept.
        sound: where its sound is from, for people; empty where it has none.
        quarter_turns: clockwise quarter turns that make the recorded picture upright.
        mirror: the films show it flipped left to right.
        people: roster numbers; several, one or none.
        template: name of the template.
        template_version: its content's hash; the event keeps a copy of every version used.
        plate: id of the clean plate, or None (the screen is then estimated from the frames).
        settings: the key settings, as `KeySettings.to_json` gives them.
        nudge: how far the subject is moved and scaled from its place, as `Nudge.to_json` gives it.
        begin_s: where the part that is shown begins, on the take's time line, in seconds.
        end_s: where it ends; None for the take's end.
        films: what is to be made of it.
        render: counts up when its films are to be made once more.
        notes: warnings about this take, for people.
        length_s: from 0 to the end of its last frame; known once it is recorded.
        former_films: names that its films had before, when a person's name was corrected.
    """

    id: str
    number: int
    unique: str
    begun: datetime
    source: str
    file: str
    recording: bool
    sound: str
    quarter_turns: int
    mirror: bool
    people: tuple[str, ...]
    template: str
    template_version: str
    plate: str | None
    settings: Mapping[str, Any]
    nudge: Mapping[str, Any] = field(default_factory=dict)
    begin_s: float = 0.0
    end_s: float | None = None
    films: tuple[FilmWanted, ...] = ()
    render: int = 1
    notes: tuple[str, ...] = ()
    length_s: float | None = None
    former_films: tuple[str, ...] = ()

    @property
    def job(self) -> str:
        """The id of the job that renders it; the same for every process that asks."""
        return f"{self.id}.{self.render}"

    @property
    def shown_s(self) -> float | None:
        """Seconds of it that its films show; None where the record does not say."""
        end_s = self.length_s if self.end_s is None else self.end_s
        return None if end_s is None else max(0.0, end_s - self.begin_s)

    def noting(self, *notes: str) -> Take:
        """The same take with more notes, each once."""
        return replace(self, notes=tuple(dict.fromkeys((*self.notes, *notes))))

    def to_json(self) -> dict[str, Any]:
        """Plain values, readable in a file."""
        data = {f.name: getattr(self, f.name) for f in fields(self)}
        data["begun"] = self.begun.isoformat()
        data["people"], data["notes"] = list(self.people), list(self.notes)
        data["former_films"] = list(self.former_films)
        data["settings"], data["nudge"] = dict(self.settings), dict(self.nudge)
        data["films"] = [asdict(f) for f in self.films]
        return data

    def to_bytes(self) -> bytes:
        """The content of take.json."""
        return (json.dumps(self.to_json(), indent=2, ensure_ascii=False) + "\n").encode()

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Take:
        """The reverse of `to_json`; unknown keys are left aside.

        Raises:
            TakeError: a value is missing or cannot be what it should be.
        """
        try:
            known = {f.name: data[f.name] for f in fields(cls) if f.name in data}
            known["begun"] = datetime.fromisoformat(data["begun"])
            for name in ("number", "quarter_turns"):
                known[name] = int(data[name])
            for name in ("recording", "mirror"):
                if not isinstance(data[name], bool):
                    raise TypeError(f"{name} is neither true nor false")
            known["render"] = int(data.get("render", 1))
            for name in ("id", "unique", "source", "file", "sound", "template", "template_version"):
                known[name] = str(data[name])
            for name in ("people", "notes", "former_films"):
                known[name] = tuple(str(v) for v in data.get(name, ()))
            for name in ("settings", "nudge"):
                known[name] = dict(data.get(name) or {})
            known["begin_s"] = float(data.get("begin_s", 0.0))
            for name in ("end_s", "length_s"):
                value = data.get(name)
                known[name] = None if value is None else float(value)
            known["films"] = tuple(FilmWanted.from_json(f) for f in data.get("films", ()))
            take = cls(**known)
        except (AttributeError, KeyError, TypeError, ValueError) as e:
            raise TakeError(f"a take's record is damaged ({type(e).__name__}: {e})") from e
        take._check()
        return take

    def _check(self) -> None:
        """Written by hand or by somebody else, a record must still mean something.

        Raises:
            TakeError: it does not.
        """
        what = f"the record of take {self.id}"
        if not ID_FORM.fullmatch(self.id) or self.begun.tzinfo is None:
            raise TakeError(f"the record of take '{self.id}' has no usable id or time")
        if not UNIQUE_FORM.fullmatch(self.unique):
            raise TakeError(f"{what} has no usable 'unique'; put it back from a copy.")
        if not stays_below(self.file) or "/" in self.file:
            raise TakeError(
                f"{what} names the file '{self.file}', which is not a plain file name; correct it "
                f"in {RECORD}."
            )
        for film in (*(f.film for f in self.films), *self.former_films):
            if not stays_below(film):
                raise TakeError(
                    f"{what} names the film '{film}', which would lie outside films/; correct "
                    f"it in {RECORD}."
                )
        if self.quarter_turns not in range(4):
            raise TakeError(f"{what} is turned by {self.quarter_turns} quarters; need 0 to 3.")
        times = [t for t in (self.begin_s, self.end_s, self.length_s) if t is not None]
        if not all(math.isfinite(t) and t >= 0 for t in times):
            raise TakeError(f"{what} has a time that is none; need seconds from 0.")
        if self.end_s is not None and self.end_s <= self.begin_s:
            raise TakeError(
                f"{what} ends at {self.end_s:g} s, before it begins at {self.begin_s:g} s; correct "
                f"it in {RECORD}."
            )
