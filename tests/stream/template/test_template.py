"""The scene that a template makes, and where a frame goes in it."""

from __future__ import annotations

from pathlib import Path

import pytest
import torch
from PIL import Image
from torch import Tensor

from models.composite import Mode, Scene, apply_overlays
from models.transfer import Transfer, encode
from stream.errors import UserError
from stream.template import (
    OraGroup,
    OraLayer,
    Template,
    load_template,
    preview_size,
    write_ora,
)
from tests.stream.template.building import PICTURE, SLOT, TEXT, folder_of, plain


def shown(scene: Scene) -> Tensor:
    """The picture without a subject, (3, H, W) in code values."""
    return apply_overlays(encode(scene.below, Transfer.SRGB), scene.overlays)[0] * 255


def merged(path: Path) -> Tensor:
    import io
    import zipfile

    import numpy as np

    with zipfile.ZipFile(path) as archive:
        image = Image.open(io.BytesIO(archive.read("mergedimage.png"))).convert("RGB")
    return torch.from_numpy(np.asarray(image).astype("float32")).permute(2, 0, 1)


@pytest.fixture
def template(tmp_path: Path) -> Template:
    return load_template(folder_of(tmp_path / "ball"))


def test_a_scene_at_canvas_size(template: Template) -> None:
    scene = template.scene((100, 80), {})
    assert scene.size == (100, 80)
    assert len(scene.overlays) == 1
    picture = shown(scene)
    assert picture[:, 50, 40].round().tolist() == [90, 120, 200]
    assert picture[:, 80, 40].round().tolist() == [30, 140, 60]
    assert picture[:, 1, 1].round().tolist() == [240, 200, 40]
    # What is below does not hold what is above.
    assert (encode(scene.below, Transfer.SRGB)[0, :, 1, 1] * 255).round().tolist() == [90, 120, 200]


