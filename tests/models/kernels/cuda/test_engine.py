"""The engine's pictures are the reference's, whatever the frame and wherever it lies."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Sequence

import pytest
import torch

from models import kernels
from models.blend import Mode
from models.color import SRGB_8BIT, Encoding, Matrix, Range, Siting
from models.composite import Overlay, Scene
from models.errors import ShapeError
from models.figure import Figure
from models.kernels.cuda.core import asking
from models.kernels.cuda.engine import Engine
from models.resample import Placement
from models.settings import KeySettings
from models.transfer import Transfer
from tests.models.kernels.cuda.pictures import (
    DEVICE,
    assert_same,
    engine,
    person,
    planes_of,
    reference,
    template,
)

# A picture of up to 14 by 59 pixels is one tile, which an interpreter takes about a second for.
HERE = Placement(1.0, 0.0, 0.0)
MIDDLE = Placement(1.0, -10.0, -12.0)
CAMERA = Encoding()
DEEP = Encoding(Matrix.BT2020, Range.FULL, Transfer.BT709, Siting.CENTER, 10)
CLIP = Encoding(Matrix.BT601, Range.FULL, Transfer.SRGB, Siting.TOP_LEFT, 8)

CASES = {
    "as it is": (CAMERA, "420", 0, HERE, (31, 60)),
    "deep, turned once, mirrored": (DEEP, "422", 1, Placement(1, -3.6, -9.2, True), (14, 51)),
    "half the size, turned twice": (CLIP, "420", 2, Placement(0.55, 3.3, -4.0), (14, 37)),
    "larger, turned thrice": (SRGB_8BIT, "444", 3, Placement(1.3, -9.0, -5.0, True), (14, 48)),
    "a linear curve": (Encoding(transfer=Transfer.LINEAR, depth=12), "444", 0, MIDDLE, (14, 30)),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_the_picture_is_that_of_the_reference(name: str) -> None:
    encoding, chroma, turns, placement, size = CASES[name]
    planes, where = planes_of(person(), encoding, chroma, turns), template(size)
    got = engine().composite(planes, encoding, turns, where, placement)
    want = reference(planes, encoding, turns, where, placement)
    assert 0.02 < want.coverage < 0.98
    assert_same(got, want)


def test_planes_of_odd_sizes_and_of_interleaved_chroma() -> None:
    first, second, third = planes_of(person(39, 57), CAMERA)
    pair = torch.stack([second, third], -1)
    padded = torch.zeros(39, 64, dtype=torch.uint8)
    padded[:, :57] = first
    planes = padded[:, :57], pair[..., 0], pair[..., 1]
    where, placement = template((13, 55), gains=3), Placement(1.0, 0.0, -28.0)
    got = engine().composite(planes, CAMERA, 0, where, placement)
    assert_same(got, reference(planes, CAMERA, 0, where, placement))


def test_tiles_under_which_the_fields_have_few_values() -> None:
    wide = torch.zeros(1, 3, 20, 960) + person()[..., :1, :1]
    wide[..., 440:480] = person()[..., 18:38, 10:50]
    planes, where = planes_of(wide, CAMERA), template((14, 56), gains=0)
    placement = Placement(1.0, -430.0, -3.0)
    got = engine().composite(planes, CAMERA, 0, where, placement)
    want = reference(planes, CAMERA, 0, where, placement)
    assert 0.1 < want.coverage < 0.9
    assert_same(got, want)


@pytest.mark.parametrize("level", [0, 255])
def test_a_frame_without_a_screen_is_all_subject(level: int) -> None:
    planes = tuple(torch.full((6, 7), level, dtype=torch.uint8) for _ in range(3))
    where = template((9, 8))
    got = engine().composite(planes, SRGB_8BIT, 0, where, HERE)  # type: ignore[arg-type]
    assert got is not None
    assert not got.screen_found
    assert_same(got, reference(planes, SRGB_8BIT, 0, where, HERE))  # type: ignore[arg-type]


def test_one_pixel() -> None:
    planes, where = planes_of(person()[..., :1, :1], CAMERA, "444"), template((1, 1))
    got = engine().composite(planes, CAMERA, 0, where, HERE)
    assert_same(got, reference(planes, CAMERA, 0, where, HERE))


def test_two_slots_side_by_side_and_one_that_stays_empty() -> None:
    planes, where = planes_of(person(), CAMERA), template((14, 59), 3)
    places = [Placement(0.5, 31.0, -3.0), None, Placement(0.5, 0.0, -4.0, True)]
    got = engine().composite(planes, CAMERA, 0, where, places)
    assert_same(got, reference(planes, CAMERA, 0, where, places))


def test_nobody_where_every_slot_is_empty_or_out_of_sight() -> None:
    planes, where = planes_of(person(), CAMERA), template((24, 64))
    made = engine()
    for places in ([None], [Placement(1.0, 500.0, 0.0)]):
        got = made.composite(planes, CAMERA, 0, where, places)
        assert_same(got, reference(planes, CAMERA, 0, where, places))


def test_what_a_person_set_is_heeded() -> None:
    settings = KeySettings("green", 0.1, 0.8, 0.6, 0.5)
    planes, where = planes_of(person(), CAMERA), template((14, 40))
    got = engine(settings).composite(planes, CAMERA, 0, where, MIDDLE)
    assert_same(got, reference(planes, CAMERA, 0, where, MIDDLE, settings))


def _figure(_: Figure | None) -> Placement:
    return HERE


DARKER = Overlay(
    rgb_enc=torch.full((1, 3, 8, 8), 0.4), alpha=torch.ones(1, 1, 8, 8), mode=Mode.DARKEN
)
NOT_COVERED: dict[str, tuple[KeySettings, Sequence[object], Scene]] = {
    "choke": (KeySettings(choke=1.0), [HERE], template((8, 8))),
    "a shadow": (KeySettings(shadow="keep"), [HERE], template((8, 8))),
    "light around the edge": (KeySettings(light_wrap=0.5), [HERE], template((8, 8))),
    "a placing by the figure": (KeySettings(), [_figure], template((8, 8))),
    "one subject over another": (KeySettings(), [HERE, HERE], template((8, 8), 2)),
    "a step that is no gain and offset": (
        KeySettings(),
        [HERE],
        Scene(torch.rand(1, 3, 8, 8), (DARKER,)),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", NOT_COVERED)
def test_what_is_not_covered_is_left_to_the_reference(name: str) -> None:
    settings, places, where = NOT_COVERED[name]
    planes = planes_of(person(8, 8), CAMERA)
    assert engine(settings).composite(planes, CAMERA, 0, where, places) is None  # type: ignore[arg-type]


def test_more_subjects_than_slots() -> None:
    planes = planes_of(person(8, 8), CAMERA)
    with pytest.raises(ShapeError, match="2 subjects for 1 slots"):
        engine().composite(planes, CAMERA, 0, template((8, 8)), [HERE, HERE])


def test_planes_are_left_as_they_are_and_pictures_stay() -> None:
    planes, where, made = planes_of(person(), CAMERA), template((6, 12)), engine()
    before = [p.clone() for p in planes]
    first = made.composite(planes, CAMERA, 0, where, MIDDLE)
    assert first is not None
    kept = first.picture.clone()
    for dx in (3.0, 6.0):
        made.composite(planes, CAMERA, 0, where, Placement(1.0, dx - 20, -12.0))
    assert torch.equal(first.picture, kept)
    assert all(torch.equal(a, b) for a, b in zip(planes, before, strict=True))


def _followed(made: Engine, where: Scene, moves: Sequence[float]) -> None:
    for i, dx in enumerate(moves):
        planes = planes_of(person().roll(i, -1), CAMERA)
        placement = Placement(1.0, dx, -12 + i / 2, i % 2 == 1)
        # Each frame alone: what a clip showed before is the analysis' affair.
        want = reference(planes, CAMERA, 0, where, placement)
        assert_same(made.composite(planes, CAMERA, 0, where, placement), want)


def test_a_placement_that_moves_needs_nothing_new() -> None:
    made, where = engine(clip=False), template((6, 12))
    _followed(made, where, (-16.0, -22.5))
    ways = dict(made._graphs)
    _followed(made, where, (-18.0, -14.0))
    assert dict(made._graphs) == ways


@pytest.mark.parametrize("built", ["12.8", None])
def test_there_are_kernels_only_where_torch_was_built_for_cuda(
    built: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Torch for other makers' cards calls them "cuda" as well, and Triton may be there."""
    monkeypatch.setattr(torch.version, "cuda", built)
    assert kernels.load("cuda") == (built is not None)


