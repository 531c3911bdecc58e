"""Pictures spread over sheets: nothing lost, nothing overlapping, everything cut straight."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stream.errors import UserError
from stream.prints.packing import Spot, layout

SIDE = st.integers(1, 12).map(float)
SIZES = st.lists(st.tuples(SIDE, SIDE, st.integers(1, 5)), min_size=1, max_size=5)


def parted(spots: list[Spot]) -> bool:
    """Whether straight cuts from edge to edge of what is left part all of them (guillotine)."""
    if len(spots) <= 1:
        return True
    for start, length in (("y", "h"), ("x", "w")):
        for line in sorted({getattr(s, start) + getattr(s, length) for s in spots}):
            ends = [(getattr(s, start), getattr(s, start) + getattr(s, length)) for s in spots]
            if any(a < line - 1e-6 and b > line + 1e-6 for a, b in ends):
                continue
            near = [s for s, (_, b) in zip(spots, ends, strict=True) if b <= line + 1e-6]
            rest = [s for s in spots if s not in near]
            if near and rest:
                return parted(near) and parted(rest)
    return False


@given(SIZES, st.sampled_from([0.0, 0.25, 1.0]), st.sampled_from([0.0, 0.5]))
def test_all_are_there_inside_and_apart(
    wanted: list[tuple[float, float, int]], gap: float, margin: float
) -> None:
    sizes, copies = [(w, h) for w, h, _ in wanted], [n for _, _, n in wanted]
    sheets = layout((13, 14), sizes, copies, gap, margin)
    counted = [sum(s.item == i for sheet in sheets for s in sheet) for i in range(len(sizes))]
    assert counted == copies
    assert sheets == layout((13, 14), sizes, copies, gap, margin)
    for sheet in sheets:
        assert sheet, "no sheet is empty"
        assert parted(sheet)
        for n, a in enumerate(sheet):
            assert (a.h, a.w) == sizes[a.item] if a.turned else (a.w, a.h) == sizes[a.item]
            assert margin - 1e-6 <= a.x <= 13 - margin - a.w + 1e-2
            assert margin - 1e-6 <= a.y <= 14 - margin - a.h + 1e-2
            for b in sheet[:n]:
                across = a.x + a.w + gap <= b.x + 1e-6 or b.x + b.w + gap <= a.x + 1e-6
                down = a.y + a.h + gap <= b.y + 1e-6 or b.y + b.h + gap <= a.y + 1e-6
                assert across or down


@pytest.mark.parametrize(
    ("paper", "size", "fit"),
    [
        # By hand: what goes on one sheet without gap or margin.
        ((8.5, 11), (5, 7), 2),  # turned: 7 across, two of 5 down
        ((8.5, 11), (4, 6), 3),  # one turned, two upright below
        ((8.5, 11), (2, 3), 14),  # four shelves of 4 upright would be 12; 2 x 7 turned are 14
        ((8, 10), (4, 5), 4),
        ((8, 12), (4, 6), 4),
        ((6, 8), (2, 6), 4),
        ((4, 6), (2, 6), 2),
        ((8, 10), (8, 10), 1),
        ((10, 8), (8, 10), 1),
    ],
)
def test_common_sheets(paper: tuple[float, float], size: tuple[float, float], fit: int) -> None:
    sheets = layout(paper, [size], [fit])
    assert len(sheets) == 1
    assert len(layout(paper, [size], [fit + 1])) == 2


def test_a_gap_may_end_at_the_edge() -> None:
    # Two of 4 with a gap of 1 are 9 wide: no gap is needed outside.
    assert len(layout((9, 4), [(4, 4)], [2], gap=1)) == 1
    assert len(layout((8.9, 4), [(4, 4)], [2], gap=1)) == 2


def test_larger_than_the_paper_is_said() -> None:
    with pytest.raises(UserError, match="5 x 7 is larger than the 4 x 6"):
        layout((4.5, 6.5), [(4, 6), (5, 7)], [1, 1], margin=0.25)
