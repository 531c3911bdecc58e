"""Train the networks of `models.estimator`.

`python -m models.training.matte SUBJECTS... [--shots 1500] [--steps 6000] [--every-other]` makes
shots of the subjects that are not held out, lets the Keyer describe them, trains one network for
each grade and writes its weights and the course of its loss beside them.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import torch
from safetensors.torch import save_file
from torch import Tensor
from torch.nn import functional

from models.color import SRGB_8BIT
from models.estimator import Estimator
from models.features import look_up
from models.keyer import Grade, Keyer
from models.training import samples, subjects
from models.training.makers import alone
from models.training.subjects import Named

_PIXELS = 8192
"""Pixels taken of a shot, half of them where its alpha is partial."""
_BATCH = 24
SHAPE = {Grade.LIVE: (12, 24), Grade.FINAL: (24, 48)}
"""Channels of the convolution and of the perceptron."""


@dataclass(frozen=True)
class Told:
    """Descriptions of many shots of one size, stacked.

    Attributes:
        pixels: (S, P, 42) half.
        overview: (S, 9, h, w) half.
        place: (S, P, 2) float, column and row in [-1, 1].
        alpha: (S, P) half, the truth.
    """

    pixels: Tensor
    overview: Tensor
    place: Tensor
    alpha: Tensor


Described = tuple[Tensor, Tensor, Tensor, Tensor]


def describe_shot(
    shot: samples.Sample, grade: Grade, device: str, seed: int = 0
) -> Described | None:
    """Pixels, overview, places and alpha of one shot; None where no screen is to be seen."""
    keyer = Keyer(grade, device=device)
    if shot.plate is not None:
        keyer.set_plate(samples.planes(shot.plate), SRGB_8BIT)
    said = keyer.describe(samples.planes(shot.shot), SRGB_8BIT)
    if said is None or len(said[1].index) == 0:
        return None
    subject, asked = said
    truth = torch.from_numpy(shot.alpha).to(device).float().flatten()[asked.index]
    partial = ((truth > 0.004) & (truth < 0.996)).float()
    weight = 1 / len(truth) + partial / partial.sum().clamp_min(1)
    drawn = torch.Generator(device).manual_seed(seed)
    few = len(truth) < _PIXELS
    pick = torch.multinomial(weight, _PIXELS, replacement=few, generator=drawn)
    place = torch.stack([2 * asked.column[pick] - 1, 2 * asked.row[pick] - 1], -1)
    around = look_up(subject.told.around, asked.row[pick], asked.column[pick])
    pixels = torch.cat([asked.pixels[:, pick], around]).T
    return pixels.half(), subject.told.overview[0].half(), place, truth[pick].half()


def _shot(job: tuple[Path, str, int]) -> samples.Sample:
    return samples.sample(*job)


def _shots(of: list[Named], count: int, seed: int) -> Iterator[samples.Sample]:
    jobs = [(*of[i % len(of)], seed + i) for i in range(count)]
    with multiprocessing.get_context("spawn").Pool(initializer=alone) as pool:
        yield from pool.imap(_shot, jobs, chunksize=4)


def describe(of: list[Named], count: int, seed: int, device: str) -> dict[Grade, list[Told]]:
    """Make shots of subjects and describe them for both grades, sorted by their size."""
    parts: dict[Grade, list[Described]] = {g: [] for g in Grade}
    for number, shot in enumerate(_shots(of, count, seed), 1):
        for grade, have in parts.items():
            if (one := describe_shot(shot, grade, device, seed + number)) is not None:
                have.append(one)
        print(f"\rshots: {number} of {count}", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return {g: stacked(have) for g, have in parts.items()}


def stacked(described: list[Described]) -> list[Told]:
    """Put shots of one size together."""
    sizes: dict[tuple[int, ...], list[Described]] = {}
    for one in described:
        sizes.setdefault(tuple(one[1].shape), []).append(one)
    return [Told(*map(torch.stack, zip(*of, strict=True))) for of in sizes.values()]


def _loss(told: Told, net: Estimator, pick: Tensor, half: slice) -> Tensor:
    pixels, place = told.pixels[pick, half].float(), told.place[pick, half]
    shapes = functional.grid_sample(
        net.shapes(told.overview[pick].float()),
        place[:, None],
        padding_mode="border",
        align_corners=False,
    )[:, :, 0].transpose(1, 2)
    found = net(torch.cat([pixels, shapes], -1).flatten(0, 1))
    truth = told.alpha[pick, half].float().flatten()
    off = (found - truth).abs()
    # Beyond 0 and 1 the estimate is clamped: going further costs next to nothing.
    beyond = ((found > 1) & (truth >= 1)) | ((found < 0) & (truth <= 0))
    return torch.where(beyond, off * 0.05, off).mean()


def train(told: list[Told], grade: Grade, steps: int, seed: int) -> tuple[Estimator, list[float]]:
    """Train one network.

    Returns:
        The network, and its mean loss in every hundred steps.
    """
    torch.manual_seed(seed)
    device = told[0].pixels.device
    net = Estimator(*SHAPE[grade]).to(device)
    known = told[0].pixels.shape[-1]
    some = torch.cat([t.pixels[:40].flatten(0, 1) for t in told]).float()
    mean, spread = some.mean(0), some.std(0).clamp_min(1e-2)
    told = [replace(t, pixels=(t.pixels - mean.half()) / spread.half()) for t in told]
    chance = torch.tensor([float(len(t.pixels)) for t in told])
    order = torch.multinomial(chance, steps, replacement=True).tolist()
    optimiser = torch.optim.AdamW(net.parameters(), 3e-3, weight_decay=0.02)
    course, total = [], 0.0
    for step, which in enumerate(order, 1):
        rate = min(1, step / 100) * (0.5 + 0.5 * math.cos(math.pi * step / steps)) + 0.003
        optimiser.param_groups[0]["lr"] = 3e-3 * rate
        pick = torch.randint(len(told[which].pixels), (_BATCH,), device=device)
        half = slice(0, _PIXELS // 2) if step % 2 else slice(_PIXELS // 2, _PIXELS)
        loss = _loss(told[which], net, pick, half)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        optimiser.step()
        total += float(loss.detach())
        if step % 100 == 0 or step == steps:
            course.append(round(total / (step % 100 or 100), 5))
            total = 0.0
    with torch.no_grad():  # the normalisation goes into the first layer
        net.first.weight[:, :known] /= spread
        net.first.bias.sub_(net.first.weight[:, :known] @ mean)
    return net, course


def write(net: Estimator, path: Path) -> None:
    """Keep the weights: plain numbers, no code."""
    save_file({k: v.cpu().contiguous() for k, v in net.state_dict().items()}, path)


def main() -> int:
    """See the module."""
    p = argparse.ArgumentParser(description="Train the matte's networks.")
    p.add_argument("subjects", type=Path, nargs="+", help="folders of rendered subjects")
    p.add_argument("--out", type=Path, default=Path(__file__).parents[1] / "weights")
    p.add_argument("--shots", type=int, default=1500)
    p.add_argument("--steps", type=int, default=6000)
    p.add_argument("--seed", type=int, default=0)
    p.add_argument("--every-other", action="store_true", help="keep half of the subjects out")
    p.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    args = p.parse_args()
    learnt = subjects.taken(args.subjects, args.every_other)
    began = time.monotonic()
    told = describe(learnt, args.shots, args.seed, args.device)
    args.out.mkdir(parents=True, exist_ok=True)
    for grade in Grade:
        net, course = train(told[grade], grade, args.steps, args.seed)
        write(net, args.out / f"matte-{grade.value}.safetensors")
        log = {
            "subjects": len(learnt),
            "shots": sum(len(t.pixels) for t in told[grade]),
            "steps": args.steps,
            "seed": args.seed,
            "torch": torch.__version__,
            "loss": course,
        }
        (args.out / f"matte-{grade.value}.json").write_text(json.dumps(log) + "\n")
        print(f"{grade.value}: loss {course[-1]:.4f}, {time.monotonic() - began:.0f} s", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
