"""What is declared is what is imported, and everything that this needs is pinned."""

from __future__ import annotations

import re
import sys
import tomllib
from collections.abc import Iterable
from importlib.metadata import PackageNotFoundError, packages_distributions, requires
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.house.tree import CODE, ROOT, imported, modules, plant

PROJECT: dict[str, Any] = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
CONSTRAINTS = (ROOT / "constraints.txt").read_text("utf-8")

# Needed by name, not by import: where the name stands.
BY_NAME = {"websockets": ("stream/pages/serve.py", 'ws="websockets')}
TOOLS = {
    "editables": ("scripts/environment.py", '"editables"'),
    "hatchling": ("scripts/environment.py", '"hatchling"'),
    "mypy": ("Makefile", "-m mypy"),
    "pytest-xdist": ("Makefile", "-m pytest -n logical"),
    "ruff": ("Makefile", "-m ruff check"),
}
# torch brings it where it can use it, and pins it.
BROUGHT = {"triton"}
# No test imports it at the top: those that look into another process skip without it.
MAYBE = re.compile(r"""importorskip\(["']([\w.]+)["']\)""")


def names(requirements: Iterable[str]) -> set[str]:
    """The distributions that some requirements name."""
    return {canonicalize_name(Requirement(r).name) for r in requirements}


def needed(root: Path, *folders: str) -> set[str]:
    """The distributions whose modules some folders import."""
    found = set()
    for path in modules(root, *folders):
        wanted = imported(path) | set(MAYBE.findall(path.read_text("utf-8")))
        found |= {name.split(".")[0] for name in wanted}
    found -= sys.stdlib_module_names | set(CODE)
    homes = packages_distributions()
    return {canonicalize_name(homes.get(name, [name])[0]) for name in found}


def named(table: dict[str, tuple[str, str]]) -> set[str]:
    """Those of a table whose words do stand in their file."""
    return {n for n, (f, words) in table.items() if words in (ROOT / f).read_text("utf-8")}


def bad_lines(constraints: str) -> list[str]:
    """Lines that are neither a comment nor one plain version, and lines out of order."""
    lines = [x for x in constraints.splitlines() if not x.startswith("#")]
    plain = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*==[0-9][0-9a-z.]*")
    bad = [line for line in lines if not plain.fullmatch(line)]
    pinned = [line.split("==")[0] for line in lines]
    return bad + [b for a, b in pairwise(pinned) if a >= b]


def closure(requirements: Iterable[str]) -> set[str]:
    """Everything that some requirements lead to on the systems that are served."""
    systems: list[dict[str, str]] = [{}, {"sys_platform": "win32", "platform_system": "Windows"}]
    todo = [Requirement(r) for r in requirements]
    seen: set[tuple[str, frozenset[str]]] = set()
    while todo:
        here = todo.pop()
        key = canonicalize_name(here.name), frozenset(here.extras)
        if key in seen:
            continue
        seen.add(key)
        try:
            below = [Requirement(r) for r in requires(key[0]) or []]
        except PackageNotFoundError:  # of another system
            continue
        todo += [
            r
            for r in below
            if not r.marker
            or any(
                r.marker.evaluate({**s, "extra": e}) for s in systems for e in {"", *here.extras}
            )
        ]
    return {name for name, _ in seen}


def test_the_program_declares_what_it_imports() -> None:
    declared = names(PROJECT["dependencies"])
    assert named(BY_NAME) == set(BY_NAME)
    assert declared == needed(ROOT, "models", "stream") - BROUGHT | set(BY_NAME)


def test_the_tests_declare_what_they_import() -> None:
    rest = needed(ROOT, "tests", "scripts", "demo_clips") - names(PROJECT["dependencies"])
    assert named(TOOLS) == set(TOOLS)
    # Tests run the kernels for graphics cards where there is none.
    assert names(PROJECT["optional-dependencies"]["dev"]) == rest | set(TOOLS) | BROUGHT


def test_everything_is_pinned_and_nothing_else() -> None:
    assert bad_lines(CONSTRAINTS) == []
    wanted = closure(PROJECT["dependencies"] + PROJECT["optional-dependencies"]["dev"])
    pinned = {x.split("==")[0] for x in CONSTRAINTS.splitlines() if not x.startswith("#")}
    # What torch brings for a graphics card it pins itself, by system and card.
    cards = {n for n in wanted if n.startswith(("nvidia-", "cuda-", "triton"))}
    assert pinned == wanted - cards


def test_pins_lie_within_what_is_declared() -> None:
    pins = dict(x.split("==") for x in CONSTRAINTS.splitlines() if not x.startswith("#"))
    for text in PROJECT["dependencies"] + PROJECT["optional-dependencies"]["dev"]:
        requirement = Requirement(text)
        if (name := canonicalize_name(requirement.name)) not in BROUGHT:
            assert requirement.specifier.contains(pins[name]), text


def test_an_import_that_is_not_declared_is_found(tmp_path: Path) -> None:
    plant(tmp_path, "stream/a.py", "import os\nimport cv2\nfrom PIL import Image\n")
    plant(tmp_path, "stream/b.py", "def f():\n    import a_package_of_nobody.part\n")
    plant(tmp_path, "tests/c.py", 'x = pytest.importorskip("psutil")\n')
    assert needed(tmp_path, "stream") == {"opencv-python", "pillow", "a-package-of-nobody"}
    assert needed(tmp_path, "tests") == {"psutil"}


@pytest.mark.parametrize(
    "line",
    [
        "numpy>=2",
        "numpy==2.4.6 --hash=sha256:00",
        "--extra-something https://HOST/simple",
        "numpy @ https://HOST/numpy.whl",
        "NumPy==2.4.6",
        "torch==2.13.0+cpu",
        "anyio==1",
    ],
)
def test_a_line_that_is_no_plain_pin_is_found(line: str) -> None:
    assert bad_lines(f"# words\nav==18.1.0\n{line}\n") != []


def test_a_closure_goes_on_from_one_to_the_next() -> None:
    found = closure(["pytest", "dbos"])
    assert {"pluggy", "colorama", "sqlalchemy", "greenlet", "psycopg-binary"} <= found
    assert "ruff" not in found
