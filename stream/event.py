"""An event: one folder on disk, readable without the program.

```
event.toml            name, date, usual template, key settings
roster.csv            who may stand before the screen; or roster.xlsx
orders.csv            what they want, where it is not on the roster
templates/NAME/       as they are edited
template-versions/    a copy of every version that was used, so that a shot renders the same later
plates/ID/  shots/ID/ clean plates and shots, each whole or not there
pictures/             what is printed
takes/ID/             recorded picture and sound, readable while they are being written
films/                the greetings made of takes
sheets/               sheets and contact sheets, once one was made
next.json             who is in the next picture, by number
queue.sqlite          the queue's store
.flattened/           finished parts of templates, without words; may be deleted at any time
.films/               pieces of films in work; may be deleted at any time
.pace.json            how long the last greetings took to make; may be deleted at any time
posewall.log          what happened; shots by number, no names of people
```
"""

from __future__ import annotations

import logging
import os
import shutil
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import date
from pathlib import Path, PurePath
from typing import Any

from stream.config import EventConfig, EventError
from stream.durable import (
    commit_folder,
    copy_synced,
    partial_path,
    storing,
    sync_folder,
    write_synced,
)
from stream.errors import UserError
from stream.layout import EventPaths
from stream.people import Reading, Roster
from stream.people.current import CurrentRoster
from stream.people.workbook import is_workbook
from stream.template import Nudge, Template, load_template
from stream.template.kept import Store
from stream.template.loader import copy_version

log = logging.getLogger("posewall.event")


def _plain_name(name: str, what: str) -> str:
    if not name or PurePath(name).name != name or "\\" in name or name.startswith("."):
        raise EventError(f"'{name}' is no {what} name; give the name of a folder, without a path.")
    return name


def _copy_tree(source: Path, target: Path) -> None:
    """Copy a folder into one that is not committed yet, every file fsynced."""
    for here, _, files in os.walk(source, followlinks=True):
        into = target / Path(here).relative_to(source)
        into.mkdir()
        for name in files:
            copy_synced(Path(here, name), into / name)


def _state(path: Path) -> tuple[int, int] | None:
    """What changes when a file is written; None where there is none."""
    try:
        state = path.stat()
    except OSError:
        return None
    return state.st_mtime_ns, state.st_size


def _mark(folder: Path) -> tuple[tuple[str, int, int], ...]:
    """Names, times and sizes of a folder's files: other ones after every edit."""
    found = []
    for here, _, files in os.walk(folder, followlinks=True):
        for name in files:
            # One that an editor takes away just now, or a link to nowhere, must not stop a press.
            with suppress(OSError):
                state = Path(here, name).stat()
                found.append((str(Path(here, name)), state.st_mtime_ns, state.st_size))
    return tuple(sorted(found))


