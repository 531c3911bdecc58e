"""Pixels out of planes, and the curves, in Triton: `models.color` and `models.transfer` fused.

``exp2(p * log2(x))`` stands for a power: a GPU has instructions for both. ``tl.log2`` is a
polynomial instead, longer than all else in a curve; the instruction is off by 2**-22 at the most
between 0.5 and 2, and by as small a share of the result beyond (PTX ISA, ``lg2.approx``; cited from
memory).
"""

from __future__ import annotations

# ruff: noqa: N803  constants of a kernel in capitals, as Triton writes them
# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
import triton
import triton.language as tl
from triton.language.extra import libdevice

from models.color import LUMA_WEIGHTS, Encoding, Matrix, Siting, levels
from models.transfer import Transfer

CURVES = {Transfer.LINEAR: 0, Transfer.SRGB: 1, Transfer.BT709: 2}
"""How the kernels number the curves."""

_ON_CARD = tl.constexpr(not triton.knobs.runtime.interpret)


def sited_at(encoding: Encoding) -> tuple[bool, bool]:
    """Whether chroma sits on the first luma sample of its pair, across and down."""
    return encoding.siting is not Siting.CENTER, encoding.siting is Siting.TOP_LEFT


def matrix_of(encoding: Encoding) -> tuple[float, float, float, float, float, float, float, float]:
    """Offset and factor of luma and of chroma, then what Cr adds to R', Cb and Cr to G', Cb to B'.

    Args:
        encoding: of the planes.
    """
    y0, y_span, c0, c_span = levels(encoding)
    if encoding.matrix is Matrix.RGB:
        return y0, 1 / y_span, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    kr, kb = LUMA_WEIGHTS[encoding.matrix]
    kg = 1 - kr - kb
    return (
        y0,
        1 / y_span,
        c0,
        1 / c_span,
        2 * (1 - kr),
        -2 * (1 - kb) * kb / kg,
        -2 * (1 - kr) * kr / kg,
        2 * (1 - kb),
    )


@triton.jit
def _log2(x):
    """As the card's own instruction has it; an interpreter has none."""
    if _ON_CARD:
        return libdevice.fast_log2f(x)
    return tl.log2(x)


@triton.jit
def decoded(x, CURVE: tl.constexpr):
    """Encoded values in [0, 1] to linear light."""
    if CURVE == 1:
        high = tl.exp2(2.4 * _log2((x + 0.055) * (1 / 1.055)))
        return tl.where(x <= 0.04045, x * (1 / 12.92), high)
    if CURVE == 2:
        high = tl.exp2((1 / 0.45) * _log2((x + 0.099) * (1 / 1.099)))
        return tl.where(x < 0.081, x * (1 / 4.5), high)
    return x


@triton.jit
def encoded(x):
    """Linear light to sRGB values in [0, 1]."""
    x = tl.minimum(tl.maximum(x, 0.0), 1.0)
    high = tl.exp2((1 / 2.4) * _log2(tl.maximum(x, 1e-6))) * 1.055 - 0.055
    return tl.where(x <= 0.0031308, x * 12.92, high)


@triton.jit
def _pair(at, n, CO_SITED: tl.constexpr):
    """The two samples of a halved axis that a full sample lies between, the second's weight."""
    first = at >> 1
    odd = at & 1
    if CO_SITED:
        second = tl.minimum(first + odd, n - 1)
        share = 0.5
    else:
        second = tl.minimum(tl.maximum(first + 2 * odd - 1, 0), n - 1)
        share = 0.25
    return first, second, share


@triton.jit
def _chroma(
    plane, rows, columns, stride_r, stride_c, high, wide,
    HALF_R: tl.constexpr, HALF_C: tl.constexpr, SITED_R: tl.constexpr, SITED_C: tl.constexpr,
):  # fmt: skip
    """Chroma at luma's places."""
    if HALF_R:
        r0, r1, down = _pair(rows, high, SITED_R)
    else:
        r0 = rows
    if HALF_C:
        c0, c1, across = _pair(columns, wide, SITED_C)
    else:
        c0 = columns
    x = tl.load(plane + r0 * stride_r + c0 * stride_c).to(tl.float32)
    if HALF_C:
        y = tl.load(plane + r0 * stride_r + c1 * stride_c).to(tl.float32)
        x += (y - x) * across
    if HALF_R:
        z = tl.load(plane + r1 * stride_r + c0 * stride_c).to(tl.float32)
        if HALF_C:
            y = tl.load(plane + r1 * stride_r + c1 * stride_c).to(tl.float32)
            z += (y - z) * across
        x += (z - x) * down
    return x


@triton.jit
def shown(
    first, second, third, rows, columns,
    stride_r, stride_c, chroma_r, chroma_c, high, wide, chroma_high, chroma_wide,
    y0, y_by, c0, c_by, cr_red, cb_green, cr_green, cb_blue,
    TURNS: tl.constexpr, RGB: tl.constexpr, HALF_R: tl.constexpr, HALF_C: tl.constexpr,
    SITED_R: tl.constexpr, SITED_C: tl.constexpr, CURVE: tl.constexpr,
):  # fmt: skip
    """Linear red, green and blue at rows and columns of the upright frame."""
    if TURNS == 1:
        r, c = high - 1 - columns, rows
    elif TURNS == 2:
        r, c = high - 1 - rows, wide - 1 - columns
    elif TURNS == 3:
        r, c = columns, wide - 1 - rows
    else:
        r, c = rows, columns
    x = (tl.load(first + r * stride_r + c * stride_c).to(tl.float32) - y0) * y_by
    if RGB:
        at = r * chroma_r + c * chroma_c
        red = x
        green = (tl.load(second + at).to(tl.float32) - y0) * y_by
        blue = (tl.load(third + at).to(tl.float32) - y0) * y_by
    else:
        cb = _chroma(
            second, r, c, chroma_r, chroma_c, chroma_high, chroma_wide,
            HALF_R, HALF_C, SITED_R, SITED_C,
        )  # fmt: skip
        cr = _chroma(
            third, r, c, chroma_r, chroma_c, chroma_high, chroma_wide,
            HALF_R, HALF_C, SITED_R, SITED_C,
        )  # fmt: skip
        cb = (cb - c0) * c_by
        cr = (cr - c0) * c_by
        red = x + cr * cr_red
        green = x + cb * cb_green + cr * cr_green
        blue = x + cb * cb_blue
    red = decoded(tl.minimum(tl.maximum(red, 0.0), 1.0), CURVE)
    green = decoded(tl.minimum(tl.maximum(green, 0.0), 1.0), CURVE)
    blue = decoded(tl.minimum(tl.maximum(blue, 0.0), 1.0), CURVE)
    return red, green, blue
