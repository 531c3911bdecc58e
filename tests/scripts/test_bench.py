"""The benchmark's own command."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["--only", "keyed"], "--only keyed: known are final prints evening large keying pixels"),
        (["--minutes", "0"], "--minutes 0.0: need a number above 0"),
        (["--people", "0"], "--people 0: need at least 1"),
    ],
)
def test_what_cannot_be_measured_is_refused(words: list[str], sentence: str) -> None:
    done = subprocess.run(
        [sys.executable, str(ROOT / "scripts" / "bench.py"), *words],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert sentence in done.stderr
    assert "Traceback" not in done.stderr
