"""Replayed functions give what plain ones give, whoever calls them; on a card."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor

import pytest
import torch
from torch import Tensor

from models.pyramid import grow, soften, spread
from models.replay import MOST, Replays, replayed

CUDA = torch.device("cuda")


@pytest.fixture
def replays() -> Iterator[Replays]:
    """Entered by the thread of the test."""
    made = Replays()
    with made:
        yield made
    made.forget()
    assert made.many == 0


def counted() -> tuple[list[int], Callable[[Tensor, int], Tensor]]:
    """A function that tells how often its body was run."""
    called: list[int] = []

    @replayed
    def doubled(x: Tensor, times: int) -> Tensor:
        called.append(times)
        return x.mul(2.0**times)

    return called, doubled


def test_on_a_cpu_a_function_runs_as_it_is(replays: Replays) -> None:
    called, doubled = counted()
    for n in (1, 1, 1, 1, 2):
        assert doubled(torch.ones(2), n).tolist() == [2.0**n] * 2
    assert called == [1, 1, 1, 1, 2]
    assert replays.many == 0


@pytest.mark.gpu
def test_the_body_runs_three_times_and_not_again(replays: Replays) -> None:
    called, doubled = counted()
    answers = [doubled(torch.full((3,), float(n), device=CUDA), 1) for n in range(6)]
    assert [a.tolist() for a in answers] == [[2.0 * n] * 3 for n in range(6)]
    assert called == [1, 1, 1]
    assert replays.many == 1
    assert doubled(torch.ones(3, device=CUDA), 2).tolist() == [4.0] * 3
    assert called == [1, 1, 1, 2]


@pytest.mark.gpu
def test_outside_nothing_is_recorded() -> None:
    called, doubled = counted()
    for _ in range(5):
        doubled(torch.ones(3, device=CUDA), 1)
    assert called == [1] * 5


@pytest.mark.gpu
@torch.inference_mode()
def test_what_is_replayed_is_what_runs_plainly(replays: Replays) -> None:
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
    assert replays.many == 9


@pytest.mark.gpu
@pytest.mark.usefixtures("replays")
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
@pytest.mark.parametrize("own", [False, True], ids=["one stream", "a stream each"])
def test_threads_record_and_replay_at_the_same_time(own: bool) -> None:
    replays, together = Replays(), threading.Barrier(6)

    def work(n: int) -> bool:
        mine = torch.cuda.Stream() if own else torch.cuda.current_stream()  # type: ignore[no-untyped-call]
        with torch.inference_mode(), torch.cuda.stream(mine), replays:
            x = torch.full((1, 3, 90, 160), float(n), device=CUDA)
            weight = torch.ones(1, 1, 90, 160, device=CUDA)
            found = []
            for turn in range(40):
                if turn == 2:  # all record at once
                    together.wait(60)
                found.append(spread(x, weight))
            return all(bool((f == n).all()) for f in found)

    with ThreadPoolExecutor(6) as pool:
        assert all(pool.map(work, range(6)))
    assert replays.many == 6
    replays.forget()


@pytest.mark.gpu
def test_no_more_are_kept_than_are_allowed(replays: Replays) -> None:
    for turn in range(2):
        for n in range(1, MOST + 9):
            for _ in range(4):
                x = torch.full((1, 1, 3, n), float(n + turn), device=CUDA)
                assert bool((soften(x) == n + turn).all())
            assert replays.many <= MOST


@pytest.mark.gpu
def test_where_memory_does_not_suffice_for_a_recording_it_runs_plainly(replays: Replays) -> None:
    called: list[bool] = []

    @replayed
    def greedy(x: Tensor) -> Tensor:
        called.append(torch.cuda.is_current_stream_capturing())
        more = x + 1
        if called[-1]:
            raise torch.OutOfMemoryError("no room beside what is held")
        return more

    for n in range(5):
        assert greedy(torch.full((2,), float(n), device=CUDA)).tolist() == [n + 1.0] * 2
    assert replays.many == 0
    assert called == [False, False, True, False, False, False]
    assert soften(torch.ones(1, 1, 3, 3, device=CUDA)).shape == (1, 1, 3, 3)
