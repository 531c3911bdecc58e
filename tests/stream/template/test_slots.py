"""The [slot] parts of template.toml, and the order of several slots."""

from __future__ import annotations

from pathlib import Path

import pytest
import torch

from models.cut import Placed
from models.keyer import Keyer
from models.resample import Placement
from stream.errors import UserError
from stream.template import load_template
from stream.template.slots import Slot, read_slots
from tests.stream.template.building import PICTURE, TEXT, folder_of

TWO = '[[slot]]\nabove = "hills"\n[[slot]]\nabove = "sky"\nbox = [0, 0, 40, 100]\nmirror = true\n'


def test_a_slot_with_everything() -> None:
    problems: list[str] = []
    said = {
        "above": "sky",
        "box": [1, 2, 30, 40],
        "fit": "head",
        "head": 12.5,
        "anchor": "head",
        "mirror": True,
        "shows": 1,
    }
    assert read_slots({"slot": said}, problems) == (
        Slot("sky", (1, 2, 30, 40), "head", "head", True, 1, 12.5),
    )
    assert problems == []


def test_defaults() -> None:
    problems: list[str] = []
    plain = {"above": "sky"}
    assert read_slots({"slot": plain}, problems) == (Slot("sky"),)
    (figure,) = read_slots({"slot": [plain | {"fit": "figure"}]}, problems)
    assert (figure.anchor, figure.shows, figure.wants_figure) == ("feet", 1, True)
    several = read_slots({"slot": [plain, plain, plain | {"shows": 1}]}, problems)
    assert [s.shows for s in several] == [1, 2, 1]
    assert problems == []


@pytest.mark.parametrize(
    ("slot", "says"),
    [
        ({"fit": "head"}, "[slot]: head is missing; need a number"),
        ({"fit": "head", "head": 0}, "[slot]: head is 0; need a number from 1"),
        ({"head": 12}, '[slot]: head is 12; need fit = "head" beside it, or no head'),
        ({"fit": "figure", "anchor": "bottom"}, "need one of feet, head, center"),
        ({"anchor": "feet"}, "need one of bottom, center, top"),
        ({"shows": 1.5}, "[slot]: shows is 1.5; need a whole number"),
        ({"mirror": "yes"}, "[slot]: mirror is 'yes'; need true or false"),
        ({"shows": 2}, "a slot shows shot 2, but none shows shot 1"),
    ],
)
def test_what_is_wrong_is_said(slot: dict[str, object], says: str) -> None:
    problems: list[str] = []
    assert read_slots({"slot": {"above": "sky"} | slot}, problems) == ()
    assert len(problems) == 1
    assert says in problems[0]


@pytest.mark.parametrize("slot", [None, [], "sky", [{"above": "sky"}, "hills"]])
def test_no_slot_at_all(slot: object) -> None:
    problems: list[str] = []
    assert read_slots({"slot": slot}, problems) == ()
    assert "does not say where the subject stands" in problems[0]


def test_several_slots_are_told_apart(tmp_path: Path) -> None:
    toml = PICTURE + TWO.replace('"sky"', '"skies"').replace("[0, 0,", "[900, 0,")
    with pytest.raises(UserError) as e:
        load_template(folder_of(tmp_path, toml))
    assert '[[slot]] 2 stands above "skies", but no layer has that name' in str(e.value)
    assert "the box of [[slot]] 2 lies outside the canvas" in str(e.value)


def test_two_slots_make_a_scene(tmp_path: Path) -> None:
    """The one that is written second stands lower; hills and words come where they belong."""
    t = load_template(folder_of(tmp_path, PICTURE + TWO + TEXT))
    assert t.shots == 2
    size = t.picture_size()
    scene = t.scene(size, {})
    assert scene.order == (1, 0)
    whole = slice(0, size[0]), slice(0, size[1])

    def somebody(value: float, columns: slice) -> Placed:
        pm = torch.full((1, 4, size[0], columns.stop - columns.start), value)
        pm[:, 3] = 1
        return Placed(pm, whole[0], columns, True, None, Placement(1, 0, 0))

    white, black = somebody(1.0, slice(20, 60)), somebody(0.0, slice(40, 70))
    codes = Keyer().lay([white, black], scene).picture
    # hills (30, 140, 60) from row 60, a frame (240, 200, 40) of 5 pixels, sky (90, 120, 200)
    assert codes[20, 10].tolist() == [90, 120, 200]
    assert codes[80, 10].tolist() == [30, 140, 60]
    assert codes[20, 50].tolist() == [255, 255, 255]  # the first over the second, and over hills
    assert codes[80, 50].tolist() == [255, 255, 255]
    assert codes[20, 65].tolist() == [0, 0, 0]
    assert codes[80, 65].tolist() == [30, 140, 60]  # hills cover the second
    assert codes[2, 50].tolist() == [240, 200, 40]
    empty = Keyer().lay([], scene).picture
    one = load_template(folder_of(tmp_path, PICTURE + '[slot]\nabove = "sky"\n' + TEXT))
    assert torch.equal(empty, Keyer().lay([], one.scene(size, {})).picture)


def test_two_slots_on_one_layer_stand_in_the_order_written(tmp_path: Path) -> None:
    toml = PICTURE + '[[slot]]\nabove = "sky"\n[[slot]]\nabove = "sky"\n'
    scene = load_template(folder_of(tmp_path, toml)).scene((100, 80), {})
    assert scene.order == (0, 1)
    assert scene.between == ((),)
