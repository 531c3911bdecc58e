"""The live analysis in Triton against the reference: its parts, the whole, and sequences.

Without a CUDA device the kernels run in Triton's interpreter, on small frames.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
import torch
from torch import Tensor

from models import screen
from models.analysis import Analysis, Grade, Known
from models.color import SRGB_8BIT, Encoding, Matrix, Planes, Range, Siting, rgb_to_planes, turn
from models.errors import ShapeError
from models.estimator import trained
from models.kernels.cuda.analysis import LiveAnalysis
from models.kernels.cuda.fields import Fields, fields_from
from models.plate import plate_misfit
from models.settings import KeySettings
from models.transfer import Transfer, encode
from models.upright import Upright

DEVICE = torch.device("cuda" if torch.cuda.is_available() else "cpu")
CPU = torch.device("cpu")
GREEN, BLUE, WALL = (0.05, 0.36, 0.08), (0.04, 0.09, 0.40), (0.30, 0.30, 0.32)
VIDEO = Encoding()
TEXTURE = 14
"""A root of a small difference of large sums: the reference itself has it to .001 only."""
SIZE = 48, 72


def scene(
    size: tuple[int, int] = SIZE,
    base: tuple[float, float, float] = GREEN,
    shift: float = 0.0,
    who: bool = True,
    wall: float = 0.0,
    noise: float = 0.01,
) -> Tensor:
    """Somebody before an uneven screen, with a wall to the left of it; linear light."""
    h, w = size
    y = (torch.arange(h) + 0.5).view(-1, 1) / h
    x = (torch.arange(w) + 0.5).view(1, -1) / w
    lit = 1.1 - 0.25 * x + 0.05 * torch.sin(9 * y)
    shown = torch.stack([c * lit for c in base])[None]
    shown = torch.where(x < wall, torch.tensor(WALL).view(1, 3, 1, 1), shown)
    if who:
        body = torch.minimum(0.14 - (x - 0.5 - shift).abs(), (y - 0.45) * h / w) * w / 6
        head = (0.09 - torch.hypot((y - 0.35) * h / w, x - 0.5 - shift)) * w / 6
        cover = torch.maximum((body + 0.5).clamp(0, 1), (head + 0.5).clamp(0, 1))
        front = torch.tensor((0.45, 0.25, 0.17)).view(1, 3, 1, 1)
        shown = cover * front * (1 + 0.3 * torch.sin(40 * y + 23 * x)) + (1 - cover) * shown
    random = torch.Generator().manual_seed(1)
    return (shown + torch.randn(shown.shape, generator=random) * noise * shown.sqrt()).clamp(0, 1)


def planes_of(linear: Tensor, encoding: Encoding = VIDEO, chroma: str = "420") -> Planes:
    return rgb_to_planes(encode(linear, encoding.transfer), encoding, chroma)


def sent(planes: Planes) -> Planes:
    y, cb, cr = (p.to(DEVICE) for p in planes)
    return y, cb, cr


class Pair:
    """The reference and the kernels, given the same."""

    def __init__(
        self,
        planes: Planes,
        encoding: Encoding = VIDEO,
        turns: int = 0,
        settings: KeySettings | None = None,
        plate: Planes | None = None,
    ) -> None:
        settings = settings or KeySettings()
        self.encoding, self.turns, self.plate = encoding, turns, plate is not None
        self.reference = Analysis(Grade.LIVE, settings, clip=True)
        height, width = planes[0].shape
        chroma = planes[1].shape
        self.kernels = LiveAnalysis(
            (height, width),
            (chroma[0], chroma[1]),
            encoding,
            turns,
            settings,
            trained("live", DEVICE),
        )
        self.out = Fields.empty(self.kernels.size, DEVICE)
        if plate is not None:
            self.reference.set_plate(Upright(plate, encoding, turns))
            self.kernels.set_plate(Upright(sent(plate), encoding, turns))

    def known(self, planes: Planes) -> Known:
        return self.reference(Upright(planes, self.encoding, self.turns))

    def agree(self, planes: Planes, flipped: int = 0) -> Fields:
        """Hold one frame to the reference; so many pixels may lie on a threshold's other side."""
        wanted = fields_from(self.known(planes), trained("live", CPU), self.kernels.size)
        self.kernels(sent(planes), self.out, self.plate)
        told = self.out.told.cpu()
        assert torch.equal(told[1:], wanted.told[1:])
        assert float((told[0] - wanted.told[0]).abs()) < 1e-6
        if told[1] == 1:
            off = (self.out.fields.cpu() - wanted.fields).abs()
            assert float(off[TEXTURE].max()) < 2e-3
            off[TEXTURE] = 0
            assert int((off > 1e-4).any(0).sum()) <= flipped
            if not flipped:
                assert float((self.out.shapes.cpu() - wanted.shapes).abs().max()) < 5e-3
        return wanted


