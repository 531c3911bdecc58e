"""The edge network on a card: what it sees, what it says, and the pictures that come of it.

No weights are needed: a network of random ones, which says much, is held against the reference.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
import torch
from torch import Tensor

from models import corrector
from models.analysis import Analysis
from models.basis import CHANNELS, FINE
from models.color import Encoding, Planes, turn
from models.corrector import Corrector
from models.estimator import trained
from models.kernels.cuda.analysing import ReferenceAnalyser
from models.kernels.cuda.analysis import LiveAnalysis
from models.kernels.cuda.engine import Engine
from models.kernels.cuda.fields import CORRECTION, Fields, fields_from
from models.kernels.cuda.live import LiveAnalyser
from models.kernels.fused import Fused
from models.keyer import Composite, Grade, Keyer
from models.refine import AFTER, OUT, STRIDE, Refiner
from models.resample import Placement
from models.settings import KeySettings
from models.upright import Upright
from tests.models.kernels.cuda import test_analysis
from tests.models.kernels.cuda.pictures import DEVICE, assert_same, person, planes_of, template
from tests.models.kernels.cuda.test_analysis import BLUE, GREEN

HERE, SIZE, CAMERA = Placement(1.0, -6.0, -6.0), (14, 48), Encoding()
SETTINGS = KeySettings()


def refiner(device: torch.device = DEVICE, much: float = 0.25) -> Refiner:
    """Says some tenths of alpha, trusted here more and there less."""
    with torch.random.fork_rng(devices=[]), torch.no_grad():
        torch.manual_seed(5)
        made = Refiner(CHANNELS, FINE)
        made.leave.weight.normal_(0, much)
        assert made.leave.bias is not None
        made.leave.bias.view(OUT, 4)[AFTER] = 0.25
    return made.eval().to(device, memory_format=torch.channels_last)  # type: ignore[call-overload, no-any-return]


def keyer(net: Refiner | None, fast: bool, settings: KeySettings = SETTINGS) -> Keyer:
    """A Keyer of a clip whose matte is corrected, by the kernels or without."""
    made = Keyer(Grade.LIVE, settings, DEVICE, clip=True)
    made.corrector.refiner = net
    network = made.solver.network
    assert network is not None
    if fast:
        analyser = LiveAnalyser(settings, network, net)
        made.parts = Fused(
            engine=Engine(network, analyser, settings, alpha=True), analyser=analyser
        )
    return made


def differ(one: Composite, other: Composite) -> float:
    """The most that two pictures' alphas are apart."""
    return float((one.alpha.cpu() - other.alpha.cpu()).abs().max())


def bare(frame: Tensor) -> Planes:
    return planes_of(frame[..., :1, :1].expand_as(frame), CAMERA)


