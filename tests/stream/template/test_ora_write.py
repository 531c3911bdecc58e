"""Documents written: safe replacement, equal bytes, groups that pass through."""

from __future__ import annotations

import io
import zipfile
from pathlib import Path

import pytest
from PIL import Image

from models.composite import Mode
from stream.template.ora_write import OraGroup, OraLayer, write_ora


def test_equal_documents_are_equal_files(tmp_path: Path) -> None:
    layers = [OraLayer("one", Image.new("RGBA", (4, 4), (1, 2, 3, 4)))]
    for name in ("a.ora", "b.ora"):
        write_ora(tmp_path / name, (4, 4), layers)
    assert (tmp_path / "a.ora").read_bytes() == (tmp_path / "b.ora").read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.ora", "b.ora"]


def test_an_existing_file_survives_a_failure(tmp_path: Path) -> None:
    path = tmp_path / "layers.ora"
    path.write_bytes(b"older")
    with pytest.raises(AttributeError):
        write_ora(path, (4, 4), [OraLayer("bad", None)])  # type: ignore[arg-type]
    assert path.read_bytes() == b"older"


def test_a_group_that_is_not_isolated_lets_its_layers_blend_below(tmp_path: Path) -> None:
    grey = Image.new("RGB", (1, 1), (128, 128, 128))
    dark = OraLayer("dark", grey, mode=Mode.MULTIPLY)
    for isolated, expect in ((False, 64), (True, 128)):
        group = OraGroup("group", (dark,), isolated=isolated)
        write_ora(tmp_path / "g.ora", (1, 1), [OraLayer("base", grey), group])
        with zipfile.ZipFile(tmp_path / "g.ora") as archive:
            merged = Image.open(io.BytesIO(archive.read("mergedimage.png")))
            assert merged.convert("RGB").getpixel((0, 0)) == (expect,) * 3
