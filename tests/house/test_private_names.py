"""A name that begins with an underscore belongs to its module: no other one uses it."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.house.tree import ROOT, modules, plant

# Names of libraries, which have no public one for what is wanted.
THEIRS = {
    "_SubParsersAction",  # argparse: the type of what subcommands are added to
    "_replace",  # a named tuple's, public in spite of its name
    "_version",  # torch: how often a tensor was written to
}


def _private(name: str) -> bool:
    return name.startswith("_") and not name.startswith("__") and name not in THEIRS


def _own(tree: ast.Module) -> set[str]:
    """Names that a module gives to what it makes: functions, classes, variables, attributes."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
            found.add(node.name)
        elif isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store):
            found.add(node.id)
        elif isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
            found |= {node.attr} if ast.unparse(node.value) == "self" else set()
    return found


def _used(tree: ast.Module) -> Iterator[tuple[int, str]]:
    own = _own(tree)
    imported = {
        alias.asname or alias.name.split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, (ast.Import, ast.ImportFrom))
        for alias in node.names
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            yield from ((node.lineno, a.name) for a in node.names if _private(a.name))
        elif isinstance(node, ast.Attribute) and _private(node.attr):
            base = node.value.id if isinstance(node.value, ast.Name) else ""
            # A class may use what it inherits, and other objects of its own module.
            if base not in ("self", "cls") and (node.attr not in own or base in imported):
                yield node.lineno, node.attr


def borrowed(root: Path) -> list[str]:
    """Uses of another module's private names."""
    return [
        f"{path.relative_to(root)}:{line} uses {name}"
        for path in modules(root, "models", "stream", "scripts")
        for line, name in sorted(_used(ast.parse(path.read_text("utf-8"))))
    ]


def test_private_names_stay_in_their_modules() -> None:
    assert borrowed(ROOT) == []


@pytest.mark.parametrize(
    "text",
    [
        "from models.good import _SIDE\n",
        "from models import good\nx = good._SIDE\n",
        "from models import good\n_SIDE = good._SIDE\n",
        "def f(keyer):\n    return keyer._look()\n",
    ],
)
def test_a_borrowed_name_is_found(tmp_path: Path, text: str) -> None:
    plant(tmp_path, "models/good.py", "_SIDE = 3\n")
    plant(tmp_path, "scripts/bad.py", text)
    (found,) = borrowed(tmp_path)
    assert found.startswith("scripts/bad.py:")
    assert found.split()[-1] in ("_SIDE", "_look")


@pytest.mark.parametrize(
    "text",
    [
        "class A:\n    def f(self):\n        return self._inherited\n",
        "class A:\n    def __init__(self):\n        self._x = 1\n\ndef f(a):\n    return a._x\n",
        "x = frame._replace(y=1)\n",
    ],
)
def test_a_module_s_own_names_are_let_through(tmp_path: Path, text: str) -> None:
    plant(tmp_path, "stream/good.py", text)
    assert borrowed(tmp_path) == []
