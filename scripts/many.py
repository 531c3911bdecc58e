"""How many sources one machine keys at once: `python scripts/many.py [--sources 4]`.

Each source is a file played by its timestamps through the live program's own capture, keyer and
hand-over, with a template of its own and without pages; by default in a process of its own, as
`posewall live` runs. Told of each: frames a second, frames dropped, the time from a frame's arrival
to its composite, and what the machine had left. Without --sources it looks for the most that keep
up.

    python scripts/many.py                                  # 1080p60: how many?
    python scripts/many.py --each 4                         # four of them a process
    python scripts/many.py --size 3840x2160 --sources 1 --seconds 60
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

# Before torch is loaded, as the command `posewall` does it.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import av
import torch

from scripts.crowd import Apart, Figures
from scripts.footage import CODECS, make_design, make_footage
from scripts.report import keep_json
from scripts.station import Job
from stream.capture.decoder import cores
from stream.device import pick_device
from stream.errors import UserError

# A source keeps up when it shows so much of what comes, and passes over so little of it.
SHOWN, PASSED_OVER = 0.99, 0.001
# A part of the machine that is busier than this is what limits it.
BUSY = 0.9
Keep = Callable[[Sequence[Figures]], None]


class Card:
    """How busy the card's parts are, by nvidia-smi; nothing where there is none."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None
        if shutil.which("nvidia-smi") and torch.cuda.is_available():
            self._process = subprocess.Popen(
                ["nvidia-smi", "dmon", "-s", "u", "-d", "1"], stdout=subprocess.PIPE, text=True
            )

    def read(self) -> dict[str, float]:
        """Stop, and the mean share of time that each part was at work; the ends are left out."""
        if self._process is None:
            return {}
        self._process.terminate()
        text, _ = self._process.communicate(timeout=10)
        return shares(text)


def shares(text: str) -> dict[str, float]:
    """Mean shares of the columns of `nvidia-smi dmon`, without its first and last lines."""
    names: list[str] = []
    rows: list[list[float]] = []
    for line in text.splitlines():
        words = line.split()
        if words[:2] == ["#", "gpu"]:
            names = words[2:]
        elif words and words[0].isdigit():
            rows.append([float(w) if w.isdigit() else 0.0 for w in words[1:]])
    rows = rows[4:-2] or rows[1:] or rows
    columns = zip(names, zip(*rows, strict=False), strict=False)
    return {name: sum(values) / len(values) / 100 for name, values in columns}


def keeps_up(told: Sequence[Figures], rate: float) -> bool:
    """Whether every source showed what came, nearly all of it, and in time."""
    return all(
        not f["failure"]
        and f["fps_out"] * f["elapsed"] >= SHOWN * rate * f["elapsed"] - 1
        and f["dropped"] <= PASSED_OVER * rate * f["elapsed"]
        for f in told
    )


def limit(told: Sequence[Figures], card: dict[str, float], rate: float) -> str:
    """What is nearest to its end."""
    fine = [f for f in told if not f["failure"]]
    if not fine:
        return "nothing ran"
    processes = {f["process"]: f["process_s"] / f["elapsed"] for f in fine}
    # Threads of one process wait for each other's Python; what they do outside it counts as well.
    threads = {p: sum(f["python_share"] for f in fine if f["process"] == p) for p in processes}
    parts = {
        "the card's decoders": card.get("dec", 0.0),
        "the card's time": card.get("sm", 0.0),
        "the processor": sum(processes.values()) / cores(),
        "the threads of one process": max(threads.values()),
        "one source's keying, frame by frame": max(f["keyer_wall_ms"] for f in fine) * rate / 1e3,
    }
    name = max(parts, key=lambda k: parts[k])
    shown = ", ".join(f"{k} {v:.0%}" for k, v in parts.items())
    verdict = f"limited by {name}" if parts[name] >= BUSY else f"nearest to its limit: {name}"
    return f"{verdict} ({shown})"


def table(told: Sequence[Figures]) -> str:
    """A line a source."""
    head = (
        "source  fps out  dropped  composite p50/p99/most ms  in memory p50/p99 ms  "
        "reader/keyer CPU ms  on card ms  decoded there  kernels"
    )
    lines = [head]
    for n, f in enumerate(told):
        if f["failure"]:
            lines.append(f"{n:6}  {f['failure']}")
            continue
        c, m = f["composed_ms"], f["fetched_ms"] or {"p50": 0.0, "p99": 0.0}
        lines.append(
            f"{n:6}  {f['fps_out']:7.2f}  {f['dropped']:7}  "
            f"{c['p50']:7.2f} {c['p99']:7.2f} {c['most']:8.2f}   {m['p50']:9.2f} {m['p99']:9.2f}  "
            f"{f['reader_ms']:9.2f} {f['keyer_ms']:8.2f}  {f['card_ms']:10.2f}  "
            f"{f['on_card']:12.0%}  {'fused' if f['fused'] else 'torch'}"
        )
    return "\n".join(lines)


