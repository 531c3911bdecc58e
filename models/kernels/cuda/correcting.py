# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator,misc"
"""The live matte corrected by the edge network: before it a kernel, and one after it.

As `models.corrector.Corrector` for whole frames in the live grade. What is asked about is a mask,
so that all of it has the same shape for every frame and becomes part of the frame's CUDA graph.
"""

from __future__ import annotations

import torch
import triton
import triton.language as tl
from torch import Tensor

from models.basis import ASKED, BACK, CHANNELS, NOISE
from models.correction import SCREEN_LIKE, TRUST_RAMP, UNLIKE, answered
from models.despill import GIVEN_BACK
from models.estimator import AROUND, Estimator
from models.kernels.cuda.analysis_buffers import up
from models.kernels.cuda.analysis_context import ratio
from models.kernels.cuda.analysis_screen import colours, difference, split
from models.kernels.cuda.analysis_subject import luminance, step
from models.kernels.cuda.fields import (
    AROUND_AT,
    CORRECTION,
    FRONT,
    HOLD_OUT,
    NEAR,
    OWN_KEY,
    SHAPES,
    SOLID,
    Fields,
)
from models.kernels.cuda.finishing import despilled, unmixed
from models.kernels.cuda.neighbourhood import clamped, enlarged, flat_places, kernel
from models.kernels.cuda.network import (
    beside,
    bounded,
    first_layer,
    perceptron,
    weighed,
    weights_of,
)
from models.refine import AFTER, ALONE, STRIDE, Refiner

_NEAR, _SOLID, _HOLD_OUT = tl.constexpr(NEAR), tl.constexpr(SOLID), tl.constexpr(HOLD_OUT)
_FRONT, _OWN_KEY = tl.constexpr(FRONT), tl.constexpr(OWN_KEY)
_AROUND_AT, _AROUND = tl.constexpr(AROUND_AT), tl.constexpr(AROUND)
_CORRECTION, _SHAPES = tl.constexpr(CORRECTION), tl.constexpr(SHAPES)
_CORE = tl.constexpr(CORRECTION - 1)
_CHANNELS, _GIVEN_BACK = tl.constexpr(CHANNELS), tl.constexpr(GIVEN_BACK)
_ASKED, _TRUST_RAMP = tl.constexpr(ASKED), tl.constexpr(TRUST_RAMP)
_AFTER, _ALONE = tl.constexpr(AFTER), tl.constexpr(ALONE)
_BACK, _NOISE = tl.constexpr(BACK.start), tl.constexpr(NOISE)
_SCREEN_LIKE, _UNLIKE = tl.constexpr(SCREEN_LIKE), tl.constexpr(UNLIKE)


@triton.jit
def _seen(small, fields, place, n, hue):
    """A pixel's normalised difference, not clamped, and its luminance."""
    red, green, blue = colours(small, n, place)
    back_r, back_g, back_b = colours(fields, n, place)
    full = tl.maximum(difference(back_r, back_g, back_b, hue), 1e-3)
    rough = 1 - difference(red, green, blue, hue) / full
    rough *= 1 - tl.load(fields + _HOLD_OUT * n + place)
    return rough, luminance(red, green, blue)


@triton.jit
def _beside_it(small, fields, place, n, hue, by):
    """What the perceptron is told of a pixel's neighbour, as `network.alpha_of` has it."""
    rough, light = _seen(small, fields, place, n, hue)
    rough = tl.minimum(tl.maximum(rough, -0.3), 1.3).to(tl.float16)
    return rough, bounded(tl.sqrt(tl.maximum(light, 0.0)), by)


