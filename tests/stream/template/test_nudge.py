"""A subject moved by hand."""

from __future__ import annotations

import json
from typing import Any

import pytest

from stream.errors import UserError
from stream.template import Nudge


def test_shifts_add_up_and_scales_multiply() -> None:
    both = Nudge(1, -2, 1.5).then(Nudge(2, 3, 0.5))
    assert (both.right, both.down) == (3, 1)
    assert both.scale == pytest.approx(0.75)
    assert Nudge(1, 2, 1.1).then(Nudge()) == Nudge(1, 2, 1.1)
    # Two that are each within bounds never make one that is not.
    assert Nudge(200, -200, 10).then(Nudge(200, -200, 10)) == Nudge(200, -200, 10)


def test_it_goes_through_a_file() -> None:
    nudge = Nudge(1.5, -3, 1.25)
    assert Nudge.from_json(json.loads(json.dumps(nudge.to_json()))) == nudge
    assert Nudge.from_json({"down": 4}) == Nudge(down=4)
    assert Nudge.from_json({}) == Nudge()


@pytest.mark.parametrize(
    ("data", "says"),
    [
        ({"right": "far"}, "right 'far'; give a number from -200 to 200 per cent"),
        ({"down": float("nan")}, "down nan; give a number"),
        ({"scale": 0}, "scale 0; give a number from 0.1 to 10."),
        ({"scale": True}, "scale True; give a number"),
        ({"left": 3}, "has left; known are right, down, scale"),
        ([1, 2], "give right, down, scale with a number each"),
    ],
)
def test_what_is_no_nudge(data: Any, says: str) -> None:
    with pytest.raises(UserError, match=says):
        Nudge.from_json(data)
