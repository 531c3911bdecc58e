"""The keyer's live grade against an engineer's baseline, and its cost against pixels."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, Any

import cv2
import numpy as np
import torch
from torch import Tensor

from demo_clips import scenario
from models import kernels
from models.analysis import Analysis, Known
from models.color import Encoding, Planes
from models.composite import Scene
from models.keyer import Grade, Keyer, KeySettings
from models.placing import Placer
from models.resample import Placement
from models.upright import Upright
from scripts.baseline import Baseline, Ground
from scripts.baseline_fields import Fields
from scripts.timing import Work, alternately, met, one_thread
from stream.capture.frame import Frame
from stream.event import Event
from stream.live.scenes import preview_size

if TYPE_CHECKING:
    from models.kernels.cpu.core import Core

LEAST_FASTER = 2.5
MOST_POWER, MOST_STEP = 1.1, 1.15
"""chosen: a cost that rises by more than 7 % a pixel with every doubling is not linear, nor is one
that rises by more than noise from one size to the next, as when a cache is left."""
SIZES = ((360, 640), (720, 1280), (1080, 1920), (1440, 2560), (2160, 3840))


@dataclass(frozen=True)
class Job:
    """A frame of some size, its plate, and the picture that it goes into.

    Attributes:
        planes: Y', Cb, Cr of the frame.
        plate: R', G', B' of the clean plate.
        encoding: of the frame.
        plate_encoding: of the plate.
        scene: the template at the picture's size.
        place: where the frame lies in it.
    """

    planes: Planes
    plate: Planes
    encoding: Encoding
    plate_encoding: Encoding
    scene: Scene
    place: Placement

    @property
    def size(self) -> tuple[int, int]:
        """(H, W) of the frame."""
        return self.planes[0].shape[0], self.planes[0].shape[1]

    @property
    def name(self) -> str:
        """Sizes in words."""
        (high, wide), (rows, columns) = self.size, self.scene.size
        return f"{wide}x{high} into {columns}x{rows}"

    def keyer(self, device: str = "cpu") -> Keyer:
        """A live keyer that has the plate."""
        keyer = Keyer(Grade.LIVE, device=device, clip=True)
        keyer.set_plate(self.plate, self.plate_encoding)
        return keyer


def job(
    frame: Frame, plate: Frame, event: Event, size: tuple[int, int], height: int | None = None
) -> Job:
    """The clip's frame scaled to (H, W), for a picture as high as it, or of another height."""
    template = event.template(scenario.EVENING)
    picture = preview_size(template.picture_size(), height or size[0])
    person = event.roster.get("103")
    assert person is not None
    scene = template.scene(picture, person.fields)
    scale = size[0] / frame.planes[0].shape[0]
    return Job(
        _scaled(frame.planes, scale), _scaled(plate.planes, scale), frame.encoding, plate.encoding,
        scene, template.placement(size, picture),
    )  # fmt: skip


def _scaled(planes: Planes, scale: float) -> Planes:
    def one(plane: Tensor) -> Tensor:
        if scale == 1:
            return plane
        how = cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA
        large = cv2.resize(plane.numpy(), None, fx=scale, fy=scale, interpolation=how)
        return torch.from_numpy(np.asarray(large, np.uint8))

    y, cb, cr = planes
    return one(y), one(cb), one(cr)


def with_kernels(keyer: Keyer) -> bool:
    """Have the keyer use its device's kernels, with torch's threads; False where there are none."""
    if not kernels.load(keyer.device):
        return False
    keyer.use_kernels(torch.get_num_threads())
    return True


def seen_by(keyer: Keyer, work: Job) -> tuple[Upright, Known, Placer]:
    """The frame as the keyer reads it, what it tells, and what cuts and places it."""

    def upright(planes: Planes, encoding: Encoding, fused: Core | None = None) -> Upright:
        y, cb, cr = (p.to(keyer.device) for p in planes)
        reader = None if fused is None else fused.light((y, cb, cr), encoding, 0)
        return Upright((y, cb, cr), encoding, 0, reader)

    analysis = Analysis(Grade.LIVE, keyer.settings, clip=True)
    analysis.steps = keyer.parts.steps
    analysis.set_plate(upright(work.plate, work.plate_encoding))
    placer = Placer(Grade.LIVE, keyer.device, keyer.solver, analysis)
    placer.core = keyer.parts.core
    frame = upright(work.planes, work.encoding, keyer.parts.core)
    return frame, analysis(frame), placer


def core_of(keyer: Keyer, work: Job) -> Work:
    """All of `Keyer.composite` after the analysis."""
    frame, known, placer = seen_by(keyer, work)

    def core() -> object:
        placed = placer(frame, known, work.place, work.scene.size)
        return keyer.lay([placed], work.scene).picture

    return core


def whole_of(keyer: Keyer, work: Job) -> Work:
    """The live composite as the loop calls it."""
    return lambda: keyer.composite(work.planes, work.encoding, 0, work.scene, work.place).picture


