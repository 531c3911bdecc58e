"""What was made of shots and takes and lies in the event's folder.

Pictures, films, documents, sheets, copies.
"""

from __future__ import annotations

import json
import os
import shutil
import zipfile
import zlib
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from stream.durable import file_digest, sweep_partials, sync_folder
from stream.event import Event
from stream.film.owner import film_owner
from stream.forgetting.searching import walk_files
from stream.opening.names import shots_named
from stream.opening.openings import opened_documents
from stream.prints.naming import inside
from stream.prints.picture import picture_owner
from stream.shot import Shot, readable_shots, shot_ids
from stream.take import Take, readable_takes, take_ids
from stream.take.titling import film_names

_SHOWING = frozenset({
    ".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".gif", ".pdf", ".ora", ".psd",
    ".xcf", ".kra", ".mp4", ".mov", ".mkv", ".zip",
})  # fmt: skip
_FILMS = frozenset({".mp4", ".m4v", ".mov", ".mkv"})
# chosen: the list of layers of a document of a thousand layers has some 200 kB.
_LARGEST_STACK = 8_000_000


@dataclass
class Erased:
    """What went, and what did not.

    Attributes:
        shots: how many.
        takes: how many.
        files: how many files beside the shots' and takes' own: pictures, films, documents,
            sheets, copies.
        jobs: rows of the queue.
        entries: entries of the log.
        away: documents that are known to lie outside the event's folder.
        left: names of pictures and films that now are another's file, and were left.
    """

    shots: int = 0
    takes: int = 0
    files: int = 0
    jobs: int = 0
    entries: int = 0
    away: list[Path] = field(default_factory=list)
    left: list[str] = field(default_factory=list)


def _remove(path: Path, erased: Erased) -> None:
    path.unlink(missing_ok=True)
    sync_folder(path.parent)
    erased.files += 1


def _remove_empty_folders(folder: Path) -> None:
    """Folders below one that hold nothing any longer; they may have a person's name."""
    for here, _, _ in os.walk(folder, topdown=False):
        path = Path(here)
        if path != folder and not any(path.iterdir()):
            path.rmdir()
            sync_folder(path.parent)


def _shown_in(path: Path) -> set[str]:
    """Ids of the shots whose subjects are layers of an OpenRaster document."""
    try:
        with zipfile.ZipFile(path) as archive:
            part = archive.getinfo("stack.xml")
            if part.file_size > _LARGEST_STACK:
                return set()
            return shots_named(archive.read(part))
    except (zipfile.BadZipFile, zlib.error, KeyError, OSError, NotImplementedError, RuntimeError):
        return set()


def owner_of(path: Path) -> str | None:
    """The ``unique`` of the shot or take that a picture or film was made of; None where unknown."""
    return film_owner(path) if path.suffix.lower() in _FILMS else picture_owner(path)


def _copies(folders: Iterable[Path]) -> dict[int, set[str]]:
    """Digests of the files in shots' and takes' folders but their records, by size."""
    found: dict[int, set[str]] = {}
    for folder in folders:
        for path in walk_files(folder):
            if path.suffix != ".json":
                found.setdefault(path.stat().st_size, set()).add(file_digest(path))
    return found


def _notes(event: Event, wanted: Collection[str]) -> Iterator[tuple[Path, Path]]:
    """Notes in any shot's folder of documents whose picture is one of some shots'."""
    for shot_id in shot_ids(event):
        for note in sorted((event.paths.shots / shot_id).glob("opened-*.json")):
            try:
                data = json.loads(note.read_text("utf-8"))
                if str(data["picture_of"]) in wanted:
                    yield note, (event.paths.root / str(data["document"])).resolve()
            except (OSError, ValueError, KeyError, TypeError):
                continue


def of_nobody_known(event: Event) -> list[Path]:
    """Pictures, films and documents in the event's folder that are nobody's, as far as is known.

    An earlier contact sheet, a picture that was saved anew, a still that no shot was made of: they
    may show anybody.
    """
    paths = event.paths
    shots = readable_shots(event)[0].values()
    ids, uniques, stills = (
        {s.id for s in shots},
        {s.unique for s in shots},
        {s.sha256 for s in shots if s.original},
    )
    uniques |= {t.unique for t in readable_takes(event)[0].values()}
    frames = {f"{s.number:04d}.frame.png" for s in shots}
    media = paths.shots, paths.takes, paths.film_work, paths.plates
    known = (*media, paths.templates, paths.template_versions)
    return sorted(
        path
        for path in walk_files(paths.root)
        if path.suffix.lower() in _SHOWING
        and path.name not in frames
        and not any(path.is_relative_to(folder) for folder in known)
        and owner_of(path) not in uniques
        and not _shown_in(path) & ids
        and file_digest(path) not in stills
    )