class Event:
    """An open event folder. Threads may share it.

    Attributes:
        paths: where things lie in it.
        flattened: finished parts of its templates.
    """

    def __init__(self, root: Path, config: EventConfig) -> None:
        self.paths = EventPaths(root)
        self._config = config
        self._config_mark = _state(self.paths.config)
        self._guard = threading.Lock()
        self._read: dict[str, tuple[tuple[tuple[str, int, int], ...], Template]] = {}
        self._templates: dict[tuple[str, str], Template] = {}
        self.flattened = Store(self.paths.flattened)
        self._roster = CurrentRoster(self.paths, lambda: self.template_names)

    @property
    def config(self) -> EventConfig:
        """event.toml as it is now; one that cannot be read leaves the one before in use."""
        mark = _state(self.paths.config)
        with self._guard:
            if mark is not None and mark != self._config_mark:
                self._config_mark = mark
                try:
                    self._config = EventConfig.load(self.paths.config)
                except EventError as e:
                    # Half saved by an editor: no press may be lost over it.
                    log.warning("event.toml as it was before is used: %s", e)
            return self._config

    @property
    def name(self) -> str:
        return self.config.name

    @classmethod
    def open(cls, path: str | Path) -> Event:
        """Open an event folder.

        Raises:
            EventError: there is none.
        """
        root = Path(path).resolve()
        if not root.is_dir():
            raise EventError(
                f"there is no folder {path}; give an event's folder, or make one with "
                "'posewall event new'."
            )
        config = EventPaths(root).config
        if not config.is_file():
            raise EventError(
                f"{path} is no event folder (it has no {config.name}); give an event's folder, or "
                "make one with 'posewall event new'."
            )
        event = cls(root, EventConfig.load(config))
        with storing("the event", root):
            for folder in event.paths.folders:
                folder.mkdir(exist_ok=True)
        return event

    @classmethod
    def create(
        cls,
        path: str | Path,
        name: str,
        *,
        day: date | None = None,
        roster: Path | None = None,
        reading: Reading | None = None,
        templates: Sequence[Path] = (),
        key: Mapping[str, Any] | None = None,
    ) -> Event:
        """Make a new event folder; the first template becomes the usual one.

        ``reading`` says how the roster is to be read, and is kept in event.toml.

        Everything is read and checked before the folder gets its name, so a mistake leaves
        nothing behind.

        Raises:
            UserError: the folder is there already, or roster or a template cannot be used.
        """
        root = Path(path).resolve()
        if root.exists() and (not root.is_dir() or any(root.iterdir())):
            raise EventError(f"{path} is there already and not empty; give a new folder's name.")
        if not name.strip():
            raise EventError("an event needs a name; give one with --name.")
        if roster:
            Roster.load(roster, reading)
        names = [_plain_name(t.resolve().name, "template") for t in templates]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise EventError(
                f"two templates have the name {', '.join(twice)}; rename the folder of one."
            )
        for folder in templates:
            load_template(folder)
        config = EventConfig(
            name.strip(),
            day,
            names[0] if names else None,
            key or {},
            roster=reading.to_config() if reading else {},
        )
        with storing("the event", root.parent):
            root.parent.mkdir(parents=True, exist_ok=True)
            partial = partial_path(root.parent)
            try:
                partial.mkdir()
                paths = EventPaths(partial)
                for folder in paths.folders:
                    folder.mkdir()
                write_synced(paths.config, config.to_toml().encode())
                if roster:
                    # Byte for byte: the spreadsheet that wrote it can go on editing it.
                    copy_synced(roster, paths.rosters[is_workbook(roster)])
                for folder, plain in zip(templates, names, strict=True):
                    _copy_tree(folder, paths.templates / plain)
                if root.exists():
                    root.rmdir()
                commit_folder(partial, root)
            except BaseException:
                shutil.rmtree(partial, ignore_errors=True)
                raise
        return cls.open(root)

    @property
    def roster(self) -> Roster:
        """The roster as the file has it now; read again after a change. Empty without a file.

        When a change makes it unusable, the one before it stays in use.

        Raises:
            RosterError: the file cannot be used and no earlier state of it is known.
        """
        return self._roster.read()

    @property
    def roster_trouble(self) -> str | None:
        """Why the file as it is now is not the roster in use; None when it is."""
        return self._roster.trouble

    @property
    def template_names(self) -> tuple[str, ...]:
        """Names of the templates that may be chosen, sorted; none where their folder is gone."""
        try:
            there = list(self.paths.templates.iterdir())
        except OSError:
            return ()
        return tuple(sorted(p.name for p in there if p.is_dir() and not p.name.startswith(".")))

    def nudge(self, template: str) -> Nudge:
        """How far subjects in a template are moved: what the event says, and what for it alone.

        Raises:
            EventError: [nudge] in event.toml has something else than numbers.
        """
        own = self.config.nudge.get(template, {})
        # A table is another template's, whether that is there any longer or not.
        said = {k: v for k, v in self.config.nudge.items() if not isinstance(v, Mapping)}
        said.pop(template, None)
        try:
            return Nudge.from_json(said).then(Nudge.from_json(own))
        except UserError as e:
            raise EventError(f"{self.paths.config}, [nudge]: {e}") from e

    def template(self, name: str | None = None) -> Template:
        """A template as it is now, kept by its version from this moment.

        Args:
            name: a folder below templates/; None for the event's usual one.

        Raises:
            UserError: there is no such template, or it cannot be used.
        """
        if name is None:
            name = self.config.template
        if name is None:
            there = self.template_names
            if len(there) != 1:
                raise EventError(
                    f"no template was named and the event has no usual one (it has "
                    f"{', '.join(there) or 'none'}); name one with --template."
                )
            name = there[0]
        folder = self.paths.templates / _plain_name(name, "template")
        if not folder.is_dir():
            raise EventError(
                f"there is no template '{name}' in {self.paths.templates} (it has "
                f"{', '.join(self.template_names) or 'none'}); copy its folder there or name "
                "another."
            )
        # Reading one takes seconds; a press asks for each that its people ordered.
        mark = _mark(folder)
        with self._guard:
            read = self._read.get(name)
        if read is not None and read[0] == mark:
            return self.keep_template(read[1])
        template = load_template(folder)
        with self._guard:
            self._read[name] = (mark, template)
        return self.keep_template(template)

    def keep_template(self, template: Template) -> Template:
        """Make sure that a template can be had again as it is now.

        Returns:
            The same template, or an equal one that was read before and is warm.

        Raises:
            UserError: a file of it was changed since it was read, or the disk did not take it.
        """
        kept = self._kept(template.name, template.version)
        if not kept.is_dir():
            with storing("a copy of the template", self.paths.root):
                template.copy_to(kept)
                sync_folder(self.paths.template_versions)
        return self._remember(template.lying_in(kept))

    def template_version(self, name: str, version: str) -> Template:
        """A template exactly as it was when a shot used it.

        Raises:
            EventError: the copy is not there or was changed.
        """
        key = (name, version)
        with self._guard:
            if key in self._templates:
                return self._templates[key]
        folder = self._kept(_plain_name(name, "template"), version)
        if not folder.is_dir():
            raise EventError(
                f"the copy of template '{name}' that this shot was made with is no longer in "
                f"{folder.parent}; put it back from a copy."
            )
        template = load_template(folder)
        if template.version != version and copy_version(folder) == version:
            # Kept by a release that counted fewer of the program's own fonts.
            template = replace(template, version=version)
        if template.version != version:
            raise EventError(
                f"the copy of template '{name}' in {folder} was changed; put it back as it was, "
                f"edit the one in {self.paths.templates} instead."
            )
        return self._remember(template)

    def _remember(self, template: Template) -> Template:
        key = (template.name, template.version)
        with self._guard:
            if key not in self._templates:
                # A template holds its layers in memory: only the last few are remembered.
                while len(self._templates) >= 4:
                    self._templates.pop(next(iter(self._templates)))
                self._templates[key] = template.kept_in(self.flattened)
            return self._templates[key]

    def _kept(self, name: str, version: str) -> Path:
        return self.paths.template_versions / version[:16] / name

    @contextmanager
    def logging(self) -> Iterator[None]:
        """Write the program's log into the event's folder while the block runs."""
        handler = logging.FileHandler(self.paths.log, encoding="utf-8", delay=True)
        handler.setFormatter(
            logging.Formatter("%(asctime)s %(levelname)s %(name)s [%(process)d] %(message)s")
        )
        logger = logging.getLogger("posewall")
        if logger.level == logging.NOTSET:
            logger.setLevel(logging.INFO)
        logger.addHandler(handler)
        try:
            yield
        finally:
            logger.removeHandler(handler)
            handler.close()
