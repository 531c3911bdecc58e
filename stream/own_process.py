"""How a module of this program is run in a process of its own, from whatever folder."""

from __future__ import annotations

import os
import signal
import site
import subprocess
import sys
import sysconfig
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import stream

LOW: int = getattr(subprocess, "BELOW_NORMAL_PRIORITY_CLASS", 0)
"""``creationflags`` of one that leaves room for the picture; 0 but on Windows, since elsewhere a
process lowers its own priority."""


def command(module: str, *words: str) -> list[str]:
    """The words that run a module; to be run in `environment`.

    Args:
        module: its full name.
        words: its arguments.
    """
    # Without -P Python would look for every module in the current folder first: the user's.
    return [sys.executable, "-P", "-m", module, *words]


def environment() -> dict[str, str]:
    """The variables of this process, by which the other finds the same program.

    Where it is installed it is found anyway; to name that folder would put all that is installed
    before the standard library.
    """
    about = dict(os.environ)
    root = Path(stream.__file__).resolve().parents[1]
    paths = sysconfig.get_paths()
    installed = [paths["purelib"], paths["platlib"], site.getusersitepackages()]
    # An empty entry means the current folder.
    found = [path for path in about.get("PYTHONPATH", "").split(os.pathsep) if path]
    if root not in [Path(path).resolve() for path in installed]:
        found.insert(0, str(root))
    about["PYTHONPATH"] = os.pathsep.join(found)
    return about


def begin(module: str, *words: str, **how: Any) -> subprocess.Popen[Any]:
    """Run a module beside this program, for as long as its standard input is held open.

    Ctrl-C in a terminal does not reach it: that is for this program, which ends it in time.

    Args:
        module, words: as in `command`.
        how: more for `subprocess.Popen`.

    Raises:
        OSError: no process could be made.
    """
    return subprocess.Popen(
        command(module, *words),
        stdin=subprocess.PIPE,
        env=environment(),
        process_group=0,
        **how,
    )


def how_it_ended(code: int) -> str:
    """Why a process ended that said nothing, for people, to follow its name.

    Args:
        code: what it ended with, as `subprocess.Popen.returncode`.
    """
    if code >= 0:  # always so on Windows, which has no such signal
        return f"ended before its time (code {code})"
    if code == -signal.SIGKILL:
        return "was ended by the system, as happens when memory runs out: close other programs"
    return f"broke off ({signal.strsignal(-code) or f'signal {-code}'})"


def at_end_of_input(act: Callable[[], object], descriptor: int = 0) -> None:
    """In the process that was begun: do something once nobody holds its input any more.

    Args:
        act: done on a thread of its own, also where the input cannot be read.
        descriptor: of the input. What comes before its end is passed over.
    """

    def wait() -> None:
        try:
            while os.read(descriptor, 1 << 12):  # not `sys.stdin`, whose lock would be held at exit
                pass
        finally:
            act()

    threading.Thread(target=wait, name="input", daemon=True).start()


def stand_back(steps: int, idle: bool = False) -> None:
    """In a process beside the live picture: leave it room.

    Args:
        steps: how far below it, as in `os.nice`.
        idle: run only on what others leave, where that can be told. By steps alone a process
            keeps a core for some milliseconds when the picture wants it.
    """
    if idle and sys.platform == "linux":
        with suppress(OSError):  # a container may forbid it
            os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))
            return
    if hasattr(os, "nice"):
        os.nice(steps)
