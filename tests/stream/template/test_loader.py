"""Templates read from folders: what is wrong is told in one sentence, with names."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from models.composite import Mode
from stream.errors import UserError
from stream.template import OraLayer, load_template, write_ora
from stream.template.loader import BUNDLED
from tests.stream.template.building import PICTURE, SLOT, TEXT, folder_of, plain


def told(folder: Path) -> str:
    with pytest.raises(UserError) as e:
        load_template(folder)
    said = str(e.value)
    assert said.endswith(".")
    assert "\n" not in said
    return said


def test_numbered_files(tmp_path: Path) -> None:
    t = load_template(folder_of(tmp_path / "ball"))
    assert t.name == "ball"
    assert (t.width, t.height, t.ppi) == (80, 100, 20)
    assert t.picture_size() == (100, 80)
    assert [layer.name for layer in t.layers] == ["sky", "hills", "frame"]
    assert t.columns == ("name",)
    assert t.notes == ()


def test_openraster(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "ball", files={})
    layers = [OraLayer(n, plain()) for n in ("sky", "hills", "frame")]
    write_ora(folder / "layers.ora", (100, 80), layers)
    t = load_template(folder, name="Harbour ball")
    assert t.name == "Harbour ball"
    assert [layer.name for layer in t.layers] == ["sky", "hills", "frame"]


def test_a_canvas_of_one_pixel(tmp_path: Path) -> None:
    toml = '[picture]\nwidth_in = 1\nheight_in = 1\nppi = 50\n[slot]\nabove = "sky"\n'
    t = load_template(folder_of(tmp_path, toml, {"1-sky.png": plain((255, 0, 0, 255), (1, 1))}))
    for size in ((50, 50), (1, 1), (7, 7)):
        below = t.scene(size, {}).below
        assert below.shape == (1, 3, *size)
        assert below[0, :, 0, 0].tolist() == pytest.approx([1, 0, 0], abs=1e-6)
    assert "enlarged to 50 x 50" in t.notes[0]


def test_no_folder_and_no_description(tmp_path: Path) -> None:
    assert "is not a folder" in told(tmp_path / "none")
    assert "has no template.toml" in told(tmp_path)


def test_a_template_without_a_slot_says_what_to_add(tmp_path: Path) -> None:
    said = told(folder_of(tmp_path / "ball", PICTURE))
    assert said == (
        'Template "ball" cannot be used: it does not say where the subject stands; add to '
        'template.toml a part [slot] with above = "name of the layer that the subject stands on".'
    )


def test_no_layers(tmp_path: Path) -> None:
    assert "it has no layers; put in layers.ora, or numbered PNG or SVG" in told(
        folder_of(tmp_path, files={})
    )


def test_both_kinds_of_layers(tmp_path: Path) -> None:
    folder = folder_of(tmp_path)
    write_ora(folder / "layers.ora", (100, 80), [OraLayer(n, plain()) for n in ("hills", "frame")])
    assert "both layers.ora and numbered files such as 10-sky.png" in told(folder)


def test_notes_for_layers_of_a_document(tmp_path: Path) -> None:
    toml = PICTURE + SLOT + '[[layer]]\nname = "hills"\nmode = "screen"\n'
    folder = folder_of(tmp_path, toml, {})
    write_ora(folder / "layers.ora", (100, 80), [OraLayer("hills", plain())])
    assert "[[layer]] entries are for numbered files" in told(folder)
    numbered = folder_of(tmp_path / "numbered", toml)
    hills = load_template(numbered).layers[1]
    assert hills.mode is Mode.SCREEN


def test_another_shape(tmp_path: Path) -> None:
    toml = PICTURE.replace("5", "6") + SLOT
    said = told(folder_of(tmp_path, toml))
    assert "the canvas is 80 x 100 pixels but [picture] asks for 80 x 120" in said


def test_a_picture_too_large(tmp_path: Path) -> None:
    toml = '[picture]\nwidth_in = 100\nheight_in = 125\nppi = 300\n[slot]\nabove = "hills"'
    assert "at most 100 megapixels" in told(folder_of(tmp_path, toml))


def test_boxes_outside(tmp_path: Path) -> None:
    toml = PICTURE + SLOT + "box = [200, 0, 10, 10]\n" + TEXT.replace("72, 24", "80, 24")
    said = told(folder_of(tmp_path, toml))
    assert "the box of [slot] lies outside the canvas" in said
    assert 'the box of [[text]] "{name}" reaches beyond the canvas' in said


@pytest.mark.parametrize(
    ("font", "says"),
    [
        ("fonts/none.ttf", "is missing; copy it into"),
        ("../../x.ttf", "does not lie inside"),
        ("/usr/share/fonts/x.ttf", "does not lie inside"),
        ("template.toml", "is not a font"),
    ],
)
def test_fonts(tmp_path: Path, font: str, says: str) -> None:
    assert says in told(folder_of(tmp_path, PICTURE + SLOT + TEXT + f'font = "{font}"\n'))


def test_a_damaged_layer_is_found_when_the_template_is_read(tmp_path: Path) -> None:
    folder = folder_of(tmp_path)
    data = (folder / "20-hills.png").read_bytes()
    (folder / "20-hills.png").write_bytes(data[: len(data) * 2 // 3])
    assert 'layer "hills" (20-hills.png) is damaged' in told(folder)


def test_everything_wrong_is_told_at_once(tmp_path: Path) -> None:
    toml = PICTURE.replace("ppi", "dpi") + '[slot]\nabove = "hils"\n' + TEXT + 'font = "x.ttf"\n'
    folder = folder_of(tmp_path / "ball", toml)
    (folder / "30-frame.png").write_bytes(b"GIF89a")
    said = told(folder)
    for part in (
        'Template "ball"',
        'no entry "dpi"',
        '[slot] stands above "hils"',
        'layer "frame" (30-frame.png) is not a PNG',
        'the font "x.ttf" is missing',
    ):
        assert part in said


def test_the_version_follows_everything_that_shows(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "a")
    first = load_template(folder).version
    assert len(first) == 64
    assert load_template(folder_of(tmp_path / "b")).version == first
    (folder / "unused.txt").write_text("a note")
    assert load_template(folder).version == first
    fonts = folder / "fonts"
    fonts.mkdir()
    shutil.copy(BUNDLED / "fonts" / "DejaVuSans-Bold.ttf", fonts / "DejaVuSans.ttf")
    bold = load_template(folder).version
    assert bold != first
    (folder / "10-sky.png").write_bytes((folder / "30-frame.png").read_bytes())
    layers = load_template(folder).version
    assert layers not in (first, bold)
    (folder / "template.toml").write_text(PICTURE + SLOT + TEXT + 'align = "left"\n')
    assert load_template(folder).version not in (first, bold, layers)


def test_a_copy_is_the_same_template(tmp_path: Path) -> None:
    t = load_template(folder_of(tmp_path / "ball"))
    target = tmp_path / "kept" / t.version
    t.copy_to(target)
    assert (target / "fonts" / "DejaVuSans.ttf").is_file()
    copy = load_template(target, name=t.name)
    assert copy.version == t.version
    assert (copy.scene((100, 80), {"name": "Ana"}).below == t.scene((100, 80), {}).below).all()
    t.copy_to(target)
    assert [p.name for p in target.parent.iterdir()] == [t.version]


def test_a_copy_is_on_the_disk_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # POSIX.1-2017 fsync: a file's data and the names in its folder are each synced by themselves.
    t = load_template(folder_of(tmp_path / "ball"))
    synced: set[tuple[int, int]] = set()
    before: set[tuple[int, int]] = set()
    fsync, rename = os.fsync, Path.rename

    def seen_fsync(fd: int) -> None:
        state = os.fstat(fd)
        synced.add((state.st_dev, state.st_ino))
        fsync(fd)

    def seen_rename(self: Path, target: Path) -> Path:
        before.update(synced)
        return rename(self, target)

    monkeypatch.setattr(os, "fsync", seen_fsync)
    monkeypatch.setattr(Path, "rename", seen_rename)
    target = tmp_path / "kept" / t.version
    t.copy_to(target)
    there = [target, *target.rglob("*")]
    assert target / "fonts" in there
    states = [p.stat() for p in there]
    assert {(s.st_dev, s.st_ino) for s in states} <= before
    holder = target.parent.stat()
    assert (holder.st_dev, holder.st_ino) in synced


def test_a_copy_of_what_was_changed_is_refused(tmp_path: Path) -> None:
    folder = folder_of(tmp_path / "ball")
    t = load_template(folder)
    (folder / "10-sky.png").write_bytes(b"changed")
    with pytest.raises(UserError, match=r'10-sky.png of template "ball" was changed'):
        t.copy_to(tmp_path / "copy")
    assert not (tmp_path / "copy").exists()
    assert [p.name for p in tmp_path.iterdir()] == ["ball"]
