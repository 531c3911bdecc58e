"""Numbered PNG files as a document."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from models.composite import Mode
from stream.template.description import LayerNote
from stream.template.layers import Document, Layer, LayerGroup, walk
from stream.template.numbered import numbered_files, read_numbered
from tests.stream.template.building import plain, png


def read(files: dict[str, bytes], *notes: LayerNote) -> tuple[Document | None, list[str]]:
    problems: list[str] = []
    pairs = [(Path(name), data) for name, data in files.items()]
    return read_numbered(pairs, notes, problems), problems


def test_numbers_give_the_order_and_names_the_rest(tmp_path: Path) -> None:
    for name in ("100-top.png", "9-sky.PNG", "20_two hills.png", "logo.png", "20.png", "notes.txt"):
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "30-folder.png").mkdir()
    found = [p.name for p in numbered_files(tmp_path)]
    assert found == ["9-sky.PNG", "20_two hills.png", "100-top.png"]


def test_layers_and_their_notes() -> None:
    data = png(plain(size=(8, 6)))
    note = LayerNote("glow", Mode.SCREEN, 0.5)
    document, problems = read({"1-sky.png": data, "2-glow.png": data}, note)
    assert problems == []
    assert document is not None
    assert document.size == (6, 8)
    sky, glow = document.layers
    assert isinstance(sky, Layer)
    assert isinstance(glow, Layer)
    assert (sky.name, sky.mode, sky.opacity) == ("sky", Mode.NORMAL, 1.0)
    assert (glow.name, glow.mode, glow.opacity) == ("glow", Mode.SCREEN, 0.5)
    assert sky.pixels().shape == (4, 6, 8)


def test_mistakes() -> None:
    small, large = png(plain(size=(8, 6))), png(plain(size=(9, 6)))
    _, problems = read({"1-sky.png": small, "2-hills.png": large})
    assert problems == [
        'layer "hills" (2-hills.png) is 9 x 6 pixels but 1-sky.png is 8 x 6; all must be as large '
        "as the canvas"
    ]
    _, problems = read({"1-sky.png": small, "01-hills.png": small})
    assert "have the same number" in problems[0]
    document, problems = read({"1-sky.png": b"text"})
    assert document is None
    assert 'layer "sky" (1-sky.png) is not a PNG' in problems[0]
    _, problems = read({"1-sky.png": small}, LayerNote("glow", Mode.SCREEN, 1))
    assert 'names "glow", but no numbered file' in problems[0]


def test_walking_goes_into_groups() -> None:
    a, b = Layer("a", "a", b"", (1, 1)), Layer("b", "b", b"", (1, 1))
    inner = LayerGroup("g", (b,))
    assert list(walk((a, inner))) == [a, inner, b]


SVG = b"""<svg xmlns="http://www.w3.org/2000/svg" width="40mm" height="30mm" viewBox="0 0 4 3">
<rect x="2" width="2" height="3" fill="#ff8000"/></svg>"""


def test_shapes_fill_the_canvas_of_the_pictures() -> None:
    document, problems = read({"1-ring.svg": SVG, "2-sky.png": png(plain(size=(8, 6)))})
    assert problems == []
    assert document is not None
    assert document.size == (6, 8)
    ring = document.layers[0]
    assert isinstance(ring, Layer)
    assert (ring.name, ring.size) == ("ring", (6, 8))
    assert ring.pixels()[:, 3, 6].tolist() == [255, 128, 0, 255]
    assert ring.pixels()[3, 3, 1] == 0


def test_shapes_alone_have_their_own_size() -> None:
    document, problems = read({"1-ring.svg": SVG})
    assert problems == []
    assert document is not None
    # CSS: 96 pixels an inch; 40 and 30 mm.
    assert document.size == (113, 151)
    assert document.ppi is None


def test_shapes_of_another_shape() -> None:
    _, problems = read({"1-sky.png": png(plain(size=(8, 8))), "2-ring.svg": SVG})
    assert len(problems) == 1
    assert "all must have the shape of the canvas" in problems[0]


def test_the_resolution_of_the_pictures() -> None:
    out = io.BytesIO()
    plain(size=(8, 6)).save(out, "PNG", dpi=(240, 240))
    document, _ = read({"1-sky.png": out.getvalue()})
    assert document is not None
    assert document.ppi == pytest.approx(240, abs=0.2)
