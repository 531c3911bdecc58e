"""A first template.toml: the size that a canvas means, the layer for the slot, odd names."""

from __future__ import annotations

import tomllib

import pytest

from stream.template.description import read_description
from stream.template.layers import Document, Layer, LayerGroup
from stream.template.starter import choose_layer, size_lines, start_description


def layer(name: str) -> Layer:
    return Layer(name, "data/a.png", b"", (1, 1))


def document(
    *names: str, size: tuple[int, int] = (1800, 1200), ppi: float | None = 300
) -> Document:
    return Document(size, tuple(layer(n) for n in names), ppi)


@pytest.mark.parametrize(
    ("size", "ppi", "expect"),
    [
        # (H, W) from the papers' pixels at 300 ppi
        ((1800, 1200), 300, {"paper": "4x6", "ppi": 300}),
        ((1200, 1800), 300, {"paper": "4x6", "ppi": 300, "hold": "wide"}),
        ((1875, 1275), 300, {"paper": "4x6", "ppi": 300, "bleed": True}),
        ((1843, 1252), 300, {"paper": "100x150mm", "ppi": 300, "bleed": True}),
        ((3000, 2400), None, {"paper": "8x10", "ppi": 300}),
        # 72 is what programs write when nobody chose.
        ((3000, 2400), 72, {"paper": "8x10", "ppi": 300}),
        ((3600, 2400), 600, {"paper": "4x6", "ppi": 600}),
        ((3600, 2400), 599.9, {"paper": "4x6", "ppi": 600}),
        ((600, 400), 100, {"paper": "4x6", "ppi": 100}),
        ((1000, 800), None, {"paper": "8x10", "ppi": 100}),
        ((1000, 1000), None, {"width_in": 3.3333, "height_in": 3.3333, "ppi": 300}),
        ((1000, 1000), 250, {"width_in": 4, "height_in": 4, "ppi": 250}),
        ((30, 10), 1e9, {"width_in": 0.0333, "height_in": 0.1, "ppi": 300}),
    ],
)
def test_size(size: tuple[int, int], ppi: float | None, expect: dict[str, object]) -> None:
    assert tomllib.loads("\n".join(size_lines(document(size=size, ppi=ppi)))) == expect


def test_the_layer_that_is_called_so_or_the_middle_one() -> None:
    assert choose_layer(document("sky", "People here", "hills", "frame")) == "People here"
    assert choose_layer(document("sky", "hills", "frame")) == "hills"
    assert choose_layer(document("sky", "frame")) == "sky"
    assert choose_layer(document("sky")) == "sky"


def test_only_names_that_one_layer_has() -> None:
    assert choose_layer(document("a", "slot", "slot", "b", "")) == "a"
    group = LayerGroup("props", (layer("sky"),))
    assert choose_layer(Document((9, 9), (layer("sky"), group))) == "props"
    assert choose_layer(document("", " ")) is None


@pytest.mark.parametrize("name", ['a "quoted" one', "back\\slash", "Zoë 🎃", "tab\tend", "\x7f"])
def test_it_can_be_read(name: str) -> None:
    words = start_description(document("sky", name, "top\nline"), name)
    problems: list[str] = []
    described = read_description(words.encode(), problems)
    assert problems == []
    assert [s.above for s in described.slots] == [name]
    # The text field that waits to be used is right as well.
    used = words.replace("# [[text]]", "[[text]]").replace("# [[code]]", "[[code]]")
    for key in ("value", "above", "box", "font", "size", "least", "color", "align", "safe_mm"):
        used = used.replace(f"# {key} =", f"{key} =")
    described = read_description(used.encode(), problems)
    assert problems == []
    assert described.texts[0].columns == ("name",)
    assert described.codes[0].columns == ("number",)
    assert "[[slot]]" in words
    assert described.picture is not None
    assert described.picture.safe_px == 47  # 4 mm at 300 ppi
