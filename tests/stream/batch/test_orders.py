"""What people ordered is what is made: templates, sizes, files and names; and later changes."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
import tifffile
from PIL import Image

from stream.batch.making import make_pictures
from stream.batch.render import Renderer
from stream.cli import main
from stream.errors import UserError
from stream.event import Event
from stream.people import RosterError
from stream.shot import Shot, Wanted, change_shot, load_shot, save_shot
from stream.template import Nudge
from tests.stream.batch.scenario import SETTINGS, make_event, make_frame, make_template

ROSTER = (
    "number,name,group,order,hide name\n"
    "1,Mira Tallow,Otters,pier x2; gate 4x6 x3,\n"
    "2,Jon Fenwick,Otters,gate,\n"
    "3,Ada Quill,Herons,,yes\n"
)


@pytest.fixture
def event(tmp_path: Path) -> Event:
    event = make_event(tmp_path, ROSTER)
    make_template(event.paths.templates / "gate", ppi=20)
    text = (event.paths.templates / "gate" / "template.toml").read_text("utf-8")
    text = text.replace("width_in = 2\nheight_in = 2.5", "width_in = 4\nheight_in = 5")
    (event.paths.templates / "gate" / "template.toml").write_text(text, "utf-8")
    return event


def configured(event: Event, words: str) -> Event:
    """The event with more in event.toml."""
    text = event.paths.config.read_text("utf-8")
    event.paths.config.write_text(f"{text}\n{words}\n", "utf-8")
    return Event.open(event.paths.root)


def made(event: Event, shot: Shot) -> dict[str, tuple[int, int]]:
    """Names and sizes (width, height) of a shot's pictures, after they were made."""
    make_pictures(Renderer(event), load_shot(event, shot.id))
    sizes = {}
    for wanted in load_shot(event, shot.id).wanted:
        with Image.open(event.paths.pictures / wanted.picture) as image:
            sizes[wanted.picture] = image.size
    return sizes


def test_a_press_keeps_every_order_of_its_people(event: Event) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    assert [(w.template, w.size, w.copies) for w in shot.wanted] == [
        ("pier", None, 2),
        ("gate", None, 3),
    ]
    # A 4 x 5 in design is no 4 x 6: made as it is, and said, and no file calls itself 4x6.
    assert any("4x6 was asked for, which has another shape" in n for n in shot.notes)
    done = make_pictures(Renderer(event), shot)
    assert done["pictures"] == ["0001-Mira-Tallow.jpg", "0001-Mira-Tallow-gate.jpg"]
    assert made(event, shot)["0001-Mira-Tallow-gate.jpg"] == (80, 100)


def test_without_a_choice_the_first_order_is_posed_for(event: Event) -> None:
    shot = save_shot(event, make_frame(), people=["2"], settings=SETTINGS)
    assert [w.template for w in shot.wanted] == ["gate"]
    chosen = save_shot(event, make_frame(), people=["2"], template="pier", settings=SETTINGS)
    assert [w.template for w in chosen.wanted] == ["pier", "gate"]
    together = save_shot(event, make_frame(), people=["1", "2"], settings=SETTINGS)
    assert [(w.template, w.copies) for w in together.wanted] == [
        ("pier", 2),
        ("gate", 3),
        ("gate", 1),
    ]


def test_a_size_of_the_same_shape_is_made_in_that_size(event: Event) -> None:
    path = event.paths.roster
    text = path.read_text("utf-8").replace("Otters,gate,", "Otters,gate 8x10,")
    path.write_text(text, "utf-8")
    event = Event.open(event.paths.root)
    shot = save_shot(event, make_frame(), people=["2"], settings=SETTINGS)
    # 8 x 10 in at 20 ppi.
    assert made(event, shot) == {"0001-Jon-Fenwick.jpg": (160, 200)}


def test_files_follow_the_event(event: Event) -> None:
    event = configured(
        event, '[pictures]\nform = "tiff16"\nfile_name = "{group}/{people}"\nnames = true'
    )
    one = save_shot(event, make_frame(1), people=["2"], settings=SETTINGS)
    other = save_shot(event, make_frame(2), people=["2"], settings=SETTINGS)
    assert one.picture == "Otters/Jon-Fenwick.tif"
    assert other.picture == "Otters/Jon-Fenwick-2.tif"
    make_pictures(Renderer(event), one)
    path = event.paths.pictures / one.picture
    pixels = tifffile.imread(path)
    assert pixels.dtype == "uint16"
    assert (pixels % 257 != 0).any(), "no 8 bit in between"
    data = path.read_bytes()
    assert b"PersonInImage" in data
    assert b"Jon Fenwick" in data
    assert one.id.encode() in data
    # Later the event wants something else: kept shots take it up when they are made again.
    text = event.paths.config.read_text("utf-8").replace("tiff16", "png")
    event.paths.config.write_text(text, "utf-8")
    assert main(["batch", "run", "--again", "1", "--event", str(event.paths.root)]) == 0
    names = sorted(p.name for p in (event.paths.pictures / "Otters").iterdir())
    # What was handed on in another form stays.
    assert names == ["Jon-Fenwick-2.png", "Jon-Fenwick-2.tif", "Jon-Fenwick.tif"]


