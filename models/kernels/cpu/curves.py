"""Transfer curves as a straight part and a polynomial: vector code, where powers are slow calls.

Chosen over tables: numba has no vectorised power here, a table costs two gathers a value, and a
polynomial of degree 7 is a fourth of a table's time and nearer to the curve. Over [0, 1] both
directions are off from `models.transfer` by less than 1e-5;
`tests/models/kernels/cpu/test_curves.py` holds that.

The polynomials interpolate the curves at Chebyshev points, where the error is nearly the least
(Trefethen, "Approximation Theory and Approximation Practice", 2013, chapter 16).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.polynomial import Chebyshev
from numpy.typing import NDArray

from models.kernels.cpu.compiled import kernel
from models.transfer import Transfer

Floats = NDArray[np.float32]

_DEGREE = 7


def _made(
    knee: float, slope: float, low: float, curve: Callable[[NDArray[Any]], NDArray[Any]]
) -> Floats:
    """Knee and slope of the straight part, then the polynomial over [low, 1] brought to [-1, 1]."""
    fitted = Chebyshev.interpolate(curve, _DEGREE, [low, 1.0])
    # As powers of the variable that runs from -1 to 1: there they are small, and rounding is, too.
    powers = np.polynomial.chebyshev.cheb2poly(fitted.coef)
    gain = 2 / (1 - low)
    return np.array([knee, slope, gain, -1 - low * gain, *powers], np.float32)


@lru_cache
def decoding(transfer: Transfer) -> Floats:
    """What `decode_line` needs for a curve; as `models.transfer.decode`."""
    if transfer is Transfer.SRGB:
        return _made(0.04045, 1 / 12.92, 0.04045, lambda x: ((x + 0.055) / 1.055) ** 2.4)
    if transfer is Transfer.BT709:
        return _made(0.081, 1 / 4.5, 0.081, lambda x: ((x + 0.099) / 1.099) ** (1 / 0.45))
    return _made(2.0, 1.0, 0.0, lambda x: x)


@lru_cache
def srgb_encoding() -> Floats:
    """What `encode_line` needs; as `models.transfer.encode` for sRGB."""
    # The fourth root is two square roots, and over it the curve is nearly straight.
    low = 0.0031308**0.25
    return _made(0.0031308, 12.92, low, lambda s: 1.055 * s ** (4 / 2.4) - 0.055)


@kernel()
def clamped(x: Any) -> Any:
    """A value brought into [0, 1]."""
    x = x if x > np.float32(0) else np.float32(0)
    return x if x < np.float32(1) else np.float32(1)


@kernel()
def decode_line(c: Floats, line: Floats) -> None:
    """Encoded values to linear light in place; values outside [0, 1] are clamped."""
    # Read before the loop: else each could be what the loop writes, and it stays scalar.
    knee, slope, gain, start = c[0], c[1], c[2], c[3]
    c0, c1, c2, c3, c4, c5, c6, c7 = c[4], c[5], c[6], c[7], c[8], c[9], c[10], c[11]
    for j in range(line.size):
        x = clamped(line[j])
        t = x * gain + start
        high = ((((((c7 * t + c6) * t + c5) * t + c4) * t + c3) * t + c2) * t + c1) * t + c0
        line[j] = x * slope if x < knee else high


@kernel()
def encode_line(c: Floats, line: Floats) -> None:
    """Linear light to sRGB values in place; values outside [0, 1] are clamped."""
    knee, slope, gain, start = c[0], c[1], c[2], c[3]
    c0, c1, c2, c3, c4, c5, c6, c7 = c[4], c[5], c[6], c[7], c[8], c[9], c[10], c[11]
    for j in range(line.size):
        x = clamped(line[j])
        t = np.sqrt(np.sqrt(x)) * gain + start
        high = ((((((c7 * t + c6) * t + c5) * t + c4) * t + c3) * t + c2) * t + c1) * t + c0
        line[j] = x * slope if x <= knee else high
