"""The shadow layer: a known shadow comes back, and nothing where there is none.

The truth is a factor on the lit screen (Chuang and others, "Shadow Matting and Compositing",
SIGGRAPH 2003), made by formula here.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
import torch
from torch import Tensor

from models.color import SRGB_8BIT, turn
from models.composite import Scene
from models.keyer import Cut, Grade, Keyer, KeySettings
from models.mask import Mask
from models.pyramid import grow
from models.resample import Placement, resize
from models.shadow import faded
from models.transfer import Transfer, decode, encode
from tests.models.keying import GRADES
from tests.models.rendered import (
    BLUE,
    GREEN,
    HEIGHT,
    SKIN,
    VIDEO_8,
    WIDTH,
    Shown,
    colour,
    ellipse,
    mean_error,
    person,
    pooled,
    rgb_planes,
    shown,
    uneven,
    video_planes,
)

KEEP = replace(KeySettings(), shadow="keep")


def cast(depth: float = 0.5, edge: float = 14.0) -> Tensor:
    """The light left by a soft shadow beside the subject, (1, 1, H, W)."""
    return 1 - depth * pooled(ellipse(112, 60, 40, 34, edge))


def scene(left: Tensor | float = 1.0, back: Tensor | None = None) -> Shown:
    lit = uneven(GREEN) if back is None else back
    return shown(person(20.0), colour(SKIN), lit * left)


def cut(truth: Shown, plate: Tensor | None, grade: Grade = Grade.FINAL) -> Cut:
    keyer = Keyer(grade, KEEP)
    if plate is not None:
        keyer.set_plate(rgb_planes(plate), SRGB_8BIT)
    return keyer.cut(rgb_planes(truth.picture), SRGB_8BIT)


def layer(found: Cut) -> Tensor:
    assert found.shadow is not None
    assert found.shadow.shape == found.alpha.shape
    assert 0 <= float(found.shadow.min()) <= float(found.shadow.max()) <= 1
    return found.shadow


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("with_plate", [True, False])
@pytest.mark.parametrize("depth", [0.15, 0.35, 0.6])
def test_a_known_shadow_comes_back(depth: float, with_plate: bool, grade: Grade) -> None:
    left = cast(depth)
    truth = scene(left)
    got = layer(cut(truth, uneven(GREEN) if with_plate else None, grade))
    bare = grow(truth.alpha, 3) < 0.001
    off = (got - left).abs()
    # measured .008 at most in the mean, .02 in the middle of the shadow
    assert float(off[bare].mean()) < 0.012
    middle = (left < 1 - 0.95 * depth) & bare
    assert float(off[middle].mean()) < 0.03
    lit = (left > 0.999) & bare
    assert float((1 - got[lit]).mean()) < 0.002
    assert float((1 - got[lit]).quantile(0.99)) < 0.03


@pytest.mark.parametrize("with_plate", [True, False])
def test_a_plate_at_another_exposure_makes_no_shadow(with_plate: bool) -> None:
    left = cast()
    truth = scene(left)
    plate = uneven(GREEN) * 1.12 if with_plate else uneven(GREEN) * 0.9
    got = layer(cut(truth, plate))
    bare = grow(truth.alpha, 3) < 0.001
    assert float((got - left).abs()[bare].mean()) < 0.012


def noisy(linear: Tensor, amount: float) -> Tensor:
    seeded = torch.Generator().manual_seed(5)
    return (linear + amount * torch.randn(linear.shape, generator=seeded)).clamp(0, 1)


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("with_plate", [True, False])
def test_there_is_no_residue_where_there_is_no_shadow(with_plate: bool, grade: Grade) -> None:
    """Noise, fall-off towards a corner and wrinkles are the screen's, not a shadow."""
    y = torch.linspace(-1, 1, HEIGHT).view(1, 1, -1, 1)
    x = torch.linspace(-1, 1, WIDTH).view(1, 1, 1, -1)
    folds = 1 + 0.03 * torch.sin(x * 40)
    lit = colour(GREEN) * torch.exp2(-0.35 * ((x - 0.3) ** 2 + y**2)) * folds
    truth = scene(1.0, lit.expand(1, 3, HEIGHT, WIDTH))
    keyer = Keyer(grade, KEEP)
    if with_plate:
        keyer.set_plate(rgb_planes(noisy(truth.back, 0.01)), SRGB_8BIT)
    planes = rgb_planes(noisy(truth.picture, 0.01))
    got = layer(keyer.cut(planes, SRGB_8BIT))
    assert float((1 - got).mean()) < 0.001
    assert float((1 - got).max()) < 0.06


