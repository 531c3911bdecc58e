"""The order of layers, subject and words."""

from __future__ import annotations

import pytest

from models.composite import Mode
from stream.template.arrange import Arrangement, Block, Item, arrange, has_text
from stream.template.layers import Layer, LayerGroup
from stream.template.slots import Slot
from stream.template.wording import Text


def layer(name: str, mode: Mode = Mode.NORMAL, visible: bool = True) -> Layer:
    return Layer(name, f"{name}.png", b"", (1, 1), mode=mode, visible=visible)


def text(above: str, value: str = "words") -> Text:
    return Text(value, above, (0, 0, 1, 1), "fonts/DejaVuSans.ttf", 10, 5)


def names(items: tuple[Item, ...]) -> list[str]:
    out = []
    for item in items:
        if isinstance(item, Text):
            out.append(f"'{item.value}'")
        elif isinstance(item, Block):
            out.append(f"{item.name}({' '.join(names(item.children))})")
        elif isinstance(item, Layer):
            out.append(item.name)
    return out


def ordered(
    layers: tuple[Layer | LayerGroup, ...], above: str, *texts: Text
) -> tuple[list[str], list[str]]:
    problems: list[str] = []
    got = arrange(layers, [Slot(above)], texts, problems)
    assert problems == []
    assert isinstance(got, Arrangement)
    return names(got.below), names(got.above)


def test_the_subject_stands_directly_above_its_layer() -> None:
    plain = (layer("sky"), layer("hills"), layer("frame"))
    assert ordered(plain, "hills") == (["sky", "hills"], ["frame"])
    assert ordered(plain, "frame") == (["sky", "hills", "frame"], [])


def test_words_on_the_layer_of_the_slot_lie_over_the_subject() -> None:
    plain = (layer("sky"), layer("frame"))
    got = ordered(plain, "sky", text("sky", "a"), text("sky", "b"), text("frame", "c"))
    assert got == (["sky"], ["'a'", "'b'", "frame", "'c'"])


def test_hidden_layers_mark_places() -> None:
    layers = (layer("sky"), layer("guide", visible=False), layer("frame", visible=False))
    assert ordered(layers, "guide", text("frame")) == (["sky"], ["'words'"])
    group = LayerGroup("notes", (layer("guide"), layer("mark")), Mode.MULTIPLY, 0.5, visible=False)
    assert ordered((layer("sky"), group), "guide") == (["sky"], [])


def test_groups_that_change_nothing_are_taken_apart() -> None:
    land = LayerGroup("land", (layer("hills"), layer("trees")), isolated=True)
    assert ordered((layer("sky"), land), "hills") == (["sky", "hills"], ["trees"])
    light = LayerGroup("light", (layer("hills"), layer("glow", Mode.SCREEN)), isolated=False)
    assert ordered((layer("sky"), light), "hills") == (["sky", "hills"], ["glow"])


def test_groups_that_blend_as_one_stay() -> None:
    for group in (
        LayerGroup("g", (layer("a"), layer("b", Mode.SCREEN)), isolated=True),
        LayerGroup("g", (layer("a"), layer("b")), opacity=0.5),
        LayerGroup("g", (layer("a"), layer("b")), mode=Mode.MULTIPLY),
    ):
        assert ordered((layer("sky"), group), "sky") == (["sky"], ["g(a b)"])
        assert ordered((layer("sky"), group), "g") == (["sky", "g(a b)"], [])


def test_a_pass_through_group_inside_an_isolated_one_keeps_its_limits() -> None:
    inner = LayerGroup("inner", (layer("glow", Mode.SCREEN),), isolated=False)
    outer = LayerGroup("outer", (layer("a"), inner), isolated=True)
    assert ordered((layer("sky"), outer), "sky") == (["sky"], ["outer(a glow)"])


def test_words_inside_a_group() -> None:
    group = LayerGroup("g", (layer("a"), layer("b")), opacity=0.5)
    problems: list[str] = []
    got = arrange((layer("sky"), group), [Slot("sky")], [text("a")], problems)
    assert got is not None
    assert names(got.above) == ["g(a 'words' b)"]
    assert has_text(got.above[0])
    assert not has_text(got.below[0])


def test_the_subject_cannot_stand_inside_a_block() -> None:
    inner = LayerGroup("inner", (layer("a"), layer("b")), opacity=0.5)
    outer = LayerGroup("outer", (inner,), mode=Mode.SCREEN)
    for groups, named in (((layer("sky"), inner), "inner"), ((layer("sky"), outer), "inner")):
        problems: list[str] = []
        assert arrange(groups, [Slot("a")], [], problems) is None
        assert len(problems) == 1
        assert f'inside the group "{named}"' in problems[0]


@pytest.mark.parametrize(
    ("above", "says"),
    [("hils", "no layer has that name"), ("twin", "several layers are called so")],
)
def test_names_that_do_not_help(above: str, says: str) -> None:
    problems: list[str] = []
    layers = (layer("sky"), layer("twin"), layer("twin"))
    assert arrange(layers, [Slot(above)], [text(above)], problems) is None
    assert len(problems) == 2
    assert all(says in p and '"sky"' in p for p in problems)
    assert problems[0].startswith("[slot]")
    assert problems[1].startswith('[[text]] "words"')
