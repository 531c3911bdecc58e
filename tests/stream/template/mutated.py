"""Template folders that were right once: seeded damage to their archives, pictures and words."""

from __future__ import annotations

import io
import random
import re
import struct
import zipfile
import zlib
from collections.abc import Callable

from PIL import Image, ImageCms

from tests.stream.template.building import PICTURE, SLOT, TEXT, plain, png, raw_png

Files = dict[str, bytes]

SIZE = (32, 40)
SVG = """<?xml version="1.0"?>
<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"
 width="32" height="40" viewBox="0 0 32 40">
<defs><linearGradient id="g"><stop offset="0" stop-color="#fff"/><stop offset="1"/>
</linearGradient><filter id="f"><feGaussianBlur stdDeviation="1"/></filter>
<clipPath id="c"><circle r="9"/></clipPath></defs>
<g transform="translate(2,3) rotate(5)" clip-path="url(#c)"><rect x="1" y="1" width="20"
 height="10" fill="url(#g)" filter="url(#f)" style="stroke:#f00;stroke-width:2"/>
<path d="M0 0L10 10C1 2 3 4 5 6A3 3 0 0 1 9 9Z"/><use xlink:href="#g"/></g>
<text x="2" y="30" font-size="9" font-family="House Hand">Ana</text></svg>"""
STACK = """<?xml version="1.0" encoding="UTF-8"?>
<image version="0.0.6" w="32" h="40" xres="300" yres="300"><stack>
<layer name="frame" src="data/frame.png" x="0" y="0" opacity="0.9" visibility="visible"
 composite-op="svg:src-over"/>
<stack name="hills" isolation="isolate" opacity="0.5" composite-op="svg:multiply">
<layer name="near" src="data/near.png" x="-3" y="5" composite-op="svg:luminosity"/>
<layer name="ring" src="data/ring.svg" x="1" y="-2"/>
<stack><layer name="far" src="data/far.png" visibility="hidden"/></stack></stack>
<layer name="sky" src="data/sky.png"/></stack></image>"""
TOML = PICTURE.replace("ppi = 20", "ppi = 20\nbleed_mm = 0\nsafe_in = 0.2") + SLOT + TEXT.replace(
    "[4, 70, 72, 24]", "[2, 25, 28, 12]"
)  # fmt: skip


def chunked(name: bytes, content: bytes) -> bytes:
    """A PNG chunk with a right checksum."""
    crc = struct.pack(">I", zlib.crc32(name + content))
    return struct.pack(">I", len(content)) + name + content + crc


def pictures(profile: bytes) -> Files:
    """One PNG of each sort."""
    wide, high = SIZE
    icc = b"iCCPa space\0\0" + zlib.compress(profile)
    noise = random.Random(5)
    rows = b"".join(b"\0" + noise.randbytes(8 * wide) for _ in range(high))
    palette = Image.new("P", SIZE, 1)
    palette.putpalette([0, 0, 0, 10, 20, 30])
    flat = io.BytesIO()
    palette.save(flat, "PNG", transparency=bytes([255, 77]))
    return {
        "sky": raw_png(wide, high, 16, 6, rows, icc),
        "near": png(plain(size=SIZE)),
        "far": flat.getvalue(),
        "frame": raw_png(
            wide, high, 8, 2, b"".join(b"\1" + noise.randbytes(3 * wide) for _ in range(high)),
            icc, b"tRNS" + bytes([0, 1, 0, 2, 0, 3]), b"pHYs" + bytes([0, 0, 9, 0] * 2 + [1]),
        ),
    }  # fmt: skip


def zipped(stack: bytes, data: Files) -> bytes:
    """An OpenRaster archive."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("mimetype", b"image/openraster")
        archive.writestr("stack.xml", stack, zipfile.ZIP_DEFLATED)
        for name, content in data.items():
            archive.writestr(name, content, zipfile.ZIP_DEFLATED)
    return out.getvalue()


def flip(data: bytes, rng: random.Random) -> bytes:
    """Other bytes here and there."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 5, 20))):
        out[rng.randrange(len(out))] = rng.choice((0, 255, 128, rng.randrange(256)))
    return bytes(out)


