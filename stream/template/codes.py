"""The [[code]] parts of template.toml: QR codes, and how one lies in its box.

The symbol is ISO/IEC 18004's, made by segno. A module is a whole number of pixels of the print and
its edges are never softened; at other sizes (the preview, another paper) the edges go to the
nearest pixel.
"""

from __future__ import annotations

import functools
import math
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

import numpy as np
import segno
import torch
from segno.encoder import DataOverflowError

from models.color import luminance
from models.flatten import Ink
from models.transfer import Transfer, decode
from stream.template.reading import Box, Reader
from stream.template.wording import columns_of, one_line, put_in, read_box, read_value

QUIET_ZONE = 4
"""Modules of bare background around a symbol: ISO/IEC 18004 asks for four."""

# Common practice: below a third of a millimetre telephones begin to fail.
LEAST_MODULE_MM = 0.33
# ISO/IEC 15415 (its table of symbol contrast, from memory): grade C is a difference of reflectance
# of 40 %, and what readers are expected to manage.
LEAST_CONTRAST = 0.40

_DIGITS = re.compile("[0-9]+")
_CAPITALS = re.compile(r"[0-9A-Z $%*+\-./:]+")
_URL = re.compile(r"https?://", re.IGNORECASE)
# What RFC 3986 allows in an address; all else is percent-encoded, as RFC 3987, section 3.1, says.
_URL_LETTERS = "%:/?#[]@!$&'()*+,;=-._~"


@dataclass(frozen=True)
class Code:
    """A QR code in a box.

    Attributes:
        value: what it says, roster columns in braces.
        above: name of the layer or group that it stands on.
        box: x, y, width, height in canvas pixels; the code is as large as it allows.
        color: of the dark modules, sRGB in [0, 1].
        background: under them and the quiet zone, sRGB in [0, 1]; None: what lies below.
        quiet: modules of bare background on each side.
        correction: the least error correction: "L", "M", "Q" or "H".
    """

    value: str
    above: str
    box: Box
    color: tuple[float, float, float] = (0.0, 0.0, 0.0)
    background: tuple[float, float, float] | None = (1.0, 1.0, 1.0)
    quiet: int = QUIET_ZONE
    correction: str = "M"

    @property
    def columns(self) -> tuple[str, ...]:
        """The roster columns that it shows."""
        return columns_of(self.value)

    @property
    def label(self) -> str:
        """How a person finds it in template.toml."""
        return f'[[code]] "{self.said}"'

    @property
    def said(self) -> str:
        """Its value on one line, for messages."""
        return one_line(self.value)


@dataclass(frozen=True)
class CodeSetting:
    """How a code lies in its box.

    Attributes:
        value: what it says; empty where nothing is drawn.
        count: modules across, without the quiet zone.
        x: of the first module's left edge, in canvas pixels.
        y: of its top edge.
        module: (height, width) of a module in canvas pixels.
        warnings: what a person should look at, a sentence each.
    """

    value: str = ""
    count: int = 0
    x: float = 0.0
    y: float = 0.0
    module: tuple[float, float] = (0.0, 0.0)
    warnings: tuple[str, ...] = ()


def read_code(table: dict[str, Any], where: str, problems: list[str]) -> Code | None:
    r = Reader(table, where, problems)
    value, above = read_value(r), r.text("above")
    box = read_box(r)
    color = r.color("color", "#000000")
    background = None
    if r.table.get("background") == "none":
        r.known.append("background")
    else:
        background = r.color("background", "#ffffff")
    quiet = r.count("quiet", QUIET_ZONE, low=0, high=20)
    correction = r.choice("correction", ("L", "M", "Q", "H"), "M")
    if not r.close() or box is None:
        return None
    return Code(value, above, box, color, background, quiet, correction)


def _reflectance(color: tuple[float, float, float]) -> float:
    rgb_enc = torch.tensor(color, dtype=torch.float32).view(1, 3, 1)
    return float(luminance(decode(rgb_enc, Transfer.SRGB)))


def code_notes(code: Code) -> tuple[str, ...]:
    """What a designer should look at in a code, whatever it says."""
    out = []
    light = _reflectance(code.background or (1.0, 1.0, 1.0))
    dark = _reflectance(code.color)
    if code.background is None:
        out.append(
            f"{code.label} has no background of its own; see that what lies below it is light and "
            "plain, or telephones cannot read it"
        )
    if dark > light:
        out.append(
            f"{code.label} is lighter than its background, which many telephones cannot read; "
            "exchange color and background"
        )
    elif light - dark < LEAST_CONTRAST:
        out.append(
            f"color and background of {code.label} differ by {light - dark:.0%} of white; "
            f"telephones need {LEAST_CONTRAST:.0%}, so make one darker or the other lighter"
        )
    if code.quiet < QUIET_ZONE:
        out.append(
            f"{code.label} has a quiet zone of {code.quiet} modules; the standard asks for "
            f"{QUIET_ZONE}"
        )
    return tuple(out)


def _plain(words: str) -> str:
    return "".join(c for c in words if unicodedata.category(c) not in ("Cc", "Cs"))


