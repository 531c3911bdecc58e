"""Steps of learning: they learn; the running mean; recorded steps are the same."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.basis import ASKED, CHANNELS, FINE, OWN
from models.refine import Refiner
from models.training.crops import TOTAL
from models.training.learner import Learner, turned
from models.training.losses import losses


def shelf(device: str = "cpu") -> Tensor:
    """Crops whose truth stands in the frame: alpha is a channel's half and something more."""
    made = torch.Generator().manual_seed(3)
    x = torch.rand(16, TOTAL, 64, 64, generator=made)
    x[:, ASKED], x[:, -1] = 1, 1
    x[:, OWN] = (x[:, CHANNELS] + 0.3 * (x[:, 0] - 0.5)).clamp(0, 1)
    return x.half().to(device)


def learned(steps: int, device: str = "cpu", recorded: bool = False) -> tuple[Learner, float]:
    torch.manual_seed(0)
    net = Refiner(CHANNELS, FINE, (8, 12, 16), learning=True).to(device)
    learner = Learner(net, shelf(device), 4, 3e-3, 0.998)
    picks = torch.Generator().manual_seed(1)
    for step in range(steps):
        if recorded and step == 10:
            learner.record()
        learner.step(torch.randint(16, (4,), generator=picks), 1.0)
        if step == steps // 2:
            learner.course()
    return learner, learner.course()


def test_it_learns() -> None:
    learner, off = learned(120)
    x = shelf().float()
    before = float(losses(torch.zeros(16, 5, 64, 64), x)[1])
    assert off < 0.7 * before
    assert not learner.recorded


def test_crops_are_turned_each_by_itself_and_their_channels_together() -> None:
    torch.manual_seed(4)
    x = torch.rand(64, 1, 8, 8).repeat(1, 2, 1, 1)
    got = turned(x)
    assert torch.equal(got[:, 0], got[:, 1])
    assert torch.equal(got.flatten(1).sort(1).values, x.flatten(1).sort(1).values)
    ways = [x, x.flip(-1), x.flip(-2), x.transpose(-1, -2)]
    count = [int((got == way).flatten(1).all(1).sum()) for way in ways]
    assert all(c > 0 for c in count)
    assert count[0] < 40


def test_the_running_mean_says_about_what_the_network_says() -> None:
    learner, _ = learned(40)
    mean = learner.mean()
    assert not any(isinstance(m, torch.nn.BatchNorm2d) for m in mean.modules())
    again = learner.mean()
    for one, two in zip(mean.parameters(), again.parameters(), strict=True):
        assert torch.equal(one, two)  # asking changes nothing


@pytest.mark.gpu
def test_recording_starts_the_count_anew() -> None:
    learner, _ = learned(10, "cuda")
    learner.record()
    assert learner.course() == 0
    learner.step(torch.arange(4), 1.0)
    assert 0 < learner.course() < 1


@pytest.mark.gpu
def test_recorded_steps_learn_what_plain_ones_learn() -> None:
    plain, off = learned(300, "cuda")
    recorded, same = learned(300, "cuda", recorded=True)
    assert recorded.recorded
    assert not plain.recorded
    assert same == pytest.approx(off, rel=0.2)