@pytest.mark.parametrize("amount", [0.003, 0.006])
def test_noise_does_not_speckle_a_shadow(amount: float) -> None:
    left = cast()
    truth = scene(left)
    keyer = Keyer(Grade.FINAL, KEEP)
    keyer.set_plate(rgb_planes(uneven(GREEN)), SRGB_8BIT)
    got = layer(keyer.cut(rgb_planes(noisy(truth.picture, amount)), SRGB_8BIT))
    bare = grow(truth.alpha, 6) < 0.001
    rough = (got[..., 1:] - got[..., :-1]).abs()[bare[..., 1:]]
    true = (left[..., 1:] - left[..., :-1]).abs().max()
    assert float(rough.quantile(0.99)) < 2 * float(true)
    assert float((got - left).abs()[bare].mean()) < 0.02


def test_no_shadow_lies_deep_under_the_subject() -> None:
    body = person(20.0)
    behind = 1 - 0.5 * pooled(ellipse(120, 140, 70, 80, 20.0))
    truth = shown(body, colour(SKIN), uneven(GREEN) * behind)
    got = layer(cut(truth, uneven(GREEN)))
    deep = grow(1 - truth.alpha, 9) < 0.001
    assert float(got[deep].min()) > 0.999
    # Beside it, up to the edge, it goes on.
    beside = (truth.alpha < 0.01) & (behind < 0.55)
    assert float((got - behind).abs()[beside].mean()) < 0.06


def test_blue_and_video_and_a_turn() -> None:
    left = cast()
    truth = scene(left, uneven(BLUE))
    keyer = Keyer(Grade.FINAL, KEEP)
    keyer.set_plate(video_planes(uneven(BLUE)), VIDEO_8)
    got = layer(keyer.cut(video_planes(truth.picture), VIDEO_8))
    bare = grow(truth.alpha, 4) < 0.001
    assert float((got - left).abs()[bare].mean()) < 0.02
    keyer.set_plate(None)
    upright = layer(keyer.cut(rgb_planes(scene(left).picture), SRGB_8BIT))
    lying = rgb_planes(turn(scene(left).picture, 3))
    assert mean_error(layer(keyer.cut(lying, SRGB_8BIT, 1)), upright) < 0.002


def test_shadows_are_removed_unless_wanted() -> None:
    assert Keyer().cut(rgb_planes(scene(cast()).picture), SRGB_8BIT).shadow is None
    room = torch.full((1, 3, HEIGHT, WIDTH), 0.3)
    nothing = Keyer(settings=KEEP).cut(rgb_planes(room), SRGB_8BIT)
    assert not nothing.screen_found
    assert float(layer(nothing).min()) == 1


# --- in a picture ---------------------------------------------------------------------------


