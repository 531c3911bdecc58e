"""A kept shot keyed otherwise: settings and strokes that last, pictures that stay."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import torch
from numpy.typing import NDArray
from PIL import Image

from models.keyer import Grade, Keyer, KeySettings
from stream.batch.render import MASK_UNFIT, Renderer
from stream.capture.frame import Frame
from stream.cli import main
from stream.errors import UserError
from stream.event import Event
from stream.painted import read_mask
from stream.shot import (
    RECORD,
    Shot,
    add_still,
    attach_original,
    change_shot,
    editions,
    load_frame,
    load_shot,
    render_again,
    save_shot,
)
from stream.shot.changes import MASK_DROPPED
from tests.stream.batch.scenario import SETTINGS, SMALL, TAKEN, make_event, make_frame, make_still


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


def typed(*words: object) -> int:
    return main([str(w) for w in words])


def mask(path: Path, size: tuple[int, int] = SMALL) -> Path:
    """White in the upper left, black in the middle, (height, width)."""
    paint = np.zeros((*size, 4), np.uint8)
    paint[: size[0] // 4, : size[1] // 2] = 255
    paint[size[0] // 2 :, size[1] * 2 // 5 : size[1] * 3 // 5, 3] = 255
    Image.fromarray(paint).save(path)
    return path


def rendered(event: Event, shot_id: str) -> torch.Tensor:
    """By the batch's own way, in an event that is opened anew."""
    fresh = Event.open(event.paths.root)
    return Renderer(fresh).render(load_shot(fresh, shot_id)).pixels


def picture(event: Event, name: str) -> NDArray[np.uint8]:
    with Image.open(event.paths.pictures / name) as image:
        return np.asarray(image)


# --- the commands ---------------------------------------------------------------------------


