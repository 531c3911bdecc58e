"""The set-up: what it installs, what it says, and that an interrupted one is not believed."""

from __future__ import annotations

import subprocess
import sys
import venv as environments
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from scripts.environment import UNFINISHED, pip_lines, prepare
from scripts.needs import NEEDS, Machine, Need, SetupError, provide
from tests.house.tree import ROOT, plant

DEBIAN = {"ID": "debian"}
UBUNTU = {"ID": "ubuntu", "ID_LIKE": "debian"}
FEDORA = {"ID": "fedora"}

VITAL = Need(("libgl1",), "OpenCV does not load", lambda: False, vital=True)
BROWSER = Need(
    ("chromium", "fonts-liberation"),
    "the page tests are skipped",
    lambda: False,
    for_tests=True,
    snap="chromium",
)


class Apt:
    """Stands where a package manager would: a test must not change the machine."""

    def __init__(self, works: bool = True) -> None:
        self.asked: list[list[str]] = []
        self.works = works

    def __call__(self, packages: Sequence[str]) -> bool:
        self.asked.append(list(packages))
        return self.works

    def brings(self, need: Need) -> Need:
        """The need, met once it was asked for."""
        return replace(need, present=lambda: self.works and bool(self.asked))


@pytest.fixture
def apt() -> Apt:
    return Apt()


def test_root_on_debian_gets_it_installed_by_name(apt: Apt) -> None:
    said: list[str] = []
    machine = Machine(True, True, DEBIAN, apt)
    needs = [apt.brings(VITAL), apt.brings(BROWSER)]
    provide(for_tests=True, say=said.append, needs=needs, machine=machine)
    assert apt.asked == [["libgl1", "chromium", "fonts-liberation"]]
    assert said == ["Installing with apt-get: libgl1 chromium fonts-liberation"]
    provide(for_tests=True, say=said.append, needs=needs, machine=machine)
    assert len(apt.asked) == 1, "what is there is not installed again"


def test_the_demo_does_not_install_what_only_the_tests_need(apt: Apt) -> None:
    needs = [apt.brings(VITAL), apt.brings(BROWSER)]
    provide(
        for_tests=False, say=lambda _: None, needs=needs, machine=Machine(True, True, DEBIAN, apt)
    )
    assert apt.asked == [["libgl1"]]


def test_anyone_else_gets_one_sentence(apt: Apt) -> None:
    said: list[str] = []
    machine = Machine(True, False, DEBIAN, apt)
    provide(for_tests=True, say=said.append, needs=[BROWSER], machine=machine)
    assert said == [
        "Without chromium fonts-liberation the page tests are skipped; install it "
        "(apt-get install chromium fonts-liberation, as root)."
    ]
    with pytest.raises(SetupError, match="Without libgl1 OpenCV does not load; install it"):
        provide(for_tests=True, say=said.append, needs=[VITAL], machine=machine)
    with pytest.raises(SetupError, match="yours may differ: libgl1"):
        provide(
            for_tests=True,
            say=said.append,
            needs=[VITAL],
            machine=Machine(True, True, FEDORA, apt),
        )
    assert apt.asked == []
    assert len(said) == 1


def test_ubuntu_has_the_browser_as_a_snap(apt: Apt) -> None:
    said: list[str] = []
    machine = Machine(True, True, UBUNTU, apt)
    needs = [apt.brings(VITAL), BROWSER]
    provide(for_tests=True, say=said.append, needs=needs, machine=machine)
    assert apt.asked == [["libgl1"]]
    assert said[1:] == [
        "Without the snap chromium the page tests are skipped; install it: snap install chromium"
    ]


def test_an_installation_that_fails_stops_only_for_what_is_vital() -> None:
    said: list[str] = []
    machine = Machine(True, True, DEBIAN, Apt(works=False))
    provide(for_tests=True, say=said.append, needs=[BROWSER], machine=machine)
    assert "apt-get could not install" in said[1]
    assert len(said) == 3
    with pytest.raises(SetupError):
        provide(for_tests=True, say=said.append, needs=[VITAL], machine=machine)


def test_other_systems_are_left_alone(apt: Apt) -> None:
    provide(
        for_tests=True,
        say=lambda _: None,
        needs=[VITAL],
        machine=Machine(False, True, {}, apt),
    )
    assert apt.asked == []


def test_what_is_looked_for_is_seen_where_it_is() -> None:
    """These tests run, so the vital ones are there; and one that nobody has is not."""
    assert [n.packages for n in NEEDS if n.vital and not n.present()] == [] or not Machine().linux
    assert all(n.packages and n.purpose for n in NEEDS)


@pytest.fixture
def checkout(tmp_path: Path) -> Path:
    plant(tmp_path, "pyproject.toml", "[project]\n")
    plant(tmp_path, "constraints.txt", "a==1\n")
    return tmp_path


