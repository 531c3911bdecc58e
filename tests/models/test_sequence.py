"""A clip keyed frame by frame into pictures: as still as its cuts, and gone on with exactly."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest
import torch
from safetensors.torch import load, save

from models.color import SRGB_8BIT, Encoding, Planes, Siting, rgb_to_planes
from models.keyer import Grade, Keyer, KeySettings
from models.register import Move, moved
from models.resample import Placement
from models.sequence import KeyedClip
from models.state import State, StateError
from models.transfer import encode
from tests.models.keying import GRADES
from tests.models.rendered import (
    GREEN,
    GREY,
    HEIGHT,
    SKIN,
    VIDEO_8,
    WIDTH,
    colour,
    person,
    rgb_planes,
    shown,
    uneven,
)
from tests.models.stages import folds, plain

SIZE = (HEIGHT, WIDTH)
HERE = Placement(1.0, 0.0, 0.0)


def clip_of(count: int, sway: float = 0.0, encoding: Encoding = VIDEO_8) -> list[Planes]:
    """Somebody before a screen, in grain of its own in every frame."""
    frames = []
    for i in range(count):
        scene = shown(person(13 + sway * i), colour(SKIN), uneven(GREEN)).picture
        noise = torch.randn(scene.shape, generator=torch.Generator().manual_seed(i))
        frames.append(rgb_to_planes(encode(scene, encoding.transfer) + noise * 1.5 / 255, encoding))
    return frames


def stored(state: State) -> State:
    """A state after it was in a file."""
    tensors = {name: tensor.contiguous() for name, tensor in state.tensors.items()}
    return State(load(save(tensors)), json.loads(json.dumps(dict(state.facts))))


def subject(clip: KeyedClip, planes: Planes, place: Placement = HERE) -> torch.Tensor:
    """Coverage and colour of a frame's subject in a picture of the frame's size."""
    placed = clip.next(planes, VIDEO_8).place(place, SIZE)
    out = torch.zeros(1, 4, *SIZE)
    if placed.subject_pm is not None:
        out[..., placed.rows, placed.columns] = placed.subject_pm
    return out


@pytest.mark.parametrize("grade", GRADES)
def test_what_is_placed_is_what_the_clip_was_cut_to(grade: Grade) -> None:
    frames = clip_of(5, sway=0.7)
    cuts = list(Keyer(grade).cut_sequence((f, VIDEO_8, 0) for f in frames))
    clip = Keyer(grade).clip()
    for planes, cut in zip(frames, cuts, strict=True):
        placed = subject(clip, planes)
        torch.testing.assert_close(placed[:, 3:4], cut.alpha, atol=2e-5, rtol=0)
        torch.testing.assert_close(placed[:, :3], cut.fg * cut.alpha, atol=2e-5, rtol=0)


def test_a_placed_clip_is_calmer_than_its_frames_one_by_one() -> None:
    frames = clip_of(12)

    def flicker(alphas: list[torch.Tensor]) -> float:
        joined = torch.cat(alphas[6:])
        return float((joined[1:] - joined[:-1]).square().mean().sqrt())

    clip, single = Keyer().clip(), Keyer()
    joined = [subject(clip, f)[:, 3:4] for f in frames]
    alone = []
    for planes in frames:
        placed = single.place(planes, VIDEO_8, 0, HERE, SIZE)
        alpha = torch.zeros(1, 1, *SIZE)
        assert placed.subject_pm is not None
        alpha[..., placed.rows, placed.columns] = placed.subject_pm[:, 3:4]
        alone.append(alpha)
    assert flicker(joined) < 0.5 * flicker(alone)


def changes(got: list[torch.Tensor], want: list[torch.Tensor], where: torch.Tensor) -> float:
    """dtSSD: how far a matte's changes from frame to frame lie from the true ones.

    Source: Erofeev et al., "Perceptually Motivated Benchmark for Video Matting", BMVC 2015; here
    as a root of means a frame, times 100, over the pixels of ``where``.
    """
    joined, true = torch.cat(got), torch.cat(want)
    off = (joined[1:] - joined[:-1]) - (true[1:] - true[:-1])
    return 100 * float(torch.stack([o[where[0]].square().mean().sqrt() for o in off]).mean())


@pytest.mark.parametrize("sway", [0.0, 0.3, 2.0])
def test_a_clip_flickers_no_more_than_its_stills(sway: float) -> None:
    """All over the frame, and around the subject's edge, where flicker is seen."""
    frames = clip_of(12, sway)
    true = [shown(person(13 + sway * i), colour(SKIN), uneven(GREEN)).alpha for i in range(12)]
    clip, single = Keyer().clip(), Keyer()
    joined = [subject(clip, f)[:, 3:4] for f in frames]
    alone = []
    for planes in frames:
        placed = single.place(planes, VIDEO_8, 0, HERE, SIZE)
        assert placed.subject_pm is not None
        alpha = torch.zeros(1, 1, *SIZE)
        alpha[..., placed.rows, placed.columns] = placed.subject_pm[:, 3:4]
        alone.append(alpha)
    everywhere = torch.ones(1, 1, *SIZE, dtype=torch.bool)
    partly = torch.cat(true).gt(0).any(0) & torch.cat(true).lt(1).any(0)
    edge = torch.nn.functional.max_pool2d(partly.float(), 5, 1, 2)[None] > 0
    for where in (everywhere, edge):
        assert changes(joined, true, where) <= changes(alone, true, where)