def over_baseline(work: Job, repeats: int) -> list[dict[str, Any]]:
    """Rows of the keyer, by torch and by its kernels, over the baseline: core and whole.

    Every side has one thread (`scripts.timing.one_thread`).
    """
    with one_thread():
        return _over_baseline(work, repeats)


def _over_baseline(work: Job, repeats: int) -> list[dict[str, Any]]:
    analysis = Analysis(Grade.LIVE, KeySettings(), clip=True)
    plate = Upright(work.plate, work.plate_encoding, 0)
    small, ground = analysis.read_plate(plate), Ground.of(work.scene)
    analysis.set_plate(plate)
    fields = Fields.of(analysis(Upright(work.planes, work.encoding, 0)))
    keyers = {"torch": work.keyer()}
    fused = work.keyer()
    if with_kernels(fused):
        keyers["kernels"] = fused
    rows = []
    for part in ("core", "whole"):
        baseline = Baseline()
        baseline.set_plate(small)
        works: dict[str, Work] = {
            name: (core_of if part == "core" else whole_of)(keyer, work)
            for name, keyer in keyers.items()
        }
        if part == "core":
            works["baseline"] = lambda b=baseline: b.core(  # type: ignore[misc]
                work.planes, work.encoding, fields, ground, work.place
            )
        else:
            works["baseline"] = lambda b=baseline: b.whole(  # type: ignore[misc]
                work.planes, work.encoding, ground, work.place
            )
        rows.append(_row(f"live {part}, {work.name}", works, repeats))
    return rows


def _row(name: str, works: dict[str, Work], repeats: int) -> dict[str, Any]:
    times = alternately(works, repeats)
    base = times["baseline"]
    row: dict[str, Any] = {"row": f"{name}, keyer over baseline"}
    for who in (who for who in works if who != "baseline"):
        pairs = [a / b for a, b in zip(times[who].warm, base.warm, strict=True)]
        row[f"{who}_over_baseline"] = median(pairs)
        row[f"{who}_cold_over_warm"] = times[who].cold / times[who].usual
    shipped = "kernels" if "kernels" in works else "torch"
    row["times_faster"] = 1 / row[f"{shipped}_over_baseline"]
    row["faster"] = f"{shipped}: {met(row['times_faster'], LEAST_FASTER, most=False)}"
    if shipped == "torch":
        row["kernels"] = "none for this device"
    row |= {"threads": f"{torch.get_num_threads()} on both sides", "repeats": repeats}
    return row | {"seconds": {k: {"cold": t.cold, "warm": t.warm} for k, t in times.items()}}


def growth(usual: dict[int, float]) -> dict[str, Any]:
    """How time grows with pixels.

    Args:
        usual: seconds of each number of pixels, two of them at least.

    Returns:
        ``power``: of the number of pixels, by least squares through the logarithms: 1 is linear,
        and what a frame costs whatever its size lowers it. ``worst_step``: time a pixel over that
        at the next smaller size, the largest. ``linear``: both against their bars.
    """
    count, seconds = np.log(list(usual)), np.log(list(usual.values()))
    power = float(np.polyfit(count, seconds, 1)[0])
    sizes = sorted(usual)
    each = [usual[n] / n for n in sizes]
    worst = max(b / a for a, b in pairwise(each))
    held = power <= MOST_POWER and worst <= MOST_STEP
    words = (
        f"{'met' if held else 'NOT met'} (bar: at most {MOST_POWER:g} and {MOST_STEP:g}): time "
        f"goes as pixels^{power:.2f}; from one size to the next a pixel takes at most {worst:.2f} "
        "times as long"
    )
    return {"power": power, "worst_step": worst, "linear": words}


def against_pixels(
    frame: Frame,
    plate: Frame,
    event: Event,
    repeats: int,
    sizes: tuple[tuple[int, int], ...] = SIZES,
) -> dict[str, Any]:
    """Time over pixels of the live composite at several sizes, as shares of that at 720p.

    A figure and a verdict: what a pixel more costs must not rise with their number.
    """
    works: dict[str, Work] = {}
    pixels: dict[str, int] = {}
    fused = False
    for size in sizes:
        work = job(frame, plate, event, size)
        keyer = work.keyer()
        fused = with_kernels(keyer)
        name = f"{size[1]}x{size[0]}"
        works[name], pixels[name] = whole_of(keyer, work), size[0] * size[1]
    times = alternately(works, repeats)
    each = {name: t.usual / pixels[name] for name, t in times.items()}
    base = each["1280x720"]
    usual = {pixels[name]: t.usual for name, t in times.items()}
    return {
        "row": "live composite against pixels: time a pixel over that at 1280x720",
        **{f"{name}_over_720p": value / base for name, value in each.items()},
        **growth(usual),
        "path": "kernels" if fused else "torch",
        "threads": torch.get_num_threads(),
        "repeats": repeats,
        "seconds": {k: {"cold": t.cold, "warm": t.warm} for k, t in times.items()},
    }
