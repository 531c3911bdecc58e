"""The trained networks: there, small, plain numbers, and the Keyer without them."""

from __future__ import annotations

from importlib.resources import files

import pytest
import torch

from models import estimator
from models.color import SRGB_8BIT
from models.errors import PosewallError
from models.estimator import Estimator, trained
from models.features import Context
from models.keyer import Grade, Keyer
from tests.models.cases import CASES
from tests.models.keying import GRADES
from tests.models.rendered import mean_error

CPU = torch.device("cpu")


def network(grade: Grade) -> Estimator:
    return trained(grade.value, CPU)


@pytest.mark.parametrize("grade", GRADES)
def test_weights_are_small_and_named_in_their_card(grade: Grade) -> None:
    kept = files("models") / "weights" / f"matte-{grade.value}.safetensors"
    count = sum(p.numel() for p in network(grade).parameters())
    assert len(kept.read_bytes()) < 200_000
    card = (files("models") / "weights" / "README.md").read_text("utf-8")
    assert f"{count:,}" in card


@pytest.mark.parametrize("grade", GRADES)
def test_estimates_lie_between_0_and_1_and_do_not_depend_on_the_batch(
    grade: Grade, monkeypatch: pytest.MonkeyPatch
) -> None:
    made = torch.Generator().manual_seed(5)
    told = Context(
        torch.rand(1, estimator.AROUND, 30, 40, generator=made),
        torch.rand(1, estimator.OVERVIEW, 30, 40, generator=made),
    )
    pixels = torch.rand(estimator.PIXELS, 1000, generator=made) * 2 - 0.3
    row, column = torch.rand(2, 1000, generator=made)
    whole = network(grade).estimate(told, pixels, row, column)
    assert 0 <= float(whole.min()) < float(whole.max()) <= 1
    monkeypatch.setattr(estimator, "_BATCH", 128)
    parts = network(grade).estimate(told, pixels, row, column)
    torch.testing.assert_close(parts, whole, atol=1e-5, rtol=0)
    nothing = network(grade).estimate(told, pixels[:, :0], row[:0], column[:0])
    assert nothing.shape == (0,)


def test_missing_weights_are_said_in_one_sentence() -> None:
    with pytest.raises(PosewallError, match="missing or damaged; install Posewall again"):
        trained("of no such grade", CPU)


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("name", ["grey", "skin", "hair", "shadow", "blur 10, grey"])
def test_without_a_network_the_two_colours_alone_do(name: str, grade: Grade) -> None:
    case = CASES[name]()
    keyer = Keyer(grade)
    told = keyer.cut(case.planes, SRGB_8BIT).alpha
    keyer.solver.network = None
    plain = keyer.cut(case.planes, SRGB_8BIT).alpha
    # measured .0008 to .009
    assert mean_error(plain, case.truth.alpha) < 0.011
    if "blur" in name or name == "grey":
        assert mean_error(told, case.truth.alpha) < 0.9 * mean_error(plain, case.truth.alpha)
