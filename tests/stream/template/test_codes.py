"""QR codes: read back by an independent reader (OpenCV's), whole pixels, and what is told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
import segno
import torch
from hypothesis import given, settings
from hypothesis import strategies as st

from models.composite import apply_overlays
from models.transfer import Transfer, encode
from stream.template.codes import (
    Code,
    code_notes,
    draw_code,
    fill_code,
    read_code,
    set_code,
)
from stream.template.loader import load_template
from stream.template.template import Template
from tests.stream.template.building import PICTURE, SLOT, folder_of, plain

CODE = Code("{id}", "frame", (10, 20, 120, 100))
TOML = '[[code]]\nvalue = "https://example.org/{id}"\nabove = "frame"\nbox = [4, 4, 60, 60]\n'


def flattened(template: Template, size: tuple[int, int], fields: dict[str, str]) -> np.ndarray:
    scene = template.scene(size, fields)
    picture = apply_overlays(encode(scene.below, Transfer.SRGB), scene.overlays)
    codes = (picture[0] * 255).round().clamp(0, 255).to(torch.uint8)
    return np.ascontiguousarray(codes.permute(1, 2, 0).flip(-1).numpy())


def read_back(image: np.ndarray) -> str:
    return str(cv2.QRCodeDetector().detectAndDecode(image)[0])


def on_paper(code: Code, fields: dict[str, str], scale: float = 3) -> np.ndarray:
    """Black on white at print size, as `draw_code` draws it."""
    out = np.full((500, 500), 128, np.uint8)
    for ink in draw_code(code, set_code(code, fields, (scale, scale), 300), (scale, scale)):
        h, w = ink.mask.shape
        part = out[ink.y : ink.y + h, ink.x : ink.x + w]
        part[ink.mask.numpy() > 0] = round(255 * ink.color[0])
    return out


@pytest.mark.parametrize("correction", ["L", "M", "Q", "H"])
@pytest.mark.parametrize("part", ['background = "none"', 'color = "#203050"', "quiet = 6"])
def test_a_finished_picture_is_read_back(tmp_path: Path, correction: str, part: str) -> None:
    """Over the template's plain yellow layer, at print size and at half of it."""
    toml = PICTURE.replace("20", "120") + SLOT + TOML + f'{part}\ncorrection = "{correction}"\n'
    template = load_template(folder_of(tmp_path / "t", toml))
    for size in (template.picture_size(), (300, 240)):
        image = flattened(template, size, {"id": "A-17"})
        assert read_back(image) == "https://example.org/A-17"


def test_modules_are_whole_pixels() -> None:
    image = on_paper(CODE, {"id": "AB12"})
    dark = np.argwhere(image == 0)
    (top, left), (bottom, right) = dark.min(0), dark.max(0) + 1
    # Version 1 has 21 modules; 100 canvas pixels at 3 hold 29 modules of 10 pixels.
    assert (bottom - top, right - left) == (210, 210)
    modules = image[top:bottom, left:right].reshape(21, 10, 21, 10)
    assert (modules == modules[:, :1, :, :1]).all()
    want = np.array(segno.make_qr("AB12", error="M").matrix)
    assert ((modules[:, 0, :, 0] == 0) == (want > 0)).all()
    # Four modules of bare background on each side (ISO/IEC 18004), and nothing beyond.
    light = np.argwhere(image == 255)
    assert tuple(light.min(0)) == (top - 40, left - 40)
    assert tuple(light.max(0) + 1) == (bottom + 40, right + 40)
    # In the middle of its box.
    assert abs((left + right) / 2 - 3 * 70) <= 1
    assert abs((top + bottom) / 2 - 3 * 70) <= 1


def test_the_preview_s_code_stands_where_the_print_s_does() -> None:
    setting = set_code(CODE, {"id": "AB12"}, (3, 3), 300)
    print_, preview = (draw_code(CODE, setting, (s, s))[-1] for s in (3, 1.3))
    assert abs(preview.x / 1.3 - print_.x / 3) <= 0.5
    assert abs(preview.mask.shape[1] / 1.3 - print_.mask.shape[1] / 3) <= 1
    assert set(np.unique(preview.mask.numpy()).tolist()) == {0, 255}


