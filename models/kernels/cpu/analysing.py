"""The steps of a live analysis on a CPU, compiled; see `models.analysis.Steps`."""

from __future__ import annotations

from torch import Tensor

from models.analysis import Steps
from models.field import Fitted
from models.kernels.cpu.finding import find, noise, plate_misfit, unclear_within
from models.kernels.cpu.fitting import fit
from models.kernels.cpu.outlining import Shown, with_outside
from models.kernels.cpu.reducing import reduced, sampled
from models.kernels.cpu.subject import find_subject
from models.kernels.cpu.workspace import Workspace
from models.matte import Subject
from models.plate import Plate
from models.screen import Hue, Screen


def steps() -> Steps:
    """The steps for one source: they share memory to work in, so one thread at a time."""
    work = Workspace()
    shown: list[Shown] = []

    def fitted(rgb: Tensor, guess: Tensor, hue: Hue, from_plate: bool) -> Fitted:
        return fit(rgb, guess, hue, from_plate, work)

    def outlined(rgb: Tensor, screen: Fitted, plate: Plate | None) -> Fitted:
        if plate is not None and (not shown or shown[0].plate is not plate):
            shown[:] = [Shown.of(plate)]
        return with_outside(rgb, screen, None if plate is None else shown[0], work)

    def found(rgb: Tensor, screen: Screen, rounds: int, close: bool, grain: float) -> Subject:
        return find_subject(rgb, screen, rounds, close, grain, work)

    return Steps(
        reduced=reduced,
        sampled=sampled,
        find=find,
        plate_misfit=plate_misfit,
        fit=fitted,
        with_outside=outlined,
        noise=noise,
        find_subject=found,
        unclear_within=unclear_within,
    )
