"""Damaged and hostile templates: a sentence or a right result, no traceback, no hang, at most 1 GB.

Documents of their own come from ``mutated``; hypothesis looks for what nobody thought of.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
import zipfile
import zlib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from stream.color_profile import ProfileError
from stream.errors import UserError
from stream.template.description import read_description
from stream.template.icc import ToSrgb
from stream.template.ora import read_ora
from stream.template.png import read_png
from stream.template.sizing import read_picture
from stream.template.slots import read_slots
from stream.template.svg import read_svg
from stream.template.wording import read_text
from tests.house.tree import ROOT
from tests.stream.template.building import archive, raw_png

DOCUMENTS = 208
MOST_BYTES = 1 << 30

linux = pytest.mark.skipif(sys.platform != "linux", reason="memory is bounded by Linux's means")
tries = settings(
    max_examples=150, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck)
)


def survive(*words: str) -> list[dict[str, Any]]:
    """What the bounded process said of its documents."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-m", "tests.stream.template.survive", *words],
        cwd=ROOT,
        capture_output=True,
        timeout=600,
        check=False,
    )
    assert done.returncode == 0, done.stderr.decode()[-2000:]
    return [json.loads(line) for line in done.stdout.splitlines()]


@linux
def test_damaged_documents() -> None:
    *ends, last = survive("0", str(DOCUMENTS))
    assert len(ends) == DOCUMENTS
    assert [e for e in ends if e["end"] not in ("used", "told")] == []
    for end in ends:
        assert (end["end"] == "told") == bool(end["said"])
        for said in end["said"]:
            assert "\n" not in said
            assert len(said) < 1000
    assert last["most_bytes"] < MOST_BYTES
    # Both ends are reached for pictures, layer lists and profiles, or this tests nothing.
    for kind in ("svg", "stack", "png chunk", "icc"):
        assert {e["end"] for e in ends if e["done"].startswith(kind)} == {"used", "told"}


def folder_with(folder: Path, files: dict[str, bytes]) -> Path:
    for name, content in files.items():
        (folder / name).write_bytes(content)
    return folder


