"""Read damaged templates in a process of bounded memory, and say how each ended, as JSON lines.

Run as ``python -m tests.stream.template.survive FIRST COUNT`` for documents of ``mutated``, or with
a folder.
"""

from __future__ import annotations

import functools
import json
import resource
import signal
import sys
import tempfile
import traceback
from pathlib import Path

from stream.errors import UserError
from stream.template import svg
from stream.template.loader import examine
from tests.stream.template.mutated import document

MOST_BYTES = 1 << 30
# A watchdog and no measure of speed: ten times what the slowest takes on a busy machine.
MOST_SECONDS = 60


def _pages(which: int) -> int:
    return int(Path("/proc/self/statm").read_text().split()[which]) * resource.getpagesize()


def bound_memory() -> None:
    """Let this process and its children grow to a gigabyte: of what it holds, not of its maps."""
    most = _pages(0) - _pages(1) + MOST_BYTES
    resource.setrlimit(resource.RLIMIT_AS, (most, most))


def _late(*_: object) -> None:
    raise TimeoutError("a document took longer than the watchdog allows")


def read(folder: Path, draw: bool) -> dict[str, object]:
    """How one folder ended: "used", "told", or the traceback of what should not be."""
    signal.alarm(MOST_SECONDS)
    try:
        template, problems = examine(folder)
        if template is not None and draw:
            template.scene(template.picture_size(), {"name": "Ana Roe"})
    except UserError as e:
        return {"end": "told", "said": [str(e)]}
    except Exception:  # noqa: BLE001 - what else comes is what the test asks for
        return {"end": traceback.format_exc(), "said": []}
    finally:
        signal.alarm(0)
    return {"end": "used" if template is not None else "told", "said": list(problems)}


def one(seed: int) -> dict[str, object]:
    """How one damaged document ended."""
    done, files = document(seed)
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) / "ball"
        folder.mkdir()
        for name, content in files.items():
            (folder / name).write_bytes(content)
        return {"seed": seed, "done": done, **read(folder, draw=True)}


def main() -> None:
    signal.signal(signal.SIGALRM, _late)
    bound_memory()
    # Most documents hold the same sound drawing: each different one is drawn once.
    svg.draw_svg = functools.lru_cache(maxsize=64)(svg.draw_svg)
    if len(sys.argv) == 2:
        print(json.dumps(read(Path(sys.argv[1]), draw=False)), flush=True)
    else:
        first, count = map(int, sys.argv[1:])
        for seed in range(first, first + count):
            print(json.dumps(one(seed)), flush=True)
    # Of this process alone: getrusage carries over what its parent held before it.
    status = Path("/proc/self/status").read_text().splitlines()
    (most,) = (int(line.split()[1]) << 10 for line in status if line.startswith("VmHWM"))
    print(json.dumps({"most_bytes": most}), flush=True)


if __name__ == "__main__":
    main()