def made(venv: Path) -> None:
    environments.create(venv, symlinks=True)


def never(venv: Path) -> None:
    raise AssertionError("installed again")


def quiet(_: str) -> None:
    pass


def test_the_second_set_up_does_nothing_until_something_changes(checkout: Path) -> None:
    assert prepare(checkout, made, quiet)
    assert not prepare(checkout, never, quiet)
    mine = checkout / ".venv" / "mine"
    mine.touch()
    (checkout / "constraints.txt").write_text("a==2\n", "utf-8")
    assert prepare(checkout, lambda _: None, quiet)
    assert mine.exists(), "brought up to date in its place"
    assert not prepare(checkout, never, quiet)


def test_an_interrupted_set_up_is_not_believed(checkout: Path) -> None:
    def killed(venv: Path) -> None:
        made(venv)
        (venv / "half").touch()
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        prepare(checkout, killed, quiet)
    assert (checkout / ".venv" / UNFINISHED).exists()
    said: list[str] = []
    assert prepare(checkout, made, said.append)
    assert said == ["The last set-up was interrupted; beginning anew."]
    assert not (checkout / ".venv" / "half").exists()
    assert not prepare(checkout, never, quiet)


def test_one_interrupted_while_it_changed_a_good_environment_is_not_believed(
    checkout: Path,
) -> None:
    prepare(checkout, made, quiet)
    (checkout / "pyproject.toml").write_text("[project]\nname = 'a'\n", "utf-8")

    def killed(venv: Path) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        prepare(checkout, killed, quiet)
    (checkout / "pyproject.toml").write_text("[project]\n", "utf-8")  # as it was at the stamp
    assert prepare(checkout, made, quiet)


def test_an_environment_made_by_hand_is_kept(checkout: Path) -> None:
    made(checkout / ".venv")
    mine = checkout / ".venv" / "mine"
    mine.touch()
    assert prepare(checkout, lambda _: None, quiet)
    assert mine.exists()


def test_one_whose_python_is_gone_is_made_anew(checkout: Path) -> None:
    prepare(checkout, made, quiet)
    (checkout / ".venv" / "bin" / "python").unlink()
    (checkout / ".venv" / "bin" / "python").symlink_to(checkout / "no-python")
    said: list[str] = []
    assert prepare(checkout, made, said.append)
    assert said == ["The Python of .venv is gone; beginning anew."]


def test_pip_is_told_in_a_few_lines() -> None:
    lines = [
        "Collecting torch==2.13.0",
        "  Downloading torch-2.13.0-cp311-cp311-manylinux_2_28_x86_64.whl (182.4 MB)",
        None,
        "Collecting idna",
        "  Downloading idna-3.20-py3-none-any.whl (71 kB)",
        "Installing collected packages: torch, idna",
    ]
    said: list[str] = []
    assert len(pip_lines(iter(lines), said.append)) == 5
    assert said == [
        "  torch, 182 MB",
        "  ... still at torch",
        "  putting 2 packages in place",
    ]


def test_an_old_python_is_refused_in_one_sentence(tmp_path: Path) -> None:
    old = plant(tmp_path, "python", "#!/bin/sh\nexit 1\n")
    old.chmod(0o755)
    done = subprocess.run(
        ["sh", str(ROOT / "scripts" / "setup.sh")],
        env={"PYTHON": str(old), "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "no Python of 3.11 or newer" in done.stderr


def test_ci_runs_the_command_of_the_readme() -> None:
    run = (ROOT / ".ci" / "run").read_text("utf-8")
    words = [x for x in run.splitlines() if x and not x.startswith("#")]
    assert words[-1] == "exec make test"
    assert not any("pip" in x or "apt" in x for x in words)


BROWSER_TEST = """
import pytest

@pytest.mark.browser
@pytest.mark.skipif(True, reason="not today")
def test_page():
    pass
"""


@pytest.mark.parametrize(("ci", "code"), [("", 0), ("true", 1)])
def test_a_skipped_browser_test_fails_in_ci_only(tmp_path: Path, ci: str, code: int) -> None:
    plant(tmp_path, "test_it.py", BROWSER_TEST)
    plant(tmp_path, "pytest.ini", "[pytest]\nmarkers = browser: x\n")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "tests.conftest", "-p", "no:cacheprovider",
         "--rootdir", str(tmp_path), "-c", str(tmp_path / "pytest.ini"), str(tmp_path)],
        cwd=ROOT,
        env={"CI": ci, "PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
    )  # fmt: skip
    assert done.returncode == code, done.stdout
    assert ("may not be skipped in CI (Skipped: not today)" in done.stdout) == bool(code)
