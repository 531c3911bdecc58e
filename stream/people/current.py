"""An event's roster as its files have it now; half saved files put nobody out."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from pathlib import Path

from stream.config import EventConfig, EventError
from stream.errors import UserError
from stream.layout import EventPaths
from stream.people.columns import Reading
from stream.people.errors import RosterError
from stream.people.numbering import with_kept_numbers
from stream.people.roster import Roster

log = logging.getLogger("posewall.event")
Mark = tuple[object, ...]


def roster_file(paths: EventPaths) -> Path | None:
    """The event's roster, CSV or XLSX; None where there is none.

    Raises:
        RosterError: there are both.
    """
    there = [p for p in paths.rosters if p.exists()]
    if len(there) > 1:
        raise RosterError(
            f"{paths.root} has {' and '.join(p.name for p in there)}, and it is not sure which is "
            "meant; move one of them out of the folder."
        )
    return there[0] if there else None


def read_roster(
    paths: EventPaths, templates: tuple[str, ...], wanted: Reading | None = None
) -> Roster:
    """Read an event's roster; empty without a file.

    Args:
        paths: of the event.
        templates: names of its templates, for the orders.
        wanted: how to read it; None for what event.toml says.

    Raises:
        UserError: a file of it cannot be used.
    """
    file = roster_file(paths)
    if file is None:
        return Roster()
    if wanted is None:
        try:
            wanted = Reading.from_config(EventConfig.load(paths.config).roster)
        except EventError as e:
            raise RosterError(str(e)) from e
    roster = Roster.load(file, wanted, templates=templates)
    if roster.source.numbered:
        # Before the orders, which name the numbers that people keep.
        roster = with_kept_numbers(roster, paths.numbers)
    return roster.with_orders(paths.orders, templates) if paths.orders.exists() else roster


class CurrentRoster:
    """Read again after a change. Threads may share it."""

    def __init__(self, paths: EventPaths, templates: Callable[[], tuple[str, ...]]) -> None:
        self._paths = paths
        self._templates = templates
        self._guard = threading.Lock()
        self._mark: Mark | None = None
        self._roster: Roster | None = None
        self._trouble: str | None = None

    def _marks(self, templates: tuple[str, ...]) -> Mark:
        files = (*self._paths.rosters, self._paths.orders, self._paths.config)
        out: list[object] = [templates]
        for path in files:
            try:
                state = path.stat()
                out.append((state.st_mtime_ns, state.st_size))
            except OSError:
                out.append(None)
        return tuple(out)

    def read(self) -> Roster:
        """The roster; when a change makes it unusable, the one before it stays in use.

        Raises:
            RosterError: it cannot be used and no earlier state of it is known.
        """
        templates = self._templates()
        mark = self._marks(templates)
        with self._guard:
            if self._roster is None or self._mark != mark:
                try:
                    self._roster, self._trouble = read_roster(self._paths, templates), None
                except UserError as e:
                    if self._roster is None:
                        raise
                    self._trouble = f"{e} Until then the roster as it was before is used."
                    # Half saved by a spreadsheet: no press may be lost over it.
                    why = e.logged if isinstance(e, RosterError) else str(e)
                    log.warning("the roster as it was before is used: %s", why)
                self._mark = mark
            return self._roster

    @property
    def trouble(self) -> str | None:
        """Why the file as it is now is not the roster in use; None when it is."""
        try:
            self.read()
        except UserError as e:
            return str(e)
        return self._trouble