@triton.jit
def _found(small, fields, shapes, noise, looked_up, bias, pixel, second, rest, y, x, hue, key,
           h, w, shapes_h, shapes_w, block: tl.constexpr):  # fmt: skip
    """Alpha by the live network, `Estimator.estimate`, at each place."""
    n, e = h * w, y * w + x
    column = tl.arange(0, 32)
    row = tl.load(bias + column)
    row += noise * tl.load(looked_up + (_AROUND + _SHAPES) * 32 + column)
    total = first_layer(fields + _AROUND_AT * n, looked_up, e, n, row, _AROUND, block)
    used = (y >= 0)[:, None] & (column < _SHAPES)[None, :]
    taken = shapes + column[None, :] * (shapes_h * shapes_w)
    shape = enlarged(taken, y[:, None], x[:, None], shapes_h, shapes_w, h, w, used)
    total = weighed(shape, looked_up + _AROUND * 32, total, _SHAPES)
    by = tl.rsqrt(key)
    upper, same, lower = clamped(y - 1, h) * w, y * w, clamped(y + 1, h) * w
    left, right = clamped(x - 1, w), clamped(x + 1, w)
    r0, l0 = _beside_it(small, fields, upper + left, n, hue, by)
    r1, l1 = _beside_it(small, fields, upper + x, n, hue, by)
    r2, l2 = _beside_it(small, fields, upper + right, n, hue, by)
    r3, l3 = _beside_it(small, fields, same + left, n, hue, by)
    r4, l4 = _beside_it(small, fields, e, n, hue, by)
    r5, l5 = _beside_it(small, fields, same + right, n, hue, by)
    r6, l6 = _beside_it(small, fields, lower + left, n, hue, by)
    r7, l7 = _beside_it(small, fields, lower + x, n, hue, by)
    r8, l8 = _beside_it(small, fields, lower + right, n, hue, by)
    red, green, blue = colours(small, n, e)
    red, green, blue = ratio(red, key), ratio(green, key), ratio(blue, key)
    red, green, blue = red.to(tl.float16), green.to(tl.float16), blue.to(tl.float16)
    zero = tl.zeros((block,), tl.float16)
    root = tl.sqrt(tl.minimum(key, 2.0)).to(tl.float16)
    near = beside(
        r0, r1, r2, r3, r4, r5, r6, r7, r8, red, blue, zero, root, zero, zero, zero, block
    )
    light = beside(
        l0, l1, l2, l3, l4, l5, l6, l7, l8, green, zero, zero, zero, zero, zero, zero, block
    )
    return perceptron(near, light, total, pixel + (hue - 1) * 1024, second, rest, block)


@triton.jit
def _dot(a, b, c, d, e, f):
    return a * d + b * e + c * f


@triton.jit
def _projected(red, green, blue, back_r, back_g, back_b, front_r, front_g, front_b, alpha):
    """`matte._project`."""
    clear = 1 - alpha
    spill = 0.1 + 0.3 * clear
    lit_r, lit_g, lit_b = (
        front_r + spill * back_r,
        front_g + spill * back_g,
        front_b + spill * back_b,
    )
    line_r, line_g, line_b = lit_r - back_r, lit_g - back_g, lit_b - back_b
    base = (alpha * 0.03) * (alpha * 0.03) + 0.004 * 0.004
    bright = alpha * 0.6
    level, spread = clear * 0.03, alpha * 0.05
    level = tl.sqrt(level * level + spread * spread)
    u_r, u_g, u_b = lit_r * bright, lit_g * bright, lit_b * bright
    v_r, v_g, v_b = back_r * level, back_g * level, back_b * level
    uu = base + _dot(u_r, u_g, u_b, u_r, u_g, u_b)
    vv = base + _dot(v_r, v_g, v_b, v_r, v_g, v_b)
    uv = _dot(u_r, u_g, u_b, v_r, v_g, v_b)
    ul = _dot(u_r, u_g, u_b, line_r, line_g, line_b)
    vl = _dot(v_r, v_g, v_b, line_r, line_g, line_b)
    scale = 1 / (uu * vv - uv * uv)
    by_u, by_v = (vv * ul - uv * vl) * scale, (uu * vl - uv * ul) * scale
    way_r = line_r - u_r * by_u - v_r * by_v
    way_g = line_g - u_g * by_u - v_g * by_v
    way_b = line_b - u_b * by_u - v_b * by_v
    found = _dot(way_r, way_g, way_b, red - back_r, green - back_g, blue - back_b)
    found /= tl.maximum(_dot(way_r, way_g, way_b, line_r, line_g, line_b), 1e-9)
    return tl.minimum(tl.maximum(found, 0.0), 1.0)


