"""Score the mattes on a folder of scenes with known truth: `make quality DATA=FOLDER`.

Every scene is cut by the real command, in every version that a camera would give, and scored by the
folder's own scorer. A table, all figures as JSON and pictures to look at go into bench/.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import platform
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import asdict, fields
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

# Before torch is loaded, as the command `posewall` does it.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from scripts import tables
from scripts.scenes import Scenes, open_scenes
from scripts.scoring import CLOSED_FORM_ON, Row, Task, bound, work
from stream.errors import UserError

ROOT = Path(__file__).resolve().parent.parent
BARS = ROOT / "scripts" / "bars.toml"
LIBRARIES = ("torch", "numpy", "opencv-python", "av", "scipy", "pymatting")
CLOSED_FORM = "closed-form"
GRADES = ("final", "live")
PLATES = (True, False)


def planned(scenes: Scenes, only: list[str], wanted: list[str], sheets: Path) -> list[Task]:
    """What there is to do, the longest first.

    Args:
        scenes: the folder.
        only: variants, codings of clips, or "closed-form"; empty is all.
        wanted: how the names of scenes begin; empty is all.
        sheets: the folder for the sheets.

    Raises:
        UserError: a name that is none of these.
    """
    variants, codings = list(scenes.load.VARIANTS), scenes.codings()
    known = [*variants, *codings, *([CLOSED_FORM] if CLOSED_FORM_ON in variants else [])]
    strange = [x for x in only if x not in known]
    if strange:
        raise UserError(f"ONLY names {', '.join(strange)}; known here are {', '.join(known)}")
    every = [*scenes.load.stills(), *scenes.load.videos()]
    strange = [w for w in wanted if not any(n.startswith(w) for n in every)]
    if strange:
        raise UserError(f"SCENES names {', '.join(strange)}; there are {', '.join(every)}")

    def chosen(names: list[str]) -> list[str]:
        return [n for n in names if not wanted or any(n.startswith(w) for w in wanted)]

    variants = [v for v in variants if not only or v in only]
    codings = [c for c in codings if not only or c in only]
    stills, clips = chosen(scenes.load.stills()), chosen(scenes.load.videos())
    looked_at = CLOSED_FORM_ON if CLOSED_FORM_ON in variants else next(iter(variants), None)
    at = scenes.folder
    tasks = [Task(at, "clip", n, c, PLATES, GRADES) for n in clips for c in codings]
    if CLOSED_FORM in known and (not only or CLOSED_FORM in only):
        tasks += [Task(at, "closed form", n, CLOSED_FORM_ON, (True,), ("final",)) for n in stills]
    for name in stills:
        for v in variants:
            sheet = sheets / f"{name}.jpg" if v == looked_at else None
            tasks.append(Task(at, "still", name, v, PLATES, GRADES, sheet))
    if not tasks:
        raise UserError("ONLY and SCENES together leave nothing to do; leave one of them out")
    return tasks


def failed(task: Task, error: BaseException) -> list[Row]:
    """The rows of a task that ended by an error of its own."""
    words = f"{type(error).__name__}: {error}"
    return [
        Row(task.kind, task.scene, task.variant, plate, grade, {}, error=words)
        for plate in task.plates
        for grade in task.grades
    ]


def done(tasks: list[Task], workers: int) -> Iterator[list[Row]]:
    """Work on the tasks in processes of their own; each as it is finished."""
    threads = max(1, (os.cpu_count() or 1) // workers)
    # Read by the numeric libraries when a worker loads them.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"):
        os.environ[name] = str(threads)
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, context, bound, (threads,)) as pool:
        waiting: dict[Future[list[Row]], Task] = {pool.submit(work, t): t for t in tasks}
        try:
            while waiting:
                for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                    task, error = waiting.pop(future), future.exception()
                    yield failed(task, error) if error else future.result()
        except KeyboardInterrupt:
            print("Stopping, once the pieces at work are finished.", flush=True)
            raise
        finally:
            pool.shutdown(cancel_futures=True)


def told(rows: list[Row], at: int, of: int, start: float) -> None:
    """Progress, a line a task."""
    left = (time.monotonic() - start) * (of / at - 1)
    row = rows[0]
    if row.error:
        words = f"failed: {row.error}"
    else:
        names = ("SAD", "band", "dE00", "dtSSD")
        words = "  ".join(f"{n} {row.figures[n]:.4g}" for n in names if n in row.figures)
    remaining = f"about {left / 60:.0f} min left" if left >= 60 else f"about {left:.0f} s left"
    print(f"{at}/{of} {row.kind} {row.scene} {row.variant}: {words}; {remaining}", flush=True)


def about(scenes: Scenes, workers: int) -> dict[str, Any]:
    """What these figures belong to."""
    words = ["git", "-C", str(ROOT), "describe", "--always", "--dirty"]
    try:
        git = subprocess.run(words, capture_output=True, text=True, check=False).stdout.strip()
    except FileNotFoundError:
        git = ""
    return {
        "folder": scenes.folder.name,
        "source": git,
        "workers": workers,
        "cores": os.cpu_count(),
        "system": platform.platform(),
        "python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
    }


def read_bars(path: Path) -> dict[str, Any]:
    """Bars from a TOML file.

    Raises:
        UserError: it cannot be read.
    """
    try:
        return tomllib.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as e:
        raise UserError(f"{path}: need a TOML file of bars like scripts/bars.toml ({e})") from e


def read_rows(path: Path) -> list[Row]:
    """The rows of an earlier run.

    Raises:
        UserError: it is no figures.json.
    """
    names = {f.name for f in fields(Row)}
    try:
        rows = json.loads(path.read_text("utf-8"))["rows"]
        return [Row(**{k: v for k, v in r.items() if k in names}) for r in rows]
    except (OSError, ValueError, KeyError, TypeError) as e:
        raise UserError(f"{path}: need the figures.json of an earlier run ({e})") from e


def order(rows: list[Row], tasks: list[Task]) -> list[Row]:
    """Rows in the order of the tasks, whoever was first."""
    places = {(t.kind, t.scene, t.variant): i for i, t in enumerate(tasks)}
    return sorted(rows, key=lambda r: places[(r.kind, r.scene, r.variant)])


def report(rows: list[Row], bars: dict[str, Any], base: list[Row]) -> tuple[str, str]:
    """The summary for the terminal, and all of it for the file, both Markdown."""
    marks = tables.Marks(bars)
    upper = [
        *tables.stills_means(rows, marks),
        *tables.clips(rows, marks),
        *tables.closed_form(rows, marks),
        *tables.compared(rows, base),
    ]
    scenes = tables.stills_scenes(rows, marks)
    notes = tables.notes(rows, marks)
    return "\n".join([*upper, *notes]), "\n".join([*upper, *notes, *scenes])


def parsed(words: Sequence[str] | None = None) -> argparse.Namespace:
    """The options, as the Makefile hands them on: an empty one counts as left out."""
    p = argparse.ArgumentParser(description="Score the mattes on scenes with known truth.")
    p.add_argument("data", help="the folder: load.py, score.py and data")
    p.add_argument("--only", default="", help="variants, crf10, crf23, closed-form; usual: all")
    p.add_argument("--scenes", default="", help="how the scenes' names begin; usual: all")
    p.add_argument("--out", default="", help="folder for what is written; usual: one in bench/")
    p.add_argument("--workers", default="", help="processes; usual: as many as cores, at most 8")
    p.add_argument("--bars", default="", help="TOML file of bars; usual: scripts/bars.toml")
    p.add_argument("--base", default="", help="figures.json of an earlier run, to compare with")
    return p.parse_args(words)


def run(args: argparse.Namespace) -> int:
    """Cut, score, write.

    Raises:
        UserError: an option that cannot be followed.
    """
    if not args.data:
        raise UserError(
            "no folder was named; type make quality DATA=FOLDER, a folder of scenes with load.py, "
            "score.py and data/stills"
        )
    scenes = open_scenes(Path(args.data))
    bars = read_bars(Path(args.bars) if args.bars else BARS)
    base = read_rows(Path(args.base)) if args.base else []
    if args.workers and not (args.workers.isdigit() and int(args.workers) > 0):
        raise UserError(f"WORKERS is {args.workers}; need a whole number from 1")
    workers = int(args.workers) if args.workers else min(8, os.cpu_count() or 1)
    now = datetime.now().astimezone()
    out = Path(args.out) if args.out else ROOT / "bench" / f"quality-{now:%Y%m%d-%H%M%S}"
    tasks = planned(scenes, args.only.split(), args.scenes.split(), out.resolve())
    workers = min(workers, len(tasks))
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as e:
        raise UserError(f"{out}: this folder could not be made ({e.strerror}); change OUT") from e
    print(f"{len(tasks)} pieces of work in {workers} processes", flush=True)
    of = {"made": now.isoformat(timespec="seconds"), **about(scenes, workers)}
    start = time.monotonic()
    rows: list[Row] = []
    stopped = False
    try:
        for at, found in enumerate(done(tasks, workers), 1):
            rows += found
            told(found, at, len(tasks), start)
    except KeyboardInterrupt:
        stopped = True
    written(out, of, order(rows, tasks), bars, base)
    if stopped:
        print("Stopped early: only what was finished is in these files.")
        return 130
    return 1 if any(r.error for r in rows) else 0


def written(
    out: Path, of: dict[str, Any], rows: list[Row], bars: dict[str, Any], base: list[Row]
) -> None:
    """Write table.md and figures.json, and print the summary."""
    short, whole = report(rows, bars, base)
    head = f"# Mattes of {of['folder']}\n\n{', '.join(f'{k} {v}' for k, v in of.items())}\n\n"
    means = [
        {"kind": k[0], "variant": k[1], "plate": k[2], "grade": k[3], "figures": v}
        for k, v in tables.means(rows).items()
    ]
    figures = {"about": of, "bars": bars, "means": means, "rows": [asdict(r) for r in rows]}
    (out / "figures.json").write_text(json.dumps(figures, indent=1) + "\n", "utf-8")
    (out / "table.md").write_text(head + whole + "\n", "utf-8")
    print(f"\n{short}\nEvery scene stands in {out / 'table.md'}, beside the sheets to look at.")


def main(words: Sequence[str] | None = None) -> int:
    """Run, and say a mistake in one sentence."""
    try:
        return run(parsed(words))
    except UserError as e:
        print(f"quality: {e}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(main())
