"""Replayed functions give what plain ones give, whoever calls them; on a card."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import pytest
import torch
from torch import Tensor

from models.pyramid import grow, soften, spread
from models.replay import MOST, replayed

CUDA = torch.device("cuda")


def test_on_a_cpu_a_function_runs_as_it_is() -> None:
    called = []

    @replayed
    def doubled(x: Tensor, times: int) -> Tensor:
        called.append(times)
        return x.mul(2.0**times)

    for n in range(4):
        assert doubled(torch.ones(2), n).tolist() == [2.0**n] * 2
    assert called == [0, 1, 2, 3]


@pytest.mark.gpu
@torch.inference_mode()
def test_what_is_replayed_is_what_runs_plainly() -> None:
    random = torch.Generator().manual_seed(3)
    for size in ((1, 1), (7, 30), (270, 480)):
        for turn in range(5):
            x = torch.rand(1, 3, *size, generator=random)
            weight = (torch.rand(1, 1, *size, generator=random) > 0.7 + 0.1 * turn).float()
            there = x.to(CUDA), weight.to(CUDA)
            assert torch.allclose(spread(*there).cpu(), spread(x, weight), atol=1e-5)
            assert torch.allclose(soften(there[0]).cpu(), soften(x), atol=1e-6)
            assert torch.equal(grow(there[0], 3).cpu(), grow(x, 3))
            assert torch.equal(there[0].cpu(), x)


@pytest.mark.gpu
def test_an_answer_stays_while_others_are_made() -> None:
    answers = [soften(torch.full((1, 1, 8, 9), float(n), device=CUDA)) for n in range(6)]
    with torch.inference_mode():
        answers += [soften(torch.full((1, 1, 8, 9), float(n), device=CUDA)) for n in range(6, 9)]
    assert [float(a.max()) for a in answers] == list(range(9))
    x = torch.ones(1, 1, 8, 9, device=CUDA, requires_grad=True)
    soften(x).sum().backward()  # type: ignore[no-untyped-call]
    assert x.grad is not None
    assert float(x.grad.sum()) == pytest.approx(72)


@pytest.mark.gpu
def test_threads_replay_at_the_same_time() -> None:
    def work(n: int) -> bool:
        with torch.inference_mode(), torch.cuda.stream(torch.cuda.Stream()):  # type: ignore[no-untyped-call]
            x = torch.full((1, 3, 90, 160), float(n), device=CUDA)
            weight = torch.ones(1, 1, 90, 160, device=CUDA)
            found = [spread(x, weight) for _ in range(40)]
            return all(bool((f == n).all()) for f in found)

    with ThreadPoolExecutor(6) as pool:
        assert all(pool.map(work, range(24)))


@pytest.mark.gpu
def test_more_kinds_than_are_kept() -> None:
    for _ in range(2):
        for n in range(1, MOST + 9):
            for _ in range(4):
                assert soften(torch.ones(1, 1, 3, n, device=CUDA)).shape == (1, 1, 3, n)
