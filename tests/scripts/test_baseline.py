"""The engineer's baseline is the shipped live grade: the same pictures, within rounding."""

from __future__ import annotations

import numpy as np
import pytest
import torch

from models.analysis import Analysis, Grade
from models.color import Encoding, Matrix, Planes, Siting, rgb_to_planes
from models.composite import Overlay, Scene
from models.keyer import Keyer, KeySettings
from models.resample import Placement
from models.transfer import Transfer, encode
from models.upright import Upright
from scripts.baseline import Baseline, Ground
from scripts.baseline_fields import Fields
from scripts.keying import Job, core_of, seen_by, whole_of, with_kernels

SIZE = (360, 640)
VIDEO = Encoding()
CENTRED = Encoding(siting=Siting.CENTER)


def _scene(size: tuple[int, int]) -> Scene:
    made = torch.Generator().manual_seed(1)
    below = torch.rand(1, 3, 9, 9, generator=made)
    below = torch.nn.functional.interpolate(below, size, mode="bilinear")
    gain = torch.ones(1, 1, *size)
    gain[..., : size[0] // 5, :] = 0.3
    offset = (1 - gain) * torch.tensor([0.9, 0.5, 0.2]).view(1, 3, 1, 1)
    step = Overlay(gain.expand(1, 3, *size), offset.expand(1, 3, *size))
    return Scene(below, (step,))


def _frame(at: float, subject: bool = True, grain: float = 0.006) -> torch.Tensor:
    """Somebody round with loose strands before an uneven green screen: (1, 3, H, W) linear."""
    y, x = torch.meshgrid(torch.arange(SIZE[0]) + 0.5, torch.arange(SIZE[1]) + 0.5, indexing="ij")
    light = 0.8 + 0.3 * x / SIZE[1] - 0.1 * y / SIZE[0]
    back = light * torch.tensor([0.05, 0.36, 0.08]).view(3, 1, 1)
    if not subject:
        return back[None]
    centre = SIZE[1] * at
    reach = torch.hypot((x - centre) / 90, (y - 230) / 150)
    angle = torch.atan2(y - 230, x - centre)
    cover = ((1 - reach) * 40 + 0.5).clamp(0, 1)
    strands = (torch.sin(angle * 90) - 0.6).clamp(0, 1) * (1.25 - reach).clamp(0, 1) * 3
    cover = torch.maximum(cover, torch.where(y < 200, strands.clamp(0, 0.9), torch.zeros(())))
    front = torch.stack([0.35 + 0.2 * torch.sin(x / 9), 0.25 + 0.1 * torch.cos(y / 7), 0.2 + 0 * x])
    noise = torch.randn(3, *SIZE, generator=torch.Generator().manual_seed(int(at * 1000)))
    return (cover * front + (1 - cover) * back + grain * noise * 0.2).clamp(0, 1)[None]


def _planes(linear: torch.Tensor, encoding: Encoding) -> Planes:
    return rgb_to_planes(encode(linear, encoding.transfer), encoding)


def _agree(got: tuple[np.ndarray, np.ndarray], keyer: Keyer, *args: object) -> None:
    done = keyer.composite(*args)  # type: ignore[arg-type]
    alpha = done.alpha[0, 0].numpy()
    off = np.abs(got[0].astype(int) - done.picture.numpy().astype(int)).max(2)
    off_alpha = np.abs(got[1] - alpha)
    assert done.alpha.mean() > 0.05  # there is something to compare
    assert ((done.alpha > 0.05) & (done.alpha < 0.95)).float().mean() > 0.003
    # Pixels are asked about where an interpolated mask is above 0. At its foot the order of sums
    # decides between 0 and 1e-6: such a pixel is asked by one side, and left bare by the other.
    by_one = (off_alpha > 1e-3) & (np.minimum(got[1], alpha) == 0)
    assert off[~by_one].max() <= 1, np.bincount(off.ravel())
    assert off_alpha[~by_one].max() <= 1e-3, np.sort(off_alpha.ravel())[-20:]
    assert by_one.mean() <= 1e-4
    assert off[by_one].max(initial=0) <= 5
    assert off_alpha[by_one].max(initial=0) <= 0.06


CASES = {
    "as it is": ((360, 300), Placement(1.0, -170.0, 0.0)),
    "larger, mirrored": ((408, 340), Placement(408 / 360, -192.7, 0.0, mirror=True)),
    "smaller": ((272, 226), Placement(272 / 360, -128.0, 3.0)),
    "partly beside": ((300, 400), Placement(0.9, 120.4, -20.0)),
}


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("encoding", [VIDEO, CENTRED], ids=["left", "centre"])
def test_all_of_it_is_the_reference(name: str, encoding: Encoding) -> None:
    size, place = CASES[name]
    scene = _scene(size)
    ground = Ground.of(scene)
    keyer, mine = Keyer(Grade.LIVE, clip=True), Baseline()
    for at in (0.5, 0.53):  # the second frame is fitted from what the first showed
        planes = _planes(_frame(at), encoding)
        got = mine.whole(planes, encoding, ground, place)
        _agree(got, keyer, planes, encoding, 0, scene, place)


def test_a_strip_of_wall_is_held_out() -> None:
    size, place = (360, 640), Placement(1.0, 0.0, 0.0)
    shown = _frame(0.5)
    shown[..., :64] = 0.2
    planes, scene = _planes(shown, VIDEO), _scene(size)
    keyer = Keyer(Grade.LIVE)
    got = Baseline().whole(planes, VIDEO, Ground.of(scene), place)
    assert keyer.cut(planes, VIDEO).alpha[..., :50].max() < 0.1
    _agree(got, keyer, planes, VIDEO, 0, scene, place)


@pytest.mark.parametrize("marked", [False, True])
def test_with_a_clean_plate(marked: bool) -> None:
    size, place = CASES["as it is"]
    scene = _scene(size)
    bare = _frame(0.0, subject=False)
    shown = _frame(0.5)
    if marked:  # a stand beside the screen, in plate and frame alike
        for picture in (bare, shown):
            picture[..., 40:, :60] = 0.2
    plate, planes = _planes(bare, VIDEO), _planes(shown, VIDEO)
    keyer, mine = Keyer(Grade.LIVE, clip=True), Baseline()
    keyer.set_plate(plate, VIDEO)
    analysis = Analysis(Grade.LIVE, KeySettings(), clip=True)
    mine.set_plate(analysis.read_plate(Upright(plate, VIDEO, 0)))
    got = mine.whole(planes, VIDEO, Ground.of(scene), place)
    _agree(got, keyer, planes, VIDEO, 0, scene, place)


@pytest.mark.parametrize("name", CASES)
def test_the_core_by_the_reference_s_fields(name: str) -> None:
    size, place = CASES[name]
    scene, planes = _scene(size), _planes(_frame(0.5), VIDEO)
    known = Analysis(Grade.LIVE, KeySettings(), clip=False)(Upright(planes, VIDEO, 0))
    got = Baseline().core(planes, VIDEO, Fields.of(known), Ground.of(scene), place)
    _agree(got, Keyer(Grade.LIVE), planes, VIDEO, 0, scene, place)


def test_pictures_of_red_green_and_blue() -> None:
    encoding = Encoding(Matrix.RGB, VIDEO.range, Transfer.SRGB, Siting.CENTER, 8)
    size, place = CASES["smaller"]
    scene, planes = _scene(size), _planes(_frame(0.5), encoding)
    got = Baseline().whole(planes, encoding, Ground.of(scene), place)
    _agree(got, Keyer(Grade.LIVE), planes, encoding, 0, scene, place)


@pytest.mark.parametrize("path", ["torch", "kernels"])
def test_what_is_timed_as_the_core_makes_the_whole_s_picture(path: str) -> None:
    size, place = CASES["smaller"]
    bare = _planes(_frame(0.0, subject=False), VIDEO)
    work = Job(_planes(_frame(0.5), VIDEO), bare, VIDEO, VIDEO, _scene(size), place)
    keyer = work.keyer()
    if path == "kernels":
        assert with_kernels(keyer)
    core = core_of(keyer, work)()
    assert torch.equal(whole_of(keyer, work)(), core)  # type: ignore[arg-type]
    assert seen_by(keyer, work)[1].plate_fits


def test_it_says_what_it_does_not_do() -> None:
    size = (4, 5)
    alpha = torch.ones(1, 1, *size)
    step = Overlay(rgb_enc=torch.ones(1, 3, *size), alpha=alpha)
    with pytest.raises(ValueError, match="need an affine one"):
        Ground.of(Scene(torch.zeros(1, 3, *size), (step,)))
    scene = Scene(torch.zeros(1, 3, 20, 20))
    grey = torch.full((1, 3, 20, 20), 0.2)
    with pytest.raises(ValueError, match="without a screen"):
        Baseline().whole(_planes(grey, VIDEO), VIDEO, Ground.of(scene), Placement(1.0, 0.0, 0.0))
