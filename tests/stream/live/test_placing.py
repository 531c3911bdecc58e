"""The live picture follows a person by the rule of the print."""

from __future__ import annotations

from pathlib import Path

import pytest
import torch

from models.color import SRGB_8BIT
from models.keyer import Grade, Keyer
from models.resample import Placement
from stream.live.following import LOOK_S, PLACE_BAND
from stream.live.scenes import Setting
from stream.template import Nudge, Template, load_template
from tests.models.keying import scene
from tests.models.rendered import HEIGHT, WIDTH, rgb_planes
from tests.stream.template.building import PICTURE, folder_of

FRAME = (HEIGHT, WIDTH)


def made(folder: Path, fit: str) -> tuple[Template, Setting]:
    toml = PICTURE + f'[slot]\nabove = "hills"\nbox = [10, 20, 60, 70]\nfit = "{fit}"\n'
    template = load_template(folder_of(folder, toml))
    size = template.picture_size()
    return template, Setting(template, template.scene(size, {}), size)


def test_a_figure_stands_live_where_the_print_puts_it(tmp_path: Path) -> None:
    template, setting = made(tmp_path, "figure")
    keyer = Keyer(Grade.LIVE)
    for frame, shift in enumerate((0.0, 0.0, 35.0, *(35.0,) * 60)):
        now_s = 7 + frame / 25
        planes = rgb_planes(scene(shift).picture)
        if frame > 3 and isinstance(setting.placing(FRAME, now_s), Placement):
            continue  # only its time goes on
        placed = keyer.place(planes, SRGB_8BIT, 0, setting.placing(FRAME, now_s), setting.size)
        want = template.placement(FRAME, setting.size, figure=keyer.figure(planes, SRGB_8BIT))
        off = abs(placed.placement.dx - want.dx)
        if frame < 2:
            assert off < 2 * PLACE_BAND * setting.size[0]
        if frame == 2:
            assert off > 5  # on the way
    assert off < 2 * PLACE_BAND * setting.size[0] + 0.5
    alpha = keyer.lay(placed, setting.scene).alpha[0, 0] > 0.5
    columns = alpha.any(0).nonzero().flatten()
    assert int(columns[0]) >= 9
    assert int(columns[-1]) <= 71


def test_between_two_looks_nothing_is_searched(tmp_path: Path) -> None:
    _, setting = made(tmp_path, "figure")
    planes = rgb_planes(scene().picture)
    placing = setting.placing(FRAME, 5.0)
    assert not isinstance(placing, Placement)
    placed = Keyer(Grade.LIVE).place(planes, SRGB_8BIT, 0, placing, setting.size)
    assert setting.placing(FRAME, 5.0 + LOOK_S / 2) == placed.placement
    assert not isinstance(setting.placing(FRAME, 5.01 + LOOK_S), Placement)


@pytest.mark.parametrize("fit", ["cover", "contain"])
def test_frames_are_placed_once(tmp_path: Path, fit: str) -> None:
    _, setting = made(tmp_path, fit)
    first = setting.placing(FRAME, 1.0)
    assert isinstance(first, Placement)
    assert setting.placing(FRAME, 99.0) is first


def test_the_person_stays_when_the_name_changes(tmp_path: Path) -> None:
    """A new scene of the same template goes on from where the last one was."""
    template, setting = made(tmp_path, "figure")
    keyer = Keyer(Grade.LIVE)
    planes = rgb_planes(scene().picture)
    first = keyer.place(planes, SRGB_8BIT, 0, setting.placing(FRAME, 1.0), setting.size)
    after = Setting(template, template.scene(setting.size, {}), setting.size, setting.followings)
    assert after.placing(FRAME, 1.01) == first.placement
    assert torch.equal(after.scene.below, setting.scene.below)


SLOTS = (
    '[[slot]]\nabove = "hills"\nbox = [10, 20, 30, 70]\nshows = 2\n'
    '[[slot]]\nabove = "hills"\nbox = [40, 20, 30, 70]\nfit = "figure"\nshows = 1\n'
    '[[slot]]\nabove = "hills"\nbox = [70, 60, 20, 20]\nshows = 1\n'
)


def test_live_every_slot_of_the_first_shot_is_filled_and_no_other(tmp_path: Path) -> None:
    template = load_template(folder_of(tmp_path, PICTURE + SLOTS))
    size = template.picture_size()
    setting = Setting(template, template.scene(size, {}), size)
    placings = setting.placings(FRAME, 1.0)
    assert [p is None for p in placings] == [True, False, False]
    keyer = Keyer(Grade.LIVE)
    planes = rgb_planes(scene().picture)
    placed = [None if p is None else keyer.place(planes, SRGB_8BIT, 0, p, size) for p in placings]
    figure = keyer.figure(planes, SRGB_8BIT)
    for index in (1, 2):
        got = placed[index]
        assert got is not None
        want = template.placement(FRAME, size, figure=figure, slot=index)
        assert got.placement.dx == pytest.approx(want.dx, abs=0.5)
        assert got.placement.scale == pytest.approx(want.scale, rel=0.01)
    done = keyer.lay(placed, setting.scene)
    alpha = done.alpha[0, 0] > 0.5
    assert not alpha[:, :39].any()
    assert alpha[:, 40:70].any()
    assert alpha[60:80, 70:90].any()


def test_nobody_stands_for_a_moment_as_in_the_picture_before(tmp_path: Path) -> None:
    """Between two looks a new place or size counts at once."""
    template, setting = made(tmp_path, "figure")
    keyer = Keyer(Grade.LIVE)
    planes = rgb_planes(scene().picture)
    keyer.place(planes, SRGB_8BIT, 0, setting.placing(FRAME, 1.0), setting.size)
    half = (setting.size[0] // 2, setting.size[1] // 2)
    scene_of_half = template.scene(half, {})
    for after in (
        Setting(template, scene_of_half, half, setting.followings),
        Setting(template, scene_of_half, half, setting.followings, Nudge(right=10)),
    ):
        placed = keyer.place(planes, SRGB_8BIT, 0, after.placing(FRAME, 1.01), half)
        want = template.placement(
            FRAME, half, figure=keyer.figure(planes, SRGB_8BIT), nudge=after.nudge
        )
        assert placed.placement.dx == pytest.approx(want.dx, abs=0.5)
