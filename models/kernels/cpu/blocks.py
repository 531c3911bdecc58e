"""What is done to blocks of pixels of a live frame: estimated, unmixed, despilled, premultiplied.

The same arithmetic as `models.estimator` and `models.despill`. A block holds value by value, so
that loops over it are vector code.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.color import LUMA_WEIGHTS, Matrix
from models.kernels.cpu.compiled import kernel
from models.kernels.cpu.curves import clamped

Floats = NDArray[np.float32]

_KEY_FLOOR = np.float32(0.005)
_KR, _KB = (np.float32(w) for w in LUMA_WEIGHTS[Matrix.BT709])
_KG = np.float32(1) - _KR - _KB
_ONE, _ZERO, _HALF = np.float32(1), np.float32(0), np.float32(0.5)
_THOUSANDTH = np.float32(1e-3)
_TRUST, _TINY = np.float32(0.05), np.float32(1e-6)


@kernel()
def _perceive(told: Floats, hidden: Floats, first: Floats, second: Floats, last: Floats,
              alpha: Floats) -> None:  # fmt: skip
    """The perceptron over a block; ``hidden`` holds what the fields gave to the first layer."""
    for j in range(24):
        for i in range(64):
            s = hidden[j, i]
            for k in range(22):
                s += first[j, k] * told[k, i]
            hidden[j, i] = s if s > _ZERO else _ZERO
    for i in range(64):
        alpha[i] = last[24]
    for j in range(24):
        bias, out = second[j, 24], last[j]
        for i in range(64):
            s = bias
            for k in range(24):
                s += second[j, k] * hidden[k, i]
            alpha[i] += out * (s if s > _ZERO else _ZERO)


@kernel()
def _describe(told: Floats, keys: Floats) -> None:
    """What was read of the pixels of a block, relative to the screen, as roots."""
    for i in range(64):
        x = keys[i] if keys[i] > _KEY_FLOOR else _KEY_FLOOR
        keys[i] = _ONE / x
        x = x if x < np.float32(2) else np.float32(2)
        told[3, i] = np.sqrt(x)
    for k in range(22):
        if k < 3 or k > 12:
            for i in range(64):
                x = told[k, i] * keys[i]
                x = x if x > _ZERO else _ZERO
                x = x if x < np.float32(6) else np.float32(6)
                told[k, i] = np.sqrt(x)
        elif k > 3:
            for i in range(64):
                x = told[k, i]
                x = x if x > np.float32(-0.3) else np.float32(-0.3)
                told[k, i] = x if x < np.float32(1.3) else np.float32(1.3)


@kernel()
def _unmix(alpha: Floats, own: Floats, back: Floats, front: Floats, levels: Floats) -> None:
    """Black and white point, then the foreground's straight colour in place of the pixel's own."""
    black, gain = levels[0], levels[1]
    for i in range(64):
        alpha[i] = clamped((clamped(alpha[i]) - black) * gain)
    for c in range(3):
        for i in range(64):
            a = alpha[i]
            clear = _ONE - a
            doubt = _TRUST * clear
            total = a * a + doubt
            total = total if total > _TINY else _TINY
            x = (a * (own[c, i] - clear * back[c, i]) + doubt * front[c, i]) / total
            own[c, i] = x if x > _ZERO else _ZERO


@kernel()
def _excess(key: Floats, first: Floats, other: Floats, lift: Floats, out: Floats) -> None:
    """How far the screen's channel stands above its limit."""
    for i in range(64):
        a, b = first[i], other[i]
        most, limit = (a if a > b else b), (a + b) * lift[i]
        out[i] = key[i] - (most if most < limit else limit)


@kernel()
def _exchange(own: Floats, back: Floats, share: Floats, grey: Floats, alpha: Floats) -> None:
    for i in range(64):
        own[i] = clamped(own[i] + share[i] * (grey[i] - back[i])) * alpha[i]


@kernel()
def despill(alpha: Floats, own: Floats, back: Floats, own_key: Floats, key: int,
             levels: Floats, work: Floats) -> None:  # fmt: skip
    """Exchange the screen's light for neutral light and premultiply, in place."""
    # Few arrays in each loop: what could overlap is checked first, and many are not checked at all.
    amount, given_back = levels[2], levels[3]
    lift, over, under, grey = work[0], work[1], work[2], work[3]
    for i in range(64):
        t = clamped((own_key[i] - np.float32(0.02)) * np.float32(10))
        lift[i] = own_key[i] * (t * t * (np.float32(3) - np.float32(2) * t)) + _HALF
    _excess(own[key], own[0], own[3 - key], lift, over)
    _excess(back[key], back[0], back[3 - key], lift, under)
    for i in range(64):
        most = under[i] if under[i] > _THOUSANDTH else _THOUSANDTH
        over[i] = clamped(over[i] / most) * amount
    for i in range(64):
        grey[i] = (_KR * back[0, i] + _KG * back[1, i] + _KB * back[2, i]) * given_back
    for c in range(3):
        _exchange(own[c], back[c], over, grey, alpha)


@kernel()
def put(count: int, place: Any, alpha: Floats, own: Floats, out: Floats) -> None:
    for i in range(count):
        r, j = place[0, i], place[1, i]
        out[r, j, 0] = own[0, i]
        out[r, j, 1] = own[1, i]
        out[r, j, 2] = own[2, i]
        out[r, j, 3] = alpha[i]


@kernel()
def estimate(count: int, told: Floats, keys: Floats, hidden: Floats, alpha: Floats, own: Floats,
              back: Floats, front: Floats, own_key: Floats, key: int, levels: Floats,
              first: Floats, second: Floats, last: Floats, place: Any,
              out: Floats, work: Floats) -> None:  # fmt: skip
    """Everything that is done to a block of pixels asked about."""
    _describe(told, keys)
    _perceive(told, hidden, first, second, last, alpha)
    _unmix(alpha, own, back, front, levels)
    despill(alpha, own, back, own_key, key, levels, work)
    put(count, place, alpha, own, out)
