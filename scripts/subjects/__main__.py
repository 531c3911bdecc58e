"""Render training subjects: `python -m scripts.subjects RENDER_FOLDER FIRST STEP COUNT OUT`.

Run it in the repository's folder, by a Python of its own that has Blender as a module; `renderer`
names the packages and what RENDER_FOLDER holds. Seeds `LEAST_SEED` + FIRST, + FIRST + STEP, ...
are rendered, so that two processes share the work by FIRST 0 and 1, STEP 2; THREADS=1 in the
environment bounds each. A subject mostly takes one to two minutes of one core, glass and metal
several. Those that lie in OUT are passed over.

OUT is read by `models.training`: for each seed N, rN_a.png, rN_f.jpg and rN_n.jpg.
"""

from __future__ import annotations

import argparse
import sys
import time
import traceback
from collections.abc import Sequence
from pathlib import Path

from models.errors import PosewallError
from scripts.subjects.passes import alpha_file, check, rendered, write
from scripts.subjects.renderer import Renderer, load
from scripts.subjects.subject import make
from stream.errors import UserError

# Lower seeds make the people of other sets; below 1000 those of scenes that results are told on.
LEAST_SEED = 5000


def seeds(first: int, step: int, count: int) -> range:
    """The seeds of a run.

    Raises:
        UserError: they would leave the range, or there are none.
    """
    if first < 0 or step < 1 or count < 1:
        raise UserError(
            f"got FIRST {first}, STEP {step}, COUNT {count}; "
            "need 0 or more for FIRST, 1 or more for the others"
        )
    return range(LEAST_SEED + first, LEAST_SEED + first + step * count, step)


def render(draw: Renderer, seed: int, out: Path) -> str:
    """Render a seed's subject and write it; a line about it.

    Raises:
        UnsoundError: the pictures cannot be right; nothing is written.
    """
    began = time.monotonic()
    made = make(draw, seed)
    picture = rendered(draw, made, seed)
    check(picture)
    write(picture, out, f"r{seed}")
    seconds = time.monotonic() - began
    return f"alpha {picture.alpha.mean():.2f}, {seconds:.1f} s, {made.label}"


def render_all(draw: Renderer, wanted: Sequence[int], out: Path) -> list[int]:
    """Render what is not there yet; the seeds that failed."""
    failed = []
    for seed in wanted:
        if alpha_file(out, f"r{seed}").exists():
            continue
        try:
            print(f"r{seed}: {render(draw, seed, out)}", flush=True)
        except OSError:
            raise
        except Exception as e:  # noqa: BLE001 - the one place: of thousands of scenes a few fail
            failed.append(seed)
            if not isinstance(e, PosewallError):
                traceback.print_exc()
            print(f"r{seed}: failed: {e}", file=sys.stderr, flush=True)
    return failed


def main(words: Sequence[str] | None = None) -> int:
    """Run, and say a mistake in one sentence; 1 where a subject failed."""
    p = argparse.ArgumentParser(
        prog="python -m scripts.subjects",
        description="Render random training subjects, rich in what is hard to key.",
    )
    p.add_argument("render_folder", type=Path, help="holds human.py, props.py, scene.py and mh")
    p.add_argument("first", type=int, help=f"the first seed, counted from {LEAST_SEED}")
    p.add_argument("step", type=int, help="from one seed to the next")
    p.add_argument("count", type=int, help="how many")
    p.add_argument("out", type=Path, help="folder for the pictures; what is in it is kept")
    args = p.parse_args(words)
    try:
        wanted = seeds(args.first, args.step, args.count)
        draw = load(args.render_folder)
        args.out.mkdir(parents=True, exist_ok=True)
        failed = render_all(draw, wanted, args.out)
    except (PosewallError, OSError) as e:
        print(f"subjects: {e}", file=sys.stderr)
        return 2
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
