"""The film part of template.toml: read, checked, counted in the version, copied."""

from __future__ import annotations

import wave
from pathlib import Path

import pytest

from stream.errors import UserError
from stream.template import load_template
from stream.template.film import Film, Key
from stream.template.loader import copy_version, examine
from tests.stream.film.clips import film_folder, numbered, patches, write_clip
from tests.stream.template.building import plain, png

WHOLE = """
[film]
loudness = -18
music = { file = "tune.wav", under = 15, fade_out = 3, at = 0.5, at_end = "stop" }
[film.wide]
window = [0, 20, 80, 75]
sides = "#001122"
[film.in]
seconds = 2
fade = 0.6
show = ["sky", "{name}"]
[film.out]
seconds = 3
[[film.layer]]
file = "rain.mov"
above = "hills"
mode = "screen"
opacity = 0.5
at_end = "hold"
from = "take"
at = 0.5
during = ["take"]
only = "wide"
[[film.layer]]
file = "seal.png"
top = true
box = [50, 5, 20, 20]
[[film.text]]
value = "Thanks, {name} of {club}"
above = "frame"
box = [5, 40, 70, 20]
during = ["out"]
[[film.move]]
of = "seal"
from = "end"
keys = [{ at = -2, opacity = 0 }, { at = -1.5, way = "linear" }]
"""


def tune(path: Path) -> Path:
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(8000)
        out.writeframes(b"\0\1" * 8000)
    return path


def whole(path: Path, film: str = WHOLE) -> Path:
    folder = film_folder(path, film)
    write_clip(folder / "rain.mov", [patches()] * 3, "png", "rgba")
    (folder / "seal.png").write_bytes(png(plain((255, 0, 0, 90), (20, 20))))
    tune(folder / "tune.wav")
    return folder


def test_everything_is_read(tmp_path: Path) -> None:
    template = load_template(whole(tmp_path / "t"))
    film = template.film
    assert (film.loudness, film.opening.seconds, film.opening.fade_s) == (-18, 2, 0.6)
    assert film.opening.show == ("sky", "{name}")
    assert film.closing.show is None
    rain, seal = film.layers
    assert (rain.name, rain.place, rain.of, rain.ends, rain.since) == (
        "rain", "above", "hills", "hold", "take",
    )  # fmt: skip
    assert (rain.during, rain.only, seal.place) == (("take",), "wide", "top")
    assert film.columns == ("name", "club")
    assert film.moves[0].keys == (Key(-2, 0.0), Key(-1.5, smooth=False))
    assert film.music is not None
    plays = film.music.plays
    assert (plays.under_lu, plays.loop, plays.from_s) == (15, False, 0.5)
    assert film.clips["rain.mov"].alpha
    assert film.view("wide").window == (0, 20, 80, 75)
    assert film.view("tall").window is None


def test_without_a_film_part_it_is_the_usual_film(tmp_path: Path) -> None:
    assert load_template(film_folder(tmp_path / "t")).film == Film()


def test_clips_and_music_are_part_of_the_version_and_its_copy(tmp_path: Path) -> None:
    folder = whole(tmp_path / "t")
    template = load_template(folder)
    kept = tmp_path / "kept" / "t"
    template.copy_to(kept)
    again = load_template(kept)
    assert again.version == template.version == copy_version(kept)
    assert again.film.paths["rain.mov"] == kept / "rain.mov"
    assert template.lying_in(kept).film.paths == again.film.paths
    write_clip(folder / "rain.mov", numbered(2), "png", "rgba")
    assert load_template(folder).version != template.version
    # What was changed after it was read is not copied as if it were the same.
    with pytest.raises(UserError, match=r"rain\.mov of template .* was changed"):
        template.copy_to(tmp_path / "other" / "t")
    assert not (tmp_path / "other" / "t").exists()


