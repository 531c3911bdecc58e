"""OpenRaster files that are broken or meant to harm: one sentence each, and no harm done."""

from __future__ import annotations

import io
import struct
import zipfile

import pytest
from PIL import Image

import stream.template.ora as ora
from models.composite import Mode
from stream.template.layers import Layer
from stream.template.ora import read_ora
from tests.stream.template.building import archive, plain, png, raw_png

ONE = '<image w="8" h="8"><stack><layer name="sky" src="data/a.png"{}/></stack></image>'
PNG = png(plain(size=(8, 8)))


def told(data: bytes) -> str:
    """What is said about a file; exactly one thing."""
    problems: list[str] = []
    read_ora(data, "layers.ora", problems)
    assert len(problems) == 1, problems
    assert "layers.ora" in problems[0]
    return problems[0]


def test_not_a_zip() -> None:
    assert "not an OpenRaster file" in told(b"")
    assert "not an OpenRaster file" in told(b"PK\x03\x04 no more")
    assert "not an OpenRaster file" in told(archive(ONE.format(""))[:-30])


def test_the_mimetype_has_to_be_first_and_exact_and_plain() -> None:
    files = {"data/a.png": PNG}
    says = "does not begin with an unpacked entry mimetype"
    assert says in told(archive(ONE.format(""), files, mimetype=None))
    assert says in told(archive(ONE.format(""), files, mimetype=b"image/openraster\n"))
    assert says in told(archive(ONE.format(""), files, mimetype=b"application/zip!"))
    assert says in told(archive(ONE.format(""), files, packed=True))


def test_document_types_and_entities_are_refused() -> None:
    body = ONE.format("")
    for head in (
        '<!DOCTYPE image [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>',
        '<!DOCTYPE image SYSTEM "file:///etc/passwd">',
    ):
        assert "document type" in told(archive(head + body, {"data/a.png": PNG}))


def test_broken_xml() -> None:
    assert "stack.xml cannot be read" in told(archive("<image w='8' h='8'><stack>"))
    assert "stack.xml cannot be read" in told(archive(""))


def test_nesting_without_end() -> None:
    xml = '<image w="8" h="8"><stack>' + "<stack>" * 5000 + "</stack>" * 5000 + "</stack></image>"
    assert "nested more than 20 deep" in told(archive(xml))


@pytest.mark.parametrize(
    "src", ["../sky.png", "//etc/sky.png", "data/../../sky.png", "C:/sky.png", "data\\sky.png", ""]
)
def test_pictures_outside_the_file(src: str) -> None:
    xml = f'<image w="8" h="8"><stack><layer name="sky" src="{src}"/></stack></image>'
    said = told(archive(xml))
    assert 'layer "sky"' in said
    assert "does not lie inside the file" in said


def test_missing_entries() -> None:
    said = told(archive(ONE.format("")))
    assert 'layer "sky"' in said
    assert '"data/a.png" is missing' in said
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as z:
        z.writestr("mimetype", "image/openraster")
    assert '"stack.xml" is missing' in told(out.getvalue())


def test_a_zip_bomb_is_not_unpacked() -> None:
    bomb = archive(ONE.format(""), {"data/a.png": bytes(ora.RATIO_FROM + 1)})
    assert len(bomb) < 100_000
    said = told(bomb)
    assert 'layer "sky"' in said
    assert "more than a layer can need" in said


def test_a_size_that_lies_is_noticed() -> None:
    data = bytearray(archive(ONE.format(""), {"data/a.png": PNG + bytes(100_000)}))
    # Both headers of the last entry are made to promise 70 bytes.
    for signature, at in ((b"PK\x03\x04", 22), (b"PK\x01\x02", 24)):
        start = data.rfind(signature)
        data[start + at : start + at + 4] = struct.pack("<I", 70)
    assert "data/a.png" in told(bytes(data))


def test_a_picture_too_large() -> None:
    huge = raw_png(60_000, 60_000, 8, 6, b"")
    assert "at most 80 megapixels" in told(archive(ONE.format(""), {"data/a.png": huge}))


def test_too_many_entries_and_layers(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ora, "MOST_ENTRIES", 5)
    assert "at most 5" in told(archive(ONE.format(""), {f"data/{i}": b"" for i in range(9)}))
    monkeypatch.setattr(ora, "MOST_LAYERS", 3)
    layer = '<layer src="data/a.png"/>'
    xml = f'<image w="8" h="8"><stack>{layer * 4}</stack></image>'
    assert "more than 3 layers" in told(archive(xml, {"data/a.png": PNG}))


def test_the_whole_is_bounded(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ora, "MOST_TOTAL", 40_000)
    noise = Image.effect_noise((150, 150), 90)
    assert "more than a layer can need" in told(
        archive(ONE.format(""), {"data/a.png": png(noise) * 2})
    )


