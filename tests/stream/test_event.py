"""An event is one folder, whole or not there, and says plainly what is wrong with it."""

from __future__ import annotations

import hashlib
import logging
import os
import shutil
import tomllib
from datetime import date
from pathlib import Path

import pytest
import torch

import stream.event
from stream.config import LONGEST_S, EventConfig, EventError
from stream.errors import UserError
from stream.event import Event
from stream.template import Layer, Nudge, Template, load_template
from stream.template.loader import BUNDLED
from tests.stream.batch.scenario import ROSTER, make_event, make_template


def test_a_new_event_holds_all_it_was_given(tmp_path: Path) -> None:
    listed = tmp_path / "list.csv"
    listed.write_text(ROSTER, "utf-8")
    pier = make_template(tmp_path / "pier")
    dune = make_template(tmp_path / "dune", text="{group}")
    event = Event.create(
        tmp_path / "a" / "walk",
        "Lantern Walk",
        day=date(2026, 5, 31),
        roster=listed,
        templates=[pier, dune],
    )
    assert event.template_names == ("dune", "pier")
    assert event.config.template == "pier"
    assert [p.name for p in event.roster] == ["Mira Tallow", "Jon Fenwick", "Åsa Öberg"]
    again = Event.open(tmp_path / "a" / "walk")
    assert again.config == event.config
    # Readable without the program: the roster is the given file, the settings are TOML.
    assert event.paths.roster.read_bytes() == listed.read_bytes()
    assert tomllib.loads(event.paths.config.read_text("utf-8"))["date"] == date(2026, 5, 31)


def test_a_new_event_is_on_the_disk_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # POSIX.1-2017 fsync: a file's data and the names in its folder are each synced by themselves.
    pier = make_template(tmp_path / "pier")
    (pier / "spare" / "deep").mkdir(parents=True)
    (pier / "spare" / "deep" / "sketch.txt").write_text("for later")
    synced: set[int] = set()
    before: set[int] = set()
    fsync, rename = os.fsync, Path.rename

    def seen_fsync(fd: int) -> None:
        synced.add(os.fstat(fd).st_ino)
        fsync(fd)

    def seen_rename(self: Path, target: Path) -> Path:
        before.update(synced)
        return rename(self, target)

    monkeypatch.setattr(os, "fsync", seen_fsync)
    monkeypatch.setattr(Path, "rename", seen_rename)
    event = Event.create(tmp_path / "walk", "Lantern Walk", templates=[pier])
    there = [event.paths.root, *event.paths.root.rglob("*")]
    assert event.paths.templates / "pier" / "spare" / "deep" / "sketch.txt" in there
    assert {p.stat().st_ino for p in there} <= before


def test_settings_survive_toml() -> None:
    # TOML 1.0: basic strings, control characters escaped; no null.
    key = {"screen": [0.1, 0.7, 0.2], "shrink": 2, "soft": True, "way": 'a "b"\\\n\x7f', "x": None}
    text = EventConfig('A "fair"\x7f \u2603', date(2026, 1, 2), "pier", key).to_toml()
    data = tomllib.loads(text)
    assert data["name"] == 'A "fair"\x7f \u2603'
    assert data["key"] == {k: v for k, v in key.items() if v is not None}


def test_a_mistake_leaves_nothing_behind(tmp_path: Path) -> None:
    bad = tmp_path / "bad.csv"
    bad.write_text("age\n9\n")
    empty = tmp_path / "empty"
    empty.mkdir()
    before = sorted(p.name for p in tmp_path.iterdir())
    with pytest.raises(UserError):
        Event.create(tmp_path / "walk", "Walk", roster=bad)
    with pytest.raises(UserError):
        Event.create(tmp_path / "walk", "Walk", templates=[empty])
    with pytest.raises(EventError, match="needs a name"):
        Event.create(tmp_path / "walk", "  ")
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_a_folder_with_something_in_it_is_never_taken(tmp_path: Path) -> None:
    (tmp_path / "walk").mkdir()
    (tmp_path / "walk" / "mine.txt").write_text("keep")
    with pytest.raises(EventError, match="not empty"):
        Event.create(tmp_path / "walk", "Walk")
    assert (tmp_path / "walk" / "mine.txt").read_text() == "keep"


def test_an_empty_folder_is_taken(tmp_path: Path) -> None:
    (tmp_path / "walk").mkdir()
    assert Event.create(tmp_path / "walk", "Walk").name == "Walk"


