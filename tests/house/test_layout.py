"""The file list is the drawing of the house: names, places, sizes."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path

import pytest

from tests.house.tree import CODE, ROOT, kept_files, modules, plant

MOST_LINES = 400
LARGEST_FILE = 4_000_000
LARGEST_DEMO = 12_000_000
VAGUE = {"utils", "util", "common", "helpers", "misc"}

# Put together here, so that this file does not hold what it forbids.
REGISTRIES = (
    "py" + "pi.org",
    "python" + "hosted.org",
    "download.py" + "torch.org",
    "npm" + "js.org",
    "ana" + "conda.org",
    "index" + "-url",
    "find" + "-links",
    "trusted" + "-host",
)
# The absolute path of somebody's checkout or home; a name in capitals stands for the reader's own.
MACHINE_PATH = re.compile(r"(?<![\w.:/~-])/(?:wo" r"rk|root|home/[a-z]\w*|Users/[a-z]\w*)/")


def named_wrongly(root: Path) -> list[str]:
    """Modules and folders with a name of the standard library, or with one that says nothing."""
    bad = set()
    for path in modules(root):
        inside = path.relative_to(root).with_suffix("")
        for part in inside.parts:
            if part in sys.stdlib_module_names and part != "__init__":
                bad.add(f"{inside}: {part} is a module of the standard library")
            if part in VAGUE:
                bad.add(f"{inside}: {part} says nothing")
    return sorted(bad)


def without_init(root: Path) -> list[str]:
    """Folders below tests that hold Python files and no __init__.py."""
    folders = {p.parent for p in modules(root, "tests")}
    return sorted(str(f.relative_to(root)) for f in folders if not (f / "__init__.py").exists())


def too_long(root: Path) -> list[str]:
    """Modules of more lines than can be read in one go."""
    counted = ((p, len(p.read_text("utf-8").splitlines())) for p in modules(root))
    return [f"{p.relative_to(root)}: {n} lines" for p, n in counted if n >= MOST_LINES]


def too_large(root: Path) -> list[str]:
    """Files that a checkout should not have to carry."""
    sizes = {p.relative_to(root): p.stat().st_size for p in kept_files(root)}
    large = [f"{p}: {n} bytes" for p, n in sizes.items() if n > LARGEST_FILE]
    demo = sum(n for p, n in sizes.items() if p.parts[0] == "demo_clips")
    return large + ([f"demo_clips: {demo} bytes in all"] if demo > LARGEST_DEMO else [])


def texts(root: Path) -> list[tuple[Path, str]]:
    """Every kept file that is text."""
    found = []
    for path in kept_files(root):
        data = path.read_bytes()
        if b"\0" not in data[:8192]:
            found.append((path.relative_to(root), data.decode("utf-8", errors="replace")))
    return found


def told_too_much(root: Path) -> list[str]:
    """Lines that name a package registry, or a place on somebody's machine."""
    return [
        f"{path}:{number}: {line.strip()[:80]}"
        for path, text in texts(root)
        for number, line in enumerate(text.splitlines(), 1)
        if any(r in line.lower() for r in REGISTRIES) or MACHINE_PATH.search(line)
    ]


@pytest.mark.parametrize("package", ["models", "stream"])
def test_packages_are_those_of_this_checkout(package: str) -> None:
    """Their names are generic: another package of that name must not come first."""
    spec = importlib.util.find_spec(package)
    assert spec is not None
    assert spec.origin is not None
    assert Path(spec.origin).resolve() == ROOT / package / "__init__.py"


def test_names_say_something_and_are_not_taken() -> None:
    assert {p.relative_to(ROOT).parts[0] for p in modules(ROOT)} == set(CODE)
    assert named_wrongly(ROOT) == []


def test_every_folder_of_tests_is_a_package() -> None:
    assert without_init(ROOT) == []


def test_modules_can_be_read_in_one_go() -> None:
    assert too_long(ROOT) == []


def test_kept_files_are_small() -> None:
    assert too_large(ROOT) == []


def test_nothing_names_a_registry_or_a_machine() -> None:
    assert told_too_much(ROOT) == []


def test_wrong_names_are_found(tmp_path: Path) -> None:
    plant(tmp_path, "stream/queue.py")
    plant(tmp_path, "models/utils/__init__.py")
    plant(tmp_path, "models/matte.py")
    assert named_wrongly(tmp_path) == [
        "models/utils/__init__: utils says nothing",
        "stream/queue: queue is a module of the standard library",
    ]


def test_a_folder_of_tests_that_is_no_package_is_found(tmp_path: Path) -> None:
    plant(tmp_path, "tests/__init__.py")
    plant(tmp_path, "tests/models/test_x.py")
    assert without_init(tmp_path) == ["tests/models"]


def test_long_and_large_files_are_found(tmp_path: Path) -> None:
    plant(tmp_path, "stream/long.py", "\n" * 400)
    plant(tmp_path, "stream/short.py", "\n" * 399)
    assert too_long(tmp_path) == ["stream/long.py: 400 lines"]
    plant(tmp_path, "stream/heavy.bin", "x" * 4_000_001)
    for n in range(4):
        plant(tmp_path, f"demo_clips/{n}.bin", "x" * 3_000_001)
    assert too_large(tmp_path) == [
        "stream/heavy.bin: 4000001 bytes",
        "demo_clips: 12000004 bytes in all",
    ]
    plant(tmp_path, "demo_clips/made/clip.bin", "x" * 5_000_000)
    assert len(too_large(tmp_path)) == 2, "what is made is not kept"


@pytest.mark.parametrize(
    "line",
    [
        f"see https://{REGISTRIES[0]}/project/x",
        f"--extra-{REGISTRIES[-3]} somewhere",
        "open('/ho" + "me/anna/clip.mp4')",
        "cd /wo" + "rk/main",
    ],
)
def test_registries_and_machine_paths_are_found(tmp_path: Path, line: str) -> None:
    plant(tmp_path, "README.md", f"fine\n{line}\n")
    assert [x.split(": ", 1)[0] for x in told_too_much(tmp_path)] == ["README.md:2"]


@pytest.mark.parametrize("line", ["http://HOST/work/", "/home/NAME/x", "frame/work/", "~/work/x"])
def test_other_lines_are_let_through(tmp_path: Path, line: str) -> None:
    plant(tmp_path, "README.md", line)
    assert told_too_much(tmp_path) == []
