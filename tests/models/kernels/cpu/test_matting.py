"""The live cut by kernels, against `models.solver.Solver.cut` in plain torch."""

from __future__ import annotations

from dataclasses import replace

import pytest
import torch
from torch import Tensor

from models.analysis import Analysis, Grade, Known
from models.color import Encoding, Planes, rgb_to_planes
from models.kernels.cpu.core import Core
from models.settings import KeySettings
from models.solver import Solver
from models.transfer import encode
from models.upright import Upright
from tests.models.cases import CASES
from tests.models.rendered import VIDEO_8

Spans = tuple[slice, slice]
ALPHA = 1e-3
"""Well within 1/255: what is left is the rounding of sums in another order."""

SETTINGS = {
    "usual": KeySettings(),
    "hard": KeySettings(black_point=0.2, white_point=0.7, despill=0.5),
    "soft": KeySettings(black_point=0.0, white_point=1.0, despill=0.0),
    "dark": KeySettings(despill_luminance=0.2),
}


def enlarged(planes: Planes, encoding: Encoding, size: tuple[int, int]) -> Planes:
    """A scene at another size, of the same kind."""
    frame = Upright(planes, encoding, 0)
    shown = frame.linear(slice(0, frame.size[0]), slice(0, frame.size[1]))
    wide = torch.nn.functional.interpolate(shown, size, mode="bilinear")
    chroma = "444" if planes[1].shape == planes[0].shape else "420"
    return rgb_to_planes(encode(wide, encoding.transfer), encoding, chroma)


def looked_at(planes: Planes, encoding: Encoding) -> tuple[Upright, Known]:
    frame = Upright(planes, encoding, 0)
    return frame, Analysis(Grade.LIVE, KeySettings(), False)(frame)


def cuts(
    shown: Tensor, known: Known, settings: KeySettings, size: tuple[int, int], window: Spans,
    scale: float = 1.0, threads: int = 1,
) -> tuple[Tensor, Tensor]:  # fmt: skip
    """Ours and the reference's, premultiplied, with alpha."""
    solver = Solver(Grade.LIVE, settings, torch.device("cpu"))
    assert solver.network is not None
    core = Core(solver.network, settings, threads)
    assert core.covers(known)
    want = solver.cut(shown, known, size, *window, scale, None)
    return (
        core.cut(shown, known, size, *window, scale),
        torch.cat([want.fg * want.alpha, want.alpha], 1),
    )


def agree(
    planes: Planes, encoding: Encoding, settings: KeySettings, windows: list[Spans] | None = None,
    threads: int = 1,
) -> None:  # fmt: skip
    frame, known = looked_at(planes, encoding)
    high, wide = frame.size
    for window in windows or [(slice(0, high), slice(0, wide))]:
        shown = frame.linear(*window)
        got, want = cuts(shown, known, settings, frame.size, window, threads=threads)
        assert got.shape == want.shape
        assert bool(got.isfinite().all())
        assert float((got - want).abs().max()) < ALPHA


@pytest.mark.parametrize("threads", [1, 3])
def test_planes_are_read_as_a_window_of_light(threads: int) -> None:
    solver = Solver(Grade.LIVE, KeySettings(), torch.device("cpu"))
    assert solver.network is not None
    core = Core(solver.network, KeySettings(), threads)
    planes = enlarged(CASES["4:2:0 hair"]().planes, VIDEO_8, (321, 483))
    _, known = looked_at(planes, VIDEO_8)
    frame = Upright(planes, VIDEO_8, 0, core.light(planes, VIDEO_8, 0))
    for window in (
        (slice(0, 321), slice(0, 483)),
        (slice(101, 320), slice(57, 402)),
        (slice(200, 201), slice(240, 241)),
    ):
        shown = core.shown(frame, *window)
        assert not isinstance(shown, Tensor)
        got = core.cut(shown, known, frame.size, *window, 1.0)
        want = core.cut(frame.linear(*window), known, frame.size, *window, 1.0)
        torch.testing.assert_close(got, want, atol=ALPHA, rtol=0)


@pytest.mark.parametrize("name", list(CASES))
def test_every_scene(name: str) -> None:
    case = CASES[name]()
    agree(case.planes, case.encoding, SETTINGS["usual"])


