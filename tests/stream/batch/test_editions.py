"""A name corrected on the roster and a shot keyed otherwise: which pictures stay, and which go."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from PIL import Image

from models.errors import PosewallError
from stream.batch.making import make_pictures
from stream.batch.render import Picture, Renderer
from stream.cli import main
from stream.durable import PARTIAL
from stream.event import Event
from stream.shot import (
    RECORD,
    Shot,
    Wanted,
    change_shot,
    load_shot,
    render_again,
    save_shot,
    sweep_leftovers,
)
from tests.stream.batch.scenario import SETTINGS, make_event, make_frame, make_template


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
    make_pictures(Renderer(event), shot)
    first = (event.paths.pictures / "0001-Mira-Tallow.jpg").read_bytes()
    event = correct_name(event)
    render_again(event, shot.id)  # and before that is made:
    assert main([*["batch", "change", "1", "--choke", "1", "--event"], str(event.paths.root)]) == 0
    assert "; 0001-Mira-Tallow.jpg stays as it is" in capsys.readouterr().out
    make_pictures(Renderer(event), load_shot(event, shot.id))
    names = sorted(p.name for p in event.paths.pictures.iterdir())
    assert names == ["0001-Mira-Tallow.jpg", "0001-Mira-Tallowe-2.jpg"]
    assert (event.paths.pictures / names[0]).read_bytes() == first
    kept = load_shot(event, shot.id)
    assert [e["picture"] for e in kept.earlier] == ["0001-Mira-Tallow.jpg"]
    # Made and removed as every picture of a former name from here on.
    make_pictures(Renderer(event), render_again(event, shot.id))
    assert sorted(p.name for p in event.paths.pictures.iterdir()) == names


def test_a_change_while_the_corrected_name_is_in_work_leaves_the_picture_that_was_made(
    event: Event, monkeypatch: pytest.MonkeyPatch
) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    make_pictures(Renderer(event), shot)
    event = correct_name(event)
    pending = render_again(event, shot.id)
    renderer = Renderer(event)
    pictures = renderer.pictures

    def meanwhile(asked: Shot) -> Iterator[tuple[Wanted, Picture | PosewallError]]:
        for made in pictures(asked):
            change_shot(event, asked.id, {"choke": 1.0})
            yield made

    monkeypatch.setattr(renderer, "pictures", meanwhile)
    make_pictures(renderer, pending)
    assert (event.paths.pictures / "0001-Mira-Tallow.jpg").exists()
    make_pictures(Renderer(event), load_shot(event, shot.id))
    names = sorted(p.name for p in event.paths.pictures.iterdir())
    assert names == ["0001-Mira-Tallow.jpg", "0001-Mira-Tallowe-2.jpg"]


def test_every_picture_that_is_wanted_is_made(event: Event) -> None:
    make_template(event.paths.templates / "gate", ppi=20)
    gate = event.template("gate")
    shot = save_shot(event, make_frame(), people=["1"], template="pier", settings=SETTINGS)
    more = Wanted("gate", gate.version, "0001-Mira-Tallow-gate.jpg", copies=3)
    event.paths.shots.joinpath(shot.id, RECORD).write_bytes(replace(shot, also=(more,)).to_bytes())
    kept = load_shot(event, shot.id)
    assert kept.also == (more,)
    done = make_pictures(Renderer(event), kept)
    assert done["pictures"] == ["0001-Mira-Tallow.jpg", "0001-Mira-Tallow-gate.jpg"]
    sizes = {}
    for path in event.paths.pictures.iterdir():
        with Image.open(path) as image:
            sizes[path.name] = image.size
    assert sizes == {"0001-Mira-Tallow.jpg": (80, 100), "0001-Mira-Tallow-gate.jpg": (40, 50)}


def test_another_edition_never_has_the_name_of_an_earlier_picture(event: Event) -> None:
    text = event.paths.config.read_text("utf-8")
    event.paths.config.write_text(
        f'{text}\n[pictures]\nfile_name = "{{shot}}-{{number}}"\n', "utf-8"
    )
    event.paths.roster.write_text("number,name\n2,Mira Tallow\n", "utf-8")
    event = Event.open(event.paths.root)
    shot = save_shot(event, make_frame(), people=["2"], settings=SETTINGS)
    assert shot.picture == "0001-2.jpg"
    make_pictures(Renderer(event), shot)
    first = (event.paths.pictures / shot.picture).read_bytes()
    # Of nobody by name, the second edition would be called 0001-2 as well.
    now = change_shot(event, shot.id, people=[])
    make_pictures(Renderer(event), now)
    assert now.picture != shot.picture
    assert (event.paths.pictures / shot.picture).read_bytes() == first
    again = render_again(event, shot.id)
    assert again.picture == now.picture


def test_a_number_that_is_used_once_more_gets_another_name(event: Event) -> None:
    text = event.paths.config.read_text("utf-8")
    event.paths.config.write_text(
        f'{text}\n[pictures]\nfile_name = "{{people}}-{{shot}}"\n', "utf-8"
    )
    event = Event.open(event.paths.root)
    shot = save_shot(event, make_frame(1), people=["1"], settings=SETTINGS)
    make_pictures(Renderer(event), shot)
    first = (event.paths.pictures / shot.picture).read_bytes()
    shutil.rmtree(event.paths.shots / shot.id)
    other = save_shot(event, make_frame(2), people=["1"], settings=SETTINGS)
    assert other.number == shot.number
    make_pictures(Renderer(event), other)
    assert (event.paths.pictures / shot.picture).read_bytes() == first


def test_two_spellings_that_the_disk_takes_for_one_are_not_removed(event: Event) -> None:
    text = event.paths.config.read_text("utf-8")
    name = 'file_name = "{group}/{shot}"'
    event.paths.config.write_text(f"{text}\n[pictures]\n{name}\n", "utf-8")
    event.paths.roster.write_text("number,name,group\n1,Mira Tallow,otters\n", "utf-8")
    event = Event.open(event.paths.root)
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    make_pictures(Renderer(event), shot)
    # What a disk that takes capitals and small letters for the same does by itself.
    (event.paths.pictures / "Otters").symlink_to("otters")
    event.paths.roster.write_text("number,name,group\n1,Mira Tallow,Otters\n", "utf-8")
    event = Event.open(event.paths.root)
    again = render_again(event, shot.id)
    assert (again.picture, again.former_pictures) == ("Otters/0001.jpg", ("otters/0001.jpg",))
    make_pictures(Renderer(event), again)
    assert (event.paths.pictures / again.picture).is_file()


def test_what_a_kill_left_in_a_folder_of_pictures_is_swept(event: Event) -> None:
    folder = event.paths.pictures / "otters"
    folder.mkdir()
    left = folder / f"{PARTIAL}0"
    left.write_bytes(b"half")
    os.utime(left, (0, 0))
    assert sweep_leftovers(event) == 1
    assert not left.exists()
