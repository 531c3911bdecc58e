"""The status line of the terminal, and the sentences above it."""

from __future__ import annotations

import threading

import pytest

from stream.live.terminal import Terminal


@pytest.mark.parametrize("lively", [False, True])
def test_a_line_may_say_something_while_it_is_worked_out(
    lively: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    """As where kernels that are being made tell once that they take longer."""
    screen = Terminal()
    screen._lively, screen._again = lively, 0.0

    def line(_: int | None) -> str:
        screen.say("Once.")
        return "live | kept 0"

    writer = threading.Thread(target=screen.status, args=(line,), daemon=True)
    writer.start()
    writer.join(10)
    assert not writer.is_alive()
    assert capsys.readouterr().err == "Once.\nlive | kept 0" + ("" if lively else "\n")
