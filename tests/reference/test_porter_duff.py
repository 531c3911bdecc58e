"""Porter and Duff, *Compositing Digital Images*, SIGGRAPH 1984; and Pillow's over beside it."""

from __future__ import annotations

import numpy as np
import pytest
import torch
from PIL import Image

from models.composite import Mode, blend_layer, composite_pm, over
from models.errors import ShapeError
from models.transfer import Transfer, encode


def pixel(*values: float) -> torch.Tensor:
    return torch.tensor(values).view(1, -1, 1, 1)


def test_over_is_source_plus_what_it_leaves_of_the_backdrop() -> None:
    # Co = Cs + (1 - as) Cb: premultiplied (.24, .12, .08) at .4 over (.1, .7, .2)
    # is .24 + .06, .12 + .42, .08 + .12 (computed from the paper's operator).
    out = over(pixel(0.24, 0.12, 0.08), pixel(0.4), pixel(0.1, 0.7, 0.2))
    torch.testing.assert_close(out, pixel(0.30, 0.54, 0.20))


def test_half_white_over_black_in_linear_light_is_code_188() -> None:
    # IEC 61966-2-1: linear .5 is code 188, where a mix of encoded values would give 128.
    out = over(pixel(0.5, 0.5, 0.5), pixel(0.5), pixel(0.0, 0.0, 0.0))
    assert encode(out, Transfer.SRGB).mul(255).round().flatten().tolist() == [188.0] * 3


def test_over_refuses_sizes_that_differ() -> None:
    with pytest.raises(ShapeError, match="need one height and width"):
        over(torch.zeros(1, 3, 2, 2), torch.zeros(1, 1, 2, 3), torch.zeros(1, 3, 2, 2))


@pytest.mark.parametrize(
    ("mode", "fa", "fb"),
    [
        # The paper's table of operators: fractions of the source and of the backdrop that stay,
        # written for source alpha .5 and backdrop alpha .8.
        (Mode.NORMAL, 1.0, 1 - 0.5),
        (Mode.DST_IN, 0.0, 0.5),
        (Mode.DST_OUT, 0.0, 1 - 0.5),
        (Mode.SRC_ATOP, 0.8, 1 - 0.5),
        (Mode.DST_ATOP, 1 - 0.8, 0.5),
        (Mode.PLUS, 1.0, 1.0),
    ],
)
def test_operators(mode: Mode, fa: float, fb: float) -> None:
    cs, a, cb, ab = pixel(0.2, 0.5, 0.9), pixel(0.5), pixel(0.6, 0.1, 0.4), pixel(0.8)
    expect_pm = (fa * a * cs + fb * ab * cb).clamp(max=1)
    expect_a = (fa * a + fb * ab).clamp(max=1)
    got_pm, got_a = composite_pm(cb * ab, ab, cs, a, mode)
    torch.testing.assert_close(got_pm, expect_pm)
    torch.testing.assert_close(got_a, expect_a)


def test_over_agrees_with_pillow() -> None:
    rng = np.random.default_rng(7)
    back, front = (rng.integers(0, 256, (32, 32, 4), dtype=np.uint8) for _ in range(2))
    expect = np.asarray(
        Image.alpha_composite(Image.fromarray(back, "RGBA"), Image.fromarray(front, "RGBA"))
    )

    def split(a: np.ndarray) -> tuple[torch.Tensor, torch.Tensor]:
        t = torch.from_numpy(a.astype(np.float32) / 255).permute(2, 0, 1)[None]
        return t[:, :3], t[:, 3:]

    rgb, alpha = blend_layer(*split(back), *split(front), Mode.NORMAL)
    got = torch.cat([rgb, alpha], 1)[0].permute(1, 2, 0).mul(255).round().numpy()
    seen = expect[..., 3] > 8  # below that, a code of colour is a step of many hidden values
    assert np.abs(got[..., :3][seen] - expect[..., :3][seen]).max() <= 1
    assert np.abs(got[..., 3] - expect[..., 3]).max() <= 1