def test_full_chroma_is_estimated_as_in_a_still() -> None:
    # Of halved chroma the network decides alone: see `models.solver`.
    scene = shown(person(13), colour(SKIN), uneven(GREEN)).picture
    for planes, encoding, same in (
        (rgb_planes(scene), SRGB_8BIT, True),
        (rgb_to_planes(encode(scene, VIDEO_8.transfer), VIDEO_8), VIDEO_8, False),
    ):
        still = Keyer(Grade.FINAL).cut(planes, encoding).alpha
        first = Keyer(Grade.FINAL).clip().next(planes, encoding).cut().alpha
        assert torch.equal(first, still) == same


def test_one_frame_serves_several_pictures() -> None:
    frame = Keyer().clip().next(clip_of(1)[0], VIDEO_8)
    wide, tall = frame.place(HERE, SIZE), frame.place(Placement(1.7, -40, 0), (272, 153))
    again = frame.place(HERE, SIZE)
    assert wide.subject_pm is not None
    assert tall.subject_pm is not None
    assert again.subject_pm is not None
    assert torch.equal(wide.subject_pm, again.subject_pm)
    assert frame.screen_found


def with_plate(keyer: Keyer) -> Keyer:
    keyer.set_plate(rgb_planes(uneven(GREEN)), SRGB_8BIT)
    return keyer


KEYERS: list[Callable[[], Keyer]] = [
    Keyer,
    lambda: Keyer(clip=True),
    lambda: with_plate(Keyer()),
    lambda: Keyer(settings=KeySettings(shadow="keep")),
    lambda: Keyer(Grade.LIVE, clip=True),
]


@pytest.mark.parametrize("make", KEYERS)
@pytest.mark.parametrize("after", [0, 1, 4])
def test_a_clip_is_gone_on_with_bit_for_bit(make: Callable[[], Keyer], after: int) -> None:
    frames = clip_of(6, sway=0.4)
    whole = make().clip()
    want = []
    state = stored(whole.state)
    for i, planes in enumerate(frames):
        want.append(subject(whole, planes))
        if i + 1 == after:
            state = stored(whole.state)
    other = make().clip()
    other.restore(state)
    for planes, expected in zip(frames[after:], want[after:], strict=True):
        assert torch.equal(subject(other, planes), expected)