@pytest.mark.parametrize(
    ("value", "fields", "said"),
    [
        ("{id}", {"id": " 12 "}, "12"),
        ("{id}", {"id": "Zo\u00eb \u0160\u6c38"}, "Zo\u00eb \u0160\u6c38"),
        # RFC 3987, section 3.1: UTF-8, percent-encoded; what RFC 3986 allows stays.
        (
            "https://x.example/{id}",
            {"id": "a \u00e9/b?c=%20"},
            "https://x.example/a%20%C3%A9/b?c=%20",
        ),
        ("{url}", {"url": "HTTP://x.example/\u00fc"}, "HTTP://x.example/%C3%BC"),
        ("{a}{b}", {"a": "x"}, ""),
        ("{a}", {}, ""),
        ("a\tb\u0000", {}, "ab"),
        # RFC 6350, section 3.2: a card has lines; a roster's words do not get any of their own.
        ("BEGIN:VCARD\nFN:{id}\nEND:VCARD\n", {"id": "A\nB"}, "BEGIN:VCARD\nFN:AB\nEND:VCARD"),
        ("{a}", {"a": "{b}", "b": "no"}, "{b}"),
    ],
)
def test_what_it_says(value: str, fields: dict[str, str], said: str) -> None:
    assert fill_code(replace(CODE, value=value), fields) == said


@settings(max_examples=40, deadline=None)
@given(st.text(st.characters(codec="utf-8", exclude_categories=["Cc"]), min_size=1, max_size=40))
def test_any_words_are_drawn_as_segno_makes_them(words: str) -> None:
    fields = {"id": words}
    value = fill_code(CODE, fields)
    setting = set_code(CODE, fields, (3, 3), 300)
    assert bool(value) == bool(setting.value)
    if value:
        mask = draw_code(CODE, setting, (3, 3))[-1].mask.numpy()
        pixels = len(mask) // setting.count
        want = segno.make_qr(value, error="M", encoding=None if value.isascii() else "utf-8")
        assert ((mask[::pixels, ::pixels] > 0) == (np.array(want.matrix) > 0)).all()


@pytest.mark.parametrize(
    "value", ["0123456789" * 3, "HTTP 12/A-B" * 4, "abc" * 20, "\u00e9\u6c38" * 9]
)
@pytest.mark.parametrize("correction", ["L", "H"])
def test_the_size_is_known_before_the_code_is_made(value: str, correction: str) -> None:
    code = replace(CODE, box=(0, 0, 900, 900), correction=correction)
    setting = set_code(code, {"id": value}, (1, 1), 300)
    made = segno.make_qr(value, error=correction, encoding=None if value.isascii() else "utf-8")
    assert setting.count == len(made.matrix)
    assert draw_code(code, setting, (1, 1))[-1].mask.shape[0] % setting.count == 0


@pytest.mark.parametrize(
    ("code", "fields", "told"),
    [
        (CODE, {"id": "", "name": "x"}, 'is left out, because the roster\'s "id" is empty'),
        (CODE, {"id": "x" * 3000}, "its 3000 letters are more than a code holds"),
        (replace(CODE, box=(0, 0, 9, 9)), {"id": "x"}, "29 modules do not fit a box of 27 pixels"),
        # 29 modules in 100 pixels of a print with 300 ppi: 3 pixels, .25 mm.
        (replace(CODE, box=(0, 0, 40, 40)), {"id": "x"}, "is 0.34 mm"),
        (
            replace(CODE, box=(0, 0, 34, 34)),
            {"id": "x"},
            "is 0.25 mm in print; telephones need 0.33",
        ),
    ],
)
def test_what_is_told(code: Code, fields: dict[str, str], told: str) -> None:
    warnings = set_code(code, fields, (3, 3), 300).warnings
    if "0.34" in told:
        assert warnings == ()
    else:
        assert len(warnings) == 1
        assert told in warnings[0]


