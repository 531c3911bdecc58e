"""What the system must bring: libraries for the program, a browser and a screen for its tests.

Root on Debian and Ubuntu gets what is missing installed by name; anyone else gets a sentence.
"""

from __future__ import annotations

import ctypes
import importlib.util
import os
import platform
import shutil
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field


class SetupError(Exception):
    """What stops the set-up, in words for the user."""


@dataclass(frozen=True)
class Need:
    """Something that a package manager must bring.

    Attributes:
        packages: Debian's names.
        purpose: what goes without it, a whole clause.
        present: looks whether it is there.
        vital: nothing goes without it.
        for_tests: only the tests need it.
        snap: the name where Ubuntu offers it as a snap instead.
    """

    packages: tuple[str, ...]
    purpose: str
    present: Callable[[], bool]
    vital: bool = False
    for_tests: bool = False
    snap: str | None = None


def _library(name: str) -> Callable[[], bool]:
    def present() -> bool:
        try:
            ctypes.CDLL(name)
        except OSError:
            return False
        return True

    return present


def _program(*names: str) -> Callable[[], bool]:
    return lambda: any(shutil.which(name) for name in names)


NEEDS = (
    Need(
        (f"python3.{sys.version_info[1]}-venv",),
        "this Python cannot make an environment",
        lambda: importlib.util.find_spec("ensurepip") is not None,
        vital=True,
    ),
    Need(("libgl1",), "OpenCV does not load", _library("libGL.so.1"), vital=True),
    Need(("libglib2.0-0",), "OpenCV does not load", _library("libgthread-2.0.so.0"), vital=True),
    Need(
        ("libfribidi0",),
        "names that are written from right to left come out in the wrong order",
        _library("libfribidi.so.0"),
    ),
    Need(("xvfb",), "the tests of screen capture are skipped", _program("Xvfb"), for_tests=True),
    Need(
        ("x11-xserver-utils",),
        "the tests of screen capture are skipped",
        _program("xsetroot"),
        for_tests=True,
    ),
    Need(
        ("chromium", "fonts-liberation"),
        "the tests of the pages are skipped (in CI they fail)",
        _program("chromium"),
        for_tests=True,
        snap="chromium",
    ),
)


def _apt(packages: Sequence[str]) -> bool:
    environment = os.environ | {"DEBIAN_FRONTEND": "noninteractive"}
    quiet = ["apt-get", "-qq", "-o", "Dpkg::Use-Pty=0"]
    for words in (["update"], ["install", "-y", "--no-install-recommends", *packages]):
        done = subprocess.run(
            [*quiet, *words], env=environment, stdout=subprocess.DEVNULL, check=False
        )
        if done.returncode:
            return False
    return True


def _system() -> Mapping[str, str]:
    try:
        return platform.freedesktop_os_release()
    except OSError:
        return {}


@dataclass(frozen=True)
class Machine:
    """The machine, as far as packages go.

    Attributes:
        linux: the needs are those of Linux; elsewhere the packages bring their own libraries.
        root: may install.
        system: of os-release(5).
        apt: installs packages; False when that failed.
    """

    linux: bool = field(default_factory=lambda: sys.platform == "linux")
    root: bool = field(default_factory=lambda: hasattr(os, "geteuid") and os.geteuid() == 0)
    system: Mapping[str, str] = field(default_factory=_system)
    apt: Callable[[Sequence[str]], bool] = _apt

    @property
    def debian(self) -> bool:
        """Debian, Ubuntu, or one made from them."""
        family = f"{self.system.get('ID', '')} {self.system.get('ID_LIKE', '')}".split()
        return "debian" in family or "ubuntu" in family

    @property
    def ubuntu(self) -> bool:
        """Where some programs are no packages but snaps."""
        family = f"{self.system.get('ID', '')} {self.system.get('ID_LIKE', '')}".split()
        return "ubuntu" in family


def sentence(need: Need, machine: Machine) -> str:
    """What a person must do for one need."""
    if need.snap and machine.ubuntu:
        return f"Without the snap {need.snap} {need.purpose}; install it: snap install {need.snap}"
    names = " ".join(need.packages)
    if machine.debian:
        how = f"apt-get install {names}, as root"
    else:
        how = f"these are Debian's names, yours may differ: {names}"
    return f"Without {names} {need.purpose}; install it ({how})."


def provide(
    *,
    for_tests: bool,
    say: Callable[[str], None],
    needs: Sequence[Need] = NEEDS,
    machine: Machine | None = None,
) -> None:
    """Install what is missing, or say what is.

    Args:
        for_tests: look after the tests' needs, too.
        say: gets a line for each thing.
        needs: what to look for.
        machine: this one, if None.

    Raises:
        SetupError: something vital is missing and cannot be installed from here.
    """
    machine = machine or Machine()
    wanted = [n for n in needs if for_tests or not n.for_tests] if machine.linux else []
    missing = [n for n in wanted if not n.present()]
    if machine.root and machine.debian:
        names = [p for n in missing if not (n.snap and machine.ubuntu) for p in n.packages]
        if names:
            say(f"Installing with apt-get: {' '.join(names)}")
            if not machine.apt(names):
                say("apt-get could not install them; its own words stand above.")
            importlib.invalidate_caches()
            missing = [n for n in missing if not n.present()]
    for need in missing:
        if not need.vital:
            say(sentence(need, machine))
    if vital := [sentence(n, machine) for n in missing if n.vital]:
        raise SetupError(" ".join(vital))
