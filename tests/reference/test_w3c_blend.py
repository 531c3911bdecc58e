"""W3C, *Compositing and Blending Level 1*: values worked out from its formulas, and a browser."""

from __future__ import annotations

import io
import itertools
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image

from models.composite import Mode, blend, blend_layer
from models.flatten import Group, Raster, flatten
from models.transfer import Transfer, decode, encode


def pixel(*values: float) -> torch.Tensor:
    return torch.tensor(values).view(1, -1, 1, 1)


def grey(value: float) -> torch.Tensor:
    return pixel(value, value, value)


# Computed from the formulas of section 10.1 for (Cb, Cs) = (.6, .3) and (.2, .8).
SEPARABLE = [
    (Mode.NORMAL, 0.3, 0.8),
    (Mode.MULTIPLY, 0.18, 0.16),
    (Mode.SCREEN, 0.72, 0.84),
    (Mode.OVERLAY, 0.44, 0.32),
    (Mode.DARKEN, 0.3, 0.2),
    (Mode.LIGHTEN, 0.6, 0.8),
    (Mode.COLOR_DODGE, 0.857143, 1.0),
    (Mode.COLOR_BURN, 0.0, 0.0),
    (Mode.HARD_LIGHT, 0.36, 0.68),
    (Mode.SOFT_LIGHT, 0.504, 0.3488),
    (Mode.DIFFERENCE, 0.3, 0.6),
    (Mode.EXCLUSION, 0.54, 0.68),
]


@pytest.mark.parametrize(("mode", "first", "second"), SEPARABLE)
def test_separable_modes(mode: Mode, first: float, second: float) -> None:
    for cb, cs, expect in ((0.6, 0.3, first), (0.2, 0.8, second)):
        torch.testing.assert_close(blend(mode, grey(cb), grey(cs)), grey(expect), atol=1e-6, rtol=0)


_PORTER_DUFF = [Mode.PLUS, Mode.DST_IN, Mode.DST_OUT, Mode.SRC_ATOP, Mode.DST_ATOP]


def test_dodge_and_burn_at_their_special_cases() -> None:
    # Section 10.1.8: 0 where Cb = 0, else 1 where Cs = 1. 10.1.9: 1 where Cb = 1, else 0 at Cs = 0.
    for mode, cb, cs, expect in (
        (Mode.COLOR_DODGE, 0.0, 1.0, 0.0),
        (Mode.COLOR_DODGE, 0.01, 1.0, 1.0),
        (Mode.COLOR_BURN, 1.0, 0.0, 1.0),
        (Mode.COLOR_BURN, 0.99, 0.0, 0.0),
    ):
        assert blend(mode, grey(cb), grey(cs))[0, 0, 0, 0].item() == expect


def test_dodge_and_burn_at_their_special_cases_after_linear_light() -> None:
    """White and black that were decoded and encoded again are white and black still."""
    ends = torch.tensor([0.0, 1.0]).view(1, 1, 1, 2).expand(1, 3, 1, 2)
    again = encode(decode(ends, Transfer.SRGB), Transfer.SRGB)
    white = blend(Mode.COLOR_BURN, again, torch.zeros_like(again))[0, 0, 0, 1]
    black = blend(Mode.COLOR_DODGE, again, torch.ones_like(again))[0, 0, 0, 0]
    assert (white.item(), black.item()) == (1.0, 0.0)
    # One step of 16 bits away they are not.
    near = torch.tensor([1 / 65535, 65534 / 65535]).view(1, 1, 1, 2).expand(1, 3, 1, 2)
    assert blend(Mode.COLOR_BURN, near, torch.zeros_like(near))[0, 0, 0, 1] == 0
    assert blend(Mode.COLOR_DODGE, near, torch.ones_like(near))[0, 0, 0, 0] == 1


def test_a_grey_but_for_rounding_stays_grey() -> None:
    # Section 10.2: SetSat of a colour without saturation is 0, so a grey backdrop stays.
    nearly = pixel(0.22538656, 0.22538656, 0.22538655)
    torch.testing.assert_close(
        blend(Mode.SATURATION, nearly, pixel(0.9, 0.1, 0.2)), nearly, atol=1e-6, rtol=0
    )
    torch.testing.assert_close(
        blend(Mode.HUE, pixel(0.9, 0.1, 0.2), nearly), grey(0.351), atol=1e-6, rtol=0
    )


def test_soft_light_on_both_sides_of_its_seams() -> None:
    # Section 10.1.11: D(.2) = ((16*.2 - 12)*.2 + 4)*.2 = .448; Cs .75: .2 + .5 (.448 - .2) = .324.
    torch.testing.assert_close(blend(Mode.SOFT_LIGHT, grey(0.2), grey(0.75)), grey(0.324))
    # D(.49) = .7; Cs .75: .49 + .5 (.7 - .49) = .595.
    torch.testing.assert_close(blend(Mode.SOFT_LIGHT, grey(0.49), grey(0.75)), grey(0.595))