@pytest.mark.parametrize("size", [(50, 40), (300, 240), (67, 54)])
def test_a_scene_at_other_sizes(template: Template, size: tuple[int, int]) -> None:
    picture = shown(template.scene(size, {}))
    h, w = size
    assert picture.shape == (3, h, w)
    assert picture[:, h // 2, w // 2].round().tolist() == [90, 120, 200]
    assert picture[:, h * 8 // 10, w // 2].round().tolist() == [30, 140, 60]
    assert picture[:, 1, 1].round().tolist() == [240, 200, 40]


def test_words_are_written_for_each_person(template: Template) -> None:
    blank, ana, bo = (template.scene((100, 80), {"name": n}) for n in ("", "Ana", "Bo"))
    assert torch.equal(blank.below, ana.below)
    pictures = [shown(s) for s in (blank, ana, bo)]
    box = (slice(None), slice(70, 94), slice(4, 76))
    for a, b in ((0, 1), (0, 2), (1, 2)):
        assert (pictures[a][box] - pictures[b][box]).abs().max() > 100
        rest = (pictures[a] - pictures[b]).abs()
        rest[box] = 0
        assert rest.max() == 0


def test_words_are_drawn_at_the_size_of_the_picture(template: Template) -> None:
    """Enlarged letters would have soft edges; drawn ones have few pixels between ink and none."""
    diff = (
        shown(template.scene((800, 640), {"name": "HI"})) - shown(template.scene((800, 640), {}))
    ).abs()[0]
    edge = ((diff > 0.2 * diff.max()) & (diff < 0.8 * diff.max())).sum()
    ink = (diff >= 0.8 * diff.max()).sum()
    assert edge < 0.1 * ink


def test_parts_without_words_are_kept(template: Template, monkeypatch: pytest.MonkeyPatch) -> None:
    from stream.template.layers import Layer

    first = template.scene((100, 80), {"name": "Ana"})

    def unpacked(_: Layer) -> Tensor:
        raise AssertionError("a layer was unpacked again")

    monkeypatch.setattr(Layer, "pixels", unpacked)
    again = template.scene((100, 80), {"name": "Ana"})
    assert again.below is first.below
    assert torch.equal(shown(again), shown(first))
    template.scene((100, 80), {"name": "Bo"})
    assert torch.equal(shown(template.scene((100, 80), {"name": "Ana"})), shown(first))
    with pytest.raises(AssertionError, match="unpacked again"):
        template.scene((50, 40), {})


def test_words_below_the_subject_and_between_layers(tmp_path: Path) -> None:
    low = TEXT.replace('"frame"', '"sky"').replace("70, 72", "30, 72")
    t = load_template(folder_of(tmp_path / "ball", PICTURE + SLOT + low))
    blank, ana = t.scene((100, 80), {}), t.scene((100, 80), {"name": "Ana"})
    changed = (blank.below - ana.below).abs().amax((0, 1))
    assert changed[30:54].max() > 0.05
    assert changed[60:].max() == 0
    assert torch.equal(t.scene((100, 80), {}).below, blank.below)
    # With a hole in the lowest layer the words lie on paper.
    files = {"1-sky.png": plain((0, 0, 0, 0)), "2-hills.png": plain((0, 0, 0, 0))}
    t = load_template(folder_of(tmp_path / "open", PICTURE + SLOT + low, files))
    below = t.scene((100, 80), {"name": "Ana"}).below
    assert below[0, :, 0, 0].tolist() == pytest.approx([1, 1, 1])
    assert below.min() < 0.1


def everything(folder: Path, *, words: bool) -> Template:
    """A document with every mode above the subject, and groups of both kinds."""
    rng = torch.Generator().manual_seed(8)

    def noise(alpha: bool = True) -> Image.Image:
        codes = torch.randint(0, 256, (10, 8, 4), generator=rng, dtype=torch.uint8)
        if not alpha:
            codes[..., 3] = 255
        return Image.fromarray(codes.numpy(), "RGBA").resize((80, 100))

    keep = [m for m in Mode if m not in (Mode.DST_IN, Mode.DST_OUT, Mode.DST_ATOP)]
    inner = OraGroup(
        "inner", (OraLayer("i1", noise()), OraLayer("i2", noise(), mode=Mode.DST_IN)), opacity=0.7
    )
    passing = OraGroup("passing", (OraLayer("p1", noise(), mode=Mode.MULTIPLY),), isolated=False)
    layers: list[OraLayer | OraGroup] = [
        OraLayer("ground", noise(alpha=False)),
        OraLayer("hills", noise(), 3, -5),
        *(OraLayer(m.value, noise(), mode=m, opacity=0.6) for m in keep),
        inner,
        passing,
        OraLayer("frame", noise(), opacity=0.3),
        OraLayer("hidden", noise(), visible=False),
    ]
    folder_of(folder, PICTURE + SLOT + (TEXT if words else ""), {})
    write_ora(folder / "layers.ora", (100, 80), layers)
    return load_template(folder)


def test_below_and_above_together_are_the_merged_document(tmp_path: Path) -> None:
    """Splitting at the subject and folding must not change what the designer saw."""
    t = everything(tmp_path / "ball", words=False)
    expect = merged(tmp_path / "ball" / "layers.ora")
    assert (shown(t.scene((100, 80), {})) - expect).abs().max() <= 0.75
    # From what was kept, too.
    assert (shown(t.scene((100, 80), {})) - expect).abs().max() <= 0.75


def test_empty_words_change_nothing(tmp_path: Path) -> None:
    t = everything(tmp_path / "ball", words=True)
    expect = merged(tmp_path / "ball" / "layers.ora")
    assert (shown(t.scene((100, 80), {"name": " "})) - expect).abs().max() <= 0.75


def test_layers_that_take_the_picture_away_leave_paper(tmp_path: Path) -> None:
    hole = plain((0, 0, 0, 0))
    hole.paste((0, 0, 0, 255), (20, 20, 60, 80))
    toml = PICTURE + SLOT + '[[layer]]\nname = "mask"\nmode = "dst-in"\n'
    files = {"1-sky.png": plain(), "2-hills.png": plain(), "3-mask.png": hole}
    picture = shown(load_template(folder_of(tmp_path, toml, files)).scene((100, 80), {}))
    assert picture[:, 50, 40].round().tolist() == [90, 120, 200]
    assert picture[:, 5, 5].round().tolist() == [255, 255, 255]


def test_a_preview_has_a_shape_that_a_scene_takes(template: Template) -> None:
    for height in (1, 7, 333):
        size = preview_size(template.picture_size(), height)
        assert template.scene(size, {}).size == size


def test_a_print_on_another_paper_of_its_shape(tmp_path: Path) -> None:
    # 4x6 at 100 ppi with 1/8 inch of bleed: 425 x 625, 12 pixels to the trimmed print; 8x12 is
    # twice that, with 25 whole pixels a side.
    toml = '[picture]\npaper = "4x6"\nppi = 100\nbleed = true\n' + SLOT
    files = {"10-hills.png": plain(size=(425, 625))}
    template = load_template(folder_of(tmp_path / "ball", toml, files))
    assert template.own_print.bleed_px == 12
    made = template.print_as("8x12")
    assert made is not None
    assert (made.size, made.bleed_px, made.trim_in) == ((1250, 850), 25, (8, 12))
    assert template.print_as("5x7") is None


def test_another_shape_is_refused(template: Template) -> None:
    with pytest.raises(UserError, match="is another shape"):
        template.scene((100, 100), {})


def test_placement_covers_and_contains(tmp_path: Path) -> None:
    box = "box = [10, 20, 60, 80]\n"
    cover = load_template(folder_of(tmp_path / "cover", PICTURE + SLOT + box))
    # Box 60 x 80 at twice the canvas: 120 x 160. A frame of 90 x 160 (W x H) covers it at 4/3.
    p = cover.placement((160, 90), (200, 160))
    assert p.scale == pytest.approx(120 / 90)
    assert p.dx == pytest.approx(20)
    assert p.dy + 160 * p.scale == pytest.approx(200)
    assert not p.mirror
    contain = load_template(
        folder_of(tmp_path / "contain", PICTURE + SLOT + box + 'fit = "contain"\n')
    )
    p = contain.placement((160, 90), (200, 160), mirror=True)
    assert p.scale == pytest.approx(1.0)
    assert p.dx == pytest.approx(20 + (120 - 90) / 2)
    assert p.dy == pytest.approx(40)
    assert p.mirror


@pytest.mark.parametrize(("anchor", "dy"), [("top", 0.0), ("center", -30.0), ("bottom", -60.0)])
def test_anchors(tmp_path: Path, anchor: str, dy: float) -> None:
    t = load_template(folder_of(tmp_path, PICTURE + SLOT + f'anchor = "{anchor}"\n'))
    # No box: the whole canvas, 80 x 100; a frame of 80 x 160 covers it at 1 and leaves 60 over.
    p = t.placement((160, 80), (100, 80))
    assert (p.scale, p.dx) == (1.0, 0.0)
    assert p.dy == pytest.approx(dy)


def test_warnings_of_a_scene(template: Template) -> None:
    assert template.scene_warnings({"name": "Ana"}) == ()
    assert template.scene_warnings({}) == ()
    long = template.scene_warnings({"name": "Maximiliane-Annegret Featherstonehaugh"})
    assert "does not fit its box" in long[0]
    assert 'no column "name"' in template.scene_warnings({"nmae": "Ana"})[0]
