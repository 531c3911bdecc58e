"""A subject laid by kernels, against `models.laying.Laying` in plain torch."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.composite import Overlay, Scene
from models.cut import Placed
from models.estimator import trained
from models.kernels.cpu.core import Core
from models.laying import Laying
from models.resample import Placement
from models.settings import KeySettings

H, W = 67, 93


def noise(channels: int, seed: int, height: int = H, width: int = W) -> Tensor:
    made = torch.Generator().manual_seed(seed)
    return torch.rand(1, channels, height, width, generator=made)


def part(x: Tensor, nothing: float) -> Tensor:
    """Nothing but in some rows, some columns and a single pixel."""
    out = torch.full_like(x, nothing)
    out[..., 20:30, :], out[..., 80:] = x[..., 20:30, :], x[..., 80:]
    out[..., 33, 40] = x[..., 33, 40]
    return out


def somebody(rows: slice, columns: slice, alpha: float | None = None) -> Placed:
    """Random colours; a quarter is surely empty, a quarter surely full, filters overshoot."""
    high, wide = rows.stop - rows.start, columns.stop - columns.start
    cover = (noise(1, 3, high, wide) * 2 - 0.5).clamp(0, 1)
    if alpha is not None:
        cover = torch.full_like(cover, alpha)
    pm = torch.cat([noise(3, 4, high, wide) * cover, cover], 1)
    pm = torch.where(cover > 0.999, pm * 1.002, pm)
    return Placed(pm, rows, columns, True, None, Placement(1.0, 0, 0))


def core() -> Core:
    return Core(trained("live", torch.device("cpu")), KeySettings(), 1)


def both(placed: Placed | list[Placed | None], scene: Scene) -> None:
    ours, theirs = Laying(), Laying()
    ours.core = core()
    for _ in range(2):
        got, want = ours(placed, scene), theirs(placed, scene)
        off = (got.picture.int() - want.picture.int()).abs()
        assert int(off.max()) <= 1
        # A rounding that falls the other way is rare.
        assert float((off > 0).float().mean()) < 0.01
        torch.testing.assert_close(got.alpha, want.alpha, atol=1e-6, rtol=0)
        assert got.coverage == pytest.approx(want.coverage, abs=1e-6)


WINDOWS = [
    (slice(0, H), slice(0, W)),
    (slice(9, 41), slice(17, 80)),
    (slice(0, 5), slice(W - 3, W)),
    (slice(H - 1, H), slice(0, 1)),
]
OVERLAYS: dict[str, tuple[Overlay, ...]] = {
    "none": (),
    "one channel": (Overlay(gain=noise(1, 5).expand(1, 3, H, W), offset=noise(3, 6) * 0.5),),
    "three channels": (Overlay(gain=noise(3, 7), offset=noise(3, 8) * 0.5),),
    "a part": (Overlay(gain=part(noise(3, 7), 1.0), offset=part(noise(3, 8) * 0.5, 0.0)),),
    "a layer": (Overlay(rgb_enc=noise(3, 9), alpha=noise(1, 10)),),
}


@pytest.mark.parametrize("window", WINDOWS)
@pytest.mark.parametrize("overlays", list(OVERLAYS))
@pytest.mark.parametrize("alpha", [None, 0.0, 1.0])
def test_as_the_reference(window: tuple[slice, slice], overlays: str, alpha: float | None) -> None:
    both(somebody(*window, alpha), Scene(noise(3, 1), OVERLAYS[overlays]))


def test_nobody_and_several() -> None:
    above = OVERLAYS["three channels"]
    both([None], Scene(noise(3, 1), above))
    one, other = somebody(*WINDOWS[1]), somebody(*WINDOWS[2])
    two = Scene(noise(3, 1), above, (OVERLAYS["a layer"],), (1, 0))
    both([one, other], two)
    both([None, other], two)


def test_the_picture_without_anybody_stays() -> None:
    scene = Scene(noise(3, 1))
    laying = Laying()
    laying.core = core()
    first = laying(somebody(*WINDOWS[1]), scene)
    kept = first.picture.clone(), first.alpha.clone()
    later = laying(somebody(*WINDOWS[2]), scene)
    assert torch.equal(first.picture, kept[0])
    assert torch.equal(first.alpha, kept[1])
    assert not torch.equal(first.picture, later.picture)