@kernel
def make_basis(small, fields, shapes, told, looked_up, bias, pixel, second, rest, basis, h, w,
               pooled_h, pooled_w, height, width, factor, block: tl.constexpr):  # fmt: skip
    """What the edge network sees, channels last: `basis.basis_of`.

    One pixel of the fields stands for ``factor`` each way of the frame's, whose noise is told: so
    much less is left in them. They are ``h`` by ``w``, the shapes ``pooled_h`` by ``pooled_w``;
    their last row and column are repeated up to ``height`` and ``width``.
    """
    at, y, x, inside = flat_places(tl.program_id(0), height, width, block)
    y, x = tl.minimum(y, h - 1), tl.minimum(x, w - 1)
    n, e = h * w, y * w + x
    hue = tl.load(told + 2).to(tl.int32)
    red, green, blue = colours(small, n, e)
    back_r, back_g, back_b = colours(fields, n, e)
    front_r, front_g, front_b = colours(fields + _FRONT * n, n, e)
    back_key, back_other = split(back_r, back_g, back_b, hue)
    key = tl.maximum(back_key, 0.005)
    rough, _ = _seen(small, fields, e, n, hue)
    solid = (tl.load(fields + _SOLID * n + e) > 0.99) & (rough > 0.5)
    asked = (tl.load(fields + _NEAR * n + e) > 0) & (solid == 0)
    own_key, core = tl.load(fields + _OWN_KEY * n + e), tl.load(fields + _CORE * n + e)
    solid = solid.to(tl.float32)
    # The small network's word, and the two colours': `matte.plain`.
    noise = tl.load(told) / factor
    own = _found(small, fields, shapes, noise, looked_up, bias, pixel, second, rest, y, x, hue, key,
                 h, w, pooled_h, pooled_w, block)  # fmt: skip
    first = tl.minimum(tl.maximum(rough, 0.0), 1.0)
    plain = _projected(red, green, blue, back_r, back_g, back_b, front_r, front_g, front_b, first)
    plain = _projected(red, green, blue, back_r, back_g, back_b, front_r, front_g, front_b, plain)
    forced = step(core, 0.2, 0.9) * tl.minimum(tl.maximum((rough - 0.1) * 5, 0.0), 1.0)
    plain = tl.maximum(plain, forced)
    fg_r = tl.where(asked, unmixed(red, own, back_r, front_r), red)
    fg_g = tl.where(asked, unmixed(green, own, back_g, front_g), green)
    fg_b = tl.where(asked, unmixed(blue, own, back_b, front_b), blue)
    fg_r, fg_g, fg_b = despilled(
        fg_r, fg_g, fg_b, back_r, back_g, back_b, own_key, hue == 1, 1.0, _GIVEN_BACK
    )
    rough = tl.minimum(tl.maximum(rough, -0.3), 1.3)
    out = basis + at * _CHANNELS
    shown_key, shown_other = split(red, green, blue, hue)
    tl.store(out, ratio(shown_key, key), mask=inside)
    tl.store(out + 1, ratio(red, key), mask=inside)
    tl.store(out + 2, ratio(shown_other, key), mask=inside)
    tl.store(out + 3, tl.where(asked, own, solid), mask=inside)
    tl.store(out + 4, tl.where(asked, plain, solid), mask=inside)
    tl.store(out + 5, asked.to(tl.float32), mask=inside)
    tl.store(out + 6, tl.where(asked, rough, solid), mask=inside)
    fg_key, fg_other = split(fg_r, fg_g, fg_b, hue)
    tl.store(out + 7, ratio(fg_key, key), mask=inside)
    tl.store(out + 8, ratio(fg_r, key), mask=inside)
    tl.store(out + 9, ratio(fg_other, key), mask=inside)
    tl.store(out + 10, ratio(back_r, key), mask=inside)
    tl.store(out + 11, ratio(back_other, key), mask=inside)
    tl.store(out + 12, tl.sqrt(tl.minimum(key, 2.0)), mask=inside)
    front_key, front_other = split(front_r, front_g, front_b, hue)
    tl.store(out + 13, ratio(front_key, key), mask=inside)
    tl.store(out + 14, ratio(front_r, key), mask=inside)
    tl.store(out + 15, ratio(front_other, key), mask=inside)
    tl.store(out + 16, own_key, mask=inside)
    tl.store(out + 17, core, mask=inside)
    tl.store(out + 18, key * 0 + noise, mask=inside)


