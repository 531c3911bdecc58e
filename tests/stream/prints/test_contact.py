"""Contact sheets: everybody who may be shown, with the names that may be written."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from stream.cli import main
from stream.errors import UserError
from stream.event import Event
from stream.prints import contact, gallery
from stream.prints.contact import Entry, Grid
from stream.prints.output import Output
from stream.prints.picture import picture_bytes
from stream.shot import Wanted, add_still, shots
from stream.shot.changes import rewrite
from tests.house.tree import ROOT
from tests.stream.batch.scenario import SETTINGS, make_still
from tests.stream.prints.scene import about, picture

FONTS = ROOT / "demo_clips" / "fonts"


@pytest.fixture
def walk(event: Event, tmp_path: Path) -> Event:
    """Three shots with pictures: one person, two people, and the third person."""
    template = event.template(None)
    for n, people in enumerate((["1"], ["1", "2"], ["03"])):
        still = make_still(tmp_path / f"{n}.jpg", seed=n)
        shot, _ = add_still(
            event, still, people=people, template=template, plate=None, settings=SETTINGS
        )
        data = picture_bytes(picture(250, 200), Output(), about())
        (event.paths.pictures / shot.picture).write_bytes(data)
    return event


def test_who_is_shown_and_who_is_named(walk: Event) -> None:
    notes: list[str] = []
    everybody = gallery.entries(walk, notes, names=True)
    assert [(e.number, e.name) for e in everybody] == [
        ("0001", "Mira Tallow"),
        ("0002", "Mira Tallow, Jon Fenwick"),
        ("0003", "Åsa Öberg"),
    ]
    assert notes == []
    assert {e.name for e in gallery.entries(walk, notes, names=False)} == {""}
    walk.paths.roster.write_text(
        "number,name,no_name,no_gallery\n1,Mira Tallow,yes,\n2,Jon Fenwick,,\n03,Åsa Öberg,,\n",
        "utf-8",
    )
    shy = gallery.entries(walk, notes, names=True)
    assert [e.name for e in shy] == ["", "Jon Fenwick", "Åsa Öberg"]
    assert notes == []


def keep_out(event: Event, number: str) -> None:
    """A person who wants to be in no gallery."""
    rows = ["1,Mira Tallow", "2,Jon Fenwick", "03,Åsa Öberg"]
    flagged = [f"{row},{'x' if row.startswith(number + ',') else ''}" for row in rows]
    event.paths.roster.write_text("\n".join(["number,name,no_gallery", *flagged]), "utf-8")


def test_who_wants_no_gallery_takes_the_shot_out(walk: Event) -> None:
    keep_out(walk, "2")
    notes: list[str] = []
    assert [e.number for e in gallery.entries(walk, notes, names=True)] == ["0001", "0003"]
    assert len(notes) == 1
    assert "0002 is not shown" in notes[0]
    assert "Jon" not in notes[0]
    assert len(gallery.pieces(walk, notes)) == 3, "a print that was ordered is made all the same"


def test_somebody_from_another_shot_in_the_picture_counts(walk: Event) -> None:
    first, _, third = shots(walk)
    rewrite(walk, replace(first, beside=(third.id,)))
    notes: list[str] = []
    listed = gallery.entries(walk, notes, names=True)
    assert listed[0].name == "Mira Tallow, Åsa Öberg"
    keep_out(walk, "03")
    assert [e.number for e in gallery.entries(walk, notes, names=True)] == ["0002"]
    rewrite(walk, replace(first, beside=("0009-abcdef",)))
    assert [e.number for e in gallery.entries(walk, notes, names=True)] == ["0002"], (
        "who is not known"
    )


def test_somebody_who_left_the_roster_is_not_shown(walk: Event) -> None:
    walk.paths.roster.write_text("number,name\n1,Mira Tallow\n2,Jon Fenwick\n", "utf-8")
    notes: list[str] = []
    assert len(gallery.entries(walk, notes, names=True)) == 2
    assert "0003 is not shown: somebody in it is no longer on the roster" in notes[0]


def test_orders_make_the_pieces_of_sheets(walk: Event) -> None:
    first, second, third = shots(walk)
    (walk.paths.pictures / first.picture).unlink()
    more = Wanted(second.template, second.template_version, "0002-b.jpg", "8x10", 2)
    other = Wanted("second design", second.template_version, "0002-c.jpg", None, 0)
    for name in (more.picture, other.picture):
        shutil.copy(walk.paths.pictures / second.picture, walk.paths.pictures / name)
    rewrite(walk, replace(second, copies=3, also=(more, other)))
    rewrite(walk, replace(third, copies=0))
    notes: list[str] = []
    found = [(p.path.name, p.copies) for p in gallery.pieces(walk, notes)]
    assert found == [(second.picture, 3), ("0002-b.jpg", 2)], "0 copies: not ordered"
    assert notes == ["shot 0001 has no picture yet; make it with 'batch run'"]
    shown = [e.path.name for e in gallery.entries(walk, [], names=False)]
    assert shown == [second.picture, "0002-c.jpg", third.picture], "a design once, in one size"
    (walk.paths.pictures / "0002-c.jpg").unlink()
    gallery.pieces(walk, notes)
    assert "shot 0002 lacks 1 of its 3 pictures" in notes[-1]


def test_the_bleed_of_an_events_pictures_is_their_templates(walk: Event) -> None:
    toml = walk.paths.templates / "pier" / "template.toml"
    words = toml.read_text("utf-8").replace("ppi = 40\n", "ppi = 40\nbleed_in = 0.1\n")
    toml.write_text(words.replace("height_in = 2.5", "height_in = 2.55"), "utf-8")
    template = walk.template(None)
    first = next(iter(shots(walk)))
    again = replace(first, template_version=template.version)
    rewrite(walk, again)
    notes: list[str] = []
    bleeds = [p.bleed_in for p in gallery.pieces(walk, notes)]
    assert bleeds == pytest.approx([template.bleed_px / 40, 0, 0])
    assert bleeds[0] == pytest.approx(0.1)
    rewrite(walk, replace(again, output={"bleed": "cut"}))
    assert [p.bleed_in for p in gallery.pieces(walk, notes)] == [0, 0, 0], "cut already"
    rewrite(walk, replace(first, template_version="0" * 64))
    assert [p.bleed_in for p in gallery.pieces(walk, notes)] == [0, 0, 0]
    assert "the bleed of pictures such as that of shot 0001 is not known" in notes[-1]


def test_sheets_of_an_event_lie_in_its_folder(
    walk: Event, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    root = str(walk.paths.root)
    for _ in range(2):
        assert main(["contact-sheet", "--event", root, "--ppi", "72"]) == 0
    assert main(["sheet", "--event", root]) == 0
    there = sorted(p.name for p in walk.paths.sheets.iterdir())
    assert there == ["contact-sheet-2.pdf", "contact-sheet.pdf", "sheet.pdf"]
    assert "sheets/sheet.pdf" in capsys.readouterr().out
    assert main(["sheet", str(next(walk.paths.pictures.iterdir()))]) == 0
    assert (tmp_path / "sheet.pdf").is_file(), "single files belong to no event"


def test_the_commands_make_one_file_and_never_write_over_it(
    walk: Event, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root, out = str(walk.paths.root), tmp_path / "c.pdf"
    words = ["contact-sheet", "--event", root, "--ppi", "100", "--out"]
    assert main([*words, str(out)]) == 0
    assert "3 pictures on 1 page, without names" in capsys.readouterr().out, "names are not usual"
    page = pypdfium2.PdfDocument(out)[0]
    # ISO 216: A4 is 210 x 297 mm, 595.28 x 841.89 points.
    assert page.get_size() == pytest.approx((595.2756, 841.8898), abs=1e-3)
    assert main([*words, str(out)]) == 2
    assert "there already" in capsys.readouterr().err
    assert main([*words, str(tmp_path / "c.jpg"), "--names"]) == 0
    assert "with names" in capsys.readouterr().out
    with Image.open(tmp_path / "c.jpg") as image:
        assert image.size == (827, 1169)
    assert main(["sheet", "--event", root, "--out", str(tmp_path / "s.pdf")]) == 0
    config = walk.paths.config
    config.write_text(config.read_text("utf-8") + "\n[pictures]\nnames = true\n", "utf-8")
    assert main([*words, str(tmp_path / "d.pdf")]) == 0
    assert "with names" in capsys.readouterr().out
    config.write_text(config.read_text("utf-8") + "form = 3\n", "utf-8")
    assert main([*words, str(tmp_path / "e.pdf")]) == 2
    assert "form is 3" in capsys.readouterr().err


def test_an_event_without_pictures_is_said(
    event: Event, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["contact-sheet", "--event", str(event.paths.root), "--out", str(tmp_path / "c.pdf")]
    assert main(words) == 2
    assert "no pictures to show yet" in capsys.readouterr().err


def entries(tmp_path: Path, count: int, name: str = "") -> list[Entry]:
    path = tmp_path / "one.jpg"
    path.write_bytes(picture_bytes(picture(250, 200), Output(quality=100), about()))
    return [Entry(path, f"{n:04d}", name) for n in range(count)]


def test_pages_are_filled_row_by_row(tmp_path: Path) -> None:
    grid = Grid.of((8.27, 11.69), 100, 4)
    notes: list[str] = []
    pages = list(contact.pages(entries(tmp_path, grid.cells + 1), grid, "Walk", notes))
    assert len(pages) == 2
    assert notes == []
    edge = round(10 * grid.mm)
    x, y = edge, edge + round(9 * grid.mm)
    # The second page has one picture, in the first cell; the rest of its row is white.
    cell = pages[1][y : y + grid.cell[0], x : x + grid.cell[1]]
    assert (cell.min(2) < 250).mean() > 0.9
    assert (pages[1][y : y + grid.cell[0], x + grid.step[1] :] == 255).all()
    with pytest.raises(UserError, match="another number of columns"):
        Grid.of((4, 6), 100, 20)


@pytest.mark.parametrize(
    "name",
    [
        "Mia",
        "مريم الشمسي, ياسمين بنت عبد الرحمن",
        "Maximiliane Annegret Theodora von Höllenstein-Apfelgarten",
        "Ø" * 200,
        "Ab " * 60,
    ],
)
def test_a_name_stays_in_its_cell(name: str, tmp_path: Path) -> None:
    grid = Grid.of((8.27, 11.69), 150, 4)
    notes: list[str] = []
    (page,) = contact.pages(entries(tmp_path, 2, name), grid, "Walk", notes)
    (bare,) = contact.pages(entries(tmp_path, 2), grid, "Walk", notes)
    changed = np.flatnonzero((page != bare).any((0, 2)))
    rows = np.flatnonzero((page != bare).any((1, 2)))
    assert len(changed) > 10
    edge = round(10 * grid.mm)
    for n in (0, 1):
        left = edge + n * grid.step[1]
        here = changed[(changed > left - grid.step[1] / 2) & (changed < left + grid.step[1])]
        here = here[here < left + grid.cell[1] + 0.5 * (grid.step[1] - grid.cell[1])]
        assert here.max() <= left + grid.cell[1] + 1
    assert rows.max() < edge + round(9 * grid.mm) + grid.step[0]
    told = ["written very small" in n for n in notes]
    assert told == ([True, True] if len(name) > 100 else []), "never cut, but said"
    assert not any(name in n for n in notes)


def test_letters_that_no_font_has_leave_the_name_out(tmp_path: Path) -> None:
    grid = Grid.of((8.27, 11.69), 100, 4)
    notes: list[str] = []
    # A private-use letter, which no font for names draws.
    (page,) = contact.pages(entries(tmp_path, 1, "Mia \ue123"), grid, "Walk", notes)
    (bare,) = contact.pages(entries(tmp_path, 1), grid, "Walk", [])
    assert (page == bare).all()
    assert len(notes) == 1
    assert "Mia" not in notes[0]


def test_a_font_of_the_event_stands_in(walk: Event, tmp_path: Path) -> None:
    grid = Grid.of((8.27, 11.69), 100, 4)
    listed = entries(tmp_path, 1, "\u0526\u0527")  # Cyrillic letters that DejaVu Sans lacks
    alone: list[str] = []
    list(contact.pages(listed, grid, "Walk", alone))
    assert len(alone) == 1
    shutil.copy(FONTS / "Vollkorn-Black.ttf", walk.paths.templates / "pier")
    notes: list[str] = []
    faces = gallery.fonts(walk)
    assert [f.name for f in faces] == ["Vollkorn-Black.ttf"]
    (page,) = contact.pages(listed, grid, "Walk", notes, faces)
    (bare,) = contact.pages(entries(tmp_path, 1), grid, "Walk", notes)
    assert (page != bare).any()
    assert notes == []


def test_a_damaged_picture_leaves_its_cell_and_is_said(tmp_path: Path) -> None:
    listed = entries(tmp_path, 2)
    (tmp_path / "bad.jpg").write_bytes(listed[0].path.read_bytes()[:200])
    grid, notes = Grid.of((8.27, 11.69), 100, 4), list[str]()
    bad = [Entry(tmp_path / "bad.jpg", "0009"), listed[1]]
    (page,) = contact.pages(bad, grid, "Walk", notes)
    assert len(notes) == 1
    assert "0009" in notes[0]
    assert (page < 100).any()
