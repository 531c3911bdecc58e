"""A name corrected on the roster and a shot keyed otherwise: which pictures stay, and which go."""

from __future__ import annotations

from pathlib import Path

import pytest

from stream.batch.making import make_picture
from stream.batch.render import Picture, Renderer
from stream.cli import main
from stream.event import Event
from stream.shot import Shot, change_key, load_shot, render_again, save_shot
from tests.stream.batch.scenario import SETTINGS, make_event, make_frame


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


def correct_name(event: Event) -> Event:
    """Mira Tallow is written Tallowe from now on."""
    text = event.paths.roster.read_text("utf-8").replace("Tallow", "Tallowe")
    event.paths.roster.write_text(text, "utf-8")
    return Event.open(event.paths.root)


def test_a_name_corrected_before_the_change_leaves_the_picture_that_was_made(
    event: Event, capsys: pytest.CaptureFixture[str]
) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    make_picture(Renderer(event), shot)
    first = (event.paths.pictures / "0001-Mira-Tallow.jpg").read_bytes()
    event = correct_name(event)
    render_again(event, shot.id)  # and before that is made:
    assert main([*["batch", "change", "1", "--choke", "1", "--event"], str(event.paths.root)]) == 0
    assert "; 0001-Mira-Tallow.jpg stays as it is" in capsys.readouterr().out
    make_picture(Renderer(event), load_shot(event, shot.id))
    names = sorted(p.name for p in event.paths.pictures.iterdir())
    assert names == ["0001-Mira-Tallow.jpg", "0001-Mira-Tallowe-2.jpg"]
    assert (event.paths.pictures / names[0]).read_bytes() == first
    kept = load_shot(event, shot.id)
    assert [e["picture"] for e in kept.earlier] == ["0001-Mira-Tallow.jpg"]
    # Made and removed as every picture of a former name from here on.
    make_picture(Renderer(event), render_again(event, shot.id))
    assert sorted(p.name for p in event.paths.pictures.iterdir()) == names


def test_a_change_while_the_corrected_name_is_in_work_leaves_the_picture_that_was_made(
    event: Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    make_picture(Renderer(event), shot)
    event = correct_name(event)
    pending = render_again(event, shot.id)
    renderer = Renderer(event)
    render = renderer.render

    def meanwhile(asked: Shot) -> Picture:
        done = render(asked)
        change_key(event, asked.id, {"choke": 1.0})
        return done

    monkeypatch.setattr(renderer, "render", meanwhile)
    make_picture(renderer, pending)
    assert (event.paths.pictures / "0001-Mira-Tallow.jpg").exists()
    make_picture(Renderer(event), load_shot(event, shot.id))
    names = sorted(p.name for p in event.paths.pictures.iterdir())
    assert names == ["0001-Mira-Tallow.jpg", "0001-Mira-Tallowe-2.jpg"]