@kernel
def trust_said(said, basis, fields, told, h, w, width, stride_c, stride_r, stride_x,
               block: tl.constexpr):  # fmt: skip
    """What is added to alpha, as far as it is trusted; nothing where no screen was found."""
    e, y, x, inside = flat_places(tl.program_id(0), h, w, block)
    at = said + y * stride_r + x * stride_x
    after = tl.load(at + _AFTER * stride_c, mask=inside, other=1.0)
    before = tl.load(at + _ALONE * stride_c, mask=inside, other=0.0)
    more = tl.load(at, mask=inside, other=0.0)
    trust = 1 - step(after - before, 0.0, _TRUST_RAMP)
    seen = basis + (y * width + x) * _CHANNELS
    trust *= tl.load(seen + _ASKED, mask=inside, other=0.0)
    more *= trust
    # `correction.unlike_screen`
    off = tl.abs(tl.load(seen, mask=inside, other=1.0) - 1)
    for i in tl.static_range(2):
        shown = tl.load(seen + 1 + i, mask=inside, other=0.0)
        off = tl.maximum(off, tl.abs(shown - tl.load(seen + _BACK + i, mask=inside, other=0.0)))
    unlike = step(off - tl.load(seen + _NOISE, mask=inside, other=0.0), _SCREEN_LIKE, _UNLIKE)
    more = tl.where(more > 0, more * unlike, more)
    more = tl.where(tl.load(told + 1) > 0, more, 0.0)
    tl.store(fields + _CORRECTION * h * w + e, more, mask=inside)


class Correcting:
    """Writes the correction of alpha into the fields of frames of one size.

    Attributes:
        basis: (1, 19, H, W) float32, channels last: what the edge network saw last, as
            `models.basis.Basis` has it, brought to multiples of its stride.

    Args:
        network: the live network.
        refiner: the edge network, on the same device.
        small: (3, h, w) float32, linear Rec.709, where the frame at analysis size lies.
        factor: pixels of the frame for one of those, each way.
    """

    def __init__(self, network: Estimator, refiner: Refiner, small: Tensor, factor: int) -> None:
        weights = weights_of(network)
        assert weights is not None  # the engine's `covers` was asked
        self._refiner, self._small, self._factor = refiner, small, factor
        self._weights = (
            weights.looked_up, weights.bias, weights.pixel, weights.second, weights.rest
        )  # fmt: skip
        self._h, self._w = small.shape[-2:]
        self._height, self._width = (up(n, STRIDE) * STRIDE for n in (self._h, self._w))
        # Every 1024 are whole programs, and the interpreter is quickest with few.
        self._block = 64 if small.is_cuda else 1024
        self.basis = torch.zeros(
            1, CHANNELS, self._height, self._width, device=small.device
        ).contiguous(memory_format=torch.channels_last)

    def __call__(self, out: Fields) -> None:
        """Start all of it on torch's current stream, after the frame's analysis.

        Args:
            out: what the analysis filled; the correction is written.
        """
        make_basis[(self._height * self._width // self._block,)](
            self._small, out.fields, out.shapes, out.told, *self._weights, self.basis,
            self._h, self._w, *out.shapes.shape[-2:], self._height, self._width, self._factor,
            block=self._block, num_warps=4, num_stages=1,
        )  # fmt: skip
        said = answered(self.basis, self._refiner)
        trust_said[(up(self._h * self._w, self._block),)](
            said, self.basis, out.fields, out.told, self._h, self._w, self._width,
            *said.stride()[1:], block=self._block, num_warps=2,
        )  # fmt: skip
