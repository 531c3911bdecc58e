"""The live grade on a CUDA card: time, over the floor that memory sets, and time to submit.

Frames take turns in several buffers, since one 1080p frame with its picture fits the card's cache,
which flatters. Templates take turns too, so that in no place where pictures are made the same one
comes twice in a row: every bare tile is copied, and core and whole do the same work. Times are the
card's own (events); the floor is reading every byte of planes and template once and writing the
picture once, at the bandwidth that copying reaches here. Submitting is timed on an idle card: a
call that finds two frames under way waits for one of them.

Rows "each picture waited for" are the live program: it asks the keyer for a frame and waits for its
picture, by one template, whose bare tiles stay. They touch fewer bytes, so they have no floor. Rows
"submitted" have two frames under way, as no program of this house asks for them.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from copy import deepcopy
from dataclasses import fields as fields_of
from dataclasses import is_dataclass, replace
from importlib import import_module
from importlib.util import find_spec
from itertools import cycle, islice
from pathlib import Path
from statistics import median
from typing import Any

import torch
from torch import Tensor

from models.analysis import Analysis, Grade
from models.color import Planes
from models.estimator import trained
from models.keyer import Keyer, KeySettings
from models.upright import Upright
from scripts.keying import SIZES, Job, core_of, job, seen_by, whole_of, with_kernels
from scripts.timing import tell
from stream.capture.frame import Frame
from stream.event import Event

BUFFERS = 8
TEMPLATES = 4
"""An engine keeps so many; two lanes take turns, so each sees another with every frame."""
_ROUNDS = 7
_COPY_BYTES = 1 << 29
_ON_CARD = (SIZES[2], SIZES[4])
Work = Callable[[], object]
Add = Callable[[dict[str, Any]], None]


def card_name() -> str | None:
    """The card's name; None without CUDA."""
    return torch.cuda.get_device_name() if torch.cuda.is_available() else None


def held_bytes(held: object) -> int:
    """Memory behind all tensors of a nest of dataclasses and sequences, each counted once."""
    found: dict[int, int] = {}

    def look(x: object) -> None:
        if isinstance(x, Tensor):
            found[x.untyped_storage().data_ptr()] = x.untyped_storage().nbytes()
        elif isinstance(x, (tuple, list)):
            for part in x:
                look(part)
        elif is_dataclass(x):
            for f in fields_of(x):
                look(getattr(x, f.name))

    look(held)
    return sum(found.values())


def copy_bandwidth() -> float:
    """Bytes a second, read and written together, of copying from card memory to card memory."""
    a = torch.ones(_COPY_BYTES, dtype=torch.uint8, device="cuda")
    b = torch.empty_like(a)
    return 2 * _COPY_BYTES / _timed([lambda: b.copy_(a)], 20)[0]


def _timed(works: Sequence[Work], count: int) -> tuple[float, float]:
    """Seconds a call on the card, and seconds that submitting one takes; medians."""
    turns = cycle(works)
    for work in islice(turns, len(works)):
        work()
    torch.cuda.synchronize()
    took = []
    done: object = None
    for _ in range(_ROUNDS):
        begin, end = (
            torch.cuda.Event(enable_timing=True)  # type: ignore[no-untyped-call]
            for _ in range(2)
        )
        begin.record()
        for work in islice(turns, count):
            done = work()
        if isinstance(done, torch.cuda.Event):  # the work went to streams of its own
            torch.cuda.current_stream().wait_event(done)
        end.record()
        end.synchronize()
        took.append(begin.elapsed_time(end) / 1e3 / count)
    return median(took), median(_submitted(turns, count * _ROUNDS))


def _submitted(works: Iterator[Work], count: int) -> list[float]:
    """Seconds of each of so many calls, with nothing under way on the card before it."""
    took = []
    for work in islice(works, count):
        torch.cuda.synchronize()
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    torch.cuda.synchronize()
    return took


def copies(work: Job, device: str = "cuda") -> list[Job]:
    """The same job in several places of the card's memory, templates by turns."""

    def planes() -> Planes:
        y, cb, cr = (p.to(device, copy=True) for p in work.planes)
        return y, cb, cr

    scenes = [deepcopy(work.scene).to(device) for _ in range(TEMPLATES)]
    return [replace(work, planes=planes(), scene=scenes[i % TEMPLATES]) for i in range(BUFFERS)]


