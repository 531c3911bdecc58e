"""What the network is told: relative to the screen, in one order, at the right place."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models import features, matte
from models.analysis import Analysis, Grade, Known
from models.color import SRGB_8BIT, Planes
from models.features import channel_order, look_up
from models.pyramid import enlarge_part, extent
from models.screen import Hue
from models.settings import KeySettings
from models.upright import Upright
from tests.models.keying import GRADES, scene
from tests.models.rendered import rgb_planes


def known(planes: Planes, grade: Grade = Grade.FINAL) -> tuple[Known, Upright]:
    frame = Upright(planes, SRGB_8BIT, 0)
    return Analysis(grade, KeySettings(), clip=False)(frame), frame


def asked(planes: Planes, rows: slice, columns: slice, grade: Grade) -> matte.Asked:
    told, frame = known(planes, grade)
    assert told.bare is not None
    assert told.subject is not None
    shown = frame.linear(rows, columns)
    return matte.ask(shown, told.bare, told.subject, told.noise, rows, columns, frame.size)


def test_the_screens_channel_comes_first_and_every_channel_once() -> None:
    for hue in Hue:
        order = channel_order(hue)
        assert order[0] == hue.value
        assert sorted(order) == [0, 1, 2]


@pytest.mark.parametrize("size", [(97, 131), (96, 128), (240, 320)])
def test_a_value_is_looked_up_where_an_enlarged_field_has_it(size: tuple[int, int]) -> None:
    small = torch.rand(1, 3, 24, 32, generator=torch.Generator().manual_seed(1))
    wide = enlarge_part(small, slice(0, size[0]), slice(0, size[1]), size)
    index = torch.arange(size[0] * size[1])
    whole = extent((24, 32), size)
    row, column = (index // size[1] + 0.5) / whole[0], (index % size[1] + 0.5) / whole[1]
    torch.testing.assert_close(look_up(small, row, column), wide[0].flatten(1), atol=2e-5, rtol=0)


def test_the_light_drops_out_but_for_its_level() -> None:
    """Half the light on everything: the same description, but for the one value that says so."""
    rgb = torch.rand(1, 3, 20, 30, generator=torch.Generator().manual_seed(2)) * 0.5 + 0.1
    rough, key = torch.rand(1, 1, 20, 30), torch.full((40,), 0.4)
    index = torch.arange(40) * 7
    one = features.pixels(rgb, rough, key, index, Hue.GREEN, 0.01)
    half = features.pixels(rgb / 2, rough, key / 2, index, Hue.GREEN, 0.01)
    level = 3
    torch.testing.assert_close(half[level], one[level] / 2**0.5)
    rest = [i for i in range(len(one)) if i != level]
    torch.testing.assert_close(half[rest], one[rest])


def test_neighbours_are_those_around_and_the_edge_is_repeated() -> None:
    rough = torch.arange(12.0).view(1, 1, 3, 4) / 12
    rgb, key = torch.full((1, 3, 3, 4), 0.2), torch.full((2,), 0.4)
    told = features.pixels(rgb, rough, key, torch.tensor([5, 0]), Hue.GREEN, 0.0)
    nine = told[5:14] * 12
    assert nine[:, 0].tolist() == pytest.approx([5, 0, 1, 2, 4, 6, 8, 9, 10], abs=1e-4)
    assert nine[:, 1].tolist() == pytest.approx([0, 0, 0, 1, 0, 1, 4, 4, 5], abs=1e-4)


@pytest.mark.parametrize("grade", GRADES)
def test_what_is_not_asked_is_plain(grade: Grade) -> None:
    truth = scene()
    size = truth.alpha.shape[-2], truth.alpha.shape[-1]
    found = asked(rgb_planes(truth.picture), slice(0, size[0]), slice(0, size[1]), grade)
    plain = torch.ones(size[0] * size[1], dtype=torch.bool)
    plain[found.index] = False
    solid = found.solid.flatten()
    alpha = truth.alpha.flatten()
    assert not bool((solid & ~plain).any())
    assert float(alpha[plain & solid].min()) > 0.85
    assert float(alpha[plain & ~solid].max()) < 0.02
    # A picture is mostly plain: else the network would be asked for nothing.
    assert len(found.index) < 0.5 * size[0] * size[1]


@pytest.mark.parametrize("grade", GRADES)
def test_a_window_asks_the_same_as_the_whole(grade: Grade) -> None:
    truth = scene()
    size = truth.alpha.shape[-2], truth.alpha.shape[-1]
    planes = rgb_planes(truth.picture)
    rows, columns = slice(20, size[0] - 11), slice(30, size[1] - 7)
    whole = asked(planes, slice(0, size[0]), slice(0, size[1]), grade)
    part = asked(planes, rows, columns, grade)
    width = columns.stop - columns.start
    placed = (part.index // width + rows.start) * size[1] + part.index % width + columns.start
    inner = ((part.index // width) % (rows.stop - rows.start - 1) > 0) & (
        (part.index % width) % (width - 1) > 0
    )
    where = {int(at): i for i, at in enumerate(whole.index)}
    assert all(int(at) in where for at in placed)
    same = torch.tensor([where[int(at)] for at in placed[inner]])
    for name in ("row", "column"):
        torch.testing.assert_close(getattr(part, name)[inner], getattr(whole, name)[same])
    described: Tensor = whole.pixels[:, same]
    torch.testing.assert_close(part.pixels[:, inner], described, atol=2e-5, rtol=0)