@torch.inference_mode()
@pytest.mark.parametrize(
    ("size", "base", "encoding", "chroma", "turns"),
    [
        ((48, 72), GREEN, CAMERA, "420", 0),
        ((37, 61), BLUE, CAMERA, "420", 0),
        ((33, 64), GREEN, replace(CAMERA, depth=10), "422", 1),
        ((31, 1601), BLUE, CAMERA, "420", 0),
        ((5, 7), GREEN, CAMERA, "444", 3),
        pytest.param((540, 960), GREEN, CAMERA, "420", 0, marks=pytest.mark.gpu),
        pytest.param((1080, 1919), BLUE, CAMERA, "420", 0, marks=pytest.mark.gpu),
    ],
)
def test_the_edge_network_sees_and_says_what_the_references_does(
    size: tuple[int, int],
    base: tuple[float, float, float],
    encoding: Encoding,
    chroma: str,
    turns: int,
) -> None:
    upright = test_analysis.scene(size, base)
    planes = test_analysis.planes_of(turn(upright, -turns % 4).contiguous(), encoding, chroma)
    cpu = torch.device("cpu")
    told = trained("live", cpu)
    correct = Corrector(told, refiner(cpu), whole=True)
    analysis = Analysis(Grade.LIVE, SETTINGS, clip=True, corrector=correct)
    frame = Upright(planes, encoding, turns)
    known = analysis(frame)
    assert known.bare is not None
    assert known.subject is not None
    factor = analysis.factor(size)
    small = frame.reduced(factor)
    basis = correct.basis(small, known.bare, known.subject, known.noise / factor)
    assert basis is not None
    (height, width), chroma_size = planes[0].shape, planes[1].shape
    kernels = LiveAnalysis(
        (height, width), (chroma_size[0], chroma_size[1]), encoding, turns, SETTINGS,
        trained("live", DEVICE), refiner(),
    )  # fmt: skip
    out = Fields.empty(size, DEVICE)
    kernels(test_analysis.sent(planes), out, False)
    assert kernels.correct is not None
    seen = kernels.correct.basis.cpu()
    h, w = small.shape[-2:]
    assert seen.shape[-2:] == (-(-h // STRIDE) * STRIDE, -(-w // STRIDE) * STRIDE)
    # The small network's products are in float16; spill is exchanged on what it says.
    bounds = torch.full((CHANNELS,), 1e-4)
    bounds[[3, 7, 8, 9]] = torch.tensor([2e-3, 5e-3, 5e-3, 5e-3])
    off = (seen[0, :, :h, :w] - basis.channels[0]).abs() > bounds[:, None, None]
    few = h * w // 10**4  # on a threshold, on a card
    assert int(off.any(0).sum()) <= few
    # What lies beyond the field repeats its edge; lanes of a vector and those left over may round
    # apart on a processor.
    rows = torch.arange(seen.shape[-2]).clamp(max=h - 1)
    columns = torch.arange(seen.shape[-1]).clamp(max=w - 1)
    repeated = seen[..., rows, :][..., columns]
    torch.testing.assert_close(seen, repeated, atol=1e-6, rtol=0)
    wanted = fields_from(known, told, size).fields[CORRECTION]
    assert float(wanted.abs().max()) > 0.05
    assert float(wanted.abs().min()) < 0.02
    # How far a pixel is off the screen decides over .03: .0001 there are .005 of what is added.
    off = (out.fields[CORRECTION].cpu() - wanted).abs() > 2e-3
    assert int(off.sum()) <= few * 32**2


@pytest.mark.parametrize("base", [GREEN, BLUE])
def test_a_clip_is_corrected_as_by_the_reference(base: tuple[float, float, float]) -> None:
    shown = test_analysis.scene((40, 60), base)
    net, where = refiner(), template(SIZE).to(DEVICE)
    settings = KeySettings("auto", 0.1, 0.8)
    fast, plain = keyer(net, True, settings), keyer(net, False, settings)
    without = keyer(None, False, settings)
    for shift in (0, 2):
        planes = planes_of(shown.roll(shift, -1), CAMERA)
        got, want, other = (
            k.composite(planes, CAMERA, 0, where, HERE) for k in (fast, plain, without)
        )
        assert_same(got, want)
        assert differ(want, other) > 0.05


def test_a_scaled_frame_of_another_size_and_a_plate_are_corrected() -> None:
    frame, net, where = person(24, 40), refiner(), template((12, 30)).to(DEVICE)
    pair = keyer(net, True), keyer(net, False)
    half = Placement(0.6, 2.0, -1.0, True)
    planes, turned = planes_of(frame, CAMERA), planes_of(frame, CAMERA, "420", 2)
    for one in pair:
        one.set_plate(bare(frame), CAMERA)
    for these, turns, place in ((planes, 0, half), (turned, 2, half)):
        got, want = (k.composite(these, CAMERA, turns, where, place) for k in pair)
        assert want.plate_fits is True
        assert_same(got, want)
    engine = pair[0].parts.engine
    assert engine is not None
    assert len(engine._graphs) == 2


def test_the_reference_analysis_hands_its_correction_to_the_kernels() -> None:
    net, where, planes = refiner(), template(SIZE), planes_of(person(), CAMERA)
    plain = keyer(net, False)
    network = plain.solver.network
    assert network is not None
    analysis = Analysis(Grade.LIVE, SETTINGS, True, Corrector(network, net, whole=True))
    engine = Engine(network, ReferenceAnalyser(analysis, network), alpha=True)
    got = engine.composite(planes, CAMERA, 0, where, HERE)
    assert_same(got, plain.composite(planes, CAMERA, 0, where.to(DEVICE), HERE))


def test_without_weights_nothing_is_corrected_nor_looked_up() -> None:
    planes, where = planes_of(person(24, 40), CAMERA), template((10, 30)).to(DEVICE)
    fast, plain = keyer(None, True), keyer(None, False)
    engine, analyser = fast.parts.engine, fast.parts.analyser
    assert engine is not None
    assert analyser is not None
    for _ in range(2):
        got = fast.composite(planes, CAMERA, 0, where, HERE)
        assert_same(got, plain.composite(planes, CAMERA, 0, where, HERE))
        for lanes in engine._lanes.values():
            for lane in lanes:
                assert float(lane.fields.fields[CORRECTION].min()) in (0, 9)
                lane.fields.fields[CORRECTION] = 9
    assert analyser.prepare(planes, CAMERA, 0).correct is None


@torch.inference_mode()
def test_where_no_screen_is_found_nothing_is_corrected() -> None:
    planes = planes_of(torch.zeros(1, 3, 16, 24), CAMERA)
    kernels = LiveAnalysis(
        (16, 24), (8, 12), CAMERA, 0, SETTINGS, trained("live", DEVICE), refiner()
    )
    out = Fields.empty((16, 24), DEVICE)
    out.fields[CORRECTION] = 9
    kernels(test_analysis.sent(planes), out, False)
    assert float(out.told[1]) == 0
    assert float(out.fields[CORRECTION].abs().max()) == 0


@pytest.mark.gpu
def test_the_keyer_replays_the_corrected_frame_from_its_graphs(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As in the program, weights found: sizes, plates and placements change between frames."""
    where = template((270, 480)).to("cuda")
    uncorrected = Keyer(Grade.LIVE, device="cuda", clip=True)
    net = refiner(torch.device("cuda"), 0.4)
    monkeypatch.setattr(corrector, "trained_refiner", lambda _: net)
    plain, fast = (Keyer(Grade.LIVE, device="cuda", clip=True) for _ in range(2))
    fast.use_kernels()
    assert fast.parts.engine is not None
    changed = 0
    for size, scale in (((540, 960), 0.5), ((1080, 1920), 0.25), ((362, 641), 1.3)):
        frame = torch.nn.functional.interpolate(person(), size, mode="bilinear").clamp(0, 1)
        for plate in (None, bare(frame), None):
            for one in (plain, fast, uncorrected):
                one.set_plate(plate, CAMERA)
            for i in range(5):
                planes = planes_of(frame.roll(7 * i, -1), CAMERA)
                place = Placement(scale, -3.0 * i, -5.0)
                got, want, other = (
                    k.composite(planes, CAMERA, 0, where, place) for k in (fast, plain, uncorrected)
                )
                assert not got.picture.is_cuda
                off = (got.picture.int() - want.picture.cpu().int()).abs() > 1
                assert float(off.float().mean()) < 1e-3  # around a pixel on a threshold
                more = (other.picture.int() - want.picture.int()).abs() > 1
                # Twice what may differ between the two: the network's share is seen.
                changed += int(float(more.float().mean()) > 2e-3)
    assert changed == 45