@pytest.mark.parametrize("text", ["name = ", "date = 2026-01-01", 'name = "x"\ndate = "soon"'])
def test_a_damaged_event_file_is_named(tmp_path: Path, text: str) -> None:
    (tmp_path / "event.toml").write_text(text)
    with pytest.raises(EventError, match=r"event\.toml"):
        Event.open(tmp_path)


@pytest.mark.parametrize(
    "line", ['longest = "long"', "longest = 0", "longest = 601", "longest = true", "longets = 20"]
)
def test_a_length_of_takes_that_cannot_be_is_named(tmp_path: Path, line: str) -> None:
    (tmp_path / "event.toml").write_text(f'name = "x"\n[films]\n{line}\n')
    with pytest.raises(EventError, match=r"\[films\]: .*longest|may say shapes and longest"):
        Event.open(tmp_path)


def test_takes_end_after_what_the_event_says(tmp_path: Path) -> None:
    (tmp_path / "event.toml").write_text('name = "x"\n')
    assert Event.open(tmp_path).config.longest_s == LONGEST_S
    text = EventConfig("x", films={"longest": 12, "shapes": ["tall"]}).to_toml()
    (tmp_path / "event.toml").write_text(text)
    config = Event.open(tmp_path).config
    assert (config.longest_s, config.film_shapes) == (12.0, ("tall",))


def test_no_event_there(tmp_path: Path) -> None:
    with pytest.raises(EventError, match="event new"):
        Event.open(tmp_path)
    with pytest.raises(EventError, match="no folder"):
        Event.open(tmp_path / "nowhere")