def zeros(width: int, height: int, depth: int) -> bytes:
    """A PNG with alpha that packs a thousand to one."""
    row = 1 + width * 4 * depth // 8
    # A block that ends in a full flush depends on nothing before it: packed once, set down often.
    many = next(n for n in range(100, 0, -1) if height % n == 0)
    packer = zlib.compressobj(9, wbits=-15)
    block = packer.compress(bytes(row * many)) + packer.flush(zlib.Z_FULL_FLUSH)
    # RFC 1950: two bytes of header, an empty last block, and Adler-32, of zeros 1 and their count.
    adler = (row * height % 65521 << 16) + 1
    packed = b"\x78\xda" + block * (height // many) + b"\x03\0" + adler.to_bytes(4, "big")
    whole = raw_png(width, height, depth, 6, b"")
    small = zlib.compress(b"")
    at = whole.index(b"IDAT")
    crc = zlib.crc32(b"IDAT" + packed).to_bytes(4, "big")
    length = len(packed).to_bytes(4, "big")
    return whole[: at - 4] + length + b"IDAT" + packed + crc + whole[at + 4 + len(small) + 4 :]


@linux
@pytest.mark.parametrize(("size", "depth"), [((8000, 10000), 8), ((5000, 6000), 16)])
def test_the_largest_layers_stay_below_a_gigabyte(
    tmp_path: Path, size: tuple[int, int], depth: int
) -> None:
    toml = f"[picture]\nwidth_in = {size[0] / 1000}\nheight_in = {size[1] / 1000}\nppi = 100\n"
    toml += '[slot]\nabove = "sky"\n'
    files = {"template.toml": toml.encode(), "10-sky.png": zeros(*size, depth)}
    end, last = survive(str(folder_with(tmp_path, files)))
    assert end["end"] == "used", end
    assert last["most_bytes"] < MOST_BYTES


@linux
def test_a_bomb_of_an_archive(tmp_path: Path) -> None:
    # Each entry is small enough to be looked at, all of them are not.
    png = raw_png(9, 9, 8, 6, b"") + bytes(7 << 20)
    names = [f"data/{i}.png" for i in range(60)]
    layers = "".join(f'<layer name="{n}" src="{n}"/>' for n in names)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as z:
        z.writestr("mimetype", b"image/openraster", zipfile.ZIP_STORED)
        z.writestr("stack.xml", f'<image w="9" h="9"><stack>{layers}</stack></image>')
        for name in names:
            z.writestr(name, png)
    toml = b'[picture]\nwidth_in = 1\nheight_in = 1\n[slot]\nabove = "data/0.png"\n'
    files = {"template.toml": toml, "layers.ora": out.getvalue()}
    end, last = survive(str(folder_with(tmp_path, files)))
    assert end["end"] == "told"
    assert any("which is more than a layer can need" in said for said in end["said"])
    assert last["most_bytes"] < MOST_BYTES


WORDS = st.text(max_size=12) | st.sampled_from(["hills", "{name}", "#ffcc00", "4x6", "fonts/x.ttf"])
NUMBERS = st.integers() | st.floats() | st.integers(-5, 400)
VALUES = st.recursive(
    st.none() | st.booleans() | NUMBERS | WORDS,
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(WORDS, inner, max_size=3),
    max_leaves=8,
)
LENGTHS = ("width_in", "height_in", "width_mm", "height_mm", "ppi", "bleed_in", "safe_mm")


def _slot(table: dict[str, Any], problems: list[str]) -> object:
    return read_slots({"slot": table}, problems) or None


KEYS = {
    read_picture: ("paper", "hold", "bleed", "bleed_mm", "safe_in", *LENGTHS),
    _slot: ("above", "box", "fit", "anchor", "head", "mirror", "shows"),
}


@pytest.mark.parametrize("reader", [read_picture, _slot])
@tries
@given(data=st.data())
def test_tables_of_anything(reader: Any, data: st.DataObject) -> None:
    keys = st.sampled_from(KEYS[reader]) | WORDS
    table = data.draw(st.dictionaries(keys, VALUES | NUMBERS, max_size=6))
    problems: list[str] = []
    found = reader(table, problems)
    assert found is not None or problems
    assert all("\n" not in p and len(p) < 1000 for p in problems)
    if reader is read_picture and found is not None:
        high, wide = found.size
        assert 1 <= high <= 500_000
        assert 0 <= found.bleed_px <= wide // 2
        assert found.safe_px >= 0


@tries
@given(st.dictionaries(st.sampled_from(("value", "above", "box", "size", "least", "font", "color",
                                        "align", "outline", "shadow")) | WORDS,
                       VALUES | NUMBERS | st.lists(NUMBERS, min_size=4, max_size=4)))  # fmt: skip
def test_text_tables_of_anything(table: dict[str, Any]) -> None:
    problems: list[str] = []
    assert read_text(table, "[[text]] 1", problems) is not None or problems


@tries
@given(st.binary(max_size=300) | st.text(max_size=300).map(lambda t: t.encode("utf-8")))
def test_descriptions_of_anything(data: bytes) -> None:
    problems: list[str] = []
    read_description(data, problems)
    assert problems  # a slot at least is missing


@tries
@given(
    st.binary(max_size=400)
    | st.binary(max_size=60).map(lambda b: raw_png(2, 2, 8, 6, b))
    | st.tuples(
        st.sampled_from([1, 2, 4, 8, 16]),
        st.integers(0, 7),
        st.binary(max_size=40),
        st.sampled_from([b"tRNS", b"iCCP", b"PLTE", b"cICP", b"gAMA", b"acTL", b"zTXt"]),
        st.binary(max_size=40),
        st.sampled_from([b"tEXt", b"0abc", b"a_bc", b"a\xffbc", b"pHYs", b"fcTL"]),
    ).map(lambda t: raw_png(2, 2, t[0], t[1], t[2], t[5] + t[4], t[3] + t[4]))
)
def test_pictures_of_anything(data: bytes) -> None:
    try:
        planes = read_png(data, "layer")
    except UserError:
        return
    assert tuple(planes.shape) == (4, 2, 2)


@tries
@given(st.binary(max_size=400) | st.text(max_size=200).map(archive))
def test_archives_of_anything(data: bytes) -> None:
    problems: list[str] = []
    if read_ora(data, "layers.ora", problems) is None:
        assert problems
        assert all(p.startswith("layers.ora: ") for p in problems)


@tries
@given(
    st.binary(max_size=200)
    | st.text(max_size=100).map(lambda t: f'<svg width="{t}" height="{t}"/>'.encode())
    | st.text(max_size=60).map(lambda t: f'<svg viewBox="0 0 9 9"><use href="{t}"/></svg>'.encode())
    | st.text(max_size=60).map(lambda t: f'<svg viewBox="{t}"><style>{t}</style></svg>'.encode())
)
def test_drawings_of_anything(data: bytes) -> None:
    try:
        drawing = read_svg(data, "layer")
    except UserError:
        return
    assert min(drawing.size) >= 1


@tries
@given(st.binary(max_size=200))
def test_profiles_of_anything(data: bytes) -> None:
    try:
        way = ToSrgb(data)
    except ProfileError:
        return
    assert way.mode in ("RGB", "L")
