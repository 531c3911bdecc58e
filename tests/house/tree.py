"""The files that the house's rules are about, and how they are read."""

from __future__ import annotations

import ast
import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
CODE = ("models", "stream", "tests", "demo_clips", "scripts")

# What a checkout without git, unpacked from an archive, may hold besides.
_NOT_OURS = {".venv", ".venv.discarded", ".git", "__pycache__", "bench", "dist", ".hypothesis"}


def kept_files(root: Path = ROOT) -> list[Path]:
    """Every file that is committed, or would be."""
    if (root / ".git").exists():
        words = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
        try:
            done = subprocess.run(words, cwd=root, capture_output=True, text=True, check=False)
        except FileNotFoundError:
            done = None
        if done is not None and done.returncode == 0:
            paths = (root / name for name in done.stdout.split("\0") if name)
            return sorted(p for p in paths if p.is_file())
    return sorted(_walked(root))


def _walked(root: Path) -> Iterator[Path]:
    for folder, folders, files in os.walk(root):
        at = Path(folder)
        folders[:] = [
            f
            for f in folders
            if f not in _NOT_OURS
            and not f.endswith(("_cache", ".egg-info"))
            and not (at == root / "demo_clips" and (f == "made" or f.startswith(".made-")))
        ]
        yield from (at / name for name in files if name != ".venv.lock")


def modules(root: Path, *folders: str) -> list[Path]:
    """The Python files below some folders of a tree."""
    return [
        p
        for p in kept_files(root)
        if p.suffix == ".py" and p.relative_to(root).parts[0] in (folders or CODE)
    ]


def imported(path: Path) -> set[str]:
    """Every module that a file imports anywhere in it, by its full name."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"), str(path))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            names.add(node.module or "")
    return names


def plant(root: Path, name: str, text: str = "") -> Path:
    """Write a file into a made-up tree."""
    path = root / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, "utf-8")
    return path
