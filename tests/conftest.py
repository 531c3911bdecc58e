"""What every test may use: device, dtype, one closeness; and when a test may be skipped."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Generator
from typing import TYPE_CHECKING

# Read when OpenMP starts, so before torch is imported by any test: idle threads sleep, and small
# tensors are not spread over many cores. Processes that the tests start inherit both.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")
os.environ.setdefault("OMP_NUM_THREADS", str(min(4, os.cpu_count() or 2)))

import av  # noqa: F401  before OpenCV, as stream/opencv.py says
import pytest

from stream import compiled_code

# Without it numba would take code that was compiled from other files' earlier versions.
compiled_code.keep()

if TYPE_CHECKING:
    import torch

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
DTYPES = ("float32", "float16", "bfloat16", "float64")

# (atol, rtol): some tens of the spacing at 1, for a chain of a few operations.
CLOSE = {
    "float64": (1e-12, 1e-10),
    "float32": (2e-6, 1e-5),
    "float16": (2e-3, 4e-3),
    "bfloat16": (1.6e-2, 3.2e-2),
}


def pytest_addoption(parser: pytest.Parser) -> None:
    """--device and --dtype."""
    parser.addoption("--device", default="cpu", help="device of the tensor tests (default: cpu)")
    parser.addoption("--dtype", default="float32", choices=DTYPES, help="dtype of the tensor tests")


def _why_not(item: pytest.Item) -> str | None:
    """Why a test cannot run on this machine; None where it can."""
    if item.get_closest_marker("browser") and not any(map(shutil.which, BROWSERS)):
        return "Chromium is not installed, so the pages were not tried in a browser"
    if item.get_closest_marker("gpu"):
        import torch

        if not torch.cuda.is_available():
            return "no CUDA device"
    return None


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip what this machine cannot run."""
    if why := _why_not(item):
        pytest.skip(why)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item,
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """In CI nobody reads skips: a browser test that was skipped, for any reason, has failed."""
    report = yield
    if report.skipped and os.environ.get("CI") and item.get_closest_marker("browser"):
        why = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{item.nodeid}: a browser test may not be skipped in CI ({why})"
    return report


@pytest.fixture(scope="session")
def device(request: pytest.FixtureRequest) -> torch.device:
    """What --device named; skips where it is not there."""
    import torch

    wanted = torch.device(request.config.getoption("--device"))
    if wanted.type == "cuda" and not torch.cuda.is_available():
        pytest.skip("no CUDA device")
    return wanted


@pytest.fixture(scope="session")
def dtype(request: pytest.FixtureRequest) -> torch.dtype:
    """What --dtype named."""
    import torch

    named: torch.dtype = getattr(torch, request.config.getoption("--dtype"))
    return named


@pytest.fixture(scope="session")
def assert_close() -> Callable[[torch.Tensor, torch.Tensor], None]:
    """Compare two tensors on whatever devices, as closely as the first one's dtype allows."""
    import torch

    def check(got: torch.Tensor, want: torch.Tensor) -> None:
        atol, rtol = CLOSE[str(got.dtype).removeprefix("torch.")]
        torch.testing.assert_close(got.cpu().double(), want.cpu().double(), atol=atol, rtol=rtol)

    return check
