"""The records of shots and takes: a JSON file each, in a folder that is named by its id."""

from __future__ import annotations

import json
import logging
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, Protocol, TypeVar

from stream.errors import UserError
from stream.event import Event


class Record(Protocol):
    """What is known of a shot or a take."""

    @property
    def id(self) -> str:
        """The name of its folder."""


R = TypeVar("R", bound=Record)


@dataclass(frozen=True)
class Records(Generic[R]):
    """All records of one kind.

    Attributes:
        kind: what people call it.
        folder: where an event has them.
        file: the record's name in its folder.
        ids_form: of ids: `before`, a number, and what is behind a hyphen.
        before: letters before the number.
        read: makes a record of plain values, or raises `error`.
        error: raised for one that is not there or damaged.
        ids_said: where ids are to be found, for people.
        always: the folder is there in every event; else there is none where it is gone.
    """

    kind: str
    folder: Callable[[Event], Path]
    file: str
    ids_form: re.Pattern[str]
    before: str
    read: Callable[[Mapping[str, Any]], R]
    error: type[UserError]
    ids_said: str
    always: bool

    def load(self, event: Event, record_id: str) -> R:
        """One by its id.

        Raises:
            UserError: it is not there, or its record is damaged.
        """
        kind, folder = self.kind, self.folder(event)
        if not self.ids_form.fullmatch(record_id):
            raise self.error(f"'{record_id}' is no {kind}'s id; {self.ids_said}.")
        path = folder / record_id / self.file
        try:
            data = json.loads(path.read_text("utf-8"))
        except FileNotFoundError as e:
            raise self.error(f"there is no {kind} {record_id} in {folder}.") from e
        except (OSError, ValueError) as e:
            raise self.error(f"{path} cannot be read ({e}); put it back from a copy.") from e
        if not isinstance(data, dict):
            raise self.error(f"{path} is no {kind}'s record; put it back from a copy.")
        record = self.read(data)
        if record.id != record_id:
            raise self.error(
                f"{path} is the record of {kind} {record.id}; a {kind}'s folder must keep its name."
            )
        return record

    def _number(self, record_id: str) -> int:
        return int(record_id.removeprefix(self.before).split("-")[0])

    def ids(self, event: Event) -> list[str]:
        """Ids of all that are kept, in order."""
        try:
            names = [p.name for p in self.folder(event).iterdir()]
        except FileNotFoundError:
            if self.always:
                raise
            return []
        kept = [n for n in names if self.ids_form.fullmatch(n)]
        return sorted(kept, key=lambda i: (self._number(i), i))

    def each(self, event: Event) -> Iterator[R]:
        """Every one that can be read, in order; a damaged one is logged and left out."""
        for record_id in self.ids(event):
            try:
                yield self.load(event, record_id)
            except self.error as e:
                log = logging.getLogger(f"posewall.{self.kind}")
                log.error("%s %s: %s", self.kind, record_id, e)

    def readable(self, event: Event) -> tuple[dict[str, R], tuple[str, ...]]:
        """Every one by its id, and the ids of those whose record cannot be read."""
        found: dict[str, R] = {}
        unread: list[str] = []
        for record_id in self.ids(event):
            try:
                found[record_id] = self.load(event, record_id)
            except self.error:
                unread.append(record_id)
        return found, tuple(unread)

    def find(self, event: Event, text: str) -> R:
        """One by its id or its number, with or without the letters before it.

        Raises:
            UserError: there is none.
        """
        ids = self.ids(event)
        want = text.strip().lower()
        number = want.removeprefix(self.before)
        for record_id in ids:
            if want == record_id or (number.isdecimal() and int(number) == self._number(record_id)):
                return self.load(event, record_id)
        span = f"{ids[0]} to {ids[-1]}" if ids else "none yet"
        raise self.error(
            f"there is no {self.kind} '{text}' (the event has {span}); give a {self.kind}'s number."
        )
