"""ICC profiles of the tests' own, written tag by tag, and what their numbers mean.

Source: ISO 15076-1 (header; matrix/TRC and lut8 tags; s15Fixed16). Primaries: ITU-R BT.2020,
brought to D50 by the Bradford matrix of the ICC profile format, annex E.
"""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from tests.reference.ciede2000 import D50, Floats, lab

GAMMA = 563 / 256  # as u8Fixed8
BLACK = 0.12
"""sRGB of the darkest that the inks can be: printed black is no black."""
_BRADFORD = np.array(
    [[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]]
)
_D65 = np.array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290])


def _to_d50(primaries: list[tuple[float, float]]) -> Floats:
    """RGB to XYZ under D50, columns R, G, B."""
    xyz = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in primaries]).T
    to_xyz = xyz * np.linalg.solve(xyz, _D65)
    gain = np.diag((_BRADFORD @ D50) / (_BRADFORD @ _D65))
    return np.asarray(np.linalg.inv(_BRADFORD) @ gain @ _BRADFORD @ to_xyz)


SRGB = _to_d50([(0.64, 0.33), (0.30, 0.60), (0.15, 0.06)])
WIDE = _to_d50([(0.708, 0.292), (0.170, 0.797), (0.131, 0.046)])


def srgb_lab(rgb: Floats) -> Floats:
    """sRGB (..., 3) in [0, 1] as L*, a*, b* by IEC 61966-2-1."""
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return lab(linear @ SRGB.T)


def wide_lab(rgb: Floats) -> Floats:
    """Colours of `wide` (..., 3) in [0, 1] as L*, a*, b*."""
    return lab(rgb**GAMMA @ WIDE.T)


def _fixed(*values: float) -> bytes:
    return struct.pack(f">{len(values)}i", *(round(v * 65536) for v in values))


def _xyz(values: Floats) -> bytes:
    return b"XYZ \0\0\0\0" + _fixed(*values)


def _words(kind: bytes) -> bytes:
    text = b"of the tests\0"
    if kind == b"cprt":
        return b"text\0\0\0\0" + text
    return b"desc\0\0\0\0" + struct.pack(">I", len(text)) + text + b"\0" * (8 + 3 + 67)


def _whole(kind: bytes, space: bytes, pcs: bytes, tags: dict[bytes, bytes]) -> bytes:
    tags = {b"desc": _words(b"desc"), b"cprt": _words(b"cprt"), b"wtpt": _xyz(D50), **tags}
    at = 128 + 4 + 12 * len(tags)
    table, body, seen = struct.pack(">I", len(tags)), b"", dict[bytes, int]()
    for name, data in tags.items():
        padded = data + b"\0" * (-len(data) % 4)
        if data not in seen:
            seen[data] = at + len(body)
            body += padded
        table += name + struct.pack(">II", seen[data], len(data))
    size = at + len(body)
    head = struct.pack(">I4sI4s4s4s", size, b"\0\0\0\0", 0x02400000, kind, space, pcs)
    head += struct.pack(">6H", 2026, 1, 1, 0, 0, 0) + b"acsp" + b"\0" * 28
    head += _fixed(*D50)
    return head + b"\0" * (128 - len(head)) + table + body


def wide() -> bytes:
    """An RGB profile of a matrix and one gamma."""
    gamma = b"curv\0\0\0\0" + struct.pack(">IH", 1, round(GAMMA * 256)) + b"\0\0"
    tags = {f"{c}XYZ".encode(): _xyz(WIDE[:, i]) for i, c in enumerate("rgb")}
    tags |= {f"{c}TRC".encode(): gamma for c in "rgb"}
    return _whole(b"mntr", b"RGB ", b"XYZ ", tags)


def ink_rgb(inks: Floats) -> Floats:
    """What the inks of `inks` (..., 4) look like, as sRGB: each lets through what is left."""
    return np.asarray(BLACK + (1 - BLACK) * (1 - inks[..., 0:3]) * (1 - inks[..., 3:4]))


def _lab_rgb(values: Floats) -> Floats:
    """L*, a*, b* as sRGB, kept inside [0, 1]."""
    fy = (values[..., 0] + 16) / 116
    f = np.stack([fy + values[..., 1] / 500, fy, fy - values[..., 2] / 200], -1)
    xyz = np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29)) * D50
    linear = np.clip(xyz @ np.linalg.inv(SRGB).T, 0, 1)
    curve = 1.055 * linear ** (1 / 2.4) - 0.055
    return np.asarray(np.where(linear <= 0.0031308, linear * 12.92, curve), np.float64)


def _grid(points: int, channels: int) -> Floats:
    axis = np.linspace(0, 1, points)
    return np.stack(np.meshgrid(*[axis] * channels, indexing="ij"), -1).reshape(-1, channels)


def _lut8(points: int, inputs: int, table: Floats) -> bytes:
    outputs = table.shape[1]
    ramp = bytes(range(256))
    codes: NDArray[np.uint8] = np.clip(np.round(table * 255), 0, 255).astype(np.uint8)
    head = b"mft1\0\0\0\0" + struct.pack(">4B", inputs, outputs, points, 0)
    head += _fixed(*np.eye(3).ravel().tolist())
    done: bytes = head + ramp * inputs + codes.tobytes() + ramp * outputs
    return done


def _as_codes(values: Floats) -> Floats:
    """L*, a*, b* as lut8 keeps them: (0..100, -128..127)."""
    return np.asarray((values + np.array([0, 128, 128])) / np.array([100, 255, 255]))


def inks() -> bytes:
    """A CMYK profile: cyan, magenta and yellow with their common part as black."""
    asked = _grid(17, 3) * np.array([100, 255, 255]) - np.array([0, 128, 128])
    cmy = 1 - np.clip((_lab_rgb(asked) - BLACK) / (1 - BLACK), 0, 1)
    black = cmy.min(1, keepdims=True)
    to_inks = np.hstack([(cmy - black) / np.maximum(1 - black, 1e-9), black])
    back = _as_codes(srgb_lab(ink_rgb(_grid(7, 4))))
    to = _lut8(17, 3, to_inks)
    tags = {f"B2A{i}".encode(): to for i in range(3)}
    tags |= {f"A2B{i}".encode(): _lut8(7, 4, back) for i in range(3)}
    return _whole(b"prtr", b"CMYK", b"Lab ", tags)
