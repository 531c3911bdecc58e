"""Transfer curves: IEC 61966-2-1 (sRGB) and ITU-R BT.709-6 item 1.2, against their formulas."""

from __future__ import annotations

import pytest
import torch

from models.transfer import Transfer, decode, encode

# IEC 61966-2-1, computed from its formula: code, linear. The branch changes between 10 and 11.
SRGB_CODES = [
    (0, 0.0),
    (1, 0.00030353),
    (10, 0.00303527),
    (11, 0.00334654),
    (64, 0.05126946),
    (128, 0.21586050),
    (188, 0.50288646),
    (255, 1.0),
]


def srgb(v: float) -> float:
    return v / 12.92 if v <= 0.04045 else float(((v + 0.055) / 1.055) ** 2.4)


def bt709(light: float) -> float:
    return 4.5 * light if light < 0.018 else float(1.099 * light**0.45 - 0.099)


@pytest.mark.parametrize(("code", "linear"), SRGB_CODES)
def test_srgb_codes(code: int, linear: float) -> None:
    got = decode(torch.tensor([code / 255]), Transfer.SRGB)
    assert float(got) == pytest.approx(linear, abs=2e-8, rel=2e-6)
    assert round(float(encode(torch.tensor([linear]), Transfer.SRGB)) * 255) == code


def test_half_the_light_is_code_188_and_a_grey_card_118() -> None:
    got = encode(torch.tensor([0.5, 0.18]), Transfer.SRGB).mul(255).round()
    assert got.tolist() == [188.0, 118.0]


def test_srgb_over_every_8_bit_code_is_the_formula() -> None:
    codes = torch.arange(256)
    want = torch.tensor([srgb(c / 255) for c in range(256)])
    torch.testing.assert_close(decode(codes / 255, Transfer.SRGB), want, atol=1e-7, rtol=3e-6)


def test_bt709_curve_is_the_formula() -> None:
    """BT.709-6: V = 4.5 L below .018, else 1.099 L^.45 - .099; grey of .18 light is .4090."""
    light = [0.0, 0.001, 0.01, 0.0179, 0.018, 0.0181, 0.1, 0.18, 0.5, 0.9, 1.0]
    got = encode(torch.tensor(light), Transfer.BT709)
    torch.testing.assert_close(got, torch.tensor([bt709(x) for x in light]), atol=2e-7, rtol=2e-6)
    # Worked by hand: .18^.45 = exp(.45 ln .18) = exp(-.771660) = .462245; 1.099 times it, less
    # .099, is .409007.
    assert float(encode(torch.tensor([0.18]), Transfer.BT709)) == pytest.approx(0.409007, abs=2e-6)


@pytest.mark.parametrize("transfer", list(Transfer))
@pytest.mark.parametrize("depth", [8, 10])
def test_every_code_returns_exactly(transfer: Transfer, depth: int) -> None:
    top = (1 << depth) - 1
    codes = torch.arange(top + 1)
    back = encode(decode(codes / top, transfer), transfer).mul(top).round().to(torch.int64)
    assert torch.equal(back, codes)


@pytest.mark.parametrize("transfer", [Transfer.SRGB, Transfer.BT709])
def test_every_narrow_range_code_returns_exactly(transfer: Transfer) -> None:
    for depth in (8, 10):
        unit = 1 << (depth - 8)
        codes = torch.arange(16 * unit, 235 * unit + 1)
        unit_range = (codes - 16 * unit) / (219 * unit)
        back = encode(decode(unit_range, transfer), transfer) * (219 * unit) + 16 * unit
        assert torch.equal(back.round().to(torch.int64), codes)


@pytest.mark.parametrize("transfer", [Transfer.SRGB, Transfer.BT709])
def test_float16_storage_of_linear_light_keeps_every_10_bit_code(transfer: Transfer) -> None:
    """Linear float16 is what a graphics card stores; its steps are finer than 10-bit codes."""
    codes = torch.arange(1024)
    stored = decode(codes / 1023, transfer).to(torch.float16).to(torch.float32)
    assert torch.equal(encode(stored, transfer).mul(1023).round().to(torch.int64), codes)


@pytest.mark.parametrize("transfer", list(Transfer))
def test_curves_rise_everywhere(transfer: Transfer) -> None:
    """But for the seam of BT.709, whose printed constants leave a gap of 6e-5 in light."""
    x = torch.linspace(0, 1, 1001)
    assert bool((decode(x, transfer).diff() > 0).all())
    assert bool((encode(x, transfer).diff() > 0).all())


@pytest.mark.parametrize("transfer", list(Transfer))
def test_encode_clamps_and_neither_writes_to_its_input(transfer: Transfer) -> None:
    x = torch.tensor([-0.5, 0.0, 0.25, 1.0, 3.0])
    before = x.clone()
    got = encode(x, transfer)
    assert torch.equal(x, before)
    assert got[0] == got[1] == 0
    assert float(got[3]) == float(got[4]) == pytest.approx(1.0, abs=1e-6)
    kept = x[1:4].clone()
    out = decode(kept, transfer)
    out.add_(1)
    assert torch.equal(kept, before[1:4])


def test_the_two_curves_differ_where_it_shows() -> None:
    """A clip read with the wrong curve would be off by several codes in the middle tones."""
    x = torch.tensor([0.18])
    gap = encode(x, Transfer.SRGB) - encode(x, Transfer.BT709)
    assert float(gap) * 255 > 10
