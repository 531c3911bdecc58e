"""What a keyer uses in place of plain torch on its device."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from models.analysis import REFERENCE, Steps
from models.estimator import Estimator
from models.refine import Refiner
from models.settings import KeySettings
from models.upright import Upright

if TYPE_CHECKING:
    from models.kernels.cpu.core import Core
    from models.kernels.cuda.engine import Engine
    from models.kernels.cuda.live import LiveAnalyser


@dataclass(frozen=True)
class Fused:
    """The fused parts of the live grade; none of them: plain torch.

    Attributes:
        steps: what the analysis is made of.
        core: works on single pixels, on a CPU.
        engine: does everything, on a card.
        analyser: the engine's.
    """

    steps: Steps = REFERENCE
    core: Core | None = None
    engine: Engine | None = None
    analyser: LiveAnalyser | None = None


def fused(
    network: Estimator,
    settings: KeySettings,
    plate: Upright | None,
    threads: int,
    refiner: Refiner | None = None,
) -> Fused:
    """The fused parts for the device of a network, as far as they cover it and what is set.

    Args:
        network: the live network.
        settings: what a person set.
        plate: the clean plate that is in use.
        threads: how many share a frame on a CPU.
        refiner: the edge network, on a card; None: nothing is corrected.
    """
    # Late: both take a while to import, and not every program uses them.
    if network.first.weight.is_cuda:
        from models.kernels.cuda.engine import Engine
        from models.kernels.cuda.live import LiveAnalyser

        analyser = LiveAnalyser(settings, network, refiner)
        analyser.set_plate(plate)
        engine = Engine(network, analyser, settings)
        return Fused(engine=engine, analyser=analyser) if engine.covers else Fused()
    from models.kernels.cpu.analysing import steps
    from models.kernels.cpu.core import Core

    if not Core.covers_network(network):
        return Fused()
    return Fused(steps(), Core(network, settings, threads))