def test_the_roster_is_read_again_after_a_change(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    assert len(event.roster) == 3
    event.paths.roster.write_text(ROSTER + "4,Lou Sands,Terns\n", "utf-8")
    assert event.roster.get("4") is not None
    # Half saved by a spreadsheet: what was known before stays in use.
    event.paths.roster.write_text("nothing\n", "utf-8")
    assert len(event.roster) == 4


def test_every_version_of_a_template_stays(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    first = event.template()
    path = event.paths.templates / "pier" / "template.toml"
    path.write_text(path.read_text("utf-8").replace("{name}", "{group}"), "utf-8")
    second = event.template("pier")
    assert second.version != first.version
    fresh = Event.open(event.paths.root)
    for version, value in ((first.version, "{name}"), (second.version, "{group}")):
        kept = fresh.template_version("pier", version)
        assert (kept.version, kept.name, kept.texts[0].value) == (version, "pier", value)


def test_a_kept_version_that_was_changed_is_noticed(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    version = event.template().version
    (kept,) = event.paths.template_versions.rglob("template.toml")
    kept.write_text(kept.read_text("utf-8").replace("size = 18", "size = 17"), "utf-8")
    with pytest.raises(EventError, match="was changed"):
        Event.open(event.paths.root).template_version("pier", version)


@pytest.mark.parametrize("name", ["../pier", "dune", "", "a/b", "..", "a\\b"])
def test_templates_that_are_not_there(tmp_path: Path, name: str) -> None:
    event = make_event(tmp_path)
    with pytest.raises(EventError):
        event.template(name)


def test_the_log_is_in_the_folder_only_while_asked(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    logger = logging.getLogger("posewall.anything")
    with event.logging():
        logger.warning("within")
    logger.warning("after")
    text = event.paths.log.read_text("utf-8")
    assert "within" in text
    assert "after" not in text


def test_a_roster_that_became_unusable_says_why(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    assert event.roster_trouble is None
    before = event.paths.roster.read_text("utf-8")
    event.paths.roster.write_text(before + before.splitlines()[1] + "\n", "utf-8")
    trouble = event.roster_trouble
    assert trouble is not None
    assert "as it was before is used" in trouble
    assert len(event.roster) == len(before.splitlines()) - 1
    event.paths.roster.write_text(before, "utf-8")
    assert event.roster_trouble is None


def test_the_event_and_a_template_move_their_subjects(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    assert event.nudge("pier") == Nudge()
    text = event.paths.config.read_text("utf-8")
    event.paths.config.write_text(
        text + "\n[nudge]\ndown = 2\nscale = 1.1\n[nudge.pier]\ndown = -5\nscale = 0.5\n", "utf-8"
    )
    event = Event.open(event.paths.root)
    assert event.nudge("pier") == Nudge(0, 2, 1.1).then(Nudge(0, -5, 0.5))
    assert event.nudge("other") == Nudge(0, 2, 1.1)
    event.paths.config.write_text(text + '\n[nudge]\nup = "a lot"\n', "utf-8")
    with pytest.raises(EventError, match="nudge has up"):
        Event.open(event.paths.root).nudge("pier")


def test_a_template_is_read_once_until_it_is_edited(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    event = make_event(tmp_path)
    read: list[Path] = []

    def counted(folder: Path) -> Template:
        read.append(folder)
        return load_template(folder)

    monkeypatch.setattr(stream.event, "load_template", counted)
    first = event.template("pier")
    assert event.template("pier").version == first.version
    assert len(read) == 1
    path = event.paths.templates / "pier" / "template.toml"
    path.write_text(path.read_text("utf-8").replace("size = 18", "size = 17"), "utf-8")
    assert event.template("pier").version != first.version
    assert len(read) == 2


def test_a_design_is_flattened_once_for_an_event(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each start of the program finds what the one before made; the folder may go any time."""
    event = make_event(tmp_path)
    size = event.template().picture_size()
    first = event.template().scene(size, {"name": "Mira"})
    assert any(event.paths.flattened.iterdir())
    unpacked: list[str] = []
    pixels = Layer.pixels

    def told(layer: Layer) -> torch.Tensor:
        unpacked.append(layer.name)
        return pixels(layer)

    template = Event.open(event.paths.root).template()
    monkeypatch.setattr(Layer, "pixels", told)
    again = template.scene(size, {"name": "Mira"})
    assert unpacked == []
    assert torch.equal(again.below, first.below)
    shutil.rmtree(event.paths.flattened)
    template = Event.open(event.paths.root).template()
    unpacked.clear()
    assert torch.equal(template.scene(size, {"name": "Mira"}).below, first.below)
    assert sorted(unpacked) == ["sky", "strip"]


def test_all_templates_of_an_event_share_one_budget(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    make_template(event.paths.templates / "shore", ppi=60)
    for name in ("pier", "shore"):
        template = event.template(name)
        size = template.picture_size()
        template.scene(size, {})
        assert event.flattened.memory.find((template.version, ("ground", 0, size))) is not None
        assert event.template_version(name, template.version) is template
    assert len(event.flattened.memory.parts) == 4


def test_an_edit_of_event_toml_is_taken_up_and_a_broken_one_is_not(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    text = event.paths.config.read_text("utf-8")
    event.paths.config.write_text(text + '\n[pictures]\nform = "png"\n', "utf-8")
    assert event.config.pictures == {"form": "png"}
    event.paths.config.write_text(text + "\n[pictures\n", "utf-8")
    assert event.config.pictures == {"form": "png"}
    event.paths.config.write_text(text, "utf-8")
    assert event.config.pictures == {}


def test_a_copy_that_another_release_kept_is_the_same_design(tmp_path: Path) -> None:
    event = make_event(tmp_path)
    folder = event.paths.templates / "pier"
    (folder / "fonts").mkdir()
    shutil.copyfile(BUNDLED / "fonts" / "DejaVuSans-Bold.ttf", folder / "fonts" / "Own.ttf")
    described = (folder / "template.toml").read_text("utf-8")
    (folder / "template.toml").write_text(described + 'font = "fonts/Own.ttf"\n', "utf-8")
    now = event.template("pier")
    kept = event.paths.template_versions / now.version[:16] / "pier"
    (kept / "fonts" / "DejaVuSans-Bold.ttf").unlink()
    fonts = sorted(p.relative_to(kept).as_posix() for p in kept.rglob("*") if p.is_file())
    lines = [f"{hashlib.sha256((kept / f).read_bytes()).hexdigest()}  {f}\n" for f in fonts]
    then = hashlib.sha256("".join(sorted(lines)).encode()).hexdigest()
    old = event.paths.template_versions / then[:16] / "pier"
    assert then != now.version
    old.parent.mkdir()
    kept.rename(old)
    found = Event.open(event.paths.root).template_version("pier", then)
    assert (found.version, found.texts) == (then, now.texts)
    (old / "template.toml").write_text("[picture]\n", "utf-8")
    with pytest.raises(UserError):
        Event.open(event.paths.root).template_version("pier", then)
