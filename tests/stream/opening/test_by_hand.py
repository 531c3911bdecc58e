"""A picture opened up, painted in, taken back: what is painted stays, whatever else changes."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image, ImageDraw

from stream.batch.render import Renderer
from stream.cli import main
from stream.event import Event
from stream.opening.reading import DocumentError, read_returned
from stream.opening.taking import take_back
from stream.opening.writing import open_up
from stream.shot import change_shot, load_shot, save_shot
from stream.template import Nudge
from stream.template.ora import read_ora
from tests.stream.batch.scenario import SETTINGS, make_event, make_frame

Paint = Callable[[Image.Image], None]


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


def repaint(source: Path, target: Path, **layers: Paint) -> Path:
    """Paint in layers of a document, as an editor would, and save it under another name."""
    with zipfile.ZipFile(source) as read, zipfile.ZipFile(target, "w") as write:
        xml = read.read("stack.xml").decode()
        files = {}
        for name, paint in layers.items():
            found = re.search(rf'name="{name}"[^>]*src="([^"]+)"', xml)
            assert found is not None
            files[found[1]] = paint
        for entry in read.infolist():
            data = read.read(entry.filename)
            if entry.filename in files:
                image = Image.open(io.BytesIO(data)).convert("RGBA")
                files[entry.filename](image)
                out = io.BytesIO()
                image.save(out, "PNG")
                data = out.getvalue()
            write.writestr(entry, data)
    return target


def erase(box: tuple[int, int, int, int]) -> Paint:
    """Make a part transparent."""

    def paint(image: Image.Image) -> None:
        alpha = image.getchannel("A")
        ImageDraw.Draw(alpha).rectangle(box, fill=0)
        image.putalpha(alpha)

    return paint


def fill(box: tuple[int, int, int, int], color: tuple[int, int, int, int]) -> Paint:
    """Cover a part with a colour."""

    def paint(image: Image.Image) -> None:
        ImageDraw.Draw(image).rectangle(box, fill=color)

    return paint


DAB = fill((36, 60, 43, 67), (255, 0, 255, 255))


def rendered(event: Event, shot_id: str) -> np.ndarray:
    return Renderer(event).render(load_shot(event, shot_id)).pixels.numpy().astype(int)


def test_the_document_is_the_picture(event: Event, tmp_path: Path) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    open_up(event, shot, tmp_path / "a.ora")
    problems: list[str] = []
    document = read_ora((tmp_path / "a.ora").read_bytes(), "a.ora", problems)
    assert document is not None
    assert problems == []
    names = [layer.name for layer in document.layers]
    assert names[0] == "sky"
    assert names[1].startswith(f"Subject {shot.id} ")
    assert names[2:] == ["strip", "Words: {name}"]
    with zipfile.ZipFile(tmp_path / "a.ora") as archive:
        merged = np.asarray(Image.open(io.BytesIO(archive.read("mergedimage.png"))))
    assert np.array_equal(merged[..., :3].astype(int), rendered(event, shot.id))
    (returned,) = read_returned((tmp_path / "a.ora").read_bytes(), "a.ora")
    assert (returned.shot_id, returned.retouch, returned.ignored) == (shot.id, None, ())


def test_what_was_not_painted_changes_nothing(event: Event, tmp_path: Path) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    open_up(event, shot, tmp_path / "a.ora")
    (taken,), again = take_back(event, tmp_path / "a.ora")
    assert not taken.new
    assert again == []
    assert load_shot(event, shot.id) == shot


def test_an_erased_part_shows_the_background_and_a_white_one_the_frame(
    event: Event, tmp_path: Path
) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    before = rendered(event, shot.id)
    open_up(event, shot, tmp_path / "a.ora")
    gone, kept = (34, 60, 45, 75), (2, 60, 12, 75)
    repaint(
        tmp_path / "a.ora",
        tmp_path / "b.ora",
        Matte=lambda image: (erase(gone)(image), fill(kept, (255, 255, 255, 255))(image)),  # type: ignore[arg-type]
    )
    (taken,), again = take_back(event, tmp_path / "b.ora")
    assert taken.new
    assert [s.id for s in again] == [shot.id]
    after = rendered(event, shot.id)
    inside = after[64:72, 37:43]
    assert np.abs(inside - np.array([40, 90, 160])).max() <= 1, "the design's sky"
    shown = after[64:72, 4:10]
    assert (shown[..., 0] > 100).all(), "the frame, its screen's light taken away like all else"
    untouched = np.ones(before.shape[:2], bool)
    untouched[56:80, :50] = False
    assert np.abs(after - before)[untouched].max() <= 1
    # Once more changes nothing.
    (taken,), again = take_back(event, tmp_path / "b.ora")
    assert (taken.new, again) == (False, [])


def test_a_soft_edge_comes_back_soft(event: Event, tmp_path: Path) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    open_up(event, shot, tmp_path / "a.ora")

    def half(image: Image.Image) -> None:
        alpha = image.getchannel("A")
        ImageDraw.Draw(alpha).rectangle((34, 60, 45, 75), fill=128)
        image.putalpha(alpha)

    repaint(tmp_path / "a.ora", tmp_path / "b.ora", Matte=half)
    take_back(event, tmp_path / "b.ora")
    kept = load_shot(event, shot.id)
    staged = Renderer(event).staged(kept, [], kept.wanted[0], {})
    stand = staged.stands[0]
    assert stand is not None
    placed = stand[1]
    assert placed.subject_pm is not None
    alpha = torch.zeros(staged.made.size)
    alpha[placed.rows, placed.columns] = placed.subject_pm[0, 3]
    assert float((alpha[64:72, 37:43] - 128 / 255).abs().max()) < 0.01


def test_paint_stays_with_a_subject_that_is_moved(event: Event, tmp_path: Path) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    open_up(event, shot, tmp_path / "a.ora")
    repaint(
        tmp_path / "a.ora", tmp_path / "b.ora", Retouch=fill((36, 60, 43, 67), (255, 0, 255, 255))
    )
    take_back(event, tmp_path / "b.ora")
    first = rendered(event, shot.id)
    assert (first[60:68, 36:44] == [255, 0, 255]).all()
    change_shot(event, shot.id, nudge=Nudge(right=10))
    moved = rendered(event, shot.id)
    assert (moved[60:68, 44:52] == [255, 0, 255]).all()
    assert not (moved[60:68, 36:42] == [255, 0, 255]).all(-1).any()


def test_a_retouch_is_in_the_next_document_and_can_be_taken_away(
    event: Event, tmp_path: Path
) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    plain = rendered(event, shot.id)
    open_up(event, shot, tmp_path / "a.ora")
    repaint(
        tmp_path / "a.ora", tmp_path / "b.ora", Retouch=fill((36, 60, 43, 67), (255, 0, 255, 255))
    )
    take_back(event, tmp_path / "b.ora")
    open_up(event, load_shot(event, shot.id), tmp_path / "c.ora")
    (returned,) = read_returned((tmp_path / "c.ora").read_bytes(), "c.ora")
    assert returned.retouch is not None
    assert returned.retouch[:, 62, 40].tolist() == [255, 0, 255, 255]
    repaint(tmp_path / "c.ora", tmp_path / "d.ora", Retouch=erase((0, 0, 999, 999)))
    (taken,), _ = take_back(event, tmp_path / "d.ora")
    assert (taken.new, taken.retouched) == (True, False)
    assert np.array_equal(rendered(event, shot.id), plain)


def test_the_earlier_picture_stays_and_the_original_is_not_touched(
    event: Event, tmp_path: Path
) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    here = ["--event", str(event.paths.root)]
    assert main(["batch", "run", *here]) == 0
    first = (event.paths.pictures / shot.picture).read_bytes()
    frame = (event.paths.shots / shot.id / shot.frame).read_bytes()
    assert main(["open-up", "1", "-o", str(tmp_path / "a.ora"), *here]) == 0
    repaint(tmp_path / "a.ora", tmp_path / "b.ora", Matte=erase((34, 60, 45, 75)))
    assert main(["take-back", str(tmp_path / "b.ora"), *here]) == 0
    assert main(["batch", "run", *here]) == 0
    assert (event.paths.pictures / shot.picture).read_bytes() == first
    assert (event.paths.shots / shot.id / shot.frame).read_bytes() == frame
    assert len(list(event.paths.pictures.iterdir())) == 2


def merged(group: re.Match[str]) -> str:
    """A subject's group flattened into its lowest layer."""
    name = re.search(r'name="(Subject [^"]+)"', group[0])
    source = re.search(r'src="[^"]+"', group[0])
    assert name is not None
    assert source is not None
    return f'<layer name="{name[1]}" {source[0]} x="0" y="0"/>'


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda xml: xml.replace('name="Matte"', 'name="Layer 1"'), 'no layer called "Matte"'),
        (lambda xml: xml.replace("Subject ", "Person "), "groups were renamed"),
        (
            lambda xml: re.sub(
                r'<stack ([^>]*name="Subject.*?</stack>.*?)</stack>', merged, xml, flags=re.S
            ),
            "one layer now",
        ),
        (
            lambda xml: re.sub(
                r'(<stack [^>]*name="Subject.*?</stack>.*?</stack>)', r"\1\1", xml, flags=re.S
            ),
            "two groups",
        ),
        (lambda xml: xml.replace('w="80"', 'w="60"'), "undo the scaling"),
        (lambda xml: xml[: len(xml) // 2], "cannot be read"),
    ],
)
def test_a_document_that_cannot_be_used_is_told_and_nothing_is_kept(
    event: Event, tmp_path: Path, change: Callable[[str], str], said: str
) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    open_up(event, shot, tmp_path / "a.ora")
    with (
        zipfile.ZipFile(tmp_path / "a.ora") as read,
        zipfile.ZipFile(tmp_path / "b.ora", "w") as write,
    ):
        for entry in read.infolist():
            data = read.read(entry.filename)
            if entry.filename == "stack.xml":
                data = change(data.decode()).encode()
            write.writestr(entry, data)
    with pytest.raises(DocumentError, match=said):
        take_back(event, tmp_path / "b.ora")
    assert load_shot(event, shot.id) == shot


