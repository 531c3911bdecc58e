"""How many of the frame's own pixels a print has, and what is said of it."""

from __future__ import annotations

import pytest

from stream.enlargement import effective_ppi, enlargement_note


def test_effective_resolution_by_hand() -> None:
    # 720 frame rows over the 3000 rows of an 8x10 in print at 300 ppi: 3000 / 720 = 4.1667 times,
    # 300 / 4.1667 = 72 frame pixels an inch (computed).
    assert effective_ppi(300, 3000 / 720) == pytest.approx(72)
    note = enlargement_note(300, 3000 / 720)
    assert note is not None
    assert "72" in note
    assert "soft" in note
    assert enlargement_note(300, 0.5) is None
    mild = enlargement_note(300, 1.5)
    assert mild is not None
    assert "200" in mild
    assert "soft" not in mild
