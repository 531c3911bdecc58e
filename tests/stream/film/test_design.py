"""The design of a film: equal to the still at rest, and what moves where it should."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image
from torch import Tensor

from models.composite import Mode, Scene, apply_overlays
from models.transfer import Transfer, encode
from stream.film.design import Design, design
from stream.film.view import look
from stream.shape import SHAPES, TALL, WIDE, Shape
from stream.template import Nudge, OraGroup, OraLayer, Template, load_template, write_ora
from stream.template.scene import make_scene
from tests.stream.film.clips import film_folder, numbered, patches, write_clip
from tests.stream.template.building import PICTURE, SLOT, folder_of, plain

FIELDS = {"name": "Ana"}
# Small films: what is held to the still does not hang on the size.
SMALL = {"wide": Shape("wide", (108, 192)), "tall": Shape("tall", (192, 108))}


def shown(scene: Scene) -> Tensor:
    """The picture without anybody, (3, H, W) in code values."""
    picture = encode(scene.below, Transfer.SRGB)
    for run in scene.runs:
        picture = apply_overlays(picture, run)
    return picture[0] * 255


def still_of(template: Template, made: Design, shape: Shape) -> tuple[Tensor, tuple[slice, slice]]:
    """The still at the film's scale, and where its window lies in the film."""
    seen = look(template, shape)
    canvas = (template.height, template.width)
    drawn = template.drawn(seen.scaled, FIELDS)
    still = shown(make_scene(template.arrangement, canvas, seen.scaled, drawn, template.parts))
    top, left, bottom, right = seen.area
    part = still[:, top - seen.top : bottom - seen.top, left - seen.left : right - seen.left]
    assert made.size == shape.size
    return part, (slice(top, bottom), slice(left, right))


MOVING = """
[film]
[film.in]
seconds = 1
show = ["sky", "hills"]
[film.out]
seconds = 1
show = ["sky"]
[[film.move]]
of = "frame"
keys = [{ at = 0, x = -30, opacity = 0 }, { at = 2 }]
[[film.move]]
of = "{name}"
from = "take"
keys = [{ at = 0, scale = 2 }, { at = 1 }]
[[film.move]]
of = "hills"
from = "end"
keys = [{ at = -2 }, { at = 0, y = 40 }]
"""
WINDOWS = [
    "",
    "[film.wide]\nwindow = [0, 20, 80, 45]\n",
    "[film.wide]\nwindow = [10, 10, 60, 60]\n",
]


@pytest.mark.parametrize("film", ["", MOVING], ids=["plain", "moving"])
@pytest.mark.parametrize("window", WINDOWS, ids=["whole", "fills", "square"])
@pytest.mark.parametrize("name", SHAPES)
def test_at_rest_it_is_the_still(film: str, window: str, name: str, tmp_path: Path) -> None:
    if window and "text" not in film:
        # Words that a window cuts are refused; these windows are tried without words.
        toml = PICTURE + SLOT + film.replace('of = "{name}"', 'of = "frame"') + window
        template = load_template(folder_of(tmp_path / "t", toml))
    else:
        template = load_template(film_folder(tmp_path / "t", film))
    made = design(template, SMALL[name], FIELDS, 6.0)
    still, at = still_of(template, made, SMALL[name])
    got = shown(made.scene(4.0))[(slice(None), *at)]
    assert float((got - still).abs().max()) <= 1.0
    assert made.scene(4.0) is made.scene(4.4)


def test_layers_of_every_kind_are_the_stills(tmp_path: Path) -> None:
    """Modes, groups that blend as one, layers that take the picture away, holes below."""
    gen = np.random.default_rng(5)

    def noise(alpha: int | None = None) -> Image.Image:
        values = gen.integers(0, 256, (100, 80, 4), np.uint8)
        if alpha is not None:
            values[..., 3] = alpha
        return Image.fromarray(values, "RGBA")

    folder = tmp_path / "t"
    folder.mkdir()
    layers: list[OraLayer | OraGroup] = [
        OraLayer("ground", noise(), 0, 0),
        OraLayer("light", noise(), 3, 5, Mode.SCREEN, 0.7),
        OraLayer("hills", noise(120), 0, 0, Mode.MULTIPLY),
        OraGroup("lot", (OraLayer("one", noise(), 0, 0, Mode.OVERLAY), OraLayer("two", noise(90))),
                 Mode.NORMAL, 0.6),
        OraLayer("hole", noise(), 0, 0, Mode.DST_OUT, 0.5),
        OraLayer("soft", noise(), 0, 0, Mode.SOFT_LIGHT),
    ]  # fmt: skip
    write_ora(folder / "layers.ora", (100, 80), layers, 20)
    film = '[[film.move]]\nof = "two"\nkeys = [{ at = 0, x = 20 }, { at = 1 }]\n'
    (folder / "template.toml").write_text(PICTURE + SLOT + film)
    template = load_template(folder)
    for shape in SMALL.values():
        made = design(template, shape, FIELDS, 6.0)
        still, at = still_of(template, made, shape)
        got = shown(made.scene(3.0))[(slice(None), *at)]
        assert float((got - still).abs().max()) <= 1.0
        moved = shown(made.scene(0.0))[(slice(None), *at)]
        assert float((moved - still).abs().max()) > 5