def test_what_was_looked_at_before_a_clip_changes_nothing_of_it() -> None:
    """A plate that lay elsewhere on another frame, and frames that are cut in any order."""
    back = plain() * folds()
    scenes = [shown(person(13 + 0.4 * i), colour(SKIN), back).picture for i in range(3)]
    bumped = [moved(scene, Move(4 / WIDTH, -2 / WIDTH)) for scene in scenes]
    frames = [rgb_to_planes(encode(s.clamp(0, 1), VIDEO_8.transfer), VIDEO_8) for s in bumped]
    before = rgb_to_planes(encode(scenes[0], VIDEO_8.transfer), VIDEO_8)

    def made() -> Keyer:
        keyer = Keyer()
        keyer.set_plate(rgb_planes(back), SRGB_8BIT)
        return keyer

    alone = made().clip()
    want = [subject(alone, planes) for planes in frames]
    keyer = made()
    keyer.figure(before, VIDEO_8)
    lay_elsewhere = keyer.clip().state.tensors
    clip = keyer.clip()
    coming = []
    for n, planes in enumerate(frames):
        coming.append(clip.next(planes, VIDEO_8))
        if n == 0:
            kept = stored(clip.state)
    got = {n: coming[n].place(HERE, SIZE) for n in (2, 1, 0)}
    for n, expected in enumerate(want):
        out = torch.zeros(1, 4, *SIZE)
        part = got[n].subject_pm
        assert part is not None
        out[..., got[n].rows, got[n].columns] = part
        assert torch.equal(out, expected)
    laid = [name for name in kept.tensors if name.startswith("analysis.laid.")]
    assert laid
    assert all(torch.equal(kept.tensors[n], alone.state.tensors[n]) for n in laid)
    assert not all(torch.equal(kept.tensors[n], lay_elsewhere[n]) for n in laid)


def test_a_kept_state_does_not_change_while_the_clip_goes_on() -> None:
    clip = with_plate(Keyer()).clip()
    frames = clip_of(4)
    subject(clip, frames[0])
    state = clip.state
    before = {name: tensor.clone() for name, tensor in state.tensors.items()}
    for planes in frames[1:]:
        subject(clip, planes)
    assert before
    assert all(torch.equal(state.tensors[name], before[name]) for name in before)


def test_where_chroma_sits_is_measured_once() -> None:
    """The first frame shows that its chroma is centred, later ones show nothing of it."""
    centred = Encoding(siting=Siting.CENTER)
    stripes = torch.ones(1, 3, 160, 240) * torch.tensor([0.05, 0.36, 0.08]).view(1, 3, 1, 1)
    for left in range(20, 220, 22):
        stripes[..., 20:140, left : left + 11] = 0.4
    first = rgb_to_planes(encode(stripes, VIDEO_8.transfer), centred)
    clip = Keyer().clip()
    clip.next(first, VIDEO_8)
    assert clip.state.facts["clip.found"]["siting"] == "center"
    clip.next(rgb_to_planes(encode(uneven(GREEN), VIDEO_8.transfer), VIDEO_8), VIDEO_8)
    assert clip.state.facts["clip.found"]["siting"] == "center"
    assert clip.state.facts["clip.told"]["siting"] == "left"


def test_a_state_that_is_not_whole_is_refused() -> None:
    clip = Keyer().clip()
    subject(clip, clip_of(1)[0])
    state = clip.state
    for name in ("steady.frames", "steady.noise"):
        tensors = {key: t for key, t in state.tensors.items() if key != name}
        with pytest.raises(StateError, match=name.removeprefix("steady.")):
            Keyer().clip().restore(State(tensors, state.facts))
    with pytest.raises(StateError, match="told"):
        Keyer().clip().restore(State())


def test_states_are_joined_and_parted() -> None:
    one, two = State({"x": torch.ones(2)}, {"n": 1}), State({}, {"inner.n": 2})
    joined = State.joined(a=one, b=two)
    assert joined.facts == {"a.n": 1, "b.inner.n": 2}
    assert torch.equal(joined.part("a").tensor("x", torch.device("cpu")), torch.ones(2))
    assert joined.part("b").part("inner").fact("n") == 2
    assert joined.part("c") == State()


def test_a_frame_of_nothing_but_subject_is_kept_whole() -> None:
    planes = rgb_to_planes(encode(colour(GREY).expand(1, 3, *SIZE), VIDEO_8.transfer), VIDEO_8)
    frame = Keyer().clip().next(planes, VIDEO_8)
    assert not frame.screen_found
    placed = frame.place(HERE, SIZE)
    assert placed.subject_pm is not None
    assert float(placed.subject_pm[:, 3].min()) == 1
