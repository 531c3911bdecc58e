"""Every person's words and orders tried in the templates before the event."""

from __future__ import annotations

from pathlib import Path

from stream.people import Roster
from stream.people.fitting import check_words, wanted_templates
from stream.template import load_template
from tests.stream.batch.scenario import make_template

LISTED = (
    "number,name,order\n"
    "1,Mira Tallow,pier 8x10\n"
    "2,Jon Fenwick,pier 5x7 x2\n"
    "3,Ada \u82b1,\n"
    f"4,{'Wilhelmina ' * 30},pier\n"
)


def test_what_is_wrong_is_told_by_person(tmp_path: Path) -> None:
    listed = tmp_path / "list.csv"
    listed.write_text(LISTED, "utf-8")
    templates = {"pier": load_template(make_template(tmp_path / "pier"))}
    roster = Roster.load(listed, templates=("pier",))
    seen: list[tuple[int, int]] = []
    found = check_words(roster, templates, "pier", lambda n, of: seen.append((n, of)))
    told = {f.number: f.sentence for f in found}
    # 2 x 2.5 in has the shape of 8 x 10, not of 5 x 7.
    assert set(told) == {"2", "3", "4"}
    assert "5x7 is ordered" in told["2"]
    assert "2 x 2.5 in" in told["2"]
    assert "\u82b1" in told["3"]
    assert "does not fit" in told["4"]
    assert seen == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_an_order_says_which_templates_a_person_gets(tmp_path: Path) -> None:
    listed = tmp_path / "list.csv"
    listed.write_text("number,name,order\n1,Mira,gate\n2,Jon,\n", "utf-8")
    one, other = Roster.load(listed, templates=("gate", "pier")).people
    assert wanted_templates(one, ("gate", "pier"), None) == ("gate",)
    assert wanted_templates(other, ("gate", "pier"), None) == ("gate", "pier")