@pytest.mark.parametrize(
    ("film", "sentence"),
    [
        ("[film]\nlowdness = -16\n", 'there is no entry "lowdness"; did you mean "loudness"'),
        ("[film.in]\nseconds = 90\n", "seconds is 90; need a number from 0 to 30"),
        ("[film.in]\nseconds = 2\nshow = ['cloud']\n", '[film.in] shows "cloud", but no layer'),
        ("[film.wide]\nwindow = [200, 0, 50, 50]\n", "the window lies outside the canvas"),
        ("[film.tall]\nwindow = [0, 0, 80, 80]\n", "its window cuts through [[text]]"),
        ("[film.wide.slot]\nabove = 'sky'\n", "above is the still's; take it away"),
        ("[[film.layer]]\nfile = 'x.mov'\n", "say once where it lies"),
        ("[[film.layer]]\nfile = 'x.mov'\ntop = true\n", 'the clip "x.mov" is missing'),
        ("[[film.layer]]\nfile = 'a.gif'\ntop = true\n", "neither a clip nor a picture"),
        ("[[film.layer]]\nfile = '../x.mov'\ntop = true\n", "does not lie inside"),
        ("[[film.layer]]\nfile = 'bad.mov'\ntop = true\n", 'the clip "bad.mov" cannot be read'),
        ("[[film.layer]]\nfile = 'rain.mov'\nabove = 'sea'\n", 'lies above "sea", but no layer'),
        (
            "[[film.layer]]\nfile = 'plain.mkv'\ntop = true\nalpha = 'straight'\n",
            'asks for alpha, but the clip "plain.mkv" (ffv1) carries none',
        ),
        (
            "[[film.layer]]\nfile = 'rain.mov'\ntop = true\nalpha = 'premultiplied'\n",
            'has colours where its alpha has nothing; say alpha = "straight"',
        ),
        (
            "[[film.layer]]\nfile = 'rain.mov'\ntop = true\nmode = 'dst-out'\n",
            "takes the picture away",
        ),
        ("[[film.move]]\nof = 'sea'\nkeys = [{ at = 0 }]\n", '[[film.move]] is of "sea"'),
        (
            "[[film.move]]\nof = 'sky'\nkeys = [{ at = 1 }, { at = 0.5 }]\n",
            "the key at 0.5 s does not come after the one before it",
        ),
        ("[[film.move]]\nof = 'sky'\nkeys = []\n", "need keys = "),
        ("[film]\nmusic = { file = 'none.wav' }\n", 'the music "none.wav" is missing'),
        ("[film]\nmusic = { file = 'rain.mov' }\n", 'the music "rain.mov" holds no sound'),
        ("[film]\nmusic = { file = 'bad.mov' }\n", 'the music "bad.mov" cannot be read'),
        (
            "[[film.text]]\nvalue = 'x'\nabove = 'sky'\nbox = [60, 0, 40, 10]\n",
            "reaches beyond the canvas",
        ),
        ("[[film.text]]\nvalue = 'x'\nabove = 'sea'\nbox = [6, 0, 40, 10]\n", "no layer has that"),
        ("film = 3\n", "film must be written as a part [film]"),
    ],
)
def test_what_is_wrong_is_a_sentence(film: str, sentence: str, tmp_path: Path) -> None:
    folder = whole(tmp_path / "t", "\n" + film)
    if film.startswith("film"):
        said = (folder / "template.toml").read_text()
        (folder / "template.toml").write_text(film + said.replace(film, ""))
    (folder / "bad.mov").write_bytes(b"nothing" * 99)
    write_clip(folder / "plain.mkv", numbered(2), "ffv1", "yuv420p")
    template, problems = examine(folder)
    assert template is None
    assert any(sentence in p for p in problems), problems


def test_the_still_is_the_same_with_a_film_part(tmp_path: Path) -> None:
    import torch

    plain_one, filmed = (
        load_template(film_folder(tmp_path / "a")),
        load_template(whole(tmp_path / "b")),
    )
    one, other = (t.scene((100, 80), {"name": "Ana"}) for t in (plain_one, filmed))
    assert torch.equal(one.below, other.below)
    assert filmed.columns == ("name",)


def test_words_that_a_window_leaves_out_are_told(tmp_path: Path) -> None:
    (text,) = load_template(film_folder(tmp_path / "a", "")).texts
    x, y, w, h = (int(v) for v in text.box)
    window = [x, y + h, w, h] if y < h else [x, 0, w, y]
    folder = film_folder(tmp_path / "b", f"\n[film.wide]\nwindow = {window}\n")
    assert f"wide films do not show {text.label}: it lies outside of their window" in (
        load_template(folder).notes
    )
