"""What you see is what you print: the live composite against the final one of the same frame.

Colour differences: CIEDE2000 (Sharma, Wu, Dalal, *The CIEDE2000 Color-Difference Formula*, 2005) as
the library colour-science computes it. Bars, of the project's own: over the subject's pixels a mean
of 1.0 at most and a 95th percentile of 3 at most. They hold where the subject is solid up to a
sharp or hairy edge. Veils, and edges drawn out by motion, are read by the small network of the live
grade otherwise than by that of the prints, which the edge network corrects; there the figures are
held where they are, and `test_matte` holds each grade to the truth.
"""

from __future__ import annotations

import warnings
from functools import cache

import numpy as np
import pytest
import torch
from torch import Tensor
from torch.nn import functional

from models.composite import Scene
from models.keyer import Composite, Grade, Keyer
from models.resample import Placement
from models.transfer import Transfer, decode
from tests.models.cases import CASES
from tests.models.rendered import HEIGHT, WIDTH

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # it misses what it draws plots with
    import colour

# Measured mean and 95th percentile in brackets.
WITHIN = [
    "grey",  # .13, .84
    "skin",  # .17, .71
    "teal",  # .21, 1.70
    "pale yellow",  # .07, .36
    "dark brown",  # .08, .27
    "spill",  # .09, .41
    "hair",  # .18, 1.18
    "shadow",  # .18, .73
    "noise",  # .18, .69
    "4:2:0",  # .24, 1.45
    "4:2:0 hair",  # .33, 1.86
    "blue-grey on blue",  # .22, 1.59
    "80 % of the frame",  # .10, 0
]
BEYOND = {
    "veil, grey": (1.08, 5.15),
    "veil, white on skin": (1.85, 10.67),
    "blur 10, grey": (1.00, 7.37),
    "blur 10, skin": (0.69, 4.75),
    "blur 30, grey": (2.25, 13.16),
    "blur 30, skin": (2.12, 11.95),
}


@cache
def backdrop(height: int, width: int) -> Scene:
    """Soft spots of every colour."""
    spots = torch.rand(1, 3, 4, 6, generator=torch.Generator().manual_seed(5))
    wide = functional.interpolate(spots, (height, width), mode="bicubic").clamp(0, 1)
    return Scene(decode(wide * 0.8 + 0.1, Transfer.SRGB))


def lab(codes: Tensor) -> np.ndarray:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]
        return np.asarray(colour.XYZ_to_Lab(colour.sRGB_to_XYZ(codes.numpy() / 255), white))


def difference(live: Composite, final: Composite) -> tuple[float, float]:
    """Mean and 95th percentile of dE00 where the final picture shows the subject."""
    off = np.asarray(colour.delta_E(lab(live.picture), lab(final.picture), method="CIE 2000"))
    seen = off[final.alpha[0, 0].numpy() > 0]
    return float(seen.mean()), float(np.percentile(seen, 95))


def both(name: str, scale: float = 1.0) -> tuple[float, float]:
    case = CASES[name]()
    scene = backdrop(round(HEIGHT * scale), round(WIDTH * scale))
    live, final = (
        Keyer(grade).composite(case.planes, case.encoding, 0, scene, Placement(scale, 0, 0))
        for grade in (Grade.LIVE, Grade.FINAL)
    )
    return difference(live, final)


@pytest.mark.parametrize(
    ("name", "scale"),
    [*((name, 1.0) for name in WITHIN), ("skin", 0.6), ("4:2:0 hair", 0.6), ("hair", 1.5)],
)
def test_live_is_what_is_printed(name: str, scale: float) -> None:
    mean, most = both(name, scale)
    assert mean <= 1.0
    assert most <= 3.0


@pytest.mark.parametrize("name", BEYOND)
def test_veils_and_blur_differ_no_more_than_they_did(name: str) -> None:
    mean, most = both(name)
    assert mean <= 1.1 * BEYOND[name][0] + 0.05
    assert most <= 1.1 * BEYOND[name][1]


def test_the_measure_sees_a_difference() -> None:
    """A picture half a stop darker is far beyond the bars."""
    case = CASES["skin"]()
    final = Keyer().composite(
        case.planes, case.encoding, 0, backdrop(HEIGHT, WIDTH), Placement(1.0, 0, 0)
    )
    darker = Composite((final.picture * 0.85).to(torch.uint8), final.alpha, True, None)
    mean, most = difference(darker, final)
    assert mean > 2
    assert most > 3