@pytest.mark.parametrize(
    ("capability", "bound"),
    [((7, 0), False), ((7, 5), False), ((8, 0), True), ((8, 6), True), ((12, 0), True)],
)
def test_registers_are_bound_only_where_the_compiler_can_do_with_so_many(
    capability: tuple[int, int], bound: bool
) -> None:
    assert ("maxnreg" in asking(capability)) == bound


def test_a_scene_that_is_gone_leaves_nothing_on_the_card() -> None:
    made, planes = engine(), planes_of(person(8, 8), CAMERA)
    where = template((8, 8))
    made.composite(planes, CAMERA, 0, where, HERE)
    layers = weakref.ref(next(iter(made._scenes.values()))[1].bare)  # type: ignore[union-attr]
    del where
    made.composite(planes, CAMERA, 0, template((9, 9)), HERE)
    gc.collect()
    assert layers() is None


@pytest.mark.gpu
def test_graphs_replay_frames_of_real_size_on_a_card() -> None:
    made, where = engine(clip=False), template((720, 1280))
    big = torch.nn.functional.interpolate(person(), (720, 1280), mode="bilinear").clamp(0, 1)
    for i in range(6):
        planes = planes_of(big.roll(5 * i, -1), CAMERA)
        placement = Placement(1.0, 10.0 * i, 0.0)
        got = made.composite(planes, CAMERA, 0, where, placement)
        assert_same(got, reference(planes, CAMERA, 0, where, placement))
    assert DEVICE.type == "cuda"