def _graphed(work: Work) -> Work:
    """A work as a CUDA graph, so that the card and not the submission is timed."""
    side = torch.cuda.Stream()  # type: ignore[no-untyped-call]
    with torch.cuda.stream(side):
        work()
    torch.cuda.synchronize()
    graph = torch.cuda.CUDAGraph()
    with torch.cuda.graph(graph):
        work()

    def replay(_kept: Work = work) -> None:
        # What a graph reads and writes lives as long as the work that it was made of.
        graph.replay()

    return replay


def _module(name: str) -> Any:
    """One of the card's kernels: they are there only where Triton is."""
    return import_module(f"models.kernels.cuda.{name}")


def _kernel_cores(jobs: list[Job], keyer: Keyer) -> tuple[list[Work], int]:
    """The fused work on single pixels, a graph for each buffer; and the template's bytes."""
    core, fields, layers, network, places = (
        _module(name) for name in ("core", "fields", "layers", "network", "places")
    )
    net = trained("live", torch.device("cuda"))
    weights = network.weights_of(net)
    templates = [layers.layers_of(one.scene, "cuda") for one in jobs[:TEMPLATES]]
    out: list[Work] = []
    for i, one in enumerate(jobs):
        _, known, _ = seen_by(keyer, one)
        told = fields.fields_from(known, net, one.size)
        place = places.place_of(told, one.place, one.scene.size)
        numbers = torch.zeros(places.LENGTH, dtype=torch.int32)
        place.write(numbers)
        room = core.Room.of(told, place.way, one.scene.size, numbers.to("cuda"))
        cores = core.Core(one.planes, one.encoding, 0, told, weights)
        picture = torch.zeros(*one.scene.size, 3, dtype=torch.uint8, device="cuda")
        template = templates[i % TEMPLATES]
        out.append(_graphed(_drawing(cores, template, place.way, room, picture)))
    return out, held_bytes(templates[0])


def _drawing(core: Any, template: Any, way: Any, room: Any, picture: Tensor) -> Work:
    def draw() -> None:
        room.counters.zero_()  # as every frame's numbers do that are uploaded
        core(template, [(0, way, room)], picture)

    return draw


def _engine(keyer: Keyer, work: Job, host: bool = True) -> tuple[Any, str]:
    """An engine as a keyer uses it, and whose analysis it has; torch's where it uses none."""
    analysing, engine = _module("analysing"), _module("engine")
    if keyer.parts.analyser is not None:
        net = keyer.solver.network
        return engine.Engine(net, keyer.parts.analyser, keyer.settings, host), "the keyer's engine"
    analysis = Analysis(Grade.LIVE, KeySettings(), clip=True)
    y, cb, cr = (p.to("cuda") for p in work.plate)
    analysis.set_plate(Upright((y, cb, cr), work.plate_encoding, 0))
    net = trained("live", torch.device("cuda"))
    made = engine.Engine(net, analysing.ReferenceAnalyser(analysis, net), host=host)
    return made, "an engine with the analysis in torch"


def _submitting(engine: Any, work: Job) -> Work:
    """A frame sent on its way without waiting for its picture; the live program waits."""

    def submit() -> object:
        pending = engine.submit(work.planes, work.encoding, 0, work.scene, work.place)
        if pending is None:
            raise RuntimeError("the engine does not cover this scene")
        return pending.done

    return submit


def _row(
    name: str, works: Sequence[Work], count: int, moved: int | None, speed: float
) -> dict[str, Any]:
    """A row; without the floor where it is not known how many bytes are touched."""
    took, submit = _timed(works, count)
    row: dict[str, Any] = {"row": name}
    seconds = {"card": took, "submit": submit}
    if moved is not None:
        row |= {"card_over_floor": took * speed / moved, "floor_bytes": moved}
        seconds["floor"] = moved / speed
    row["submit_over_card"] = submit / took
    return row | {"buffers": len(works), "repeats": _ROUNDS * count, "seconds": seconds}


