"""A film in work: its plan, its finished pieces, and what the keyer knew after the last of them.

Everything is durable before it counts, so that a film that was broken off at any moment goes on
with the first piece that is missing, and becomes the film that it would have been. The folder may
be removed at any time; the film then begins anew.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from safetensors import SafetensorError
from safetensors.torch import load, save

from models.state import State
from stream.durable import file_digest, make_folder, replace_file, sync_folder

_PLAN = "plan.json"
_STATE = "state-{:05d}.safetensors"
_FACTS = "facts"
_FILMS = "films"


@dataclass(frozen=True)
class Kept:
    """Where a film stands after some of its pieces.

    Attributes:
        pieces: how many are finished.
        state: what the keyer knew after them; an empty one before the first.
        told: what else is counted over the film; plain values.
    """

    pieces: int = 0
    state: State = field(default_factory=State)
    told: Mapping[str, Any] | None = None


class Work:
    """The folder of a film in work; one process at a time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._digests: dict[str, str] = {}

    def plan(self, pins: Mapping[str, Any]) -> dict[str, Any] | None:
        """What was found out when the film was begun.

        Args:
            pins: everything that decides its pixels.

        Returns:
            None where none was begun with the same pins; then nothing is left of another.
        """
        kept = self._kept_plan()
        if kept is not None and kept["pins"] == json.loads(json.dumps(pins)):
            found: dict[str, Any] = kept["found"]
            return found
        self.remove()
        return None

    def codings(self, pins: Mapping[str, Any]) -> dict[str, Any]:
        """How each film was to be coded when it was begun, by its name.

        Args:
            pins: as of `plan`; its codings are not looked at.

        Returns:
            None of them where none was begun with all else the same.
        """
        kept = self._kept_plan()
        if kept is None:
            return {}
        before, now = kept["pins"], json.loads(json.dumps(pins))
        found: dict[str, Any] = before.get(_FILMS, {})
        return found if {**before, _FILMS: {}} == {**now, _FILMS: {}} else {}

    def _kept_plan(self) -> dict[str, Any] | None:
        try:
            kept = json.loads((self.folder / _PLAN).read_text("utf-8"))
            return {"pins": dict(kept["pins"]), "found": dict(kept["found"])}
        except (OSError, ValueError, KeyError, TypeError):
            return None

    @property
    def pieces(self) -> int:
        """How many are finished in all its parts together."""
        count = 0
        for part in self.folder.glob("*/"):
            numbers = [int(p.stem.partition("-")[2]) for p in part.glob("state-*.safetensors")]
            count += max(numbers, default=-1) + 1
        return count

    def begin(self, pins: Mapping[str, Any], found: Mapping[str, Any]) -> None:
        """Keep a plan, before the first piece is made."""
        make_folder(self.folder)
        text = json.dumps({"pins": pins, "found": found}, indent=1, ensure_ascii=False) + "\n"
        replace_file(self.folder / _PLAN, text.encode())

    def piece(self, name: str, number: int) -> Path:
        """Where a piece of one of its films lies, or will."""
        return self.folder / f"{name}-{number:05d}.mkv"

    def poster(self, name: str) -> Path:
        """Where the poster of one of its films lies, or will."""
        return self.folder / f"{name}.jpg"

    def kept(self, names: Sequence[str]) -> Kept:
        """Where it stands; leftovers of a piece that was not finished are removed.

        Args:
            names: of the films that are made of one pass.
        """
        states = sorted(self.folder.glob("state-*.safetensors"))
        for path in reversed(states):
            try:
                data = path.read_bytes()
                # The header holds the facts: its length comes first, in 8 bytes.
                length = int.from_bytes(data[:8], "little")
                facts = json.loads(json.loads(data[8 : 8 + length])["__metadata__"][_FACTS])
                state = State(load(data), facts["state"])
                pieces, digests = int(facts["pieces"]), dict(facts["digests"])
                told = dict(facts["told"])
            except (OSError, ValueError, KeyError, TypeError, SafetensorError):
                continue
            wanted = [self.piece(name, i) for i in range(pieces) for name in names]
            if all(p.is_file() and file_digest(p) == digests.get(p.name) for p in wanted):
                self._digests = digests
                self._sweep({p.name for p in wanted} | {path.name})
                return Kept(pieces, state, told)
        self.forget()
        return Kept()

    def finish(
        self, names: Sequence[str], number: int, state: State, told: Mapping[str, Any]
    ) -> None:
        """Let a piece count: its files are whole and durable.

        Args:
            names: of the films that have a file of it.
            number: its own.
            state: what the keyer knows after it.
            told: what else is counted over the film; plain values.
        """
        for name in names:
            path = self.piece(name, number)
            self._digests[path.name] = file_digest(path)
        facts = {
            "pieces": number + 1,
            "digests": self._digests,
            "told": told,
            "state": dict(state.facts),
        }
        tensors = {key: t.cpu().contiguous() for key, t in state.tensors.items()}
        replace_file(
            self.folder / _STATE.format(number), save(tensors, {_FACTS: json.dumps(facts)})
        )
        for path in self.folder.glob("state-*.safetensors"):
            if path.name != _STATE.format(number):
                path.unlink(missing_ok=True)

    def part(self, name: str) -> Work:
        """A folder inside it, for films that are made in one go."""
        folder = self.folder / name
        make_folder(folder)
        return Work(folder)

    def clear(self) -> None:
        """Remove all but the plan: the films are done."""
        for path in self.folder.iterdir():
            if path.is_dir():
                shutil.rmtree(path, ignore_errors=True)

    def forget(self) -> None:
        """Remove all pieces; the plan stays."""
        self._digests = {}
        self._sweep(set())

    def remove(self) -> None:
        """Remove it with everything in it."""
        shutil.rmtree(self.folder, ignore_errors=True)
        if self.folder.parent.is_dir():
            sync_folder(self.folder.parent)

    def _sweep(self, stays: set[str]) -> None:
        """Remove pieces and states that do not count, and what was only half written."""
        for path in [*self.folder.glob("*.mkv"), *self.folder.glob("state-*")]:
            if path.name not in stays:
                path.unlink(missing_ok=True)
        for path in self.folder.glob(".partial-*"):
            path.unlink(missing_ok=True)
