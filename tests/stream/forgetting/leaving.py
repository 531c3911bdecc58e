"""An event with everything that a person can leave in it, made by the real commands."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import unicodedata
import zipfile
from dataclasses import dataclass
from pathlib import Path

import openpyxl

from stream.cli import main
from stream.event import Event
from stream.prints.picture import picture_owner
from stream.shot import load_shot, save_shot, shot_ids
from tests.stream.batch.scenario import SETTINGS, make_event, make_frame, make_still, make_template

NAME, NUMBER = "Åsa Öberg-Lindqvist", "103"
ROSTER = (
    "number,name,group,hide name\n"
    "101,Mira Tallow,Otters,\n"
    '102,"Fenwick, Jon",Otters,\n'
    f'{NUMBER},"{NAME}",Herons,\n'
    "104,Nils Quill,Herons,yes\n"
)
ORDERS = "number,template,copies\n101,pier,2\n103,pier,3\n103,pair,1\n102,pier,1\n"


@dataclass(frozen=True)
class Left:
    """What is known of the event before anything is removed.

    Attributes:
        folder: the event's.
        alone, group, pair, laid, other, hidden, own: ids of shots: alone with an edition; with
            Mira; Mira's with ``laid`` beside; alone, in that picture; others' three.
        hashes: SHA-256 of the files and pictures that show the person alone.
    """

    folder: Path
    alone: str
    group: str
    pair: str
    laid: str
    other: str
    hidden: str
    own: str
    hashes: frozenset[str]

    @property
    def others(self) -> tuple[str, ...]:
        return self.other, self.hidden, self.own


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def run(*words: str | Path) -> int:
    return main([str(w) for w in words])


def build(tmp: Path) -> Left:
    """The event, with every picture made."""
    root = make_event(tmp, ROSTER).paths.root
    pair = make_template(root / "templates" / "pair")
    text = (pair / "template.toml").read_text("utf-8")
    text = text.replace(
        "[slot]",
        "[[slot]]\nabove = 'sky'\nfit = 'contain'\nbox = [0, 0, 100, 250]\n"
        "[[slot]]\nbox = [100, 0, 100, 250]",
    ).replace('"cover"', '"contain"')
    (pair / "template.toml").write_text(text, "utf-8")
    config = (root / "event.toml").read_text("utf-8")
    names = '[pictures]\nnames = true\nfile_name = "{people}/{shot}-{people}"\n'
    (root / "event.toml").write_text(f"{config}\n{names}", "utf-8")
    (root / "orders.csv").write_text(ORDERS, "utf-8")
    event = Event.open(root)
    here = ("--event", root)
    ids = {}
    with event.logging():
        for n, (what, people, template) in enumerate(
            (
                ("alone", [NUMBER], "pier"),
                ("group", ["101", NUMBER], "pier"),
                ("pair", ["101"], "pair"),
                ("laid", [NUMBER], "pier"),
                ("other", ["102"], "pier"),
                ("hidden", ["104"], "pier"),
            )
        ):
            ids[what] = save_shot(
                event, make_frame(n), people=people, template=template, settings=SETTINGS
            ).id
    delivered = root / "delivered"
    delivered.mkdir()
    still = make_still(delivered / "DSC_1.jpg", seed=9)
    assert run("batch", "add", still, "--person", "Åsa", "--template", "pier", *here) == 0
    assert run("batch", "change", "3", "--beside", "4", *here) == 0
    assert run("batch", "run", *here) == 0
    assert run("batch", "change", "1", "--despill", "0.5", *here) == 0
    with event.logging():
        ids["own"] = save_shot(event, make_frame(8), people=["102"], settings=SETTINGS).id
    assert run("batch", "run", *here) == 0
    assert run("batch", "frame", "1", *here, "--out", root / "delivered") == 0
    (root / "by-hand").mkdir()
    assert run("open-up", "1", "-o", root / "by-hand" / "one.ora", *here) == 0
    assert run("open-up", "3", "-o", root / "by-hand" / "pair.ora", *here) == 0
    assert run("open-up", "5", "-o", root / "by-hand" / "other.ora", *here) == 0
    shutil.copy(root / "by-hand" / "one.ora", root / "by-hand" / "one, saved as.ora")
    (root / "sheets").mkdir()
    assert run("sheet", *here, "--out", root / "sheets" / "all.pdf") == 0
    assert run("contact-sheet", *here, "--names", "--out", root / "sheets" / "contact.pdf") == 0
    alone = load_shot(event, ids["alone"])
    shutil.copy(event.paths.pictures / alone.picture, event.paths.pictures / "best of all.jpg")
    return Left(root, **ids, hashes=frozenset(_hashes(event)))


def _hashes(event: Event) -> set[str]:
    """Of every file that shows the person alone or beside others."""
    found = set()
    shots = [load_shot(event, i) for i in shot_ids(event)]
    own = [s for s in shots if NUMBER in s.people]
    for shot in own:
        found |= {digest(p) for p in (event.paths.shots / shot.id).rglob("*") if p.is_file()}
    showing = {s.unique for s in own} | {s.unique for s in shots if s.beside}
    for path in event.paths.pictures.rglob("*"):
        if path.is_file() and picture_owner(path) in showing:
            found.add(digest(path))
    for name in ("one.ora", "pair.ora", "one, saved as.ora"):
        found.add(digest(event.paths.root / "by-hand" / name))
    found |= {digest(event.paths.root / "delivered" / n) for n in ("DSC_1.jpg", "0001.frame.png")}
    return found


def to_workbook(root: Path) -> None:
    """The same roster as a workbook."""
    book = openpyxl.Workbook()
    page = book.active
    assert page is not None
    for line in (
        ("number", "name", "group", "hide name"),
        (101, "Mira Tallow", "Otters", None),
        (102, "Fenwick, Jon", "Otters", None),
        (103, NAME, "Herons", None),
        (104, "Nils Quill", "Herons", "yes"),
    ):
        page.append(line)
    book.save(root / "roster.xlsx")
    (root / "roster.csv").unlink()


def traces(folder: Path) -> list[str]:
    """Where the name stands in any spelling, in files' bytes and names; searched for plainly."""
    spelled = {NAME, NAME.replace(" ", "-"), NAME.replace(" ", "_")}
    spelled |= {unicodedata.normalize("NFD", s) for s in tuple(spelled)}
    forms = {s.encode(e) for s in spelled for e in ("utf-8", "utf-16-le", "utf-16-be")}
    forms |= {json.dumps(s)[1:-1].encode() for s in spelled}
    forms |= {NAME.encode("cp1252")}
    found = []
    for here, folders, files in os.walk(folder):
        for name in (*folders, *files):
            path = Path(here, name)
            parts = [os.fsencode(name)]
            if path.is_file():
                parts.append(path.read_bytes())
                if zipfile.is_zipfile(path):
                    with zipfile.ZipFile(path) as archive:
                        parts += [archive.read(i) for i in archive.namelist()]
            if any(f in p for f in forms for p in parts):
                found.append(str(path.relative_to(folder)))
    return found


def hashes(folder: Path) -> dict[str, str]:
    """SHA-256 of every file by its path."""
    return {str(p.relative_to(folder)): digest(p) for p in sorted(folder.rglob("*")) if p.is_file()}
