"""`template check` and `template new` as a designer types them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from stream.cli import main
from stream.template import OraLayer, load_template, write_ora
from stream.template.preview import SAMPLES, draw_preview, marks, sample_fields
from stream.template.sketch import sketch
from tests.stream.template.building import PICTURE, SLOT, TEXT, folder_of, plain

BLEED = PICTURE + "bleed_in = 0.5\nsafe_in = 0.25\n"


def canvas_of(path: Path, toml: str, size: tuple[int, int]) -> Path:
    hills = plain((30, 140, 60, 255), size)
    frame = plain((0, 0, 0, 0), size)
    files = {"10-sky.png": plain(size=size), "20-hills.png": hills, "30-frame.png": frame}
    return folder_of(path, toml, files)


def test_a_template_that_can_be_used(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = folder_of(tmp_path / "ball")
    assert main(["template", "check", str(folder)]) == 0
    said = capsys.readouterr().out
    assert 'Template "ball": prints 4 x 5 in (102 x 127 mm) at 20 ppi, without bleed' in said
    order = [said.index(w) for w in ('words: "{name}"', "frame\n", "people stand here", "hills")]
    assert order == sorted(order)
    with Image.open(tmp_path / "ball.preview.jpg") as preview:
        assert preview.height >= 900
    # Done again, its own preview is replaced.
    assert main(["template", "check", str(folder)]) == 0


def test_everything_wrong_is_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = folder_of(tmp_path / "ball", PICTURE + '[slot]\nabove = "hils"\n' + TEXT + "sise = 3")
    (folder / "30-frame.png").write_bytes(b"GIF89a")
    assert main(["template", "check", str(folder)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    for part in (
        "4 things to mend",
        'no entry "sise"; did you mean "size"?',
        '[slot] stands above "hils", but no layer has that name; there are "hills", "sky"',
        'layer "frame" (30-frame.png) is not a PNG',
        '[[text]] "{name}" stands above "frame"',
    ):
        assert part in said
    # What can be drawn is drawn: sky and hills, nobody, no words.
    assert "What can be drawn of it" in said
    seen = np.asarray(Image.open(tmp_path / "ball.preview.jpg")).astype(int)
    assert seen[700, 100, 1] > seen[700, 100, 0] + 60
    assert np.abs(seen[400, 360] - 0x8F).max() > 30


def test_what_can_be_drawn_is_drawn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # Another shape than the layers, a font that is missing, and one slot of two that is right.
    toml = "[picture]\nwidth_in = 9\nheight_in = 5\nppi = 20\n" + TWO.replace('"sky"', '"sea"')
    folder = folder_of(tmp_path / "ball", toml + TEXT + 'font = "fonts/Gone.ttf"\n')
    target = tmp_path / "ball.preview.jpg"
    assert main(["template", "check", str(folder)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "another shape" in said
    assert "fonts/Gone.ttf" in said
    with Image.open(target) as image:
        seen = np.asarray(image.convert("RGB")).astype(int)
    assert np.abs(seen[270, 540] - 0x8F).max() < 12, "somebody stands in the slot that is right"
    target.unlink()
    for path in folder.glob("*.png"):
        path.write_bytes(b"GIF89a")
    assert main(["template", "check", str(folder)]) == 1
    assert "No preview was drawn" in capsys.readouterr().out
    assert not target.exists()


def test_a_box_of_a_slip_of_the_finger_is_told_and_not_drawn(tmp_path: Path) -> None:
    code = '[[code]]\nvalue = "{name}"\nabove = "frame"\n'
    toml = PICTURE + SLOT + TEXT + code + "box = [10, 10, 30, 30]\n"
    folder = folder_of(tmp_path / "ball", toml)
    assert main(["template", "check", str(folder)]) == 0
    for box in ("box = [4, 70, 72", "box = [10, 10, 30"):
        (folder / "template.toml").write_text(toml.replace(box, box + "0000"))
        assert main(["template", "check", str(folder)]) == 1
        made = sketch(folder)
        assert made is not None
        assert len(made.texts) + len(made.codes) == 1
    near = toml.replace("[4, 70", "[20, 70")
    (folder / "template.toml").write_text(near)
    made = sketch(folder)
    assert made is not None
    assert len(made.texts) == 1


def test_values_of_several_lines_are_named_on_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = r'"""BEGIN:VCARD\nFN:{name}\nEND:VCARD"""'
    code = f'[[code]]\nvalue = {lines}\nabove = "frame"\nbox = [10, 10, 60, 60]\n'
    toml = PICTURE + SLOT + TEXT.replace('"{name}"', r'"{name}\nat the ball"') + code
    assert main(["template", "check", str(folder_of(tmp_path / "ball", toml))]) == 0
    said = capsys.readouterr().out
    assert '* QR code: "BEGIN:VCARD FN:{name} END:VCARD"\n' in said
    assert '* words: "{name} at the ball"\n' in said


def test_what_is_good_to_know(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = canvas_of(tmp_path / "ball", BLEED + SLOT + TEXT, (100, 120))
    words = ["name=A name that does not fit into its box by any means at all", "shirt=M"]
    out = tmp_path / "seen.png"
    assert main(["template", "check", str(folder), "--out", str(out), "--fields", *words]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "with bleed 100 x 120 pixels" in said
    assert "shirt is no column of this template; it writes name" in said
    assert "does not fit its box at the least letter size" in said
    assert 'the box of "{name}" reaches beyond the safe area' in said
    assert out.is_file()


def test_where_the_preview_may_go(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = folder_of(tmp_path / "ball")
    taken = tmp_path / "taken.jpg"
    taken.write_bytes(b"a photograph")
    for out, says in (
        (taken, "is there already"),
        (tmp_path / "a.tif", "JPEG or PNG"),
        (tmp_path / "none" / "a.jpg", "cannot go there"),
    ):
        assert main(["template", "check", str(folder), "--out", str(out)]) == 2
        assert says in capsys.readouterr().err
    assert taken.read_bytes() == b"a photograph"
    assert main(["template", "check", str(folder), "--fields", "name"]) == 2
    assert 'got "name"; need the column, = and the words' in capsys.readouterr().err


def test_the_edges_lie_where_they_are(tmp_path: Path) -> None:
    folder = canvas_of(tmp_path / "ball", BLEED + SLOT + "box = [20, 30, 50, 60]\n" + TEXT,
                       (100, 120))  # fmt: skip
    t = load_template(folder)
    # 20 ppi: trimmed 4 x 5 in is 80 x 100; bleed .5 in is 10 pixels, safe .25 in is 5. Doubled:
    found = {m.label: m.box for m in marks(t, (240, 200))}
    assert found["slot"] == (40, 60, 140, 180)
    assert found["cut"] == (20, 20, 180, 220)
    assert found["safe area"] == (30, 30, 170, 210)
    assert found["{name}"] == (8, 140, 152, 188)


def test_the_preview_shows_figure_words_and_legend(tmp_path: Path) -> None:
    t = load_template(folder_of(tmp_path / "ball"))
    fields = sample_fields(t, {})
    assert fields == {"name": SAMPLES["name"]}
    seen = np.asarray(draw_preview(t, fields)).astype(int)
    # The canvas is 720 x 900 here: the figure's chest is grey, beside it hills are green.
    assert np.abs(seen[400, 360] - 0x8F).max() < 12
    assert seen[700, 100, 1] > seen[700, 100, 0] + 60
    other = np.asarray(draw_preview(t, sample_fields(t, {"name": "Ana"}))).astype(int)
    box = (slice(640, 840), slice(40, 680))
    assert np.abs(seen[box] - other[box]).max() > 100


TWO = """
[[slot]]
above = "sky"
box = [5, 10, 30, 80]
fit = "figure"
anchor = "feet"
[[slot]]
above = "hills"
box = [45, 0, 30, 95]
fit = "head"
head = 12
anchor = "head"
[[code]]
value = "{number}"
above = "frame"
box = [45, 55, 33, 33]
"""


def test_several_slots_show_how_people_stand(tmp_path: Path) -> None:
    t = load_template(folder_of(tmp_path / "ball", PICTURE + TWO))
    found = {m.label: m for m in marks(t, (1000, 800))}
    assert found["slot 1"].box == (50, 100, 350, 900)
    assert found["{number}"].box == (450, 550, 780, 880)
    assert "the person fills it, held by the feet; shot 1" in found["slot 1"].meaning
    assert "head is 12 pixels of the layers high, held by the head" in found["slot 2"].meaning
    # Figure: the feet on the box's lower edge, no more than its 800 from there to the head.
    assert found["feet 1"].box[1] == pytest.approx(900)
    assert found["head 1"].box[1] >= 100 - 1e-6
    # Head: its top on the box's upper edge, the chin 12 canvas pixels below, eight heads in all.
    assert found["head 2"].box[1] == pytest.approx(0)
    assert found["chin 2"].box[1] == pytest.approx(120)
    assert found["feet 2"].box[1] == pytest.approx(120 / 0.13)
    seen = np.asarray(draw_preview(t, sample_fields(t, {}))).astype(int)
    # At .9 of it: both chests are grey; the code is dark and light.
    assert np.abs(seen[430, 180] - 0x8F).max() < 12
    assert np.abs(seen[300, 540] - 0x8F).max() < 12
    assert np.ptp(seen[500:790, 410:700].mean(2)) > 200


def test_a_bleed_that_layers_leave_bare_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = canvas_of(tmp_path / "ball", BLEED + SLOT, (100, 120))
    assert main(["template", "check", str(folder)]) == 0
    assert "inside the bleed" not in capsys.readouterr().out
    for path in folder.glob("*.png"):
        with Image.open(path) as image:
            cut = Image.new("RGBA", image.size, (0, 0, 0, 0))
            # Ends at the cut on the right, 10 pixels inside.
            cut.paste(image.convert("RGBA").crop((0, 0, 90, 120)), (0, 0))
        cut.save(path)
    assert main(["template", "check", str(folder)]) == 0
    assert "the layers end inside the bleed (right)" in " ".join(capsys.readouterr().out.split())


def test_new_starts_a_template(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "dance"
    folder.mkdir()
    layers = [OraLayer(n, plain(size=(240, 360))) for n in ("sky", "hills", "frame")]
    write_ora(folder / "layers.ora", (360, 240), layers, ppi=60)
    assert main(["template", "new", str(folder)]) == 0
    assert 'paper = "4x6"' in capsys.readouterr().out
    t = load_template(folder)
    assert t.slots[0].above == "hills"
    assert t.picture_size() == (360, 240)
    assert main(["template", "check", str(folder)]) == 0
    before = (folder / "template.toml").read_bytes()
    assert main(["template", "new", str(folder)]) == 2
    assert "is there already and is left as it is" in capsys.readouterr().err
    assert (folder / "template.toml").read_bytes() == before


def test_new_without_layers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["template", "new", str(tmp_path / "none")]) == 2
    assert "is not a folder" in capsys.readouterr().err
    assert main(["template", "new", str(tmp_path)]) == 2
    assert "it has no layers" in capsys.readouterr().err
    (tmp_path / "10-sky.png").write_bytes(b"GIF89a")
    assert main(["template", "new", str(tmp_path)]) == 2
    assert 'layer "sky" (10-sky.png) is not a PNG' in capsys.readouterr().err
    assert main(["template", "check", str(tmp_path)]) == 2
    assert "start one with: posewall template new" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["10-sky.png"]
