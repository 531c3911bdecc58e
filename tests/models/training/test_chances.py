"""What may befall a shot, and that leaving one out leaves the others."""

from __future__ import annotations

import pytest

from models.errors import PosewallError
from models.training import chances
from models.training.chances import Chances, Dice


def test_left_out_is_0_and_the_rest_stays() -> None:
    got = Chances(veiled=0.3).without("noise", "h264")
    assert (got.noise, got.h264, got.veiled) == (0, 0, 0.3)
    assert got.beside == Chances().beside


def test_an_unknown_name_or_value_is_said() -> None:
    with pytest.raises(PosewallError, match="fog: no such chance; there are drawn, beside"):
        Chances().without("noise", "fog")
    with pytest.raises(PosewallError, match=r"chance noise: got 1\.5; need 0 to 1"):
        Chances(noise=1.5)


def test_others_are_as_told_and_the_rest_stays() -> None:
    got = Chances().having("noise=0.2", "veiled=1")
    assert (got.noise, got.veiled, got.beside) == (0.2, 1, Chances().beside)
    with pytest.raises(PosewallError, match="fog: no such chance"):
        Chances().having("fog=0.2")
    for wrong in ("noise", "noise=much"):
        with pytest.raises(PosewallError, match=f"chance {wrong}: need NAME=SHARE"):
            Chances().having(wrong)


def test_each_falls_as_often_as_told_and_by_itself() -> None:
    usual = Chances()
    for name in chances.names():
        fell = [Dice(seed, usual).fall(name) is not None for seed in range(1000)]
        assert abs(sum(fell) / 1000 - getattr(usual, name)) < 0.06
    less = usual.without("noise")
    for seed in range(50):
        assert Dice(seed, less).fall("noise") is None
        assert (Dice(seed, less).fall("curve") is None) == (Dice(seed, usual).fall("curve") is None)


def test_of_some_at_most_one_comes() -> None:
    three = ("jpeg", "subsampled", "h264")
    some = Chances(jpeg=0.5, subsampled=0.25, h264=0)
    got = [Dice(seed, some).one_of(*three) for seed in range(1000)]
    assert abs(got.count("jpeg") / 1000 - 0.5) < 0.06
    assert abs(got.count("subsampled") / 1000 - 0.25) < 0.06
    assert abs(got.count(None) / 1000 - 0.25) < 0.06
    full = Chances(jpeg=1, subsampled=1, h264=1)
    assert {Dice(seed, full).one_of(*three) for seed in range(60)} == set(three)
