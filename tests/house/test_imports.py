"""Who may import whom: `models` knows no time, files or sockets, and nothing of `stream`."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from tests.house.tree import ROOT, imported, modules, plant

# The rule, as modules: time and chance, files, devices, network, other threads and processes.
NOT_FOR_MODELS = {
    "asyncio", "av", "concurrent", "cv2", "dbos", "datetime", "filelock", "glob", "http", "io",
    "logging", "multiprocessing", "os", "pathlib", "PIL", "queue", "random", "select", "shutil",
    "signal", "socket", "sqlalchemy", "sqlite3", "ssl", "starlette", "stream", "subprocess", "sys",
    "tempfile", "threading", "time", "urllib", "uvicorn", "websockets",
}  # fmt: skip
# A CPU is used by bands of rows over a few threads; on a card each thread keeps its own recordings.
ALLOWED = [
    "models/kernels/cpu/banding.py imports concurrent.futures",
    "models/replay.py imports threading",
]
NOT_FOR_PACKAGES = {"tests", "demo_clips", "scripts"}


def wrong_imports(root: Path, package: str, banned: set[str]) -> list[str]:
    """Imports of a package that its rule forbids. `models/training` is for those who train."""
    return [
        f"{path.relative_to(root)} imports {name}"
        for path in modules(root, package)
        if path.relative_to(root).parts[:2] != ("models", "training")
        for name in sorted(imported(path))
        if name.split(".")[0] in banned
    ]


def opened(root: Path) -> list[str]:
    """Calls of `open` and of `print` in `models`: a file without an import, too."""
    return [
        f"{path.relative_to(root)}:{node.lineno}"
        for path in modules(root, "models")
        if path.relative_to(root).parts[1] != "training"
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("open", "print", "input", "__import__")
    ]


def test_models_know_no_time_files_or_sockets_and_nothing_of_stream() -> None:
    assert len(modules(ROOT, "models")) > 5
    assert wrong_imports(ROOT, "models", NOT_FOR_MODELS) == ALLOWED
    assert opened(ROOT) == []


def test_opencv_comes_after_pyav() -> None:
    direct = [
        str(path.relative_to(ROOT))
        for path in modules(ROOT, "stream")
        if "cv2" in {name.split(".")[0] for name in imported(path)}
    ]
    assert direct == ["stream/opencv.py"]
    code = "import sys, stream.opencv; m = list(sys.modules); print(m.index('av') < m.index('cv2'))"
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.strip() == "True"


@pytest.mark.parametrize("package", ["models", "stream"])
def test_packages_need_nothing_that_is_not_installed_with_them(package: str) -> None:
    assert wrong_imports(ROOT, package, NOT_FOR_PACKAGES) == []


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("import time\n", "time"),
        ("def f():\n    from os.path import join\n", "os.path"),
        ("from stream.errors import UserError\n", "stream.errors"),
    ],
)
def test_a_wrong_import_is_found(tmp_path: Path, text: str, name: str) -> None:
    plant(tmp_path, "models/good.py", "import math\nimport torch\n")
    plant(tmp_path, "models/bad.py", text)
    assert wrong_imports(tmp_path, "models", NOT_FOR_MODELS) == [f"models/bad.py imports {name}"]


def test_a_file_opened_without_an_import_is_found(tmp_path: Path) -> None:
    plant(tmp_path, "models/bad.py", "x = 1\ny = open('weights')\n")
    assert opened(tmp_path) == ["models/bad.py:2"]
