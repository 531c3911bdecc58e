"""From a shot's folder to pixels, with the real keyer and a real template."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
import torch

from models.keyer import Grade, Keyer
from stream.batch.render import NO_SCREEN, NOBODY, OTHER_SCREEN, PLATE_UNFIT, Renderer, text_fields
from stream.capture.frame import Frame
from stream.event import Event
from stream.shot import (
    Plate,
    ShotError,
    add_still,
    load_plate,
    load_shot,
    save_plate,
    save_shot,
)
from tests.stream.batch.scenario import (
    SETTINGS,
    make_event,
    make_frame,
    make_still,
    without_colour,
)


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


def test_what_is_printed_is_what_the_keyer_shows(event: Event) -> None:
    frame = make_frame(3, quarter_turns=1)
    shot = save_shot(event, frame, people=["1"], settings=SETTINGS, mirror=True)
    picture = Renderer(event).render(load_shot(event, shot.id))
    template = event.template()
    size = template.picture_size()
    keyer = Keyer(Grade.FINAL, SETTINGS)
    direct = keyer.composite(
        frame.planes,
        frame.encoding,
        1,
        template.scene(size, {"name": "Mira Tallow"}),
        template.placement(frame.upright_size, size, mirror=True),
    )
    assert torch.equal(picture.pixels, direct.picture)
    assert (picture.pixels.shape, picture.ppi, picture.taken) == ((100, 80, 3), 40, frame.taken)


def test_the_name_is_set_and_so_is_nobody(event: Event) -> None:
    renderer = Renderer(event)
    some = renderer.render(save_shot(event, make_frame(), people=["1"], settings=SETTINGS))
    none = renderer.render(save_shot(event, make_frame(), people=[], settings=SETTINGS))
    differs = (some.pixels != none.pixels).any(-1).any(-1)
    # The text field lies at 222 to 248 of 250 canvas rows, 89 to 99 of the picture's 100.
    assert differs[89:].any()
    assert not differs[:88].any()


def test_several_people_and_one_who_left(event: Event) -> None:
    shot = save_shot(event, make_frame(), people=["1", "2"], settings=SETTINGS)
    assert text_fields(event, shot) == {
        "number": "1, 2",
        "name": "Mira Tallow, Jon Fenwick",
        "names": "Mira Tallow, Jon Fenwick",
        "first": "Mira, Jon",
        "last": "Tallow, Fenwick",
        "group": "Otters",
        "count": "2",
    }
    event.paths.roster.write_text("number,name\n1,Mira Tallow\n", "utf-8")
    with pytest.raises(ShotError, match="number 2"):
        Renderer(event).render(shot)


def test_no_shot_leaves_a_trace_in_the_next(event: Event) -> None:
    plate = save_plate(event, make_frame(50))
    one = save_shot(event, make_frame(1), settings=SETTINGS)
    other = save_shot(event, make_frame(2), settings=SETTINGS, plate=plate)
    renderer = Renderer(event)
    before = renderer.render(one).pixels
    renderer.render(other)
    assert torch.equal(renderer.render(one).pixels, before)
    assert torch.equal(Renderer(event).render(one).pixels, before)


def test_a_plate_of_the_video_is_not_used_for_a_still(event: Event, tmp_path: Path) -> None:
    plate = save_plate(event, make_frame(50))
    still = make_still(tmp_path / "a.jpg")
    shot, _ = add_still(event, still, plate=plate, settings=SETTINGS)
    picture = Renderer(event).render(shot)
    assert PLATE_UNFIT in picture.notes
    without = Renderer(event).render(replace(shot, plate=None))
    assert torch.equal(picture.pixels, without.pixels)


def test_a_plate_that_fits_is_used(event: Event) -> None:
    plate = save_plate(event, make_frame(50))
    shot = save_shot(event, make_frame(2), settings=SETTINGS, plate=plate)
    picture = Renderer(event).render(shot)
    assert PLATE_UNFIT not in picture.notes
    assert not torch.equal(picture.pixels, Renderer(event).render(replace(shot, plate=None)).pixels)


def swapped(frame: Frame) -> Frame:
    """The same frame with a blue screen."""
    luma, cb, cr = frame.planes
    return replace(frame, planes=(luma, (cb + 130).clamp(max=220), cr + 60))


def test_a_frame_without_a_screen_is_noted(event: Event) -> None:
    with_screen = Renderer(event).render(save_shot(event, make_frame(1), settings=SETTINGS))
    assert NO_SCREEN not in with_screen.notes
    without = Renderer(event).render(
        save_shot(event, without_colour(make_frame(1)), settings=SETTINGS)
    )
    assert NO_SCREEN in without.notes


def test_an_empty_screen_is_noted(event: Event) -> None:
    frame = make_frame(1)
    assert NOBODY not in Renderer(event).render(save_shot(event, frame, settings=SETTINGS)).notes
    y, cb, cr = (torch.full_like(p, int(p.flatten()[0])) for p in frame.planes)
    empty = save_shot(event, replace(frame, planes=(y, cb, cr)), settings=SETTINGS)
    assert NOBODY in Renderer(event).render(empty).notes


def test_a_plate_of_another_screen_is_noted(event: Event) -> None:
    other = save_plate(event, swapped(make_frame(50)))
    shot = save_shot(event, make_frame(2), settings=SETTINGS, plate=other)
    picture = Renderer(event).render(shot)
    assert OTHER_SCREEN in picture.notes
    assert PLATE_UNFIT not in picture.notes
    without = Renderer(event).render(replace(shot, plate=None))
    assert torch.equal(picture.pixels, without.pixels)
    assert OTHER_SCREEN not in without.notes


def test_an_upright_plate_serves_a_turned_camera(event: Event) -> None:
    frame = make_frame(2, quarter_turns=1)
    lying = make_frame(50, quarter_turns=1)
    y, cb, cr = (torch.rot90(p, -1).contiguous() for p in lying.planes)
    upright = replace(lying, planes=(y, cb, cr), quarter_turns=0)
    shot = save_shot(event, frame, settings=SETTINGS, plate=save_plate(event, upright))
    picture = Renderer(event).render(shot)
    assert not {PLATE_UNFIT, OTHER_SCREEN} & set(picture.notes)
    assert not torch.equal(picture.pixels, Renderer(event).render(replace(shot, plate=None)).pixels)


def test_a_shot_keeps_the_template_that_it_was_made_with(event: Event) -> None:
    shot = save_shot(event, make_frame(2), settings=SETTINGS)
    before = Renderer(event).render(shot).pixels
    for path in (event.paths.templates / "pier").iterdir():
        path.unlink()
    assert torch.equal(Renderer(Event.open(event.paths.root)).render(shot).pixels, before)


def test_an_enlarged_frame_is_noted(event: Event) -> None:
    small = make_frame(2, size=(24, 32))
    picture = Renderer(event).render(save_shot(event, small, settings=SETTINGS))
    # 100 picture rows over 24 frame rows; 40 ppi * 24 / 100 = 9.6 (computed).
    assert any("10 real pixels" in n for n in picture.notes)


def test_a_figure_is_placed_by_its_slot(event: Event) -> None:
    """The subject fills the box, not the frame; what a person should look at is noted."""
    toml = event.paths.templates / "pier" / "template.toml"
    fitted = 'fit = "figure"\nbox = [50, 50, 100, 150]'
    toml.write_text(toml.read_text("utf-8").replace('fit = "cover"', fitted), "utf-8")
    frame = make_frame()
    shot = save_shot(event, frame, people=["1"], settings=SETTINGS, template=event.template())
    picture = Renderer(event).render(shot)
    # The box lies at (20, 20) to (60, 80) of the picture's 80 x 100 pixels; the body is 43 wide and
    # 72 high in its frame, and reaches the frame's lower edge.
    sky = torch.tensor([40, 90, 160])
    differs = (picture.pixels.int() - sky).abs().amax(-1)[:86] > 30
    rows, columns = differs.any(1).nonzero().flatten(), differs.any(0).nonzero().flatten()
    assert abs(int(rows[0]) - 20) <= 2
    assert abs(int(rows[-1]) - 79) <= 1
    assert abs(int(columns[0]) - 22) <= 3
    assert abs(int(columns[-1]) - 57) <= 3
    assert any("cuts the subject off at its lower edge" in note for note in picture.notes)
    y, cb, cr = (p.clone() for p in frame.planes)
    bare = replace(frame, planes=(y.fill_(133), cb.fill_(63), cr.fill_(52)))
    nobody = save_shot(event, bare, people=["1"], settings=SETTINGS, template=event.template())
    notes = Renderer(event).render(nobody).notes
    assert any("subject was not found in the frame" in note for note in notes)


def test_a_plate_is_read_once_for_many_shots(event: Event, monkeypatch: pytest.MonkeyPatch) -> None:
    one, other = save_plate(event, make_frame(50)), save_plate(event, make_frame(51))
    shots = [
        save_shot(event, make_frame(i), settings=SETTINGS, plate=plate)
        for i, plate in enumerate((one, one, other, None, one))
    ]
    alone = [Renderer(event).render(shot).pixels for shot in shots]
    read: list[str] = []

    def told(where: Event, plate: str) -> Plate:
        read.append(plate)
        return load_plate(where, plate)

    monkeypatch.setattr("stream.batch.render.load_plate", told)
    renderer = Renderer(event)
    together = [renderer.render(shot).pixels for shot in shots]
    assert read == [one, other, one]
    for a, b in zip(alone, together, strict=True):
        assert torch.equal(a, b)
