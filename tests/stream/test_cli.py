"""The one parser: every command is there, and a press does not wait for large libraries."""

from __future__ import annotations

import subprocess
import sys

import pytest

from stream.cli import AT_ONCE, build_parser, main


def test_every_command_is_offered() -> None:
    text = build_parser().format_help()
    for word in (
        "live",
        "grab",
        "best",
        "take",
        "greet",
        "plate",
        "next",
        "event",
        "batch",
        "cut",
        "check",
    ):
        assert f"\n    {word}" in text


SECOND = {"take": ("stop",)}


@pytest.mark.parametrize("word", AT_ONCE)
def test_a_press_loads_no_large_library(word: str) -> None:
    look = (
        "import sys; from stream.cli import main\n"
        f"code = main({[word, *SECOND.get(word, ())]!r} + ['--event', 'nowhere'])\n"
        "print(code, [m for m in ('torch', 'cv2', 'dbos', 'av') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "2 []"
    assert "there is no such folder" in done.stderr


def test_no_command_is_a_mistake_with_usage(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        main([])
    assert stopped.value.code == 2
    assert "COMMAND" in capsys.readouterr().err