def test_a_name_that_is_not_shown_is_nowhere(event: Event) -> None:
    event = configured(event, "[pictures]\nnames = true")
    shot = save_shot(event, make_frame(), people=["3"], settings=SETTINGS)
    assert shot.picture == "0001.jpg"
    make_pictures(Renderer(event), shot)
    assert b"Quill" not in (event.paths.pictures / shot.picture).read_bytes()
    assert b"Quill" not in (event.paths.shots / shot.id / "shot.json").read_bytes()


def test_a_shot_of_the_wrong_person_goes_to_the_right_one(event: Event) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    make_pictures(Renderer(event), shot)
    here = ["--event", str(event.paths.root)]
    assert main(["batch", "change", "1", "--person", "Fenwick", *here]) == 0
    now = load_shot(event, shot.id)
    assert now.people == ("2",)
    assert [(w.template, w.picture) for w in now.wanted] == [
        ("pier", "0001-Jon-Fenwick-2.jpg"),
        ("gate", "0001-Jon-Fenwick-gate-2.jpg"),
    ]
    assert main(["batch", "change", "1", "--template", "gate", *here]) == 0
    assert [w.template for w in load_shot(event, shot.id).wanted] == ["gate"]
    assert (event.paths.pictures / "0001-Mira-Tallow.jpg").is_file()


def test_nudges_of_event_template_and_shot_come_together(event: Event) -> None:
    event = configured(event, "[nudge]\nright = 3\n[nudge.pier]\nright = 2\nscale = 2")
    shot = save_shot(event, make_frame(), people=["3"], settings=SETTINGS)
    assert Nudge.from_json(dict(shot.nudge)) == Nudge(5, 0, 2)
    here = ["--event", str(event.paths.root)]
    assert main(["batch", "change", "1", "--down", "-4", *here]) == 0
    assert Nudge.from_json(dict(load_shot(event, shot.id).nudge)) == Nudge(5, -4, 2)
    assert main(["batch", "change", "1", "--as-designed", *here]) == 0
    assert load_shot(event, shot.id).nudge == {}


def test_a_template_of_two_shots_is_filled_with_the_one_beside(event: Event) -> None:
    text = (event.paths.templates / "pier" / "template.toml").read_text("utf-8")
    two = text.replace(
        "[slot]",
        "[[slot]]\nabove = 'sky'\nfit = 'contain'\nbox = [0, 0, 100, 250]\n"
        "[[slot]]\nbox = [100, 0, 100, 250]",
    ).replace('"cover"', '"contain"')
    (event.paths.templates / "pier" / "template.toml").write_text(two, "utf-8")
    one = save_shot(event, make_frame(1), people=["1"], template="pier", settings=SETTINGS)
    other = save_shot(event, make_frame(2), people=["2"], template="pier", settings=SETTINGS)
    alone = make_pictures(Renderer(event), one)
    assert any("shows 2 shots" in n for n in alone["notes"])
    here = ["--event", str(event.paths.root)]
    assert main(["batch", "change", "1", "--beside", "2", *here]) == 0
    now = load_shot(event, one.id)
    assert now.beside == (other.id,)
    both = make_pictures(Renderer(event), now)
    assert not any("shows 2 shots" in n for n in both["notes"])
    with (
        Image.open(event.paths.pictures / one.picture) as before,
        Image.open(event.paths.pictures / now.picture) as after,
    ):
        left = [image.crop((0, 0, 40, 85)).tobytes() for image in (before, after)]
        right = [image.crop((40, 0, 80, 85)).tobytes() for image in (before, after)]
    assert left[0] == left[1]
    assert right[0] != right[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--person", "Nobody"], "nobody on the roster"),
        (["--size", "7x9"], "there is no paper '7x9'"),
        (["--size", "4x6"], "4x6 was asked for, which has another shape"),
        (["--template", "moon"], "there is no template 'moon'"),
        (["--beside", "9"], "no shot '9'"),
        (["--scale", "0"], "scale 0"),
    ],
)
def test_a_change_that_cannot_be_is_told(
    event: Event, capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    assert main(["batch", "change", "1", *words, "--event", str(event.paths.root)]) != 0
    assert re.search(said, capsys.readouterr().err)
    assert load_shot(event, shot.id) == shot


def test_a_wanted_picture_survives_its_record() -> None:
    wanted = Wanted("gate", "v", "a.jpg", "5x7", 3, ("b.jpg",))
    assert Wanted.from_json(wanted.to_json()) == wanted
    assert wanted.renamed("b.jpg") == Wanted("gate", "v", "b.jpg", "5x7", 3, ("a.jpg",))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ('form = "bmp"', "form is 'bmp'"),
        ('file_name = "{team}/{shot}"', "there is no {team}"),
        ('profile = "paper.icc"', "paper.icc"),
        ('file_name = "../{shot}"', "inside pictures/"),
    ],
)
def test_a_form_that_cannot_be_is_told_before_anything_is_made(
    event: Event, capsys: pytest.CaptureFixture[str], words: str, said: str
) -> None:
    event = configured(event, f"[pictures]\n{words}")
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    assert shot.picture.endswith(".jpg"), "no press is lost over it"
    assert main(["batch", "run", "--event", str(event.paths.root)]) == 2
    assert said in capsys.readouterr().err
    assert list(event.paths.pictures.iterdir()) == []


