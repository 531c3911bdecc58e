"""Where a frame lies so that its subject stands in a slot."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from models.figure import Figure
from models.resample import Placement
from stream.template import Nudge, Template, load_template
from tests.stream.template.building import PICTURE, folder_of

FIGURE = Figure(0.3, 0.6, 0.2, 0.9, 0.4, 0.25, 0.1, 0.9)
FRAME = (400, 200)  # H, W: the figure is 60 x 280 pixels, from (60, 80) to (120, 360)


def template(folder: Path, slot: str) -> Template:
    """A canvas of 80 x 100 (W x H)."""
    return load_template(folder_of(folder, PICTURE + '[slot]\nabove = "hills"\n' + slot))


def lands(p: Placement, x: float, y: float) -> tuple[float, float]:
    """Where a point of the frame, in shares of it, comes to lie in the picture."""
    if p.mirror:
        x = 1 - x
    return p.dx + p.scale * x * FRAME[1], p.dy + p.scale * y * FRAME[0]


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("anchor", ["feet", "head", "center"])
def test_a_figure_fills_its_box(tmp_path: Path, anchor: str, mirror: bool) -> None:
    t = template(tmp_path, f'box = [10, 20, 60, 70]\nfit = "figure"\nanchor = "{anchor}"\n')
    assert t.wants_figure
    p = t.placement(FRAME, (200, 160), mirror, FIGURE)
    # The box is 120 x 140 in the picture; the figure 60 x 280: its height decides.
    assert p.scale == pytest.approx(140 / 280)
    assert p.mirror is mirror
    left, top = lands(p, FIGURE.left, FIGURE.top)
    right, bottom = lands(p, FIGURE.right, FIGURE.bottom)
    assert [top, bottom] == pytest.approx([40, 180])
    assert min(left, right) >= 20
    assert max(left, right) <= 140
    # Its own middle line stands in the middle of the box.
    assert lands(p, FIGURE.centre, 0)[0] == pytest.approx(80)


@pytest.mark.parametrize(("anchor", "y"), [("feet", 80.0), ("head", 20.0), ("center", 50.0)])
def test_a_wide_figure_is_as_wide_as_its_box(tmp_path: Path, anchor: str, y: float) -> None:
    wide = replace(FIGURE, left=0.0, right=1.0, top=0.5, bottom=0.6)
    t = template(tmp_path, f'box = [0, 20, 40, 60]\nfit = "figure"\nanchor = "{anchor}"\n')
    p = t.placement(FRAME, (100, 80), figure=wide)
    assert p.scale == pytest.approx(40 / 200)
    assert lands(p, 0, 0)[0] == pytest.approx(0)
    at = {"feet": 0.6, "head": 0.5, "center": 0.55}[anchor]
    assert lands(p, 0, at)[1] == pytest.approx(y)


def test_an_arm_held_out_does_not_leave_the_box(tmp_path: Path) -> None:
    arm = replace(FIGURE, left=0.1, right=0.9, centre=0.8)
    t = template(tmp_path, 'box = [20, 0, 30, 100]\nfit = "figure"\n')
    for mirror in (False, True):
        p = t.placement(FRAME, (100, 80), mirror, arm)
        ends = sorted((lands(p, arm.left, 0)[0], lands(p, arm.right, 0)[0]))
        assert ends == pytest.approx([20, 50])


@pytest.mark.parametrize(
    ("anchor", "line", "y"), [("feet", 0.9, 90.0), ("head", 0.25, 10.0), ("center", 0.575, 50.0)]
)
def test_a_head_has_its_height(tmp_path: Path, anchor: str, line: float, y: float) -> None:
    slot = f'box = [10, 10, 60, 80]\nfit = "head"\nhead = 15\nanchor = "{anchor}"\n'
    t = template(tmp_path, slot)
    for size in ((100, 80), (300, 240)):
        zoom = size[0] / 100
        p = t.placement(FRAME, size, figure=FIGURE)
        assert p.scale * 0.1 * FRAME[0] == pytest.approx(15 * zoom)
        assert list(lands(p, FIGURE.centre, line)) == pytest.approx([40 * zoom, y * zoom])


def test_what_cannot_be_found_falls_back(tmp_path: Path) -> None:
    t = template(tmp_path, 'box = [10, 10, 60, 80]\nfit = "head"\nhead = 15\nanchor = "feet"\n')
    figure = template(tmp_path, 'box = [10, 10, 60, 80]\nfit = "figure"\n')
    contain = template(tmp_path, 'box = [10, 10, 60, 80]\nfit = "contain"\n')
    headless = replace(FIGURE, head_height=None)
    size = (100, 80)
    assert t.placement(FRAME, size, figure=headless) == figure.placement(FRAME, size, figure=FIGURE)
    assert t.placement(FRAME, size) == contain.placement(FRAME, size)
    assert t.placement_notes(FIGURE) == ()
    assert "height of the head could not be told" in t.placement_notes(headless)[0]
    assert "subject was not found" in t.placement_notes(None)[0]
    assert contain.placement_notes(None) == ()
    assert not contain.wants_figure


def test_an_edge_in_plain_sight_is_told(tmp_path: Path) -> None:
    cut = replace(FIGURE, bottom=1.0, feet=None)
    size = (100, 80)
    for anchor, told in (("feet", 1), ("head", 1)):
        t = template(tmp_path, f'box = [0, 0, 80, 90]\nfit = "figure"\nanchor = "{anchor}"\n')
        for figure, notes in ((cut, told), (FIGURE, 0)):
            p = t.placement(FRAME, size, figure=figure)
            said = t.placement_notes(figure, frame_size=FRAME, size=size, placement=p)
            assert len(said) == notes
    t = template(tmp_path, 'fit = "figure"\n')
    p = t.placement(FRAME, size, figure=cut)
    assert t.placement_notes(cut, frame_size=FRAME, size=size, placement=p) == ()


@pytest.mark.parametrize(
    ("mirror", "named"), [(False, "left and lower"), (True, "right and lower")]
)
def test_the_cut_edges_are_named_as_they_lie_in_the_picture(
    tmp_path: Path, mirror: bool, named: str
) -> None:
    cut = replace(FIGURE, left=0.0, bottom=1.0, feet=None)
    t = template(tmp_path, 'box = [20, 20, 40, 60]\nfit = "figure"\n')
    p = t.placement(FRAME, (100, 80), mirror, cut)
    (said,) = t.placement_notes(cut, frame_size=FRAME, size=(100, 80), placement=p)
    assert f"off at its {named} edge" in said


def test_a_mirrored_slot(tmp_path: Path) -> None:
    t = template(tmp_path, "mirror = true\n")
    assert t.placement(FRAME, (100, 80)).mirror
    assert not t.placement(FRAME, (100, 80), mirror=True).mirror


@pytest.mark.parametrize("slot", ['fit = "figure"\n', 'anchor = "center"\n', 'fit = "contain"\n'])
def test_a_nudge_moves_and_scales_about_the_anchor(tmp_path: Path, slot: str) -> None:
    t = template(tmp_path, "box = [10, 10, 60, 80]\n" + slot)
    size = (200, 160)
    plain = t.placement(FRAME, size, figure=FIGURE)
    anchor = t.stand(size).anchor
    moved = t.placement(FRAME, size, figure=FIGURE, nudge=Nudge(5, -10))
    assert moved.scale == plain.scale
    assert moved.dx - plain.dx == pytest.approx(0.05 * 160)
    assert moved.dy - plain.dy == pytest.approx(-0.1 * 200)
    larger = t.placement(FRAME, size, figure=FIGURE, nudge=Nudge(scale=1.5))
    assert larger.scale == pytest.approx(1.5 * plain.scale)
    x, y = (anchor[0] - plain.dx) / plain.scale, (anchor[1] - plain.dy) / plain.scale
    assert larger.dx + larger.scale * x == pytest.approx(anchor[0])
    assert larger.dy + larger.scale * y == pytest.approx(anchor[1])


def test_a_placing_is_a_function_only_where_a_figure_is_wanted(tmp_path: Path) -> None:
    t = template(tmp_path, 'fit = "figure"\n')
    placing = t.placing(FRAME, (100, 80))
    assert not isinstance(placing, Placement)
    assert placing(FIGURE) == t.placement(FRAME, (100, 80), figure=FIGURE)
    t = template(tmp_path, "")
    assert t.placing(FRAME, (100, 80), mirror=True) == t.placement(FRAME, (100, 80), True)