def fill_code(code: Code, fields: Mapping[str, str]) -> str:
    """What a code says for a person; empty where a column that it needs is empty.

    Control characters are left out, but for the line breaks of the template's own words: a card
    of an address book has several lines (RFC 6350, section 3.2). A web address is written as
    addresses are: letters that they do not allow are percent-encoded.
    """
    if any(not str(fields.get(column, "")).strip() for column in code.columns):
        return ""
    stripped = {column: _plain(str(fields[column])).strip() for column in code.columns}
    lines = (put_in(_plain(line), stripped) for line in code.value.strip().splitlines())
    value = "\n".join(lines).strip()
    return quote(value, safe=_URL_LETTERS) if _URL.match(value) else value


def _mode(value: str) -> str:
    """How a symbol holds a value: ISO/IEC 18004, the modes that any reader knows."""
    if _DIGITS.fullmatch(value):
        return "numeric"
    return "alphanumeric" if _CAPITALS.fullmatch(value) else "byte"


@functools.lru_cache(maxsize=64)
def _symbol(value: str, mode: str, correction: str) -> tuple[tuple[bool, ...], ...]:
    # Most readers take bytes for UTF-8, whatever the standard's own first choice is.
    encoding = "utf-8" if mode == "byte" else None
    made = segno.make_qr(value, error=correction, mode=mode, encoding=encoding)
    return tuple(tuple(bool(v) for v in row) for row in made.matrix)


@functools.lru_cache(maxsize=4096)
def _modules_across(mode: str, length: int, correction: str) -> int:
    """How many modules wide a symbol is, which its mode and length decide; 0: none is so large."""
    letter = {"numeric": "1", "alphanumeric": "A", "byte": "a"}[mode]
    try:
        return len(_symbol(letter * length, mode, correction))
    except DataOverflowError:
        return 0


def set_code(
    code: Code, fields: Mapping[str, str], scale: tuple[float, float], ppi: float
) -> CodeSetting:
    """Make a person's code and lay it into its box.

    Args:
        code: where and how.
        fields: roster columns of the person, by name; none where nobody was chosen.
        scale: pixels of the print per canvas pixel, down and across.
        ppi: of the print.
    """
    value = fill_code(code, fields)
    if not value:
        empty = [c for c in code.columns if not str(fields.get(c, "")).strip()]
        named = " and ".join(f'"{c}"' for c in empty)
        told = f"{code.label} is left out, because the roster's {named} is empty for this person"
        # As with names, a picture of nobody in particular is left without.
        return CodeSetting(warnings=(told,) if fields else ())
    across = _modules_across(_mode(value), len(value.encode()), code.correction)
    if not across:
        told = (
            f"{code.label} is left out, because its {len(value)} letters are more than a code "
            "holds; shorten it, or choose a lower correction"
        )
        return CodeSetting(warnings=(told,))
    sy, sx = scale
    x, y, w, h = code.box
    count = across + 2 * code.quiet
    px = math.floor(min(w * sx, h * sy) / count + 1e-6)
    if px < 1:
        told = (
            f"{code.label} is left out, because its {count} modules do not fit a box of "
            f"{min(w * sx, h * sy):.0f} pixels in print; make the box larger or the words shorter"
        )
        return CodeSetting(warnings=(told,))
    warnings = []
    if (mm := px / ppi * 25.4) < LEAST_MODULE_MM:
        warnings.append(
            f"a module of {code.label} is {mm:.2f} mm in print; telephones need "
            f"{LEAST_MODULE_MM} mm, so make the box larger or what it says shorter"
        )
    left = math.floor(x * sx + (w * sx - count * px) / 2 + code.quiet * px + 1e-6)
    top = math.floor(y * sy + (h * sy - count * px) / 2 + code.quiet * px + 1e-6)
    return CodeSetting(value, across, left / sx, top / sy, (px / sy, px / sx), tuple(warnings))


def draw_code(code: Code, setting: CodeSetting, scale: tuple[float, float]) -> tuple[Ink, ...]:
    """Draw a code at the size of the picture.

    Args:
        code: where and how.
        setting: from `set_code`.
        scale: picture pixels per canvas pixel, down and across.

    Returns:
        Background and dark modules, lowest first.
    """
    if not setting.value:
        return ()
    sy, sx = scale
    count = setting.count
    grid = np.arange(-code.quiet, count + code.quiet + 1)
    # Whole pixels: in print exactly so, since the edges were put there.
    across = np.rint((setting.x + grid * setting.module[1]) * sx).astype(int)
    down = np.rint((setting.y + grid * setting.module[0]) * sy).astype(int)
    q, end = code.quiet, code.quiet + count
    symbol = _symbol(setting.value, _mode(setting.value), code.correction)
    dark = np.array(symbol, dtype=np.uint8) * 255
    mask = np.repeat(
        np.repeat(dark, np.diff(down[q : end + 1]), 0), np.diff(across[q : end + 1]), 1
    )
    out = []
    if code.background is not None:
        plain = torch.full((int(down[-1] - down[0]), int(across[-1] - across[0])), 255)
        out.append(Ink(plain.to(torch.uint8), code.background, int(across[0]), int(down[0])))
    out.append(Ink(torch.from_numpy(mask), code.color, int(across[q]), int(down[q])))
    return tuple(out)