def test_damage_in_an_entry() -> None:
    data = archive(ONE.format(""), {"data/a.png": png(Image.effect_noise((90, 90), 80))})
    at = data.rfind(b"data/a.png", 0, data.find(b"PK\x01\x02")) + 200
    broken = data[:at] + bytes(60) + data[at + 60 :]
    assert '"data/a.png" is damaged' in told(broken)


def test_other_packings_and_passwords() -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as z:
        z.writestr("mimetype", "image/openraster")
        z.writestr("stack.xml", ONE.format(""), zipfile.ZIP_BZIP2)
    assert "does not allow" in told(out.getvalue())
    data = bytearray(archive(ONE.format(""), {"data/a.png": PNG}))
    for signature, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        start = data.rfind(signature)
        data[start + at] |= 1
    assert "password" in told(bytes(data))


@pytest.mark.parametrize(
    ("attributes", "says"),
    [
        (' opacity="2"', "opacity is '2'"),
        (' opacity="nan"', "opacity is 'nan'"),
        (' opacity="dim"', "opacity is 'dim'"),
        (' x="1e99"', "x is '1e99'"),
        (' y="1.5"', "y is '1.5'"),
        (' x="nan"', "x is 'nan'"),
        (' composite-op="house:glow"', "'house:glow', which is none of OpenRaster's"),
    ],
)
def test_odd_attributes(attributes: str, says: str) -> None:
    said = told(archive(ONE.format(attributes), {"data/a.png": PNG}))
    assert 'layer "sky"' in said
    assert says in said


def test_other_kinds_of_layers() -> None:
    said = told(archive(ONE.format("").replace("a.png", "a.gif"), {"data/a.gif": b"GIF89a"}))
    assert "turn the layer into pixels" in said
    xml = '<image w="8" h="8"><stack><text name="title">Hi</text></stack></image>'
    assert "it is a <text>" in told(archive(xml))


@pytest.mark.parametrize("size", ['w="0" h="8"', 'h="8"', 'w="-8" h="8"', 'w="99999" h="99999"'])
def test_canvases(size: str) -> None:
    xml = f'<image {size}><stack><layer name="sky" src="data/a.png"/></stack></image>'
    assert "describes a canvas of" in told(archive(xml, {"data/a.png": PNG}))


def test_several_problems_are_all_told() -> None:
    xml = (
        '<image w="8" h="8"><stack><layer name="one" src="../x.png"/>'
        '<layer name="two" src="data/none.png"/></stack></image>'
    )
    problems: list[str] = []
    read_ora(archive(xml), "layers.ora", problems)
    assert len(problems) == 2
    assert {'layer "one"', 'layer "two"'} <= {p[: p.index(" in ")] for p in problems}


def test_layers_of_shapes() -> None:
    xml = '<image w="8" h="8" xres="300" yres="300"><stack><layer name="ring" src="data/a.svg" '
    xml += 'x="2" y="-1" opacity="0.5" composite-op="svg:screen"/></stack></image>'
    svg = (
        b'<svg xmlns="http://www.w3.org/2000/svg" width="4" height="3"><rect width="2" height="3" '
    )
    svg += b'fill="#ff8000"/></svg>'
    problems: list[str] = []
    document = read_ora(archive(xml, {"data/a.svg": svg}), "layers.ora", problems)
    assert problems == []
    assert document is not None
    assert document.ppi == 300
    (layer,) = document.layers
    assert isinstance(layer, Layer)
    assert (layer.name, layer.size, layer.x, layer.y) == ("ring", (3, 4), 2, -1)
    assert (layer.mode, layer.opacity) == (Mode.SCREEN, 0.5)
    assert layer.pixels()[:, 1, 1].tolist() == [255, 128, 0, 255]
    assert layer.pixels()[3, 1, 3] == 0
    said = told(archive(xml, {"data/a.svg": svg.replace(b"svg", b"SWG")}))
    assert 'layer "ring" in layers.ora: its picture "data/a.svg" is no SVG' in said


def test_encodings_that_the_parser_does_not_know() -> None:
    for name in ("shift_jis", "none-such", "utf-7"):
        head = f'<?xml version="1.0" encoding="{name}"?><image w="8" h="8"/>'
        assert "stack.xml" in told(archive(head))


def test_more_pixels_than_can_be_flattened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ora, "MOST_LAYER_PIXELS", 100)
    xml = '<image w="8" h="8"><stack>' + '<layer src="data/a.png"/>' * 2 + "</stack></image>"
    assert "hold more than 0 megapixels together" in told(archive(xml, {"data/a.png": PNG}))


def test_a_slash_before_a_name_means_the_same_entry() -> None:
    for src in ("/data/", "data/"):
        for name in ("/data/a.png", "data/a.png"):
            problems: list[str] = []
            xml = ONE.format("").replace("data/", src)
            assert read_ora(archive(xml, {name: PNG}), "layers.ora", problems) is not None
            assert problems == []