def test_a_changed_shot_is_another_picture_and_the_first_stays(
    event: Event, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    at = ["--event", event.paths.root]
    assert typed("batch", "run", *at) == 0
    first = (event.paths.pictures / "0001-Mira-Tallow.jpg").read_bytes()
    painted = mask(tmp_path / "m.png")
    capsys.readouterr()
    assert typed("batch", "change", "1", "--despill", "0.5", "--mask", painted, *at) == 0
    told = capsys.readouterr().out
    assert "makes 0001-Mira-Tallow-2.jpg; 0001-Mira-Tallow.jpg stays as it is" in told
    assert typed("batch", "run", *at) == 0
    assert typed("batch", "change", "1", "--light-wrap", "1", "--shadow", "keep", *at) == 0
    assert typed("batch", "run", *at) == 0
    names = sorted(p.name for p in event.paths.pictures.iterdir())
    assert names == [
        "0001-Mira-Tallow-2.jpg",
        "0001-Mira-Tallow-3.jpg",
        "0001-Mira-Tallow.jpg",
    ]
    assert (event.paths.pictures / "0001-Mira-Tallow.jpg").read_bytes() == first
    kept = load_shot(event, shot.id)
    assert kept.settings == {
        **SETTINGS.to_json(),
        "despill": 0.5,
        "light_wrap": 1.0,
        "shadow": "keep",
    }
    # Strokes last through the later change; white shows the frame where the sky was.
    assert kept.mask is not None
    assert [e["picture"] for e in kept.earlier] == names[2:] + names[:1]
    one, two = picture(event, names[2]).astype(int), picture(event, names[0]).astype(int)
    assert np.abs(one - two)[:20, :35].mean() > 20
    assert typed("batch", "status", *at) == 0
    assert "done: 0001-Mira-Tallow-3.jpg" in capsys.readouterr().out
    # Made again it takes its own picture's place, and no other's.
    (event.paths.pictures / names[1]).unlink()
    assert typed("batch", "run", "--again", "1", *at) == 0
    assert sorted(p.name for p in event.paths.pictures.iterdir()) == names
    assert (event.paths.pictures / "0001-Mira-Tallow.jpg").read_bytes() == first


def test_several_at_once_and_what_is_so_already(
    event: Event, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for i in range(2):
        save_shot(event, make_frame(i), settings=SETTINGS)
    at = ["--event", event.paths.root]
    assert typed("batch", "change", "1", "9", "2", "--choke", "1", *at) == 1
    told = capsys.readouterr()
    assert "0001-2.jpg\n" in told.out
    assert "0002-2.jpg\n" in told.out
    assert "no shot '9'" in told.err
    assert typed("batch", "change", "2", "--choke", "1", *at) == 0
    assert "shot 0002 is so already" in capsys.readouterr().out
    assert typed("batch", "change", "2", *at) == 2
    assert "nothing to change was given" in capsys.readouterr().err
    assert typed("batch", "change", "2", "--white-point", "7", *at) == 1
    assert "white_point 7.0" in capsys.readouterr().err
    with pytest.raises(SystemExit):
        typed("batch", "change", "2", "--mask", "m.png", "--no-mask", *at)


def test_the_frame_to_paint_on(
    event: Event, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    save_shot(event, make_frame(3, quarter_turns=1), settings=SETTINGS)
    out = tmp_path / "paint"
    at = ["--event", event.paths.root]
    assert typed("batch", "frame", "1", "--out", out, *at) == 0
    with Image.open(out / "0001.frame.png") as image:
        assert image.size == (SMALL[0], SMALL[1])  # upright: on its side
        pixels = np.asarray(image).astype(int)
    assert np.median(pixels[2:10, -10:-2] @ np.array([-1, 2, -1])) > 50  # the screen is green
    painted = mask(tmp_path / "m.png", (SMALL[1], SMALL[0]))
    assert typed("batch", "change", "1", "--mask", painted, *at) == 0
    assert typed("batch", "frame", "1", "--out", out, *at) == 2
    assert "0001.frame.png is there already" in capsys.readouterr().err


def test_a_mask_that_cannot_be_used_changes_nothing(
    event: Event, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    wrong = mask(tmp_path / "m.png", (50, 60))
    assert typed("batch", "change", "1", "--mask", wrong, "--event", event.paths.root) == 1
    said = capsys.readouterr().err
    assert "is 60x50 and the frame of shot" in said
    assert "128x96" in said
    assert load_shot(event, shot.id) == shot
    assert not list((event.paths.shots / shot.id).glob("mask*"))


# --- strokes that last ----------------------------------------------------------------------


def test_strokes_are_rendered_as_the_keyer_does(event: Event, tmp_path: Path) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS, mirror=True)
    painted = mask(tmp_path / "m.png")
    change_shot(event, shot.id, {}, mask=painted)
    painted.unlink()
    template, frame = event.template(), make_frame()
    size = template.picture_size()
    keyer = Keyer(Grade.FINAL, SETTINGS)
    keyer.set_mask(read_mask(mask(tmp_path / "again.png")))
    want = keyer.composite(
        frame.planes,
        frame.encoding,
        0,
        template.scene(size, {"name": "Mira Tallow"}),
        template.placement(frame.upright_size, size, mirror=True),
    )
    assert torch.equal(rendered(event, shot.id), want.picture)
    # Of the next shot nothing is known.
    other = save_shot(event, make_frame(), people=["1"], settings=SETTINGS, mirror=True)
    renderer = Renderer(event)
    renderer.render(load_shot(event, shot.id))
    assert torch.equal(renderer.render(other).pixels, rendered(event, other.id))
    assert not torch.equal(rendered(event, other.id), want.picture)


def test_strokes_last_through_settings_template_and_another_picture(
    event: Event, tmp_path: Path
) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    change_shot(event, shot.id, {}, mask=mask(tmp_path / "m.png"))
    with_it = rendered(event, shot.id)
    changed = change_shot(event, shot.id, {"choke": 2.0})
    assert changed.mask is not None
    later = rendered(event, shot.id)
    # The corner that white forces inside shows the frame instead of the template's blue.
    assert int(with_it[2:18, 2:34, 0].float().mean()) > 120
    assert int(later[2:18, 2:34, 0].float().mean()) > 120
    # The usual template changes; the shot is made with the new one.
    described = event.paths.templates / "pier" / "template.toml"
    described.write_text(described.read_text("utf-8").replace("ppi = 40", "ppi = 60"), "utf-8")
    record = event.paths.shots / shot.id / RECORD
    new = Event.open(event.paths.root).template()
    record.write_bytes(replace(load_shot(event, shot.id), template_version=new.version).to_bytes())
    render_again(event, shot.id)
    larger = rendered(event, shot.id)
    assert larger.shape == (150, 120, 3)
    assert int(larger[3:27, 3:51, 0].float().mean()) > 120
    dropped = change_shot(event, shot.id, {}, drop_mask=True)
    assert dropped.mask is None
    assert int(rendered(event, shot.id)[3:27, 3:51, 0].float().mean()) < 60


def test_strokes_turn_with_a_frame_that_is_turned_later(event: Event, tmp_path: Path) -> None:
    """The camera stood on its side and nobody had said so: corrected in shot.json."""
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    change_shot(event, shot.id, {}, mask=mask(tmp_path / "m.png"))
    record = event.paths.shots / shot.id / RECORD
    data = json.loads(record.read_text("utf-8"))
    data["quarter_turns"] = 1
    record.write_text(json.dumps(data), "utf-8")
    turned = load_shot(event, shot.id)
    template, frame = event.template(), load_frame(event, turned)
    size = template.picture_size()
    keyer = Keyer(Grade.FINAL, SETTINGS)
    keyer.set_mask(read_mask(tmp_path / "m.png").turned(1))
    want = keyer.composite(
        frame.planes,
        frame.encoding,
        1,
        template.scene(size, {}),
        template.placement(frame.upright_size, size, mirror=False),
    )
    done = Renderer(event).render(turned)
    assert MASK_UNFIT not in done.notes
    plain = Renderer(event).render(replace(turned, mask=None)).pixels
    assert not torch.equal(plain, done.pixels)
    # The text of nobody is empty in both.
    assert torch.equal(done.pixels[:88], want.picture[:88])


def test_a_late_still_leaves_the_strokes_of_the_video_frame(event: Event, tmp_path: Path) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    change_shot(event, shot.id, {}, mask=mask(tmp_path / "m.png"))
    late = attach_original(event, shot.id, make_still(tmp_path / "a.jpg"))
    assert late.mask is None
    assert MASK_DROPPED in late.notes
    change_shot(event, shot.id, {}, mask=mask(tmp_path / "n.png", (160, 200)))
    again = load_shot(event, shot.id)
    (event.paths.shots / shot.id / "mask-old.png").write_bytes((tmp_path / "m.png").read_bytes())
    assert MASK_UNFIT in Renderer(event).render(replace(again, mask="mask-old.png")).notes


def test_what_a_late_still_dropped_need_not_be_dropped_again(
    event: Event, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shot = save_shot(event, make_frame(quarter_turns=1), settings=SETTINGS)
    painted = mask(tmp_path / "m.png", (SMALL[1], SMALL[0]))
    assert change_shot(event, shot.id, {}, mask=painted).mask_turns == 1
    late = attach_original(event, shot.id, make_still(tmp_path / "a.jpg"))
    assert (late.mask, late.mask_turns) == (None, 0)
    at = ["--event", event.paths.root]
    assert typed("batch", "change", "1", "--no-mask", *at) == 0
    assert "shot 0001 is so already" in capsys.readouterr().out
    # Written before the turns were dropped with the strokes.
    record = event.paths.shots / shot.id / RECORD
    record.write_bytes(replace(late, mask_turns=1).to_bytes())
    assert change_shot(event, shot.id, {}, drop_mask=True).render == late.render


def test_strokes_over_a_frame_whose_still_comes_meanwhile_are_refused(
    event: Event, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)

    def meanwhile(at: Event, seen: Shot) -> Frame:
        frame = load_frame(at, seen)
        attach_original(at, seen.id, make_still(tmp_path / "a.jpg"))
        return frame

    monkeypatch.setattr(editions, "load_frame", meanwhile)
    with pytest.raises(UserError, match="got its camera still just now"):
        change_shot(event, shot.id, {}, mask=mask(tmp_path / "m.png"))
    kept = load_shot(event, shot.id)
    assert (kept.mask, kept.earlier) == (None, ())
    assert not list((event.paths.shots / shot.id).glob("mask*"))


def test_an_earlier_picture_can_be_made_again_after_a_still_came(
    event: Event, tmp_path: Path
) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    change_shot(event, shot.id, {}, mask=mask(tmp_path / "m.png"))
    before = rendered(event, shot.id)
    change_shot(event, shot.id, {"choke": 1.0})
    late = attach_original(event, shot.id, make_still(tmp_path / "a.jpg"))
    assert late.original is not None
    again = replace(load_shot(event, shot.id), notes=(), **late.earlier[1])
    assert again.frame == shot.frame
    assert torch.equal(Renderer(event).render(again).pixels, before)


def test_strokes_wait_for_a_still_that_is_to_come(event: Event, tmp_path: Path) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS, still_until=TAKEN)
    with pytest.raises(UserError, match="still awaits its camera still"):
        change_shot(event, shot.id, {}, mask=mask(tmp_path / "m.png"))
    assert change_shot(event, shot.id, {"choke": 1.0}).settings["choke"] == 1


# --- records --------------------------------------------------------------------------------


def test_a_record_from_before_loads_and_can_be_changed(event: Event, tmp_path: Path) -> None:
    shot, _ = add_still(event, make_still(tmp_path / "a.jpg"), settings=SETTINGS)
    before = rendered(event, shot.id)
    record = event.paths.shots / shot.id / RECORD
    data = json.loads(record.read_text("utf-8"))
    for name in ("mask", "mask_turns", "earlier"):
        del data[name]
    for name in ("despill_luminance", "choke", "shadow", "light_wrap"):
        del data["settings"][name]
    record.write_text(json.dumps(data), "utf-8")
    old = load_shot(event, shot.id)
    assert (old.mask, old.earlier) == (None, ())
    assert torch.equal(rendered(event, shot.id), before)
    assert change_shot(event, shot.id, {"despill": 1.0}) == old
    new = change_shot(event, shot.id, {"shadow": "keep"})
    assert new.picture == "0001-2.jpg"
    assert KeySettings.from_json(dict(new.settings)) == replace(SETTINGS, shadow="keep")


@pytest.mark.parametrize("wrong", [{"mask": "../../m.png"}, {"earlier": [{"frame": "../m.png"}]}])
def test_a_record_that_names_a_file_elsewhere_is_refused(
    event: Event, wrong: dict[str, object]
) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    record = event.paths.shots / shot.id / RECORD
    data = {**json.loads(record.read_text("utf-8")), **wrong}
    record.write_text(json.dumps(data), "utf-8")
    with pytest.raises(UserError, match="not a plain file name"):
        load_shot(event, shot.id)


def test_an_event_has_its_own_settings(event: Event, tmp_path: Path) -> None:
    with event.paths.config.open("a", encoding="utf-8") as file:
        file.write('\n[key]\nshadow = "keep"\nlight_wrap = 0.25\nchoke = 0.5\n')
    still = make_still(tmp_path / "a.jpg")
    assert typed("batch", "add", still, "--event", event.paths.root) == 0
    (kept,) = event.paths.shots.iterdir()
    want = replace(SETTINGS, shadow="keep", light_wrap=0.25, choke=0.5)
    assert load_shot(event, kept.name).settings == want.to_json()
