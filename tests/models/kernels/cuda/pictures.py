"""Frames and scenes for the kernels, small enough for an interpreter; the reference's answer."""

from __future__ import annotations

from collections.abc import Sequence

import torch
from torch import Tensor

from models.analysis import Analysis
from models.color import Encoding, Planes, rgb_to_planes, turn
from models.composite import Overlay, Scene
from models.kernels.cuda.analysing import ReferenceAnalyser
from models.kernels.cuda.engine import Engine
from models.keyer import Composite, Grade, Keyer, Placing
from models.pyramid import pool
from models.settings import KeySettings
from models.transfer import encode
from tests.models.keying import scene

DEVICE = torch.device("cuda" if torch.cuda.is_available() else "cpu")


def person(height: int = 40, width: int = 60) -> Tensor:
    """Somebody before a green screen, linear light, with noise: (1, 3, height, width)."""
    small = pool(scene().picture, 4)
    noise = torch.randn(small.shape, generator=torch.Generator().manual_seed(2)) * 0.004
    return (small + noise).clamp(0, 1)[..., :height, :width]


def planes_of(linear: Tensor, encoding: Encoding, chroma: str = "420", turns: int = 0) -> Planes:
    """Planes that become ``linear`` once they are turned so often."""
    shown = turn(encode(linear, encoding.transfer), -turns % 4)
    return rgb_to_planes(shown, encoding, chroma)


def template(size: tuple[int, int], slots: int = 1, gains: int = 1) -> Scene:
    """A scene of noise with a half-covering layer above every slot; none with ``gains`` 0."""
    made = torch.Generator().manual_seed(7)

    def random(channels: int) -> Tensor:
        return torch.rand(1, channels, *size, generator=made)

    def run() -> tuple[Overlay, ...]:
        if gains == 0:
            return ()
        cover = random(gains) * (random(1) > 0.4)
        over = Overlay(gain=(1 - cover).expand(1, 3, *size), offset=cover * random(3))
        under = random(1) * 0.3
        return Overlay(gain=(1 - under).expand(1, 3, *size), offset=under * random(3)), over

    runs = [run() for _ in range(slots)]
    return Scene(random(3), runs[-1], tuple(runs[:-1]), tuple(range(slots)))


def engine(settings: KeySettings | None = None, clip: bool = True) -> Engine:
    """An engine with the reference analysis."""
    set_ = settings or KeySettings()
    keyer = Keyer(Grade.LIVE, set_, DEVICE, clip=clip)
    network = keyer.solver.network
    assert network is not None
    analyser = ReferenceAnalyser(Analysis(Grade.LIVE, set_, clip), network)
    return Engine(network, analyser, set_, alpha=True)


def reference(
    planes: Planes,
    encoding: Encoding,
    turns: int,
    where: Scene,
    placing: Placing | Sequence[Placing | None],
    settings: KeySettings | None = None,
) -> Composite:
    """The picture of the reference."""
    keyer = Keyer(Grade.LIVE, settings, DEVICE, clip=True)
    return keyer.composite(planes, encoding, turns, where.to(DEVICE), placing)


def assert_same(got: Composite | None, want: Composite) -> None:
    """Within a code value in 8 bit and 1/255 in alpha."""
    assert got is not None
    assert got.picture.shape == want.picture.shape
    assert got.picture.dtype == torch.uint8
    off = (got.picture.cpu().int() - want.picture.cpu().int()).abs()
    assert int(off.max()) <= 1
    assert float((got.alpha.cpu() - want.alpha.cpu()).abs().max()) <= 1 / 255
    assert got.screen_found == want.screen_found
    assert got.plate_fits == want.plate_fits