def cut(data: bytes, rng: random.Random) -> bytes:
    """The end is missing."""
    return data[: rng.randrange(len(data))]


def lose(data: bytes, rng: random.Random) -> bytes:
    """A piece in the middle is missing."""
    a = rng.randrange(len(data))
    return data[:a] + data[a + rng.randrange(1, 200) :]


def repeat(data: bytes, rng: random.Random) -> bytes:
    """A piece stands there again and again."""
    a = rng.randrange(len(data))
    b = min(len(data), a + rng.randrange(1, 60))
    return data[:b] + data[a:b] * rng.choice((1, 3, 500)) + data[b:]


def number(data: bytes, rng: random.Random) -> bytes:
    """Four bytes that say a length say another."""
    a = rng.randrange(max(1, len(data) - 4))
    value = rng.choice((0, 1, 0x7FFFFFFF, 0xFFFFFFFF, 65536, rng.randrange(1 << 32)))
    return data[:a] + struct.pack(rng.choice(("<I", ">I")), value) + data[a + 4 :]


BYTES: tuple[Callable[[bytes, random.Random], bytes], ...] = (flip, cut, lose, repeat, number)

ODD_WORDS = (
    *("", "0", "-1", "1e999", "nan", "-inf", "99999999999999999999", "0x10", "1_0", "9e9", "4.5"),
    *("../../etc/passwd", "/etc/passwd", "data/../sky.png", "a" * 5000, "\u00e9\u202e\U0001f383"),
    *("svg:none", "url(#g)", "#g", "isolate", "hidden", "<", "&amp;", "&#10;", "&#0;", "%", "mm"),
    *("1e-320", "true", "[1, 2]", '"', "{", "}", "{}", "{ }", "[[x]]", "100%", "M0 0"),
    *("translate(1e30)", "matrix(0 0 0 0 0 0)"),
)


def words(data: bytes, rng: random.Random) -> bytes:
    """A value or a name in a text is another."""
    text = data.decode("utf-8", "replace")
    for _ in range(rng.choice((1, 1, 2, 4))):
        tokens = [i for i, c in enumerate(text) if c in "\"'=<> \n,[]"]
        if len(tokens) < 2:
            break
        k = rng.randrange(len(tokens) - 1)
        a, b = tokens[k] + 1, tokens[min(k + rng.choice((1, 1, 1, 2, 5)), len(tokens) - 1)]
        text = text[:a] + rng.choice(ODD_WORDS) + text[max(a, b) :]
    return text.encode("utf-8", "surrogatepass")


TOML_VALUES = (
    *("0", "-1", "nan", "inf", "1e308", "99999999999999999999999", "true", '""', '" "', "1e-300"),
    *('"' + "x" * 5000 + '"', "[]", "[1, 2, 3]", "[nan, 0, 5, 5]", "[1e300, 0, 5, 5]", "{}"),
    *("[[[]]]", "{ a = 1 }", "2026-01-01", '"../../x.ttf"', '"fonts/DejaVuSans-Bold.ttf"'),
    *('"{}"', '"{ name }{"', '"#zzzzzz"', '"wide"', '"4x6"', "2400", '"sky"', "'hills'", "0.3"),
    *("40", '"left"', '"\\u202e"'),
)
XML_VALUES = (
    *(w for w in ODD_WORDS if not set(w) & set('<"&')),
    *("&#10;", "&lt;", "8", "0.25"),
)