@pytest.mark.parametrize(
    ("mode", "expect"),
    [
        # Section 10.2, Cb = (.2, .6, .4), Cs = (.9, .5, .1). Lum(Cb) = .3*.2 + .59*.6 + .11*.4 =
        # .458, Lum(Cs) = .576: luminosity moves Cb by .118; color moves Cs by -.118 to
        # (.782, .382, -.018), which ClipColor pulls to .458 + (C - .458) .458/.476.
        (Mode.LUMINOSITY, (0.318, 0.718, 0.518)),
        (Mode.COLOR, (0.769748, 0.384874, 0.0)),
        # Sat(Cs) = .8: Cb stretched to (0, .8, .4), Lum .516, moved by -.058 and pulled by
        # .458/.516: the least channel lands on 0.
        (Mode.SATURATION, (0.0, 0.710078, 0.355039)),
        # Sat(Cb) = .4: Cs squeezed to (.4, .2, 0), Lum .238, moved by .22.
        (Mode.HUE, (0.62, 0.42, 0.22)),
    ],
)
def test_modes_of_whole_colours(mode: Mode, expect: tuple[float, float, float]) -> None:
    got = blend(mode, pixel(0.2, 0.6, 0.4), pixel(0.9, 0.5, 0.1))
    torch.testing.assert_close(got, pixel(*expect), atol=1e-5, rtol=0)


def test_modes_of_whole_colours_on_grey_stay_in_range() -> None:
    for mode in (Mode.HUE, Mode.SATURATION, Mode.COLOR, Mode.LUMINOSITY):
        for value in (0.0, 0.5, 1.0):
            out = blend(mode, grey(value), pixel(0.9, 0.5, 0.1))
            assert torch.isfinite(out).all()
            assert out.min() >= -1e-6
            assert out.max() <= 1 + 1e-6


def test_with_alpha() -> None:
    # Section 9 with Cb .6, Cs .3, ab .8, as .5. ao = .5 + .8 * .5 = .9.
    # Over: (.5*.3 + .5*.8*.6) / .9 = .433333. Multiply: (.5 (.2*.3 + .8*.18) + .24) / .9 = .38.
    for mode, expect in ((Mode.NORMAL, 0.433333), (Mode.MULTIPLY, 0.38)):
        rgb, alpha = blend_layer(grey(0.6), pixel(0.8), grey(0.3), pixel(0.5), mode)
        torch.testing.assert_close(alpha, pixel(0.9))
        torch.testing.assert_close(rgb, grey(expect), atol=1e-6, rtol=0)


_CANVAS_NAMES = {
    Mode.NORMAL: "source-over",
    Mode.PLUS: "lighter",
    Mode.DST_IN: "destination-in",
    Mode.DST_OUT: "destination-out",
    Mode.SRC_ATOP: "source-atop",
    Mode.DST_ATOP: "destination-atop",
}

_PAGE = """<!doctype html><style>*{margin:0}canvas{display:block}</style><body><script>
const back=%s, front=%s, names=%s;
function square(c,x,y,p){c.fillStyle=`rgba(${p[0]},${p[1]},${p[2]},${p[3]})`;c.fillRect(x,y,8,8);}
const all=document.createElement('canvas');all.width=8*back.length;all.height=8*names.length;
document.body.append(all);const out=all.getContext('2d');
out.fillStyle='white';out.fillRect(0,0,all.width,all.height);
names.forEach((n,j)=>back.forEach((b,i)=>{
 const one=document.createElement('canvas');one.width=one.height=8;const c=one.getContext('2d');
 square(c,0,0,b);c.globalCompositeOperation=n;square(c,0,0,front[i]);out.drawImage(one,8*i,8*j);}));
</script>"""


@pytest.mark.browser
@pytest.mark.skipif(shutil.which("chromium") is None, reason="needs Chromium")
def test_every_mode_agrees_with_a_browser(tmp_path: Path) -> None:
    """A browser's canvas draws by the same recommendation; within rounding of its 8 bit steps."""
    rng = np.random.default_rng(11)
    back = rng.integers(0, 256, (40, 4)).astype(float)
    front = rng.integers(0, 256, (40, 4)).astype(float)
    back[:20, 3] = front[:10, 3] = 255
    # Faint colours lose their codes in the browser's 8 bit premultiplied storage.
    back[:, 3] = np.maximum(back[:, 3], 96)

    def listed(a: np.ndarray) -> str:
        return str([[*row[:3], row[3] / 255] for row in a.tolist()])

    names = [_CANVAS_NAMES.get(m, m.value) for m in Mode]
    page = tmp_path / "page.html"
    page.write_text(_PAGE % (listed(back), listed(front), names))
    width, height = 8 * len(back), 8 * len(names)
    subprocess.run(
        [
            "chromium",
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--hide-scrollbars",
            "--force-color-profile=srgb",
            f"--user-data-dir={tmp_path / 'profile'}",
            f"--window-size={max(width, 500)},{height + 200}",
            f"--screenshot={tmp_path / 'shot.png'}",
            page.as_uri(),
        ],
        check=True,
        capture_output=True,
        timeout=60,
    )
    shot = np.asarray(Image.open(io.BytesIO((tmp_path / "shot.png").read_bytes())).convert("RGB"))
    seen = shot[4:height:8, 4:width:8].astype(float)

    def split(a: np.ndarray) -> tuple[torch.Tensor, torch.Tensor]:
        t = torch.from_numpy((a / 255).astype(np.float32)).T[None, :, None, :]
        return t[:, :3], t[:, 3:]

    for j, mode in enumerate(Mode):
        rgb, alpha = blend_layer(*split(back), *split(front), mode)
        on_white = (rgb * alpha + 1 - alpha)[0, :, 0].T.mul(255).numpy()
        off = np.abs(on_white - seen[j]).max()
        # chosen: 4 codes, from 8 bit premultiplied storage of both colours and the result.
        assert off <= 4, f"{mode.value}: {off:.1f} codes"