def test_nothing_is_overwritten(
    event: Event, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    save_shot(event, make_frame(), settings=SETTINGS)
    there = tmp_path / "a.ora"
    there.write_bytes(b"mine")
    here = ["--event", str(event.paths.root)]
    for name, said in (
        (there, "left as it is"),
        (tmp_path / "a.psx", "end in .ora"),
        (tmp_path / "no" / "a.ora", "no folder"),
    ):
        assert main(["open-up", "1", "-o", str(name), *here]) == 2
        assert said in capsys.readouterr().err
    assert there.read_bytes() == b"mine"
    assert main(["open-up", "1", "-o", str(tmp_path / "b.ora"), "--template", "x", *here]) == 2
    assert "it has pier" in capsys.readouterr().err


def test_another_document_painted_meanwhile_is_not_lost(event: Event, tmp_path: Path) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    for name in ("a", "b", "c"):
        open_up(event, shot, tmp_path / f"{name}.ora")
    repaint(tmp_path / "a.ora", tmp_path / "A.ora", Matte=erase((34, 60, 45, 75)), Retouch=DAB)
    take_back(event, tmp_path / "A.ora")
    kept = load_shot(event, shot.id)
    white = (255, 255, 255, 255)
    for change in (
        {"Matte": fill((2, 60, 9, 70), white)},
        {"Retouch": fill((1, 1, 5, 5), (9, 9, 9, 255))},
    ):
        repaint(tmp_path / "b.ora", tmp_path / "B.ora", **change)
        with pytest.raises(DocumentError, match="painted in another document"):
            take_back(event, tmp_path / "B.ora")
        assert load_shot(event, shot.id) == kept
    # Nothing was painted there, so nothing of it counts.
    take_back(event, tmp_path / "c.ora")
    assert load_shot(event, shot.id) == kept
    # Painted on in the same document.
    repaint(tmp_path / "A.ora", tmp_path / "D.ora", Matte=fill((2, 60, 9, 70), white))
    (taken,), _ = take_back(event, tmp_path / "D.ora")
    assert taken.new
    change_shot(event, shot.id, drop_by_hand=True)
    (taken,), _ = take_back(event, tmp_path / "B.ora")
    assert taken.new


def test_a_retouch_that_was_left_alone_stays_whole_and_as_fine_as_it_was(
    event: Event, tmp_path: Path
) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    open_up(event, shot, tmp_path / "a.ora")
    repaint(tmp_path / "a.ora", tmp_path / "A.ora", Retouch=DAB)
    take_back(event, tmp_path / "A.ora")
    first = load_shot(event, shot.id)
    # In a picture that shows half of it, and finer.
    moved = change_shot(event, shot.id, nudge=Nudge(right=45, scale=1.7))
    open_up(event, moved, tmp_path / "b.ora")
    (taken,), again = take_back(event, tmp_path / "b.ora")
    assert (taken.new, again) == (False, [])
    repaint(tmp_path / "b.ora", tmp_path / "B.ora", Matte=erase((20, 60, 79, 90)))
    (taken,), _ = take_back(event, tmp_path / "B.ora")
    now = load_shot(event, shot.id)
    assert (taken.new, taken.retouched) == (True, True)
    assert (now.retouch, now.retouch_at) == (first.retouch, first.retouch_at)
    assert now.matte is not None


TWICE = """
[[slot]]
above = 'sky'
fit = 'contain'
box = [0, 0, 100, 250]
shows = 1
[[slot]]
shows = 1
box = [100, 0, 100, 250]"""


def test_one_shot_in_two_places_keeps_what_was_painted_in_each(
    event: Event, tmp_path: Path
) -> None:
    told = event.paths.templates / "pier" / "template.toml"
    text = told.read_text("utf-8").replace("[slot]", TWICE).replace('"cover"', '"contain"')
    told.write_text(text, "utf-8")
    shot = save_shot(event, make_frame(), template="pier", settings=SETTINGS)
    plain = rendered(event, shot.id)
    open_up(event, shot, tmp_path / "a.ora")
    data = (tmp_path / "a.ora").read_bytes()
    assert len(read_returned(data, "a.ora")) == 2
    repaint(tmp_path / "a.ora", tmp_path / "b.ora", Matte=erase((0, 0, 79, 49)), Retouch=DAB)
    (taken,), again = take_back(event, tmp_path / "b.ora")
    assert (taken.new, taken.retouched, [s.id for s in again]) == (True, True, [shot.id])
    after = rendered(event, shot.id)
    for half in (np.s_[:, :40], np.s_[:, 40:]):
        assert np.abs(after - plain)[half].max() > 10
    (taken,), again = take_back(event, tmp_path / "b.ora")
    assert (taken.new, again) == (False, [])