def _trial(way: Apart, count: int, seconds: float, rate: float) -> Figures:
    failure = way.prepare(count)
    if failure:
        raise SystemExit(f"many: a source did not start: {failure}")
    card = Card()
    told = way.play(count, seconds)
    busy = card.read()
    up = keeps_up(told, rate)
    print(f"\n{count} at once: {'keep up' if up else 'too many'}; {limit(told, busy, rate)}")
    print(table(told), flush=True)
    return {"sources": count, "keep_up": up, "card": busy, "told": told}


def search(
    way: Apart, most: int, seconds: float, rate: float, keep: Keep = lambda _: None
) -> list[Figures]:
    """Trials that close in on the most sources that keep up.

    Args:
        way: what plays them.
        most: where the search ends.
        seconds: of each trial.
        rate: frames a second of each source.
        keep: is given the trials so far after each.
    """
    trials: list[Figures] = []
    good, bad, count = 0, most + 1, 1
    while good + 1 < bad:
        trial = _trial(way, count, seconds, rate)
        trials.append(trial)
        keep(trials)
        if trial["keep_up"]:
            good = count
        else:
            bad = count
        count = min(2 * good, most) if bad > most and good else (good + bad) // 2
    print(f"\nThe most that keep up: {good}")
    return trials


def _size(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"(\d+)x(\d+)", text)
    if match is None or int(match[1]) % 2 or int(match[2]) % 2 or "0" in match.groups():
        raise argparse.ArgumentTypeError(f"got {text}; need WIDTHxHEIGHT, both even")
    return int(match[1]), int(match[2])


def _arguments(words: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n", maxsplit=1)[0])
    parser.add_argument("--sources", type=int, help="how many at once; else the most is found")
    parser.add_argument("--most", type=int, default=32, help="where the search ends (default: 32)")
    parser.add_argument("--seconds", type=float, default=10, help="of each trial (default: 10)")
    parser.add_argument("--size", type=_size, default=(1920, 1080), help="default: 1920x1080")
    parser.add_argument("--rate", type=int, default=60, help="frames a second (default: 60)")
    parser.add_argument("--codec", choices=sorted(CODECS), default="h264")
    parser.add_argument("--device", default="auto", help="auto, cpu or cuda")
    parser.add_argument("--decode", choices=("card", "cpu"), default="card", help="where to decode")
    parser.add_argument("--height", type=int, help="of the composite (default: the source's)")
    parser.add_argument("--clip", type=Path, help="frames to use; else somebody is drawn")
    parser.add_argument("--each", type=int, default=1, help="sources a process (default: 1)")
    parser.add_argument("--no-download", action="store_true", help="leave composites on the card")
    parser.add_argument("--threads", type=int, default=1, help="of torch, each (default: 1)")
    parser.add_argument("--out", type=Path, help="a JSON file for the figures")
    return parser.parse_args(words)


def main(words: Sequence[str] | None = None) -> int:
    """Measure, and tell; 1 when what was asked for does not keep up."""
    wanted = _arguments(words)
    try:
        device = pick_device(wanted.device)
    except UserError as e:
        print(f"many: {e}", file=sys.stderr)
        return 2
    where = torch.cuda.get_device_name(device) if device.startswith("cuda") else "the processor"
    wide, high = wanted.size
    print(
        f"{wide}x{high} at {wanted.rate}, {wanted.codec}; keyed on {where}; {cores()} cores; ",
        end="",
    )
    print(f"torch {torch.__version__}, av {av.__version__}", flush=True)

    def keep(trials: Sequence[Figures]) -> None:
        about = {"device": where, "size": wanted.size, "rate": wanted.rate, "codec": wanted.codec}
        if wanted.out:
            keep_json(wanted.out, {**about, "trials": trials})

    with tempfile.TemporaryDirectory(prefix="posewall-many-") as folder:
        here = Path(folder)
        length = min(wanted.seconds, 60.0) + 15
        clip = make_footage(
            here / "clip.mp4", wanted.size, wanted.rate, length, raw=wanted.clip, codec=wanted.codec
        )
        job = Job(
            clip,
            make_design(here / "design", wanted.size),
            device,
            "cpu" if wanted.decode == "cpu" else device,
            wanted.height or high,
            not wanted.no_download,
        )
        way = Apart(job, wanted.threads, max(1, wanted.each))
        try:
            if wanted.sources:
                trials = [_trial(way, wanted.sources, wanted.seconds, wanted.rate)]
                keep(trials)
            else:
                trials = search(way, wanted.most, wanted.seconds, wanted.rate, keep)
        finally:
            way.close()
    return 0 if any(t["keep_up"] for t in trials) else 1


if __name__ == "__main__":
    sys.exit(main())
