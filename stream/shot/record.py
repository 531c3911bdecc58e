"""What is known of one press: enough to render it again years later."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from datetime import datetime
from pathlib import PurePath
from typing import Any

from models.color import Encoding
from models.errors import PosewallError
from stream.errors import UserError
from stream.file_name import stays_below
from stream.shot.wanted import Wanted

RECORD = "shot.json"
KEPT = (
    *("picture", "settings", "mask", "mask_turns", "frame", "original", "sha256", "plate"),
    *("template", "template_version", "size", "copies", "output", "also", "nudge", "beside"),
    *("matte", "matte_turns", "retouch", "retouch_at"),
)
"""Of a picture that stays after its shot was keyed otherwise: what it was made with."""
UNPAINTED: Mapping[str, Any] = {
    **dict.fromkeys(("mask", "matte", "retouch", "retouch_at")),
    **{"mask_turns": 0, "matte_turns": 0},
}
"""What was painted by hand, none of it."""
ID_FORM = re.compile(r"\d{4,}-[0-9a-f]{6}")


class ShotError(UserError):
    """A shot is not there, or its files cannot be used."""


@dataclass(frozen=True)
class Shot:
    """One press.

    Attributes:
        id: folder name below ``shots/``: the running number and six hex digits of ``unique``.
        number: running number in the event, from 1.
        unique: 32 hex digits, written into the picture as its ImageUniqueID.
        taken: when the button was pressed, with a time zone.
        source: name of the source, for people.
        frame: file that the picture is made from, inside the shot's folder.
        original: the camera's still, byte for byte, or None; where there is one it is ``frame``.
        proxy: the video frame kept beside a still, or None.
        encoding: how the stored video frame's planes are to be read (a still carries its own).
        quarter_turns: clockwise quarter turns that make the stored frame upright.
        mirror: the picture shows the frame flipped left to right.
        people: roster numbers; several, one or none.
        template: name of the template.
        template_version: its content's hash; the event keeps a copy of every version used.
        plate: id of the clean plate, or None (the screen is then estimated from the frame).
        settings: the key settings, as `KeySettings.to_json` gives them.
        picture: file name below ``pictures/``.
        size: name of a paper that the picture is made for; None for the template's own size.
        copies: how many prints of it are wanted.
        output: the form of its pictures' files, as `Output.to_table` gives it.
        also: further pictures of the same frame, by other templates or in other sizes.
        nudge: how far the subject is moved and scaled from its place, as `Nudge.to_json` gives it.
        beside: ids of shots whose subjects stand in the template's further slots.
        matte: file of what was painted into its matte by hand, inside the shot's folder, or None.
        matte_turns: as ``mask_turns``.
        retouch: file painted over the finished subject, inside the shot's folder, or None.
        retouch_at: where it was painted, as `Paper.to_json` gives it.
        mask: file of the strokes painted by hand, inside the shot's folder, or None.
        mask_turns: the frame's quarter turns when they were painted; they turn with it since.
        earlier: pictures made with other settings or strokes, which stay: of each one what `KEPT`
            names (records from before have the first four of them).
        former_pictures: names that its picture had before, when a person's name was corrected.
        render: counts up when the picture is to be made once more.
        still_until: a tethered still is awaited until then; None when none is awaited.
        choice_until: its best frame is being chosen, until then at the latest; None when not.
        notes: warnings about this shot, for people.
        sha256: of the file ``frame``, in hex: damage is noticed, and a still added twice.
        pts, time_base, index: the frame's place in its source.
    """

    id: str
    number: int
    unique: str
    taken: datetime
    source: str
    frame: str
    original: str | None
    proxy: str | None
    encoding: Encoding
    quarter_turns: int
    mirror: bool
    people: tuple[str, ...]
    template: str
    template_version: str
    plate: str | None
    settings: Mapping[str, Any]
    picture: str
    size: str | None = None
    copies: int = 1
    output: Mapping[str, Any] = field(default_factory=dict)
    also: tuple[Wanted, ...] = ()
    nudge: Mapping[str, Any] = field(default_factory=dict)
    beside: tuple[str, ...] = ()
    matte: str | None = None
    matte_turns: int = 0
    retouch: str | None = None
    retouch_at: Mapping[str, Any] | None = None
    render: int = 1
    still_until: datetime | None = None
    choice_until: datetime | None = None
    notes: tuple[str, ...] = ()
    former_pictures: tuple[str, ...] = ()
    mask: str | None = None
    mask_turns: int = 0
    earlier: tuple[Mapping[str, Any], ...] = ()
    sha256: str | None = None
    pts: int | None = None
    time_base: str | None = None
    index: int = 0

    @property
    def job(self) -> str:
        """The id of the job that renders it; the same for every process that asks."""
        return f"{self.id}.{self.render}"

    @property
    def waits_until(self) -> datetime | None:
        """Until when no picture is made of it: a still is awaited, or its best frame chosen."""
        return self.still_until or self.choice_until

    @property
    def wanted(self) -> tuple[Wanted, ...]:
        """Every picture that is to be made of it, the one that people posed for first."""
        main = Wanted(
            self.template,
            self.template_version,
            self.picture,
            self.size,
            self.copies,
            self.former_pictures,
        )
        return (main, *self.also)

    def wanting(self, wanted: Sequence[Wanted]) -> Shot:
        """The same with these pictures, the one that people posed for first."""
        main, *also = wanted
        return replace(
            self,
            template=main.template,
            template_version=main.template_version,
            picture=main.picture,
            size=main.size,
            copies=main.copies,
            former_pictures=main.former,
            also=tuple(also),
        )

    @property
    def picture_names(self) -> tuple[str, ...]:
        """Every name that a picture of it has or had, each once."""
        now = [n for w in self.wanted for n in (w.picture, *w.former)]
        return tuple(dict.fromkeys((*now, *self.earlier_names)))

    @property
    def earlier_names(self) -> tuple[str, ...]:
        """Of the pictures that stay since the shot was made otherwise."""
        then = [str(e["picture"]) for e in self.earlier if e.get("picture")]
        return (*then, *(str(w["picture"]) for e in self.earlier for w in e.get("also", ())))

    def noting(self, note: str) -> Shot:
        """The same shot with one more note, once."""
        return self if note in self.notes else replace(self, notes=(*self.notes, note))

    def to_json(self) -> dict[str, Any]:
        """Plain values, readable in a file."""
        data = {f.name: getattr(self, f.name) for f in fields(self)}
        data["taken"] = self.taken.isoformat()
        for moment, until in (
            ("still_until", self.still_until),
            ("choice_until", self.choice_until),
        ):
            data[moment] = until.isoformat() if until else None
        data["encoding"] = self.encoding.to_json()
        data["people"], data["notes"] = list(self.people), list(self.notes)
        data["former_pictures"] = list(self.former_pictures)
        data["earlier"] = [dict(e) for e in self.earlier]
        data["settings"] = dict(self.settings)
        data["also"] = [w.to_json() for w in self.also]
        data["output"] = dict(self.output)
        data["nudge"], data["beside"] = dict(self.nudge), list(self.beside)
        data["retouch_at"] = None if self.retouch_at is None else dict(self.retouch_at)
        return data

    def to_bytes(self) -> bytes:
        """The content of shot.json."""
        return (json.dumps(self.to_json(), indent=2, ensure_ascii=False) + "\n").encode()

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Shot:
        """The reverse of `to_json`; unknown keys are left aside.

        Raises:
            ShotError: a value is missing or cannot be what it should be.
        """
        try:
            known = {f.name: data[f.name] for f in fields(cls) if f.name in data}
            known["taken"] = datetime.fromisoformat(data["taken"])
            for moment in ("still_until", "choice_until"):
                until = data.get(moment)
                known[moment] = datetime.fromisoformat(until) if until else None
            known["encoding"] = Encoding.from_json(data["encoding"])
            known["people"] = tuple(str(p) for p in data["people"])
            known["notes"] = tuple(str(n) for n in data.get("notes", ()))
            known["former_pictures"] = tuple(str(n) for n in data.get("former_pictures", ()))
            known["mask_turns"] = int(data.get("mask_turns", 0))
            known["matte_turns"] = int(data.get("matte_turns", 0))
            known["earlier"] = tuple(dict(e) for e in data.get("earlier", ()))
            known["settings"] = dict(data["settings"])
            known["copies"] = int(data.get("copies", 1))
            known["also"] = tuple(Wanted.from_json(w) for w in data.get("also", ()))
            known["output"] = dict(data.get("output") or {})
            known["nudge"] = dict(data.get("nudge") or {})
            known["beside"] = tuple(str(b) for b in data.get("beside", ()))
            at = data.get("retouch_at")
            known["retouch_at"] = None if at is None else dict(at)
            shot = cls(**known)
        except (KeyError, TypeError, ValueError, PosewallError) as e:
            raise ShotError(f"a shot's record is damaged ({type(e).__name__}: {e})") from e
        # Written by hand or by somebody else, a name must still not lead out of its folder.
        names = [shot.frame, shot.original, shot.proxy, shot.mask, shot.matte, shot.retouch]
        inside = ("mask", "frame", "original", "matte", "retouch")
        names += [e.get(n) for e in shot.earlier for n in inside]
        try:
            pictures = shot.picture_names
        except (AttributeError, KeyError, TypeError) as e:
            raise ShotError(f"the record of shot {shot.id} is damaged ({e})") from e
        for name in names:
            if name is not None and (PurePath(name).name != name or "\\" in name):
                raise ShotError(
                    f"the record of shot {shot.id} names the file '{name}', which is not a plain "
                    "file name; correct it in shot.json."
                )
        for name in pictures:
            if not stays_below(name):
                raise ShotError(
                    f"the record of shot {shot.id} names the picture '{name}', which would lie "
                    "outside pictures/; correct it in shot.json."
                )
        if not ID_FORM.fullmatch(shot.id) or shot.taken.tzinfo is None:
            raise ShotError(f"the record of shot '{shot.id}' has no usable id or time")
        return shot
