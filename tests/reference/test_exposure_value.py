"""Stops against the definition of exposure value.

Source: ISO 2720 / ISO 2721 (from memory): Ev = log2(N^2 / t), N the f-number, t the time in
seconds; a step of one Ev is a factor of two of light. The values are those of the usual table of
camera settings (f/8 at 1/125 s: 13), from memory, rounded there to whole steps.
"""

from __future__ import annotations

import math

import pytest
import torch

from models.evenness import stops


@pytest.mark.parametrize(
    ("f_number", "per_second", "ev"), [(1, 1, 0), (8, 125, 13), (16, 125, 15), (2.8, 60, 9)]
)
def test_stops_are_differences_of_exposure_value(
    f_number: float, per_second: float, ev: int
) -> None:
    exact = math.log2(f_number**2 * per_second)
    assert round(exact) == ev
    # The light that falls on the sensor goes with t / N^2: so many stops less than at Ev 0.
    light = torch.tensor(1 / per_second / f_number**2)
    assert float(stops(light, 1.0)) == pytest.approx(-exact, abs=1e-4)


def test_the_shutter_and_the_aperture_change_the_same_light() -> None:
    half = stops(torch.tensor(0.5), 1.0)
    assert float(half) == -1
    # f/5.6 to f/8 is one stop: the f-numbers' own steps are powers of the root of two.
    assert math.log2((8 / 5.6) ** 2) == pytest.approx(1, abs=0.03)