@torch.inference_mode()
@pytest.mark.parametrize(
    ("size", "chroma", "encoding", "turns"),
    [
        ((30, 1280), "420", VIDEO, 0),
        ((31, 1601), "420", replace(VIDEO, siting=Siting.CENTER), 1),
        ((27, 964), "422", Encoding(Matrix.BT2020, Range.FULL, Transfer.BT709, depth=10), 2),
        ((27, 964), "444", Encoding(Matrix.BT601, Range.NARROW, Transfer.SRGB, depth=10), 3),
        ((21, 33), "420", replace(VIDEO, siting=Siting.TOP_LEFT), 3),
        ((20, 33), "422", replace(VIDEO, siting=Siting.CENTER), 0),
        ((20, 33), "444", SRGB_8BIT, 1),
        ((1, 1), "420", VIDEO, 0),
    ],
)
def test_a_frame_is_reduced_and_sampled_as_the_reference_does(
    size: tuple[int, int], chroma: str, encoding: Encoding, turns: int
) -> None:
    random = torch.Generator().manual_seed(2)
    planes = planes_of(torch.rand(1, 3, *size, generator=random), encoding, chroma)
    pair = Pair(planes, encoding, turns)
    pair.kernels.launches(sent(planes), pair.out, False)[0]()
    frame = Upright(planes, encoding, turns)
    factor = pair.reference.factor(frame.size)
    for got, want in (
        (pair.kernels.small, frame.reduced(factor)),
        (pair.kernels.sampled, frame.sampled(factor)),
    ):
        assert float((got.cpu() - want[0]).abs().max()) < 2e-6


@torch.inference_mode()
def test_strided_planes_of_words_are_read() -> None:
    """Chroma side by side, 16 bits a sample, as decoders hand them out."""
    encoding = replace(VIDEO, depth=10)
    planes = planes_of(scene(), encoding)
    pair = Pair(planes, encoding)
    beside = torch.stack(planes[1:], -1).to(torch.int16).to(DEVICE)
    wide = torch.zeros(SIZE[0], SIZE[1] + 10, dtype=torch.int16, device=DEVICE)
    wide[:, : SIZE[1]] = planes[0].to(DEVICE)
    taken = wide[:, : SIZE[1]], beside[..., 0], beside[..., 1]
    pair.kernels.launches(taken, pair.out, False)[0]()
    want = Upright(planes, encoding, 0).reduced(1)
    assert float((pair.kernels.small.cpu() - want[0]).abs().max()) < 2e-6


@torch.inference_mode()
def test_each_part_is_the_references_in_a_sequence() -> None:
    """Two frames: the second is fitted from what the first showed."""
    pair = Pair(planes_of(scene()))
    kernels = pair.kernels
    again = Analysis(Grade.LIVE, KeySettings(), clip=True)
    for shift in (0.0, 0.06):
        planes = planes_of(scene(shift=shift))
        pair.agree(planes)
        known = again(Upright(planes, VIDEO, 0))
    found = screen.find(Upright(planes, VIDEO, 0).reduced(1))
    assert found is not None
    assert int(kernels.state[5]) == found[0].value
    assert torch.allclose(kernels.state[6:9].cpu(), found[1].flatten(), atol=1e-6)
    assert known.bare is not None
    assert known.subject is not None
    for got, want in (
        (kernels.weight, known.bare.sure),
        (kernels.color, known.bare.smooth),
        (kernels.kept_color, known.bare.smooth),
        (kernels.core, known.subject.core),
    ):
        assert float((got.cpu() - want.reshape(got.shape)).abs().max()) < 1e-4
    assert float(kernels.state[13]) == 1  # the second followed the first


@torch.inference_mode()
def test_a_plate_is_followed_and_what_it_shows_outside_is_cut() -> None:
    bare = planes_of(scene(base=BLUE, who=False, wall=0.2))
    planes = planes_of(scene(base=BLUE, wall=0.2))
    wanted = Pair(planes, plate=bare).agree(planes)
    assert float(wanted.told[3]) == 1
    assert float(wanted.fields[5][:, :6].min()) > 0.9  # the wall is held out


@torch.inference_mode()
@pytest.mark.parametrize("base", [GREEN, BLUE])
@pytest.mark.parametrize("shift", [0.0, 0.01, 0.02, 0.05, 0.1, 0.2])
def test_how_badly_a_plate_fits_is_measured_as_the_reference_does(
    base: tuple[float, float, float], shift: float
) -> None:
    """The level is off by half a stop at most, or the hue; each frame has a middle of its own."""
    planes = planes_of(scene(shift=shift, noise=0.01 + shift / 10))
    bare = planes_of(scene(base=base, who=False, wall=0.5) * 0.7)
    pair = Pair(planes, plate=bare)
    for launch in pair.kernels.launches(sent(planes), pair.out, True)[:5]:
        launch()
    kept = pair.reference.read_plate(Upright(bare, VIDEO, 0))
    want = plate_misfit(Upright(planes, VIDEO, 0).reduced(1), kept.color, screen.Hue.GREEN)
    deviation, hues = pair.kernels.state[11].cpu(), pair.kernels.state[10].cpu()
    assert float(deviation + 2 * hues) == pytest.approx(want, abs=1e-5)


