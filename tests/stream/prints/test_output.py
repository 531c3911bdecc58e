"""``[pictures]`` of event.toml: read, written, and what is wrong with it said in one sentence."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from stream.config import EventConfig
from stream.errors import UserError
from stream.prints.output import ENDINGS, Output
from tests.stream.prints.profiles import inks, wide

ALL = Output(
    form="pdf",
    quality=80,
    chroma="4:2:2",
    bleed="cut",
    marks=True,
    pdf="jpeg",
    intent="perceptual",
    black_point=False,
    file_name="{group}/{number}",
    names=True,
)


def test_nothing_written_is_the_usual() -> None:
    assert Output.from_table({}) == Output()
    assert Output().to_table() == {}
    said = Output().said()
    assert said == "JPEG, quality 95, chroma 4:4:4, sRGB, bleed kept"


def test_a_table_there_and_back_through_event_toml(tmp_path: Path) -> None:
    (tmp_path / "paper.icc").write_bytes(wide())
    full = replace(ALL, profile=tmp_path / "paper.icc")
    table = full.to_table(tmp_path)
    assert table["profile"] == "paper.icc", "the event's folder can be copied elsewhere"
    text = EventConfig("Dance", pictures=table).to_toml()
    assert tomllib.loads(text)["pictures"] == table
    (tmp_path / "event.toml").write_text(text, "utf-8")
    config = EventConfig.load(tmp_path / "event.toml")
    again = Output.from_table(config.pictures, tmp_path)
    assert again == full
    again.check()
    assert "paper.icc (perceptual, without black-point compensation), crop marks" in again.said()


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"form": "gif"}, "form is 'gif'; need one of jpeg, tiff"),
        ({"quality": 0}, "quality is 0; need a number from 1 to 100"),
        ({"quality": "high"}, "need a number"),
        ({"chroma": "4:1:1"}, "need one of 4:4:4, 4:2:2, 4:2:0"),
        ({"bleed": True}, "need one of keep, cut"),
        ({"marks": "yes"}, "true or false"),
        ({"marks": True}, 'crop marks need form = "pdf"'),
        ({"intent": "nice"}, "need one of perceptual, relative, saturation, absolute"),
        ({"black_point_compensation": 1}, "true or false"),
        ({"profile": 3}, "words in quotes"),
        ({"names": 1}, "true or false"),
        ({"qualty": 90}, 'did you mean "quality"'),
        ({"file_name": "../{shot}"}, "inside pictures/"),
        ({"file_name": "{shot"}, "one pair of braces"),
    ],
)
def test_what_cannot_be_used_is_said(table: dict[str, object], said: str) -> None:
    with pytest.raises(UserError) as told:
        Output.from_table(table)
    assert said in str(told.value)
    assert str(told.value).startswith("event.toml, [pictures]")
    assert "\n" not in str(told.value)


def test_all_that_is_wrong_is_said_at_once() -> None:
    with pytest.raises(UserError, match=r"form is .*; .*quality is .*; .*chroma is"):
        Output.from_table({"form": 1, "quality": 200, "chroma": "no"})


def test_a_profile_is_tried_before_the_evening(tmp_path: Path) -> None:
    output = Output.from_table({"profile": "paper.icc"}, tmp_path)
    with pytest.raises(UserError, match=r"paper\.icc cannot be opened"):
        output.check()
    (tmp_path / "paper.icc").write_bytes(b"nothing")
    with pytest.raises(UserError, match="no ICC profile"):
        output.check()
    (tmp_path / "paper.icc").write_bytes(inks())
    output.check()
    with pytest.raises(UserError, match="PNG files cannot hold"):
        replace(output, form="png").check()


def test_every_form_says_its_ending_and_depth() -> None:
    assert set(ENDINGS.values()) == {".jpg", ".tif", ".png", ".pdf"}
    assert {f: Output(f).depth for f in ENDINGS if Output(f).depth == 16} == {
        "tiff16": 16,
        "png16": 16,
    }
    assert len({Output(f).said_form() for f in ENDINGS}) == len(ENDINGS)
