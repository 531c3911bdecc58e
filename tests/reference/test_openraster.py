"""The OpenRaster specification (openraster.org): file layout and layer stack, baseline."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from PIL import Image

from models.composite import Mode
from stream.template.layers import Layer, LayerGroup
from stream.template.ora import read_ora
from stream.template.ora_write import OraGroup, OraLayer, write_ora

# The baseline's composite operations, as the layer stack specification lists them.
BASELINE = {
    "svg:src-over": Mode.NORMAL,
    "svg:multiply": Mode.MULTIPLY,
    "svg:screen": Mode.SCREEN,
    "svg:overlay": Mode.OVERLAY,
    "svg:darken": Mode.DARKEN,
    "svg:lighten": Mode.LIGHTEN,
    "svg:color-dodge": Mode.COLOR_DODGE,
    "svg:color-burn": Mode.COLOR_BURN,
    "svg:hard-light": Mode.HARD_LIGHT,
    "svg:soft-light": Mode.SOFT_LIGHT,
    "svg:difference": Mode.DIFFERENCE,
    "svg:color": Mode.COLOR,
    "svg:luminosity": Mode.LUMINOSITY,
    "svg:hue": Mode.HUE,
    "svg:saturation": Mode.SATURATION,
    "svg:plus": Mode.PLUS,
    "svg:dst-in": Mode.DST_IN,
    "svg:dst-out": Mode.DST_OUT,
    "svg:src-atop": Mode.SRC_ATOP,
    "svg:dst-atop": Mode.DST_ATOP,
}


@pytest.fixture
def written(tmp_path: Path) -> Path:
    path = tmp_path / "layers.ora"
    write_ora(
        path,
        (600, 400),
        [
            OraLayer("ground", Image.new("RGB", (400, 600), (10, 200, 30))),
            OraGroup(
                "over",
                (
                    OraLayer("low", Image.new("RGBA", (50, 60), (255, 0, 0, 128)), 5, 6),
                    OraLayer("high", Image.new("RGBA", (9, 9)), -4, 7, Mode.SCREEN, 0.25),
                ),
                Mode.MULTIPLY,
                0.5,
            ),
            OraLayer("guide", Image.new("RGBA", (1, 1)), visible=False),
        ],
        ppi=240,
    )
    return path


def test_the_archive_is_laid_out_as_specified(written: Path) -> None:
    with zipfile.ZipFile(written) as archive:
        entries = archive.infolist()
        assert entries[0].filename == "mimetype"
        assert entries[0].header_offset == 0
        assert entries[0].compress_type == zipfile.ZIP_STORED
        assert not entries[0].extra
        assert archive.read("mimetype") == b"image/openraster"
        assert {e.compress_type for e in entries} <= {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}
        names = {e.filename for e in entries}
        assert {"stack.xml", "Thumbnails/thumbnail.png", "mergedimage.png"} <= names
        with Image.open(io.BytesIO(archive.read("Thumbnails/thumbnail.png"))) as thumbnail:
            assert max(thumbnail.size) == 256
            assert thumbnail.size == (171, 256)
            assert not thumbnail.info.get("interlace")
        with Image.open(io.BytesIO(archive.read("mergedimage.png"))) as merged:
            assert merged.size == (400, 600)
    # The file's first bytes say what it is, as the specification wants of `mimetype` at the front.
    assert written.read_bytes()[30:54] == b"mimetypeimage/openraster"


def test_the_stack_lists_the_topmost_first(written: Path) -> None:
    with zipfile.ZipFile(written) as archive:
        root = ET.fromstring(archive.read("stack.xml"))
        sources = [e.get("src") for e in root.iter("layer")]
        assert all(src in archive.namelist() for src in sources)
    assert root.tag == "image"
    assert (root.get("w"), root.get("h"), root.get("xres")) == ("400", "600", "240")
    assert root.get("version")
    (stack,) = root
    assert [e.get("name") for e in stack] == ["guide", "over", "ground"]
    group = stack[1]
    assert group.tag == "stack"
    assert group.get("isolation") == "isolate"
    assert group.get("composite-op") == "svg:multiply"
    assert [e.get("name") for e in group] == ["high", "low"]
    assert (group[0].get("x"), group[0].get("y"), group[0].get("opacity")) == ("-4", "7", "0.25")
    assert stack[0].get("visibility") == "hidden"


def test_the_merged_picture_is_what_the_layers_make(written: Path) -> None:
    with zipfile.ZipFile(written) as archive:
        merged = np.asarray(Image.open(io.BytesIO(archive.read("mergedimage.png"))))
    assert merged[0, 0].tolist() == [10, 200, 30, 255]
    # Red at 128/255 in a group that multiplies at .5: a = .251, c + a (c s - c) a channel:
    # red 10 (s = 1) stays, green 200 (s = 0) becomes 200 (1 - .251) = 149.8 (by hand).
    assert merged[20, 20].tolist() == [10, 150, 22, 255]


def test_what_is_written_is_read(written: Path) -> None:
    problems: list[str] = []
    document = read_ora(written.read_bytes(), "layers.ora", problems)
    assert problems == []
    assert document is not None
    assert document.size == (600, 400)
    ground, group, guide = document.layers
    assert isinstance(ground, Layer)
    assert ground.name == "ground"
    assert isinstance(group, LayerGroup)
    assert group.isolated
    assert (group.mode, group.opacity) == (Mode.MULTIPLY, 0.5)
    low, high = group.children
    assert isinstance(low, Layer)
    assert isinstance(high, Layer)
    assert (low.x, low.y, low.size) == (5, 6, (60, 50))
    assert low.pixels()[:, 0, 0].tolist() == [255, 0, 0, 128]
    assert (high.x, high.mode, high.opacity) == (-4, Mode.SCREEN, 0.25)
    assert isinstance(guide, Layer)
    assert not guide.visible


def archive_of(xml: str) -> bytes:
    out, png = io.BytesIO(), io.BytesIO()
    Image.new("RGBA", (2, 2), (1, 2, 3, 4)).save(png, "PNG")
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("mimetype", "image/openraster")
        archive.writestr("stack.xml", xml, zipfile.ZIP_DEFLATED)
        archive.writestr("data/a.png", png.getvalue())
    return out.getvalue()


@pytest.mark.parametrize("op", list(BASELINE))
def test_every_baseline_operation_is_known(op: str) -> None:
    xml = f'<image w="2" h="2"><stack><layer src="data/a.png" composite-op="{op}"/></stack></image>'
    problems: list[str] = []
    document = read_ora(archive_of(xml), "layers.ora", problems)
    assert problems == []
    assert document is not None
    assert document.layers[0].mode is BASELINE[op]


def test_defaults_of_the_attributes() -> None:
    xml = '<image w="2" h="2"><stack><stack><layer src="data/a.png"/></stack></stack></image>'
    document = read_ora(archive_of(xml), "layers.ora", [])
    assert document is not None
    (group,) = document.layers
    assert isinstance(group, LayerGroup)
    assert (group.mode, group.opacity, group.visible, group.isolated) == (
        Mode.NORMAL,
        1.0,
        True,
        False,
    )
    (layer,) = group.children
    assert isinstance(layer, Layer)
    assert (layer.x, layer.y, layer.mode, layer.opacity, layer.visible) == (
        0,
        0,
        Mode.NORMAL,
        1.0,
        True,
    )


def test_offsets_of_older_groups_add_up() -> None:
    xml = (
        '<image w="9" h="9"><stack x="1"><stack x="2" y="3">'
        '<layer src="data/a.png" x="4" y="-1"/></stack></stack></image>'
    )
    document = read_ora(archive_of(xml), "layers.ora", [])
    assert document is not None
    (group,) = document.layers
    assert isinstance(group, LayerGroup)
    (layer,) = group.children
    assert isinstance(layer, Layer)
    assert (layer.x, layer.y) == (7, 2)