def test_nobody_s_code_is_left_out_in_silence() -> None:
    setting = set_code(CODE, {}, (3, 3), 300)
    assert setting.warnings == ()
    assert draw_code(CODE, setting, (3, 3)) == ()


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({}, ""),
        ({"background": None}, "has no background of its own"),
        (
            {"color": (1.0, 1.0, 1.0), "background": (0.0, 0.0, 0.0)},
            "is lighter than its background",
        ),
        # sRGB code 188 is half of white in linear light, 0.5 - 0.2 = 30 %.
        (
            {"color": (0.4846, 0.4846, 0.4846), "background": (188 / 255,) * 3},
            "differ by 30% of white",
        ),
        ({"color": (0.0, 0.0, 0.0), "background": (188 / 255,) * 3}, ""),
        ({"quiet": 2}, "a quiet zone of 2 modules; the standard asks for 4"),
    ],
)
def test_what_a_designer_is_told(change: dict[str, Any], told: str) -> None:
    notes = code_notes(replace(CODE, **change))
    assert len(notes) == bool(told)
    assert not told or told in notes[0]


GOOD: dict[str, Any] = {"value": "{id}", "above": "frame", "box": [1, 2, 90, 90]}


def test_what_need_not_be_said() -> None:
    problems: list[str] = []
    code = read_code(GOOD, "[[code]] 1", problems)
    assert problems == []
    assert code == Code("{id}", "frame", (1, 2, 90, 90))
    assert (code.quiet, code.correction) == (4, "M")
    code = read_code({**GOOD, "background": "none"}, "[[code]] 1", problems)
    assert code is not None
    assert code.background is None


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ({"value": "{}"}, "the name of a roster column between { and }"),
        ({"value": ""}, "need words in quotes"),
        ({"box": [1, 2, 3]}, "need [x, y, width, height]"),
        ({"background": "white"}, "need a colour such as"),
        ({"quiet": -1}, "need a whole number from 0 to 20"),
        ({"quiet": 2.5}, "need a whole number from 0 to 20"),
        ({"correction": "m"}, "need one of L, M, Q, H"),
        ({"colour": "#000000"}, 'did you mean "color"?'),
    ],
)
def test_mistakes_are_told(said: dict[str, Any], told: str) -> None:
    problems: list[str] = []
    read_code({**GOOD, **said}, "[[code]] 1", problems)
    assert any(told in p for p in problems), problems


def test_a_template_with_a_code(tmp_path: Path) -> None:
    template = load_template(folder_of(tmp_path / "t", PICTURE + SLOT + TOML))
    assert template.columns == ("id",)
    assert "is empty for this person" in template.scene_warnings({"id": ""})[0]
    # 60 of 100 pixels of a 5 inch print at 20 ppi: modules of 2 pixels are large enough.
    assert template.scene_warnings({"id": "7"}) == ()
    bare, coded = (flattened(template, (100, 80), f) for f in ({}, {"id": "7"}))
    changed = np.argwhere((bare != coded).any(-1))
    assert changed.min() >= 4
    assert changed.max() < 64


def test_a_code_too_small_for_a_smaller_paper_is_told(tmp_path: Path) -> None:
    toml = '[picture]\npaper = "8x12"\nppi = 150\n' + SLOT + TOML.replace("60, 60", "8, 8")
    files = {"10-hills.png": plain(size=(80, 120)), "20-frame.png": plain((0, 0, 0, 0), (80, 120))}
    template = load_template(folder_of(tmp_path / "t", toml, files))
    # 33 modules with the quiet zone in 120 pixels of 150 an inch: 3 each, .51 mm. On 4x6 one.
    made = template.print_as("4x6")
    assert made is not None
    assert template.scene_warnings({"id": "7"}) == ()
    (told,) = template.scene_warnings({"id": "7"}, made.size)
    assert "is 0.17 mm in print; telephones need 0.33 mm" in told


def test_a_code_beyond_the_canvas_is_told(tmp_path: Path) -> None:
    toml = PICTURE + SLOT + TOML.replace("60, 60", "90, 60")
    with pytest.raises(Exception, match=r"the box of \[\[code\]\] .* reaches beyond the canvas"):
        load_template(folder_of(tmp_path / "t", toml))
    toml = PICTURE + SLOT + TOML.replace("frame", "fram")
    with pytest.raises(Exception, match=r'\[\[code\]\] .* stands above "fram", but no layer'):
        load_template(folder_of(tmp_path / "u", toml))