def test_a_size_alone_is_of_what_was_posed_in(event: Event) -> None:
    text = event.paths.roster.read_text("utf-8").replace("Otters,gate,", "Otters,8x10 x2,")
    event.paths.roster.write_text(text, "utf-8")
    # Without a usual template, of two that are there, only the one that was posed in can be meant.
    config = event.paths.config.read_text("utf-8").replace('template = "pier"\n', "")
    event.paths.config.write_text(config, "utf-8")
    event = Event.open(event.paths.root)
    assert event.config.template is None
    posed = event.template("gate")
    shot = save_shot(event, make_frame(), people=["2"], template=posed, settings=SETTINGS)
    assert [(w.template, w.size, w.copies) for w in shot.wanted] == [("gate", "8x10", 2)]
    assert shot.notes == ()


def test_no_press_is_lost_over_what_lies_beside_it(event: Event) -> None:
    event = configured(event, '[nudge]\nright = 4\n[nudge.gone]\nright = "far"')
    folder = event.paths.templates / "gate"
    # As some editors mark a file that is open: a link to nowhere.
    (folder / ".#template.toml").symlink_to("somebody@somewhere.1")
    shot = save_shot(event, make_frame(), people=["2"], settings=SETTINGS)
    assert [w.template for w in shot.wanted] == ["gate"]
    assert Nudge.from_json(dict(shot.nudge)) == Nudge(4)
    # Edited since people stood in it, and its copy taken away.
    posed = event.template("gate")
    shutil.rmtree(event.paths.template_versions / posed.version[:16])
    text = (folder / "template.toml").read_text("utf-8")
    (folder / "template.toml").write_text(f"{text}\n# edited\n", "utf-8")
    again = save_shot(event, make_frame(), people=["2"], template=posed, settings=SETTINGS)
    assert again.template == "gate"
    assert again.template_version != posed.version
    assert any("before its last change" in n for n in again.notes)
    # No roster that can be read, and none known from before.
    event.paths.roster.write_bytes(b"\x00\x01\x02")
    event = Event.open(event.paths.root)
    with pytest.raises(RosterError):
        assert event.roster
    last = save_shot(event, make_frame(), people=["2"], template="pier", settings=SETTINGS)
    assert (last.people, last.picture) == (("2",), "0003.jpg")
    assert any("roster could not be used" in n for n in last.notes)


def test_a_group_in_a_template_with_a_long_name_has_a_name_that_a_disk_takes(event: Event) -> None:
    # 255 bytes: POSIX.1-2017 NAME_MAX of the file systems in use.
    long = "павильон летней регаты с фонарями из бумаги лебедями чайками"
    make_template(event.paths.templates / long, ppi=20)
    people = [f"{i},Wilhelmina Quillfeather {i},Herons of the lake,{long}" for i in range(4, 14)]
    with event.paths.roster.open("a", encoding="utf-8") as file:
        file.write("".join(f"{line},\n" for line in people))
    event = configured(event, '[pictures]\nfile_name = "{shot}-{people}-{number}-{group}"')
    numbers = [str(i) for i in range(4, 14)]
    shot = save_shot(event, make_frame(), people=numbers, template="pier", settings=SETTINGS)
    assert len(shot.wanted) == 2
    assert max(len(w.picture.encode()) for w in shot.wanted) <= 255
    assert set(made(event, shot)) == {w.picture for w in shot.wanted}


def test_the_right_person_is_shown_in_the_design_that_was_posed_in(event: Event) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    shutil.rmtree(event.paths.templates / "pier")
    now = change_shot(event, shot.id, people=["2", "2"])
    assert now.people == ("2",)
    assert (now.template, now.template_version) == (shot.template, shot.template_version)


def test_one_picture_that_cannot_be_made_keeps_no_other_from_being_made(event: Event) -> None:
    shot = save_shot(event, make_frame(), people=["1"], template="gate", settings=SETTINGS)
    first, second = shot.wanted
    kept = event.paths.template_versions / first.template_version[:16] / first.template
    (kept / "template.toml").unlink()
    with pytest.raises(UserError, match="has no template"):
        make_pictures(Renderer(Event.open(event.paths.root)), shot)
    assert not (event.paths.pictures / first.picture).exists()
    assert (event.paths.pictures / second.picture).is_file()
