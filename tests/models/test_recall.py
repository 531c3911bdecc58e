"""The Keyer analyses a still once for all its pictures, and never mistakes another for it."""

from __future__ import annotations

import gc
import weakref
from dataclasses import replace

import pytest
import torch

from models.analysis import Analysis, Known
from models.color import SRGB_8BIT, Planes
from models.keyer import Grade, Keyer, KeySettings, Placed
from models.mask import Mask
from models.plate import Plate
from models.recall import Mark
from models.resample import Placement
from models.upright import Upright
from tests.models.keying import GRADES, backdrop, scene
from tests.models.rendered import GREEN, HEIGHT, VIDEO_8, WIDTH, rgb_planes, uneven, video_planes

SIZE = (90, 120)
HERE, THERE = Placement(0.9, 3, -5), Placement(0.6, 20, 8, mirror=True)


@pytest.fixture
def looks(monkeypatch: pytest.MonkeyPatch) -> list[object]:
    """One entry for every analysis of a frame, and one for every plate that is read."""
    done: list[object] = []
    whole, plate = Analysis.__call__, Analysis.read_plate

    def look(self: Analysis, frame: Upright) -> Known:
        done.append("frame")
        return whole(self, frame)

    def read(self: Analysis, shown: Upright) -> Plate:
        done.append("plate")
        return plate(self, shown)

    monkeypatch.setattr(Analysis, "__call__", look)
    monkeypatch.setattr(Analysis, "read_plate", read)
    return done


def place(keyer: Keyer, planes: Planes, where: Placement = HERE) -> Placed:
    return keyer.place(planes, SRGB_8BIT, 0, where, SIZE)


def same(one: Placed, other: Placed) -> bool:
    assert one.subject_pm is not None
    assert other.subject_pm is not None
    if (one.shade is None) != (other.shade is None):
        return False
    shades = (
        one.shade is None or other.shade is None or torch.equal(one.shade.left, other.shade.left)
    )
    spans = (one.rows, one.columns) == (other.rows, other.columns)
    return shades and spans and torch.equal(one.subject_pm, other.subject_pm)


@pytest.mark.parametrize("plate", [False, True])
@pytest.mark.parametrize("shadow", ["remove", "keep"])
def test_the_second_picture_of_a_still_is_that_of_a_fresh_keyer(
    looks: list[object], plate: bool, shadow: str
) -> None:
    settings = replace(KeySettings(), shadow=shadow)
    planes, bare = rgb_planes(scene().picture), rgb_planes(uneven(GREEN))

    def fresh() -> Keyer:
        keyer = Keyer(Grade.FINAL, settings)
        if plate:
            keyer.set_plate(bare, SRGB_8BIT)
        return keyer

    keyer = fresh()
    first, second = place(keyer, planes, HERE), place(keyer, planes, THERE)
    assert looks.count("frame") == 1
    assert same(first, place(fresh(), planes, HERE))
    assert same(second, place(fresh(), planes, THERE))


def test_video_is_sited_once_and_the_same(looks: list[object]) -> None:
    planes = video_planes(scene().picture)
    keyer = Keyer()
    for where in (HERE, THERE):
        got = keyer.place(planes, VIDEO_8, 0, where, SIZE)
        assert same(got, Keyer().place(planes, VIDEO_8, 0, where, SIZE))
    assert looks.count("frame") == 3
    turned = keyer.place(planes, VIDEO_8, 1, HERE, SIZE)
    assert same(turned, Keyer().place(planes, VIDEO_8, 1, HERE, SIZE))


@pytest.mark.parametrize("grade", GRADES)
def test_what_changes_is_looked_at_again(looks: list[object], grade: Grade) -> None:
    planes, bare = rgb_planes(scene().picture), rgb_planes(uneven(GREEN))
    keyer = Keyer(grade)
    place(keyer, planes)
    keyer.set_plate(bare, SRGB_8BIT)
    place(keyer, planes)
    keyer.set_plate(None)
    place(keyer, planes)
    place(keyer, rgb_planes(scene().picture))
    planes[1].clamp_(max=200)
    got = place(keyer, planes)
    assert looks.count("frame") == 5
    planes[0].add_(1)
    again = place(keyer, planes)
    assert looks.count("frame") == 6
    assert same(again, place(Keyer(grade), planes))
    assert not same(again, got)


@pytest.mark.parametrize(("grade", "clip"), [(Grade.LIVE, False), (Grade.FINAL, True)])
def test_live_and_clips_look_at_every_frame(looks: list[object], grade: Grade, clip: bool) -> None:
    planes = rgb_planes(scene().picture)
    keyer = Keyer(grade, clip=clip)
    place(keyer, planes)
    place(keyer, planes)
    assert looks.count("frame") == 2


def test_strokes_that_change_count_without_a_new_look(looks: list[object]) -> None:
    planes = rgb_planes(scene().picture)
    inside = torch.zeros(1, 2, HEIGHT, WIDTH)
    inside[:, 0, 4:20, 4:20] = 1
    keyer = Keyer()
    before = place(keyer, planes)
    keyer.set_mask(Mask(inside))
    painted = place(keyer, planes)
    keyer.set_mask(None)
    assert same(before, place(keyer, planes))
    assert looks.count("frame") == 1
    fresh = Keyer()
    fresh.set_mask(Mask(inside))
    assert same(painted, place(fresh, planes))
    assert not same(painted, before)


def test_one_plate_is_read_once_for_many_stills(looks: list[object]) -> None:
    bare = rgb_planes(uneven(GREEN))
    keyer = Keyer()
    for shift in (5.0, 13.0):
        planes = rgb_planes(scene(shift).picture)
        keyer.set_plate(bare, SRGB_8BIT)
        got = place(keyer, planes)
        fresh = Keyer()
        fresh.set_plate(tuple(p.clone() for p in bare), SRGB_8BIT)  # type: ignore[arg-type]
        assert same(got, place(fresh, planes))
    assert looks.count("plate") == 3
    bare[0].add_(1)
    keyer.set_plate(bare, SRGB_8BIT)
    place(keyer, planes)
    assert looks.count("plate") == 4


def test_the_keyer_holds_no_frame_and_no_scene() -> None:
    planes, there = rgb_planes(scene().picture), backdrop(*SIZE)
    keyer = Keyer(Grade.FINAL, replace(KeySettings(), light_wrap=0.3))
    keyer.composite(planes, SRGB_8BIT, 0, there, HERE)
    refs = [weakref.ref(x) for x in (planes[0], there, there.below)]
    del planes, there
    gc.collect()
    assert [ref() for ref in refs] == [None, None, None]


def test_a_mark_stands_for_one_frame_read_one_way() -> None:
    planes = rgb_planes(scene().picture)
    mark = Mark.of(planes, SRGB_8BIT, 1)
    assert mark.stands_for(planes, SRGB_8BIT, 1)
    assert not mark.stands_for(planes, SRGB_8BIT, 2)
    assert not mark.stands_for(planes, replace(SRGB_8BIT, depth=16), 1)
    other = (planes[0].clone(), planes[1], planes[2])
    assert not mark.stands_for(other, SRGB_8BIT, 1)
    with torch.inference_mode():
        made = rgb_planes(scene().picture)
    assert Mark.of(made, SRGB_8BIT, 0).stands_for(made, SRGB_8BIT, 0)