@pytest.mark.parametrize("grade", GRADES)
@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("scale", [0.45, 1.0, 1.5])
def test_the_shadow_falls_on_the_background(scale: float, mirror: bool, grade: Grade) -> None:
    left = cast()
    truth = scene(left)
    size = (round(HEIGHT * scale), round(WIDTH * scale))
    there = Scene(torch.full((1, 3, *size), 0.4))
    planes, placement = rgb_planes(truth.picture), Placement(scale, 0, 0, mirror)

    def light(settings: KeySettings) -> Tensor:
        keyer = Keyer(grade, settings)
        keyer.set_plate(rgb_planes(uneven(GREEN)), SRGB_8BIT)
        done = keyer.composite(planes, SRGB_8BIT, 0, there, placement)
        plain = decode(done.picture.permute(2, 0, 1)[None].float() / 255, Transfer.SRGB)
        return plain.flip(-1) if mirror else plain

    bare = resize(grow(truth.alpha, 3), size) < 0.001
    want = 0.4 * resize(left, size)
    off = (light(KEEP)[:, 1:2] - want).abs()[bare]
    # measured .003 to .006
    assert float(off.mean()) < 0.01
    without = light(KeySettings())[:, 1:2][bare]
    assert float((without - 0.4).abs().max()) < 0.015


def test_overlays_lie_above_the_shadow_and_far_pixels_stay() -> None:
    left = cast()
    there = Scene(torch.rand(1, 3, HEIGHT, WIDTH, generator=torch.Generator().manual_seed(4)))
    placed = Placement(1.0, 0, 0)
    planes = rgb_planes(scene(left).picture)
    keyer = Keyer(settings=KEEP)
    keyer.set_plate(rgb_planes(uneven(GREEN)), SRGB_8BIT)
    with_it = keyer.composite(planes, SRGB_8BIT, 0, there, placed).picture
    plain = (encode(there.below, Transfer.SRGB)[0].permute(1, 2, 0) * 255 + 0.5).to(torch.uint8)
    off = (with_it[:40, :100].int() - plain[:40, :100].int()).abs()
    assert int(off.max()) <= 1
    assert int((plain[112, 50].int() - with_it[112, 50].int()).min()) > 0


def test_a_hold_out_cuts_the_shadow_as_well() -> None:
    left = cast()
    strokes = torch.zeros(1, 2, HEIGHT, WIDTH)
    strokes[:, 1, 90:130, 30:80] = 1
    keyer = Keyer(settings=KEEP)
    keyer.set_mask(Mask(strokes))
    got = layer(keyer.cut(rgb_planes(scene(left).picture), SRGB_8BIT))
    assert float(got[strokes[:, 1:2] > 0].min()) == 1
    there = Scene(torch.full((1, 3, HEIGHT, WIDTH), 0.4))
    done = keyer.composite(
        rgb_planes(scene(left).picture), SRGB_8BIT, 0, there, Placement(1.0, 0, 0)
    )
    plain = int((encode(there.below, Transfer.SRGB)[0, 0, 0, 0] * 255).round())
    assert bool((done.picture[92:128, 32:78] == plain).all())


@pytest.mark.parametrize("mirror", [False, True])
def test_a_shadow_runs_out_where_the_edge_of_its_frame_shows(mirror: bool) -> None:
    """A frame in the middle of a larger picture: its edges do not draw themselves."""
    rows, columns = slice(20, 60), slice(30, 90)
    dark = torch.full((1, 1, 40, 60), 0.6)
    got = faded(dark, rows, columns, Placement(0.5, 30, 20, mirror), (80, 120), (100, 150))
    assert float(got[0, 0, 0].max()) < 0.2
    assert float(got[0, 0, -1].max()) < 0.2
    assert float(got[0, 0, :, 0].max()) < 0.2
    assert float(got[0, 0, :, -1].max()) < 0.2
    assert torch.equal(got[..., 5:-5, 5:-5], dark[..., 5:-5, 5:-5])
    assert float(dark.min()) == pytest.approx(0.6)
    # A frame that fills the picture, or reaches beyond it, keeps its shadow as it is.
    whole = slice(0, 40), slice(0, 60)
    assert torch.equal(faded(dark, *whole, Placement(0.5, 0, 0), (80, 120), (40, 60)), dark)
    assert torch.equal(faded(dark, *whole, Placement(1.0, -9, -9), (80, 120), (40, 60)), dark)
