"""Small templates for the tests of this folder."""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from pathlib import Path

from PIL import Image

PICTURE = "[picture]\nwidth_in = 4\nheight_in = 5\nppi = 20\n"
SLOT = '[slot]\nabove = "hills"\n'
TEXT = '[[text]]\nvalue = "{name}"\nabove = "frame"\nbox = [4, 70, 72, 24]\nsize = 20\nleast = 12\n'


def png(image: Image.Image) -> bytes:
    out = io.BytesIO()
    image.save(out, "PNG")
    return out.getvalue()


def plain(
    color: tuple[int, int, int, int] = (90, 120, 200, 255), size: tuple[int, int] = (80, 100)
) -> Image.Image:
    return Image.new("RGBA", size, color)


def raw_png(
    width: int, height: int, depth: int, kind: int, rows: bytes, *chunks: bytes, interlace: int = 0
) -> bytes:
    """A PNG of any kind, written chunk by chunk."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    header = struct.pack(">IIBBBBB", width, height, depth, kind, 0, 0, interlace)
    extra = b"".join(chunk(c[:4], c[4:]) for c in chunks)
    body = (
        chunk(b"IHDR", header) + extra + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
    )
    return b"\x89PNG\r\n\x1a\n" + body


def folder_of(
    path: Path, toml: str = PICTURE + SLOT + TEXT, files: dict[str, Image.Image] | None = None
) -> Path:
    """A template of numbered PNG files: sky, hills, frame."""
    path.mkdir(parents=True, exist_ok=True)
    (path / "template.toml").write_text(toml, encoding="utf-8")
    if files is None:
        hills = plain((0, 0, 0, 0))
        hills.paste((30, 140, 60, 255), (0, 60, 80, 100))
        frame = plain((240, 200, 40, 255))
        frame.paste((0, 0, 0, 0), (5, 5, 75, 95))
        files = {"10-sky.png": plain(), "20-hills.png": hills, "30-frame.png": frame}
    for name, image in files.items():
        (path / name).write_bytes(png(image))
    return path


def archive(
    xml: str,
    files: dict[str, bytes] | None = None,
    *,
    mimetype: bytes | None = b"image/openraster",
    packed: bool = False,
) -> bytes:
    """An OpenRaster file, or something that pretends to be one."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as z:
        if mimetype is not None:
            z.writestr("mimetype", mimetype, zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED)
        z.writestr("stack.xml", xml, zipfile.ZIP_DEFLATED)
        for name, data in (files or {}).items():
            z.writestr(name, data, zipfile.ZIP_DEFLATED)
    return out.getvalue()