def compiled_kernels() -> int:
    """How many kernels lie in Triton's folder, of whatever program."""
    folder = Path(import_module("triton").knobs.cache.dir)
    return sum(1 for _ in folder.rglob("*.cubin"))


def _begun(keyer: Keyer, work: Job, loaded: str) -> dict[str, Any]:
    """What the first frames take that compile, or load, the kernels and capture a graph each.

    Args:
        keyer: uses the kernels, and has keyed nothing.
        work: what it is to key.
        loaded: kernels that this process had before, in words.
    """
    before = compiled_kernels()

    def once() -> float:
        torch.cuda.synchronize()
        start = time.perf_counter()
        keyer.composite(work.planes, work.encoding, 0, work.scene, work.place)
        return time.perf_counter() - start

    first, second = once(), once()
    made = compiled_kernels() - before
    later = [once() for _ in range(_ROUNDS)]
    usual = median(later)
    return {
        "row": f"card, kernels, the first two frames, {work.name}",
        "first_over_later": first / usual,
        "second_over_later": second / usual,
        "in_triton's_folder_before": before,
        "compiled_by_them": made,
        "in_this_process_before": loaded,
        "repeats": len(later),
        "seconds": {"first": first, "second": second, "later": usual},
    }


def _pinned(work: Job) -> Job:
    """A job whose planes lie in the host's memory, where the card reads them by itself."""
    y, cb, cr = (p.cpu().pin_memory() for p in work.planes)
    return replace(work, planes=(y, cb, cr))


def on_card(frame: Frame, plate: Frame, event: Event, count: int, add: Add = tell) -> None:
    """Rows of the card; one sentence where there is none."""
    if not torch.cuda.is_available():
        print("Graphics card: not measured, since there is no CUDA here.", flush=True)
        return
    speed = copy_bandwidth()
    print(f"Graphics card: copying moves {speed / 1e9:.0f} GB/s.", flush=True)
    loaded = "none"
    for size in _ON_CARD:
        work = job(frame, plate, event, size)
        jobs = copies(work)
        picture = 3 * work.scene.size[0] * work.scene.size[1]
        moved = held_bytes(list(jobs[0].planes)) + held_bytes(jobs[0].scene) + picture
        keyer = work.keyer("cuda")
        for part, make in (("core", core_of), ("whole", whole_of)):
            works = [make(keyer, one) for one in jobs]
            name = f"card, torch, {part}, {work.name}"
            add(_row(name, works, max(2, count // 5), moved, speed))
        if missing := _missing():
            print(f"Kernels of the card: not measured, since {missing}.", flush=True)
            continue
        kernels = work.keyer("cuda")
        if fused := with_kernels(kernels):
            add(_begun(kernels, jobs[0], loaded))
            loaded = f"those for {work.name}"
        works, template = _kernel_cores(jobs, keyer)
        moved = held_bytes(list(jobs[0].planes)) + template + picture
        add(_row(f"card, kernels, core, {work.name}", works, count, moved, speed))
        if fused:
            alike = [replace(one, scene=jobs[0].scene) for one in jobs]
            pinned = [_pinned(one) for one in alike]
            for words, some in (("on the card", alike), ("in pinned memory", pinned)):
                works = [whole_of(kernels, one) for one in some]
                name = "card, kernels, whole, each picture waited for, one template, planes "
                add(_row(f"{name}{words}, {work.name}", works, count, None, speed))
        for words, host, some in (
            ("planes and pictures on the card", False, jobs),
            ("planes on the card", True, jobs),
            ("planes in pinned memory", True, [_pinned(one) for one in jobs]),
        ):
            engine, whose = _engine(kernels, work, host)
            works = [_submitting(engine, one) for one in some]
            name = f"card, kernels, whole, submitted to {whose}, {words}, {work.name}"
            add(_row(name, works, count, moved, speed))


def _missing() -> str | None:
    """Why the card's kernels cannot be measured; None where they can."""
    if find_spec("triton") is None:
        return "triton is not installed"
    package = "models.kernels.cuda"
    if find_spec(package) is None or find_spec(f"{package}.core") is None:
        return f"{package} is not here"
    return None