def values(data: bytes, rng: random.Random) -> bytes:
    """A value is another of the language's, so that what reads the values is reached."""
    text = data.decode()
    toml = "[slot]" in text
    pattern, odd = (r"(?<== ).+", TOML_VALUES) if toml else (r'(?<==")[^"]*(?=")', XML_VALUES)
    for _ in range(rng.choice((1, 1, 2, 4))):
        found = list(re.finditer(pattern, text))
        if not found:
            break
        at = rng.choice(found)
        text = text[: at.start()] + rng.choice(odd) + text[at.end() :]
    return text.encode()


def names(data: bytes, rng: random.Random) -> bytes:
    """A key, an attribute or an element is called otherwise, or is one of the others."""
    text = data.decode()
    found = list(re.finditer(r"[A-Za-z_-]{2,}(?= ?[=\]/>])|(?<=<)[a-z]+", text))
    one, other = rng.sample(found, 2)
    name = rng.choice((other[0], "x", "href", "src", "[x]", "__proto__"))
    return (text[: one.start()] + name + text[one.end() :]).encode()


SAID = (words, values, values, values, names)


def chunk(data: bytes, rng: random.Random) -> bytes:
    """A PNG whose chunks are damaged and whose checksums are right all the same."""
    parts, at = [], 8
    while at + 8 <= len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        parts.append((data[at + 4 : at + 8], data[at + 8 : at + 8 + length]))
        at += 12 + length
    k = rng.randrange(len(parts))
    name, content = parts[k]
    what = rng.randrange(6)
    if what == 0:
        parts.pop(k)
    elif what == 1:
        parts.insert(rng.randrange(len(parts)), parts[k])
    elif what == 2 and name == b"iCCP":
        head, _, packed = content.partition(b"\0")
        inner = rng.choice(BYTES)(zlib.decompress(packed[1:]), rng)
        parts[k] = (name, head + b"\0\0" + zlib.compress(inner))
    elif what == 3 and name == b"IDAT":
        pixels = zlib.decompress(content)
        parts[k] = (name, zlib.compress(rng.choice(BYTES)(pixels, rng)))
    elif content:
        parts[k] = (name, rng.choice(BYTES)(content, rng))
    else:
        parts[k] = (rng.choice((b"zTXt", b"cICP", b"acTL", b"gAMA", b"tRNS")), rng.randbytes(9))
    return data[:8] + b"".join(chunked(n, c) for n, c in parts)


def document(seed: int) -> tuple[str, Files]:
    """One damaged template folder.

    Returns:
        What was done, and the files.
    """
    rng = random.Random(seed)
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    data = pictures(srgb)
    toml, svg, stack = TOML.encode(), SVG.encode(), STACK.encode()
    kind = seed % 8
    if kind == 0:
        toml = rng.choice(SAID)(toml, rng)
    elif kind == 1:
        svg = rng.choice(SAID)(svg, rng)
    elif kind == 2:
        stack = rng.choice(SAID)(stack, rng)
    elif kind == 3:
        stack = rng.choice(BYTES)(stack, rng)
    elif kind in (4, 5):
        name = rng.choice(tuple(data))
        data[name] = (chunk if kind == 4 else rng.choice(BYTES))(data[name], rng)
    elif kind == 6:
        # A profile, damaged.
        bad = rng.choice(BYTES)(srgb, rng)
        data = pictures(bad)
    done = ("toml", "svg", "stack", "stack bytes", "png chunk", "png bytes", "icc", "zip")[kind]
    if seed % 3 == 0 and kind in (1, 4, 5, 6):
        numbered = {f"{i}0-{name}.png": png for i, (name, png) in enumerate(data.items(), 1)}
        toml = toml.replace(b'"hills"', b'"near"')
        return f"{done}, numbered", {"template.toml": toml, "90-ring.svg": svg, **numbered}
    files = {f"data/{name}.png": content for name, content in data.items()}
    packed = zipped(stack, {**files, "data/ring.svg": svg})
    if kind == 7:
        packed = rng.choice(BYTES)(packed, rng)
    return done, {"template.toml": toml, "layers.ora": packed}
