"""Set up the environment in `.venv`: system libraries, packages, and a stamp that says it is done.

Runs before anything is installed, so it uses the standard library alone. `scripts/setup.sh` finds
the Python for it. Called again it only compares the stamp.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import json
import os
import re
import select
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

# The program itself for whoever runs this file rather than importing it.
sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from scripts.needs import SetupError, provide

try:
    import fcntl
except ImportError:  # Windows, where two set-ups at once are the user's own doing
    fcntl = None  # type: ignore[assignment]

ROOT = Path(__file__).resolve().parent.parent
STAMP = "posewall-setup.json"
UNFINISHED = "posewall-setup-unfinished"
# The longest time without a word, seconds; some downloads are large.
QUIET_S = 20.0

Say = Callable[[str], None]


def say(line: str) -> None:
    """A line of progress."""
    print(line, flush=True)


def inputs(root: Path) -> str:
    """What the environment depends on: what is asked for, and where the checkout lies."""
    digest = hashlib.sha256(str(root).encode())
    for name in ("pyproject.toml", "constraints.txt"):
        digest.update((root / name).read_bytes())
    return digest.hexdigest()


def python_of(venv: Path) -> str | None:
    """The version of the Python in an environment; None where it does not run."""
    words = [str(venv / "bin" / "python"), "-c", "import sys; print(sys.version)"]
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=False)
    except OSError:
        return None
    return done.stdout.strip() if done.returncode == 0 else None


def _stamped(venv: Path) -> dict[str, str] | None:
    try:
        stamp: dict[str, str] = json.loads((venv / STAMP).read_text("utf-8"))
    except (OSError, ValueError):
        return None
    return stamp


def discard(venv: Path) -> None:
    """Take an environment away; interrupted, it leaves nothing under its name."""
    old = venv.with_name(f"{venv.name}.discarded")
    shutil.rmtree(old, ignore_errors=True)
    with contextlib.suppress(FileNotFoundError):
        venv.rename(old)
    shutil.rmtree(old, ignore_errors=True)


def prepare(root: Path, install: Callable[[Path], None], say: Say = say) -> bool:
    """Bring the environment of a checkout up to date.

    Args:
        root: the checkout.
        install: makes or completes the environment at a path; may be interrupted at any moment.
        say: gets the lines of progress.

    Returns:
        False where all was in place.
    """
    venv, want = root / ".venv", inputs(root)
    python = python_of(venv)
    unfinished = (venv / UNFINISHED).exists()
    if python and not unfinished and _stamped(venv) == {"inputs": want, "python": python}:
        return False
    if unfinished:
        say("The last set-up was interrupted; beginning anew.")
        discard(venv)
    elif venv.exists() and not python:
        say("The Python of .venv is gone; beginning anew.")
        discard(venv)
    venv.mkdir(exist_ok=True)
    (venv / UNFINISHED).touch()
    (venv / STAMP).unlink(missing_ok=True)
    install(venv)
    stamp = {"inputs": want, "python": python_of(venv)}
    (venv / STAMP).write_text(json.dumps(stamp) + "\n", "utf-8")
    (venv / UNFINISHED).unlink()
    return True


def pip_lines(lines: Iterator[str | None], say: Say) -> list[str]:
    """Tell a person what pip does.

    Args:
        lines: of pip's output; None where it was quiet for `QUIET_S`.
        say: gets what is worth telling.

    Returns:
        All lines, for a failure.
    """
    kept, last = [], "the packages"
    for line in lines:
        if line is None:
            say(f"  ... still at {last}")
            continue
        kept.append(line)
        if found := re.match(r"Collecting ([\w.-]+)", line):
            last = found[1]
        elif found := re.search(
            r"(?:Downloading|Using cached) \S*?([\w.]+)-[\w.+]+-\S+ \((\d+)\.?\d* MB\)", line
        ):
            last = found[1]
            if int(found[2]) >= 10:
                say(f"  {found[1]}, {found[2]} MB")
        elif line.startswith("Installing collected packages:"):
            last = "putting the packages in place"
            say(f"  putting {line.count(',') + 1} packages in place")
    return kept


def _output(process: subprocess.Popen[bytes]) -> Iterator[str | None]:
    assert process.stdout is not None
    begun = b""
    while True:
        if not select.select([process.stdout], [], [], QUIET_S)[0]:
            yield None
            continue
        part = os.read(process.stdout.fileno(), 1 << 16)
        if not part:
            break
        *whole, begun = (begun + part).split(b"\n")
        yield from (line.decode(errors="replace").strip() for line in whole)
    if begun:
        yield begun.decode(errors="replace").strip()


def _pip(venv: Path, *words: str) -> None:
    command = [str(venv / "bin" / "python"), "-m", "pip", "install", "--disable-pip-version-check"]
    process = subprocess.Popen(
        [*command, "--progress-bar", "off", "-c", "constraints.txt", *words],
        cwd=ROOT,
        env=os.environ | {"PIP_USER": "0", "PYTHONUNBUFFERED": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    )
    try:
        lines = pip_lines(_output(process), say)
    finally:
        if process.poll() is None:
            process.terminate()
        process.wait()
    if process.returncode:
        raise SetupError(
            "\n".join(lines[-12:]) + "\nThe packages could not be installed; pip's last words "
            "stand above. See that this machine is online and has 6 GB free, then try again."
        )


def install(venv: Path) -> None:
    """Make the environment, or complete it, with the versions of `constraints.txt`."""
    if not (venv / "bin" / "python").exists():
        version = ".".join(map(str, sys.version_info[:3]))
        say(f"Setting up .venv with Python {version}; a minute or more, once.")
        made = subprocess.run(
            [sys.executable, "-m", "venv", str(venv)], capture_output=True, text=True, check=False
        )
        if made.returncode:
            raise SetupError(f"{made.stdout}{made.stderr}\n.venv could not be made.")
    else:
        say("Bringing .venv up to date.")
    # First what builds Posewall: then its version is a pinned one, too.
    _pip(venv, "hatchling", "editables")
    _pip(venv, "--no-build-isolation", "-e", ".[dev]")
    tried = subprocess.run(
        [str(venv / "bin" / "python"), "-c", "import av, cv2, torch, stream.cli"],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    if tried.returncode:
        raise SetupError(f"{tried.stderr}\nThe packages are there but do not load; see above.")
    say("Set up.")


@contextlib.contextmanager
def alone(root: Path) -> Iterator[None]:
    """Only one set-up of a checkout at a time."""
    if fcntl is None:
        yield
        return
    with (root / ".venv.lock").open("w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            say("Another set-up of this checkout is at work; waiting for it.")
            fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def main(words: Sequence[str] | None = None) -> int:
    """Set up; 1 with a sentence where that cannot be done."""
    parser = argparse.ArgumentParser(prog="setup", description="Set up the environment in .venv.")
    parser.add_argument("--tests", action="store_true", help="and what the tests need")
    args = parser.parse_args(words)
    try:
        with alone(ROOT):
            provide(for_tests=args.tests, say=say)
            prepare(ROOT, install)
    except SetupError as error:
        print(f"set-up: {error}", file=sys.stderr)
        return 1
    except OSError as error:
        print(f"set-up: the checkout cannot be written to ({error}).", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("\nset-up: interrupted; the next one begins anew.", file=sys.stderr)
        return 130
    return 0


if __name__ == "__main__":
    sys.exit(main())
