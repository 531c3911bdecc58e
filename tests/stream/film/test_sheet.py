"""The contact sheet of a film, and how `template check` shows it."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image

from stream.cli import main
from stream.film.poses import Parts
from stream.film.sheet import key_times
from tests.stream.film.clips import film_folder, numbered, write_clip


def test_key_times_tell_cards_and_take() -> None:
    times = key_times(Parts(2.0, 6.0, 3.0, 0.5, 0.5))
    assert times == sorted(times)
    assert len(times) == 8
    assert times[-1] < 11
    assert len(key_times(Parts(0.0, 6.0, 0.0, 0.4, 0.4))) == 5


def test_check_draws_a_film_where_one_is_described(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    film = '[film.in]\nseconds = 2\n[[film.layer]]\nfile = "a.mkv"\nname = "a"\nbelow = "frame"\n'
    folder = film_folder(tmp_path / "t", film)
    write_clip(folder / "a.mkv", numbered(3))
    assert main(["template", "check", str(folder)]) == 0
    said = capsys.readouterr().out
    assert "As a film: a card of 2 s before the take, 1 clip; loudness -16 LUFS." in said
    sheet = tmp_path / "t.film.preview.jpg"
    assert str(sheet) in said
    with Image.open(sheet) as image:
        assert image.width == 1680
    # Again over its own pictures; a template without a film has no such sheet.
    assert main(["template", "check", str(folder)]) == 0
    plain = film_folder(tmp_path / "plain")
    assert main(["template", "check", str(plain)]) == 0
    assert "As a film" not in capsys.readouterr().out.rpartition("plain")[2]
    assert not (tmp_path / "plain.film.preview.jpg").exists()