def test_what_moves_is_where_its_keys_say(tmp_path: Path) -> None:
    """A square that slides: its edges in the film, by the canvas pixels of its keys."""
    square = plain((0, 0, 0, 0))
    square.paste((255, 0, 0, 255), (10, 40, 30, 60))
    film = '[[film.move]]\nof = "square"\nkeys = [{ at = 0 }, { at = 1, x = 40, way = "linear" }]\n'
    files = {"10-sky.png": plain((0, 0, 0, 255)), "20-hills.png": plain((0, 0, 0, 0)),
             "30-square.png": square}  # fmt: skip
    folder = tmp_path / "t"
    template = load_template(folder_of(folder, PICTURE + SLOT + film, files))
    shape = Shape("tall", (1920, 1080))
    made = design(template, shape, {}, 6.0)
    scale = 1080 / 80
    for t_s in (0.0, 0.13, 0.5, 1.0, 3.0):
        red = shown(made.scene(t_s))[0]
        row = red[red.shape[0] // 2]
        light = torch.where(row / 255 > 0.04045, ((row / 255 + 0.055) / 1.055) ** 2.4, 0.0)
        middle = float((light * (torch.arange(len(row)) + 0.5)).sum() / light.sum())
        assert middle == pytest.approx((20 + 40 * min(t_s, 1.0)) * scale, abs=0.3)
        assert float(light.sum()) == pytest.approx(20 * scale, rel=0.02)


def test_cards_show_what_they_name(tmp_path: Path) -> None:
    template = load_template(film_folder(tmp_path / "t", MOVING))
    made = design(template, TALL, FIELDS, 6.0)
    before, during = shown(made.scene(0.5)), shown(made.scene(4.0))
    seen = look(template, TALL)
    edge = seen.area[0] + 5
    assert before[:, edge, 5].round().tolist() == [90, 120, 200], "the frame is not on the card"
    assert during[:, edge, 5].round().tolist() == [240, 200, 40]
    after = shown(made.scene(7.5))
    assert after[:, seen.area[2] - 10, 540].round().tolist() == [90, 120, 200], "nor are hills"
    assert (made.length_s, made.take_at(0.5), made.take_at(2.5)) == (8.0, None, 1.5)
    assert [made.subject_gain(t) for t in (0.5, 4.0, 7.5)] == [0, 1, 0]
    assert made.scene(0.2) is not made.scene(4.0)


def test_who_has_no_card_before_or_after_does_not_fade_there(tmp_path: Path) -> None:
    template = load_template(film_folder(tmp_path / "t"))
    made = design(template, WIDE, FIELDS, 2.0)
    assert made.length_s == 2.0
    assert [made.subject_gain(t) for t in (0.0, 1.0, 1.99)] == [1, 1, 1]
    assert {made.standing(t) for t in (0.0, 1.0)} == {0}


def test_layers_that_move_are_counted_once_they_are_wholly_there(tmp_path: Path) -> None:
    made = design(load_template(film_folder(tmp_path / "t", MOVING)), TALL, FIELDS, 6.0)
    counts = [made.standing(t / 10) for t in range(80)]
    assert len(set(counts)) > 1
    assert counts[40] == max(counts)


def test_sides_are_the_background_and_nobody_stands_on_them(tmp_path: Path) -> None:
    template = load_template(film_folder(tmp_path / "t"))
    made = design(template, WIDE, FIELDS, 2.0)
    scene = made.scene(1.0)
    top, left, bottom, right = look(template, WIDE).area
    assert (top, bottom, right - left) == (0, 1080, 864)
    side = shown(scene)[:, :, : left - 120]
    assert 0 < float(side.mean()) < 100
    assert float(side[2].mean()) > float(side[0].mean()), "of the sky's own hue"
    # Whatever a subject does there, the sides lie over it.
    white = torch.full_like(scene.below, 1.0)
    for run in scene.runs:
        white = apply_overlays(white, run)
    assert float((white[0] * 255 - shown(scene))[:, :, :left].abs().max()) <= 1


def test_a_clip_in_place_of_the_background(tmp_path: Path) -> None:
    folder = film_folder(
        tmp_path / "t",
        '[[film.layer]]\nfile = "sky.mkv"\nname = "clip"\ninstead = "sky"\n'
        'from = "take"\nat_end = "hold"\n'
        "[film.in]\nseconds = 1\n",
    )
    write_clip(
        folder / "sky.mkv", numbered(3, (33, 47)), times=[0, 500, 600], base=Fraction(1, 1000)
    )
    template = load_template(folder)
    made = design(template, SMALL["tall"], FIELDS, 4.0)
    top, left, bottom, right = look(template, SMALL["tall"]).area
    middle = (slice(None), (top + bottom) // 2 - 20, (left + right) // 2)
    at = {t: round(float(shown(made.scene(t))[middle].mean())) for t in (0.5, 1.2, 1.5, 1.61, 4.9)}
    assert at == {0.5: 10, 1.2: 10, 1.5: 20, 1.61: 30, 4.9: 30}
    assert made.scene(4.0) is made.scene(4.5)
    made.close()
    assert round(float(shown(made.scene(1.55))[middle].mean())) == 20


@pytest.mark.parametrize("premultiplied", [False, True])
def test_a_clip_with_alpha_over_everybody(premultiplied: bool, tmp_path: Path) -> None:
    """By Porter and Duff's over, in the encoding of the document."""
    kind = "premultiplied" if premultiplied else "straight"
    folder = film_folder(
        tmp_path / "t",
        f'[[film.layer]]\nfile = "x.mov"\ntop = true\nalpha = "{kind}"\nbox = [16, 40, 48, 32]\n'
        "[film.tall]\nwindow = [0, 0, 80, 100]\n",
    )
    picture = patches()
    written = picture.copy()
    if premultiplied:
        written[..., :3] = np.rint(picture[..., :3] * (picture[..., 3:].astype(float) / 255))
    write_clip(folder / "x.mov", [written], "png", "rgba")
    template = load_template(folder)
    shape = Shape("tall", (100, 80))
    with_it = shown(design(template, shape, FIELDS, 4.0).scene(2.0))
    bare = shown(
        design(load_template(film_folder(tmp_path / "bare")), shape, FIELDS, 4.0).scene(2.0)
    )
    alpha = torch.from_numpy(picture[..., 3].astype("float32") / 255)
    color = torch.from_numpy(picture[..., :3].astype("float32")).permute(2, 0, 1)
    want = bare.clone()
    want[:, 40:72, 16:64] = color * alpha + bare[:, 40:72, 16:64] * (1 - alpha)
    assert float((with_it - want).abs().max()) <= (1.5 if premultiplied else 1.0)


def test_only_what_changed_is_made_anew(tmp_path: Path) -> None:
    made = design(load_template(film_folder(tmp_path / "t", MOVING)), SMALL["tall"], FIELDS, 6.0)
    first, second = made.scene(2.6), made.scene(2.7)
    assert first is made.scene(2.7) or first.below is second.below


def test_subjects_stand_where_the_shape_says(tmp_path: Path) -> None:
    film = '[film.wide]\nsides = "#102030"\n'
    film += '[film.wide.slot]\nbox = [20, 10, 40, 90]\nfit = "contain"\n'
    template = load_template(film_folder(tmp_path / "t", film))
    wide, tall = (design(template, s, FIELDS, 2.0) for s in (WIDE, TALL))
    seen = look(template, WIDE)
    placed = wide.placings((90, 40), False, Nudge())[0]
    assert not callable(placed)
    assert placed is not None
    x, y, _, _ = seen.box((20, 10, 40, 90))
    assert (placed.dx, placed.dy) == pytest.approx((x, y))
    assert placed.scale == pytest.approx(seen.scale[0])
    upright = tall.placings((110, 80), True, Nudge())[0]
    assert upright is not None
    assert not callable(upright)
    assert upright.mirror
    assert upright.dy == pytest.approx(look(template, TALL).top)
    corner = shown(wide.scene(1.0))[:, 5, 5]
    assert [round(float(c), -1) for c in corner] == pytest.approx([16, 32, 48], abs=8)