@pytest.mark.parametrize("setting", list(SETTINGS))
@pytest.mark.parametrize("name", ["4:2:0 hair", "veil, white on skin", "blue-grey on blue"])
def test_every_setting(name: str, setting: str) -> None:
    case = CASES[name]()
    agree(case.planes, case.encoding, SETTINGS[setting])


@pytest.mark.parametrize("threads", [1, 3])
@pytest.mark.parametrize("size", [(531, 803), (320, 240), (97, 61)])
def test_larger_frames_and_windows_of_them(size: tuple[int, int], threads: int) -> None:
    case = CASES["4:2:0 hair"]()
    planes = enlarged(case.planes, VIDEO_8, size)
    high, wide = size
    middle = high // 2, wide // 2
    windows = [
        (slice(0, high), slice(0, wide)),
        (slice(high // 5 + 1, high), slice(wide // 4, wide - wide // 6)),
        (slice(middle[0], middle[0] + 1), slice(0, wide)),
        (slice(0, high), slice(middle[1], middle[1] + 1)),
        (slice(middle[0], middle[0] + 1), slice(middle[1], middle[1] + 1)),
        (slice(high - 1, high), slice(wide - 2, wide)),
    ]
    agree(planes, VIDEO_8, SETTINGS["usual"], windows, threads)


def test_ten_bits() -> None:
    case = CASES["hair"]()
    ten = replace(VIDEO_8, depth=10)
    frame = Upright(case.planes, case.encoding, 0)
    shown = frame.linear(slice(0, frame.size[0]), slice(0, frame.size[1]))
    agree(rgb_to_planes(encode(shown, ten.transfer), ten, "420"), ten, SETTINGS["usual"])


@pytest.mark.parametrize("noise", [0.02, 0.2])
def test_heavy_noise(noise: float) -> None:
    case = CASES["hair"]()
    frame, known = looked_at(case.planes, case.encoding)
    window = slice(0, frame.size[0]), slice(0, frame.size[1])
    made = torch.Generator().manual_seed(2)
    shown = frame.linear(*window)
    shown = (shown + noise * torch.randn(shown.shape, generator=made)).clamp(0, 1)
    got, want = cuts(shown, known, SETTINGS["usual"], frame.size, window)
    assert float((got - want).abs().max()) < ALPHA


@pytest.mark.parametrize("scale", [0.31, 0.77])
def test_a_frame_that_was_made_smaller(scale: float) -> None:
    case = CASES["4:2:0 hair"]()
    frame, known = looked_at(case.planes, case.encoding)
    rows, columns = slice(0, frame.size[0]), slice(0, frame.size[1])
    size = round(frame.size[0] * scale), round(frame.size[1] * scale)
    window = slice(3, size[0]), slice(5, size[1] - 4)
    shown = frame.scaled(rows, columns, size, window)
    got, want = cuts(shown, known, SETTINGS["usual"], size, window, scale)
    assert float((got - want).abs().max()) < ALPHA


def test_black_and_white() -> None:
    case = CASES["hair"]()
    frame, known = looked_at(case.planes, case.encoding)
    window = slice(0, frame.size[0]), slice(0, frame.size[1])
    for value in (0.0, 1.0):
        shown = torch.full((1, 3, *frame.size), value)
        got, want = cuts(shown, known, SETTINGS["usual"], frame.size, window)
        assert bool(got.isfinite().all())
        assert float((got - want).abs().max()) < ALPHA


def test_what_was_cut_before_stays() -> None:
    found = []
    solver = Solver(Grade.LIVE, KeySettings(), torch.device("cpu"))
    assert solver.network is not None
    core = Core(solver.network, KeySettings(), 1)
    for name in ("hair", "skin", "4:2:0 hair"):
        case = CASES[name]()
        frame, known = looked_at(case.planes, case.encoding)
        window = slice(0, frame.size[0]), slice(0, frame.size[1])
        got = core.cut(frame.linear(*window), known, frame.size, *window, 1.0)
        found.append((got, got.clone()))
    for got, kept in found:
        assert torch.equal(got, kept)
