"""A window enlarged by kernels, against `models.resample.scaled_part`."""

from __future__ import annotations

import pytest
import torch

from models.kernels.cpu.banding import Bands
from models.kernels.cpu.placing import Scaled
from models.resample import Placement, scaled_part, spans_in

PARTS = {
    "identity": (1.0, 0.0, 0.0),
    "moved": (1.0, -7.0, 11.4),
    "enlarged": (1.37, -20.0, 6.0),
    "a little": (1.01, 3.0, -4.0),
    "much": (4.3, -60.0, -90.0),
}
WINDOWS = {
    "all": (slice(0, 41), slice(0, 57)),
    "inside": (slice(9, 33), slice(14, 40)),
    "1 pixel": (slice(20, 21), slice(30, 31)),
    "a corner": (slice(36, 41), slice(50, 57)),
}


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("part", list(PARTS))
@pytest.mark.parametrize("window", list(WINDOWS))
@pytest.mark.parametrize("threads", [1, 3])
def test_as_the_reference(mirror: bool, part: str, window: str, threads: int) -> None:
    extent, at = (41, 57), WINDOWS[window]
    for size in ((60, 80), (35, 29)):
        placement = Placement(*PARTS[part], mirror)
        whole = torch.zeros(1, 4, *extent)
        made = torch.Generator().manual_seed(8)
        held = torch.rand(at[0].stop - at[0].start, at[1].stop - at[1].start, 4, generator=made)
        held = held.permute(2, 0, 1)[None]
        whole[..., at[0], at[1]] = held
        want = scaled_part(whole, placement, size, False, at)
        spans = spans_in(extent, placement, size, at)
        if want is None or spans is None:
            assert want is None
            assert spans is None
            continue
        assert (spans[2][0], spans[2][1]) == want[1:]
        rows = spans[2][0]
        made_of = held, at, extent, spans[0], mirror, spans[1]
        got = Scaled(*made_of, Bands(threads), rows.start)
        torch.testing.assert_close(got.whole(), want[0], atol=2e-5, rtol=0)
        some = slice(rows.start + (rows.stop - rows.start) // 3, rows.stop)
        assert torch.equal(got.take(some), got.whole()[..., some.start - rows.start :, :])