def sweep(event: Event) -> None:
    """Remove what any run that was killed left half done; nobody else may be at work."""
    paths = event.paths
    for here, _, _ in os.walk(paths.root):
        sweep_partials(Path(here), older_than_s=-1.0)


@dataclass(frozen=True)
class Affected:
    """Of which shots and takes something goes.

    Attributes:
        going: shots of which nothing stays, no copy of a file of theirs either.
        nameless: shots that stay; their pictures and every document that shows them go.
        remade: shots of others; their pictures and the documents of these go.
        takes_going: takes of which nothing stays.
        takes_remade: takes that stay; their films go.
    """

    going: Sequence[Shot] = ()
    nameless: Sequence[Shot] = ()
    remade: Sequence[Shot] = ()
    takes_going: Sequence[Take] = ()
    takes_remade: Sequence[Take] = ()

    @property
    def shots(self) -> tuple[Shot, ...]:
        return (*self.going, *self.nameless, *self.remade)

    @property
    def takes(self) -> tuple[Take, ...]:
        return (*self.takes_going, *self.takes_remade)


def _erase_named(event: Event, affected: Affected, erased: Erased) -> None:
    """Remove what was made, by its names."""
    paths = event.paths
    made = [(paths.pictures, n, s.unique) for s in affected.shots for n in s.picture_names]
    made += [(paths.films, n, t.unique) for t in affected.takes for n in film_names(t)]
    for folder, name, unique in made:
        path = inside(folder, name)
        if path.is_file():
            if owner_of(path) in (None, unique):
                _remove(path, erased)
            else:
                erased.left.append(f"{folder.name}/{name}")


def _erase_film_work(event: Event, takes: Iterable[Take]) -> None:
    """Remove pieces of films in work, which show whom the takes show, and those of takes gone."""
    folder = event.paths.film_work
    affected = {t.id for t in takes}
    stay = tuple(f"{i}." for i in take_ids(event) if i not in affected)
    there = list(folder.iterdir()) if folder.is_dir() else []
    for path in there:
        if not path.name.startswith(stay):
            if path.is_dir() and not path.is_symlink():
                shutil.rmtree(path)
            else:
                path.unlink(missing_ok=True)
            sync_folder(folder)


def erase_files(event: Event, affected: Affected, erased: Erased) -> None:
    """Remove what was made of shots and takes, in the event's folder.

    Args:
        event: the event.
        affected: the shots and takes.
        erased: is told what went.
    """
    paths = event.paths
    own = (*affected.going, *affected.nameless)
    uniques = {s.unique for s in affected.shots} | {t.unique for t in affected.takes}
    ids = {s.id for s in own}
    whole = {s.id for s in affected.going} | {t.id for t in affected.takes_going}
    frames = {f"{s.number:04d}.frame.png" for s in affected.going}
    _erase_film_work(event, affected.takes)
    _erase_named(event, affected, erased)
    documents = {d for shot in own for d in opened_documents(event, shot.id)}
    notes = list(_notes(event, {s.id for s in affected.shots}))
    for document in sorted(documents | {d for _, d in notes}):
        if document.is_file():
            if document.is_relative_to(paths.root):
                _remove(document, erased)
            else:
                erased.away.append(document)
    # Sheets show several people's pictures at once, and can be made anew.
    for path in walk_files(paths.sheets):
        _remove(path, erased)
    folders = [paths.shots / s.id for s in affected.going]
    copies = _copies([*folders, *(paths.takes / t.id for t in affected.takes_going)])
    kept = (paths.shots, paths.takes, paths.plates, paths.templates, paths.template_versions)
    for path in walk_files(paths.root):
        if any(path.is_relative_to(folder) for folder in kept):
            continue
        if (
            path.name in frames
            or any(i in path.relative_to(paths.root).as_posix() for i in whole)
            or owner_of(path) in uniques
            or _shown_in(path) & ids
            or (path.stat().st_size in copies and file_digest(path) in copies[path.stat().st_size])
        ):
            _remove(path, erased)
    # Kept until their documents are gone, so that a run that was killed finds them again.
    for note, _ in notes:
        for part in (note.with_suffix(".png"), note):
            part.unlink(missing_ok=True)
        sync_folder(note.parent)
    for folder in (paths.pictures, paths.films):
        _remove_empty_folders(folder)
