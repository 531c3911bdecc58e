"""What `template check` says of a film before anybody is filmed with it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from PIL import Image

from stream.cli import main
from stream.film.remarks import film_remarks
from stream.template import load_template
from tests.stream.film.clips import film_folder, numbered, write_clip

FIELDS = {"name": "Ana Roe"}
WORDS = '[[film.text]]\nvalue = "{title}"\nabove = "frame"\nsize = 20\nleast = 12\n'


def remarks(folder: Path, **fields: str) -> list[str]:
    return film_remarks(load_template(folder), {**FIELDS, **fields})


def bare(said: list[str]) -> list[str]:
    return [s for s in said if "white there" in s]


@pytest.mark.parametrize("part", ["in", "out"])
def test_a_card_without_ground_is_told_with_how_much_of_it(tmp_path: Path, part: str) -> None:
    """The frame alone leaves a hole of 70 x 90 of its 80 x 100 pixels: 79 %."""
    card = f'[film.{part}]\nseconds = 2\nshow = ["frame"]\n'
    said = bare(remarks(film_folder(tmp_path / "t", card)))
    assert len(said) == 2
    where = "before" if part == "in" else "after"
    for shape, sentence in zip(("wide", "tall"), said, strict=True):
        assert sentence.startswith(
            f"the card {where} the take has no ground in 79 % of the {shape}"
        )
        assert f"under show in [film.{part}]" in sentence


def test_a_card_with_its_ground_is_not(tmp_path: Path) -> None:
    for n, show in enumerate(('show = ["sky", "frame"]', "")):
        cards = f"[film.in]\nseconds = 2\n{show}\n[film.out]\nseconds = 1\n{show}\n"
        assert remarks(film_folder(tmp_path / f"t{n}", cards)) == []
    # No card, nothing to say; whatever is named.
    none = '[film.in]\nseconds = 0\nshow = ["frame"]\n'
    assert remarks(film_folder(tmp_path / "none", none)) == []


def test_nothing_but_words_is_all_white(tmp_path: Path) -> None:
    card = '[film.in]\nseconds = 2\nshow = ["{name}"]\n'
    said = bare(remarks(film_folder(tmp_path / "t", card)))
    assert len(said) == 2
    assert all("in 9" in s and "%" in s for s in said)


@pytest.mark.parametrize(("during", "count"), [('["in", "take"]', 0), ('["take"]', 2)])
def test_a_clip_of_the_film_s_own_is_a_ground_while_it_is_seen(
    tmp_path: Path, during: str, count: int
) -> None:
    film = (
        '[film.in]\nseconds = 2\nshow = ["frame"]\n'
        f'[[film.layer]]\nfile = "a.mkv"\nbelow = "sky"\nduring = {during}\n'
    )
    folder = film_folder(tmp_path / "t", film)
    write_clip(folder / "a.mkv", numbered(3))
    assert len(bare(remarks(folder))) == count


def test_a_picture_with_holes_is_no_ground(tmp_path: Path) -> None:
    film = (
        '[film.in]\nseconds = 2\nshow = ["frame"]\n'
        '[[film.layer]]\nfile = "half.png"\nbelow = "sky"\n'
    )
    folder = film_folder(tmp_path / "t", film)
    half = Image.new("RGBA", (80, 100), (0, 0, 0, 0))
    half.paste((10, 20, 30, 255), (0, 0, 40, 100))
    half.save(folder / "half.png")
    said = bare(remarks(folder))
    # Of the hole 35 of 70 columns are covered: 35 x 90 of 80 x 100 are left.
    assert [s.split(" in ")[1].split(" of ")[0] for s in said] == ["39 %", "39 %"]


def test_words_too_long_and_columns_that_nobody_has_are_told_as_for_stills(tmp_path: Path) -> None:
    film = f"[film]\n{WORDS}box = [4, 10, 20, 14]\n"
    folder = film_folder(tmp_path / "t", film)
    long = remarks(folder, title="Wilhelmina-Theodora Hollenbrecht-Oskarsdotter")
    assert any("Wilhelmina" in s or "{title}" in s for s in long)
    assert remarks(folder, title="Hi") == []


def test_words_that_a_shape_does_not_show_are_told_for_that_shape(tmp_path: Path) -> None:
    view = "[film.wide]\nwindow = [0, 30, 80, 65]\n"
    away = film_folder(tmp_path / "away", f"{view}{WORDS}box = [4, 2, 70, 12]\n")
    (sentence,) = [s for s in remarks(away, title="Hi") if "title" in s]
    assert 'the box of "{title}" lies outside what the wide film shows' in sentence
    # For a shape that shows them, or where they move, nothing is said.
    tall = film_folder(tmp_path / "tall", f'{view}{WORDS}box = [4, 2, 70, 12]\nonly = "tall"\n')
    assert not [s for s in remarks(tall, title="Hi") if "title" in s]
    move = '[[film.move]]\nof = "{title}"\nkeys = [{ at = 0, y = 40 }]\n'
    moved = film_folder(tmp_path / "moved", f"{view}{WORDS}box = [4, 2, 70, 12]\n{move}")
    assert not [s for s in remarks(moved, title="Hi") if "title" in s]


def test_words_of_the_still_that_a_window_leaves_out_are_meant(tmp_path: Path) -> None:
    view = "[film.wide]\nwindow = [0, 0, 80, 45]\n"
    assert remarks(film_folder(tmp_path / "t", view)) == []


def test_check_tells_it_and_knows_the_film_s_own_columns(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    film = f'[film.in]\nseconds = 2\nshow = ["frame"]\n{WORDS}box = [4, 10, 70, 14]\n'
    folder = film_folder(tmp_path / "t", film)
    assert main(["template", "check", str(folder), "--fields", "title=Hi", "nmae=Ana"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    # Of the hole the words "Hi" cover a little.
    assert re.search(r"the card before the take has no ground in 7[78] % of the wide film", said)
    assert "title is no column" not in said
    assert "nmae is no column of this template; it writes name, title" in said