def _by_formula(mode: Mode, cb: float, ab: float, cs: float, a: float) -> tuple[float, float]:
    """Section 9.1 and 10: a pixel of one channel, premultiplied, and its coverage, in plain Python.

    Porter and Duff: Fa and Fb of source and backdrop (section 9.1.4 and on); blend modes go with
    source-over, where Cs is first mixed with B(Cb, Cs) (section 10, "co = cs x as ...").
    """
    fa, fb = {
        Mode.DST_IN: (0.0, a),
        Mode.DST_OUT: (0.0, 1 - a),
        Mode.SRC_ATOP: (ab, 1 - a),
        Mode.DST_ATOP: (1 - ab, a),
        Mode.PLUS: (1.0, 1.0),
    }.get(mode, (1.0, 1 - a))
    mixed = cs
    if mode in {m for m, *_ in SEPARABLE} - {Mode.NORMAL}:
        mixed = (1 - ab) * cs + ab * float(blend(mode, grey(cb), grey(cs))[0, 0, 0, 0])
    colour = a * fa * mixed + ab * fb * cb
    return min(colour, 1.0), min(a * fa + ab * fb, 1.0)


@pytest.mark.parametrize("mode", [*(m for m, *_ in SEPARABLE), *_PORTER_DUFF])
def test_every_operator_with_alpha(mode: Mode) -> None:
    for cb, ab, cs, a in itertools.product(
        (0.1, 0.7), (0.0, 0.4, 1.0), (0.2, 0.9), (0.0, 0.3, 1.0)
    ):
        rgb, alpha = blend_layer(grey(cb), pixel(ab), grey(cs), pixel(a), mode)
        colour, covered = _by_formula(mode, cb, ab, cs, a)
        torch.testing.assert_close(alpha, pixel(covered), atol=1e-6, rtol=0)
        torch.testing.assert_close(rgb * alpha, grey(colour), atol=1e-6, rtol=0)


def _square(code: int, alpha: int) -> torch.Tensor:
    return torch.tensor([code, code, code, alpha], dtype=torch.uint8).view(4, 1, 1)


def _raster(code: int, alpha: int, mode: Mode = Mode.NORMAL, opacity: float = 1.0) -> Raster:
    return Raster(lambda: _square(code, alpha), mode=mode, opacity=opacity)


@pytest.mark.parametrize("mode", [Mode.NORMAL, Mode.MULTIPLY, Mode.SCREEN, Mode.DST_OUT])
@pytest.mark.parametrize("opacity", [1.0, 0.5])
def test_an_isolated_group_by_the_formulas(mode: Mode, opacity: float) -> None:
    """What is written of isolated groups: from a backdrop of nothing, then met as one element,
    its opacity multiplied in; here with a group inside the group.
    """
    inner = Group((_raster(51, 255), _raster(153, 153, Mode.SCREEN)), Mode.NORMAL, 0.5)
    group = Group((_raster(204, 102), inner, _raster(102, 204, Mode.MULTIPLY)), mode, opacity)
    got = flatten((_raster(128, 204), group), (1, 1), (1, 1))

    def laid(below: tuple[float, float], mode: Mode, cs: float, a: float) -> tuple[float, float]:
        pm, ab = below
        return _by_formula(mode, pm / ab if ab else 0.0, ab, cs, a)

    inside = laid(laid((0.0, 0.0), Mode.NORMAL, 0.2, 1.0), Mode.SCREEN, 0.6, 0.6)
    whole = laid((0.0, 0.0), Mode.NORMAL, 0.8, 0.4)
    whole = laid(whole, Mode.NORMAL, inside[0] / inside[1], inside[1] * 0.5)
    whole = laid(whole, Mode.MULTIPLY, 0.4, 0.8)
    want = laid((128 / 255 * 0.8, 0.8), mode, whole[0] / whole[1], whole[1] * opacity)
    assert float(got.rgb_pm[0, 0, 0, 0]) == pytest.approx(want[0], abs=1e-6)
    assert float(got.alpha[0, 0, 0, 0]) == pytest.approx(want[1], abs=1e-6)
