"""Rows of figures as they come: told, and kept in a file after each, so that a run that is broken
off keeps what it measured."""

from __future__ import annotations

import json
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from scripts.plots import draw
from scripts.timing import tell
from stream.durable import renamed_to, replace_file


def keep_json(path: Path, held: object) -> None:
    """Put figures into a file, whole or not at all, in place of what is there."""
    path.parent.mkdir(exist_ok=True, parents=True)
    replace_file(path, (json.dumps(held, indent=1) + "\n").encode())


class Report:
    """The rows of one run.

    Attributes:
        rows: those that came so far.
        failed: names of the rows that could not be measured.
    """

    def __init__(self, folder: Path, name: str, about: dict[str, object], bar_ms: float) -> None:
        """Begin; nothing is written before the first row.

        Args:
            folder: where the files are put; made when needed.
            name: of the files, without an ending.
            about: the machine.
            bar_ms: for the picture: where the delays' bar lies.
        """
        self.rows: list[dict[str, Any]] = []
        self.failed: list[str] = []
        self._folder, self._name = folder, name
        self._about, self._bar_ms = about, bar_ms
        self._drawn = False

    @property
    def written(self) -> str:
        """Where it all is, in words."""
        if not self.rows:
            return "Nothing was measured."
        picture = f" and {self._path('.png')}" if self._drawn else ""
        return f"Written: {self._path('.json')}{picture}"

    def add(self, row: dict[str, Any]) -> None:
        """Tell a row and keep it."""
        self.rows.append(row)
        tell(row)
        keep_json(self._path(".json"), {"machine": self._about, "rows": self.rows})
        with renamed_to(self._path(".png")) as partial:
            self._drawn = draw(self.rows, self._about, partial, self._bar_ms)
            if not self._drawn:
                partial.touch()
        if not self._drawn:
            self._path(".png").unlink()

    @contextmanager
    def measuring(self, name: str) -> Iterator[None]:
        """Whatever goes wrong in the block is a row that says so; the run goes on."""
        try:
            yield
        except Exception as error:  # noqa: BLE001 - kept with the figures
            why = str(error) or type(error).__name__
            self.failed.append(name)
            print(f"bench: {name} could not be measured: {why}", file=sys.stderr, flush=True)
            trace = traceback.format_exc()
            self.add({"row": name, "not_measured": why, "seconds": {"traceback": trace}})

    def _path(self, suffix: str) -> Path:
        return self._folder / f"{self._name}{suffix}"
