"""A matte corrected by an edge network: where it is sure, as far as that, and nowhere else."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import torch
from safetensors.torch import save

from models import basis, correction
from models.basis import BACK, CHANNELS, NOISE, level
from models.color import SRGB_8BIT, rgb_to_planes
from models.correction import (
    SCREEN_LIKE,
    TOWARDS_SCREEN,
    TRUST_RAMP,
    UNLIKE,
    corrected,
    refiner_digest,
    trained_refiner,
    unlike_screen,
)
from models.corrector import Corrector
from models.errors import PosewallError
from models.features import share
from models.keyer import Cut, Grade, Keyer, KeySettings
from models.refine import Refiner
from models.screen import Hue
from models.transfer import encode
from tests.models.keying import scene
from tests.models.refining import refiner, telling
from tests.models.rendered import (
    BLUE,
    GREY,
    SKIN,
    VIDEO_8,
    Shown,
    colour,
    person,
    rgb_planes,
    shown,
    uneven,
)

CPU = torch.device("cpu")


def cut(
    said: Refiner | None, seen: Shown, grade: Grade = Grade.FINAL, set_: KeySettings | None = None
) -> Cut:
    keyer = Keyer(grade, set_)
    keyer.corrector.refiner = said
    return keyer.cut(rgb_planes(seen.picture), SRGB_8BIT)


def test_a_network_that_says_nothing_leaves_its_word_to_the_small_one() -> None:
    seen = scene()
    told, plain = cut(telling(0), seen), cut(None, seen)
    # In stills the two colours else have half a say, which only adds: less of that is left.
    assert bool((told.alpha <= plain.alpha + 1e-6).all())
    assert float((told.fg - plain.fg).abs()[..., 0:20].max()) < 1e-5


@pytest.mark.parametrize("grade", list(Grade))
def test_what_it_adds_comes_where_it_is_asked_and_nowhere_else(grade: Grade) -> None:
    seen = scene()
    base, told = cut(None, seen, grade), cut(telling(0.1), seen, grade)
    ends = KeySettings()
    more = 0.1 / (ends.white_point - ends.black_point)
    # Less of it looks like the screen; where the two colours have a say, it counts without them.
    partial = (base.alpha > 0.1) & (base.alpha < 0.85)
    partial &= cut(telling(0), seen, grade).alpha == base.alpha
    assert int(partial.sum()) > 50
    torch.testing.assert_close(told.alpha[partial], base.alpha[partial] + more, atol=1e-4, rtol=0)
    assert float(told.alpha[..., :10, :10].max()) == 0  # screen far from anybody
    assert float(told.alpha.min()) >= 0
    assert float(told.alpha.max()) <= 1


def test_what_passed_for_solid_is_thinned_near_its_rim_only() -> None:
    seen = scene()
    base, thinner = cut(telling(0), seen), cut(telling(-0.4), seen)
    solid = base.alpha > 0.999
    off = (base.alpha - thinner.alpha)[solid]
    ends = KeySettings()
    want = 1 - (0.6 - ends.black_point) / (ends.white_point - ends.black_point)
    assert float(off.max()) == pytest.approx(want, abs=0.002)
    assert 0.02 < float((off > 0.2).float().mean()) < 0.9
    assert float(thinner.alpha[..., 140, 125]) == 1  # deep inside
    # Unmixed by the alpha that it has, a pixel of one colour is that still.
    skin = colour(SKIN)
    rim = (solid & (thinner.alpha < 0.8)).expand_as(base.fg)
    lower = (thinner.fg - skin).clamp_max(0).abs()
    assert float(lower[rim].max()) < 0.07


def test_live_nothing_solid_is_thinned() -> None:
    seen = scene()
    base, thinner = (cut(telling(x), seen, Grade.LIVE) for x in (0, -0.4))
    off = (base.alpha - thinner.alpha)[base.alpha > 0.999]
    assert float((off > 0.2).float().mean()) == 0


def test_where_it_is_unsure_the_analytic_matte_stands() -> None:
    seen = scene()
    plain = cut(None, seen)
    unsure = cut(telling(0.4, -TRUST_RAMP - 0.001), seen)
    assert torch.equal(unsure.alpha, plain.alpha)
    assert torch.equal(unsure.fg, plain.fg)
    half, sure = cut(telling(0.4, -TRUST_RAMP / 2), seen), cut(telling(0.4, 0), seen)
    near = (plain.alpha > 0.02) & (plain.alpha < 0.5)
    gained = [float((x.alpha - plain.alpha)[near].mean()) for x in (half, sure)]
    assert 0.1 < gained[0] < gained[1] < 0.41


def test_what_it_takes_counts_a_fifth_and_nothing_beside_solid_parts() -> None:
    seen, ends = scene(), KeySettings()
    plain, own, less = (cut(x, seen).alpha for x in (None, telling(0), telling(-0.1)))
    partial = (plain > 0.3) & (plain < 0.7) & (own == plain)  # the two colours have no say there
    off = (plain - less)[partial] * (ends.white_point - ends.black_point)
    assert float(off.max()) == pytest.approx(0.1 * TOWARDS_SCREEN, abs=1e-4)
    assert float(off.min()) > -1e-6
    keyer = Keyer()
    shows = keyer.basis(rgb_planes(seen.picture), SRGB_8BIT)
    assert shows is not None
    down = corrected(shows, telling(-0.1), False).matte[..., shows.rows, shows.columns][:, 2]
    solid = (shows.channels[:, basis.OWN] == 1) & (shows.channels[:, basis.ASKED] != 1)
    grown = torch.nn.functional.max_pool2d(solid.float(), 3, 1, 1) > 0
    assert float(down[~torch.nn.functional.max_pool2d(solid.float(), 9, 1, 4).bool()].min()) == (
        pytest.approx(TOWARDS_SCREEN)
    )
    assert float(down[solid].max()) < 0.4 * TOWARDS_SCREEN
    assert float(down[grown].max()) < 0.7 * TOWARDS_SCREEN
    live = corrected(shows, telling(-0.1), False, solids=False)
    assert live.blurred is None
    assert float(live.matte[..., shows.rows, shows.columns][:, 2].min()) == (
        pytest.approx(TOWARDS_SCREEN)
    )


def test_followed_wholly_it_is_the_network_s_word_that_stands() -> None:
    """Also where the two colours have a say: no more than the network says, and no less."""
    seen = scene()
    plain, own, more = (cut(x, seen).alpha for x in (None, telling(0, -1), telling(0.15)))
    keyer, ends = Keyer(), KeySettings()
    keyer.corrector.refiner = None
    keyer.solver.network = None  # the two colours alone
    two = keyer.cut(rgb_planes(seen.picture), SRGB_8BIT).alpha
    assert torch.equal(own, plain)
    hedged = (two > plain + 0.02) & (plain > 0.3) & (plain < 0.6)
    assert int(hedged.sum()) > 10
    said = 2 * plain - two  # the small network's: stills have the mean of both
    want = (said + 0.15 / (ends.white_point - ends.black_point)).clamp(0, 1)
    up = hedged & (want > plain)
    assert int(up.sum()) > 10
    torch.testing.assert_close(more[up], want[up], atol=2e-3, rtol=0)


def test_what_looks_like_the_screen_is_never_filled() -> None:
    seen = scene()
    keyer = Keyer(Grade.FINAL)
    shows = keyer.basis(rgb_planes(seen.picture), SRGB_8BIT)
    assert shows is not None
    x = shows.channels.clone()
    x[:, NOISE] = 0.01
    x[:, 0], x[:, 1:3] = 1, x[:, BACK]
    assert float(unlike_screen(x).max()) == 0
    for channel in range(3):
        other = x.clone()
        other[:, channel] -= SCREEN_LIKE + 0.01
        assert float(unlike_screen(other).max()) < 1e-6
        other[:, channel] = x[:, channel] + UNLIKE + 0.0101
        assert float(unlike_screen(other).min()) == pytest.approx(1)
    bare = replace(shows, channels=x)
    assert float(corrected(bare, telling(0.5), False).matte[:, 0].max()) == 0
    assert float(corrected(bare, telling(-0.5), False).matte[:, 0].min()) == pytest.approx(-0.5)


def test_a_seam_of_screen_beside_a_hard_edge_stays_screen() -> None:
    """Chroma in blocks of two that the outline cuts, as no lens draws it.

    What lies beyond them is the bare screen to the last code, and the network would fill it.
    """
    height, width = 384, 512
    sizes = (height, width), (height // 2, width // 2), (height // 2, width // 2)
    y, cb, cr = (
        torch.full(size, code, dtype=torch.uint8)
        for size, code in zip(sizes, (123, 63, 53), strict=True)
    )
    y[96:, 170:341] = 140
    for chroma in (cb, cr):
        chroma[48:, 85:170] = 128
    alpha = Keyer().cut((y, cb, cr), VIDEO_8).alpha[0, 0]
    # Interpolated chroma reaches beyond its block by two pixels.
    beyond = torch.cat([alpha[:93].flatten(), alpha[:, :167].flatten(), alpha[:, 344:].flatten()])
    assert float(beyond.max()) < 0.02
    assert float(alpha[104:, 175:336].min()) > 0.98


@pytest.mark.parametrize(
    ("chroma", "grade", "clip"),
    [("444", Grade.FINAL, False), ("420", Grade.FINAL, False), ("444", Grade.FINAL, True),
     ("420", Grade.FINAL, True), ("444", Grade.LIVE, False)],
)  # fmt: skip
def test_it_is_held_against_what_would_stand_without_it(
    chroma: str, grade: Grade, clip: bool
) -> None:
    """Against the small network alone live and in clips of halved chroma, else against stills."""
    planes = rgb_to_planes(encode(scene().picture, VIDEO_8.transfer), VIDEO_8, chroma)
    got = []
    for said in (telling(0.3), telling(0.3, 0.1, -0.1), telling(0.3, -0.1, 0.1)):
        keyer = Keyer(grade)
        keyer.corrector.refiner = said
        one = keyer.clip().next(planes, VIDEO_8).cut() if clip else keyer.cut(planes, VIDEO_8)
        got.append(one.alpha)
    alone = grade is Grade.LIVE or (clip and chroma == "420")
    assert torch.equal(got[2 if alone else 1], got[0])
    assert not torch.equal(got[1 if alone else 2], got[0])


def test_light_is_shared_up_to_six_times_the_screen_s_own() -> None:
    """Beyond, nothing is told apart."""
    made = torch.Generator().manual_seed(4)
    light = torch.rand(1, 3, 9, 9, generator=made)
    key = level(torch.rand(1, 3, 9, 9, generator=made) * 0.5 + 0.2, Hue.GREEN)
    seen = share(light, key)
    torch.testing.assert_close(seen.square() * key, light, atol=1e-5, rtol=1e-5)
    assert float(share(light * 100, key).max()) == pytest.approx(6**0.5)


def test_the_basis_shows_the_frame_and_its_matte() -> None:
    seen, keyer = scene(), Keyer(Grade.FINAL)
    keyer.corrector.refiner = None
    found = keyer.basis(rgb_planes(seen.picture), SRGB_8BIT)
    assert found is not None
    assert found.channels.shape[:2] == (1, CHANNELS)
    window = (..., found.rows, found.columns)
    truth = seen.alpha[window]
    own = found.channels[:, basis.OWN : basis.OWN + 1]
    assert float((own - truth).abs().mean()) < 0.02
    asked = found.channels[:, basis.ASKED]
    assert set(asked.flatten().tolist()) == {0.0, basis.RIM, 1.0}
    assert float(own[0][asked == basis.RIM].min()) == 1  # of what is solid
    # The frame's own colours come back from it.
    first = found.channels[:, 0:3].square() * found.key
    order = [1, 0, 2]
    linear = seen.picture[:, order][window]
    inside = (truth > 0.999).expand_as(first)
    torch.testing.assert_close(first[inside], linear[inside], atol=0.01, rtol=0.05)


def test_no_screen_or_nothing_but_screen_is_no_question() -> None:
    bare = shown(torch.zeros_like(person()), colour(SKIN), uneven(BLUE))
    other = shown(person(), colour(SKIN), colour(GREY).expand_as(bare.picture))
    net = refiner()
    for seen in (bare, other):
        assert torch.equal(cut(net, seen).alpha, cut(None, seen).alpha)


def test_any_size_is_padded_and_trimmed() -> None:
    seen = scene()
    rows, columns = slice(0, 131), slice(3, 218)
    planes = [p[rows, columns] for p in rgb_planes(seen.picture)]
    keyer = Keyer(Grade.FINAL)
    keyer.corrector.refiner = refiner()
    found = keyer.cut((planes[0], planes[1], planes[2]), SRGB_8BIT)
    assert found.alpha.shape == (1, 1, 131, 215)
    assert bool(found.alpha.isfinite().all())


def test_the_shipped_weights_are_of_this_network_and_better_on_drawn_people() -> None:
    """What they gain on others is in their card: it takes rendered ones to see."""
    net = trained_refiner(CPU)
    assert net is not None
    assert (net.channels, net.fine) == (CHANNELS, basis.FINE)
    seen = scene()
    plain, told = cut(None, seen), cut(net, seen)
    assert not torch.equal(plain.alpha, told.alpha)
    off = [float((c.alpha - seen.alpha).abs().mean()) for c in (plain, told)]
    assert off[1] < off[0]


def test_weights_that_are_absent_or_damaged(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = tmp_path / "refine.safetensors"
    monkeypatch.setattr(correction, "_file", lambda: kept)
    trained_refiner.cache_clear()
    try:
        assert trained_refiner(CPU) is None
        assert refiner_digest() == ""
        trained_refiner.cache_clear()
        kept.write_bytes(save(refiner().state_dict()))
        net = trained_refiner(CPU)
        assert net is not None
        assert net.widths == (6, 8, 10)
        assert len(refiner_digest()) == 64
        spared = Corrector.trained(None, live=True, device=CPU)
        assert spared.refiner is None  # a processor has no time for it
        assert Corrector.trained(None, live=False, device=CPU).refiner is net
        trained_refiner.cache_clear()
        for damaged in (b"nothing", save({"mean": torch.zeros(3)})):
            kept.write_bytes(damaged)
            with pytest.raises(PosewallError, match="damaged; install Posewall again"):
                trained_refiner(CPU)
    finally:
        trained_refiner.cache_clear()


def test_the_figure_is_found_without_it(monkeypatch: pytest.MonkeyPatch) -> None:
    keyer, asked = Keyer(Grade.FINAL), []
    keyer.corrector.refiner = refiner()
    monkeypatch.setattr(Corrector, "basis", lambda *told: asked.append(told))
    planes = rgb_planes(scene().picture)
    assert keyer.figure(planes, SRGB_8BIT) is not None
    assert not asked
    keyer.cut(planes, SRGB_8BIT)
    assert len(asked) == 1