@torch.inference_mode()
def test_a_strip_is_cut_in_a_turned_deep_odd_frame() -> None:
    """Without a plate: the wall ends in a straight line of screen."""
    encoding = Encoding(Matrix.BT2020, Range.FULL, Transfer.BT709, Siting.CENTER, 10)
    upright = scene((51, 73), BLUE, who=False, wall=0.15)
    planes = planes_of(turn(upright, 3).contiguous(), encoding, "422")
    pair = Pair(planes, encoding, turns=1)
    wanted = pair.agree(planes)
    assert float(wanted.fields[5][:, :4].min()) > 0.9
    assert float(pair.kernels.strips[12]) == 1


@torch.inference_mode()
def test_no_screen_is_told_and_nothing_is_learnt() -> None:
    planes = planes_of(torch.zeros(1, 3, 16, 24))
    pair = Pair(planes)
    pair.agree(planes)
    assert float(pair.out.told[1]) == 0
    assert bool(torch.isfinite(pair.out.fields).all())
    assert float(pair.kernels.state[24]) == 0


@torch.inference_mode()
@pytest.mark.parametrize(("wanted", "found"), [("blue", 0), ("green", 1), ("auto", 1)])
def test_only_the_wanted_hue_is_looked_for(wanted: str, found: int) -> None:
    planes = planes_of(scene((24, 32)))
    pair = Pair(planes, settings=KeySettings(screen=wanted))
    for launch in pair.kernels.launches(sent(planes), pair.out, False)[:3]:
        launch()
    assert int(pair.kernels.state[4]) == found


@torch.inference_mode()
def test_a_tiny_frame_agrees() -> None:
    planes = planes_of(scene((5, 7)))
    Pair(planes).agree(planes)


@pytest.mark.gpu
@torch.inference_mode()
@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("base", [GREEN, BLUE])
@pytest.mark.parametrize("size", [(1, 1), (3, 70), (301, 403), (540, 960)])
def test_frames_of_many_sizes_agree(
    size: tuple[int, int], base: tuple[float, float, float], turns: int
) -> None:
    planes = planes_of(scene(size, base))
    Pair(planes, turns=turns).agree(planes, flipped=math.ceil(size[0] * size[1] / 1e4))


@pytest.mark.gpu
@torch.inference_mode()
def test_a_frame_is_analysed_again_without_a_plate_that_does_not_fit() -> None:
    planes = planes_of(scene((540, 960)))
    pair = Pair(planes, plate=planes_of(scene((540, 960), BLUE, who=False)))
    wanted = fields_from(pair.known(planes), trained("live", CPU), (540, 960))
    pair.kernels(sent(planes), pair.out, True)
    assert float(pair.out.told[3]) == float(wanted.told[3]) == 0
    pair.kernels(sent(planes), pair.out, False)
    off = (pair.out.fields.cpu() - wanted.fields).abs()
    off[TEXTURE] = 0
    assert float(off.max()) < 1e-4


def test_chroma_of_another_size_is_refused() -> None:
    planes = torch.zeros(8, 8), torch.zeros(3, 3), torch.zeros(3, 3)
    with pytest.raises(ShapeError, match="need chroma of full or half size"):
        Pair(planes)


@pytest.mark.gpu
@torch.inference_mode()
@pytest.mark.parametrize("plate", [False, True])
@pytest.mark.parametrize("size", [(1080, 1920), (721, 1283), (2160, 3840)])
def test_a_captured_graph_follows_new_frames(size: tuple[int, int], plate: bool) -> None:
    """Nothing is read by the host, so that a graph replayed on other planes gives their fields."""
    frames = [planes_of(scene(size, shift=s, wall=0.15)) for s in (0.0, 0.04, 0.1)]
    bare = planes_of(scene(size, who=False, wall=0.15)) if plate else None
    pair = Pair(frames[0], plate=bare)
    held = sent(tuple(torch.zeros_like(p) for p in frames[0]))  # type: ignore[arg-type]
    pair.kernels(held, pair.out, plate)  # compiles
    pair.kernels.forget()
    torch.cuda.synchronize()
    graph = torch.cuda.CUDAGraph()
    with torch.cuda.graph(graph):
        pair.kernels(held, pair.out, plate)
    for planes in frames:
        for buffer, plane in zip(held, planes, strict=True):
            buffer.copy_(plane)
        graph.replay()
        wanted = fields_from(pair.known(planes), trained("live", CPU), size)
        assert torch.allclose(pair.out.told.cpu(), wanted.told, atol=1e-6)
        off = (pair.out.fields.cpu() - wanted.fields).abs()
        off[TEXTURE] = 0
        # One pixel in ten thousand may lie on a threshold.
        assert int((off > 1e-4).any(0).sum()) <= math.ceil(off[0].numel() / 1e4)
