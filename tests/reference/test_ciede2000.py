"""CIEDE2000 against the published pairs of Sharma, Wu and Dalal (2005)."""

from __future__ import annotations

import numpy as np
import pytest

from tests.reference.ciede2000 import ciede2000, lab

PAIRS = [
    ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
    ((50, -1.3802, -84.2814), (50, 0, -82.7485), 1.0000),
    ((50, 0, 0), (50, -1, 2), 2.3669),
    ((50, 2.49, -0.001), (50, -2.49, 0.0009), 7.1792),
    ((50, 2.49, -0.001), (50, -2.49, 0.0011), 7.2195),
    ((50, -0.001, 2.49), (50, 0.0011, -2.49), 4.7461),
    ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ((50, 2.5, 0), (50, 3.1736, 0.5854), 1.0000),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((6.7747, -0.2908, -2.4247), (5.8714, -0.0985, -2.2286), 0.6377),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
]


@pytest.mark.parametrize(("one", "two", "want"), PAIRS)
def test_published_pairs(one: tuple[float, ...], two: tuple[float, ...], want: float) -> None:
    a, b = np.array(one, float), np.array(two, float)
    assert float(ciede2000(a, b)) == pytest.approx(want, abs=5e-5)
    assert float(ciede2000(b, a)) == pytest.approx(want, abs=5e-5)


def test_lab_of_white_and_of_a_grey() -> None:
    # CIE 15:2004: Y = .18418651851244416 is L* 50 ((66/116)^3, computed).
    white = np.array([0.9642, 1.0, 0.8249])
    assert lab(white) == pytest.approx([100, 0, 0], abs=1e-9)
    assert lab(white * (66 / 116) ** 3) == pytest.approx([50, 0, 0], abs=1e-9)
