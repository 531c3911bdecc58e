"""The desk in a real browser: which design, where in it, and what is said of both."""

from __future__ import annotations

import time

import pytest

from stream.live.loop import jpeg
from stream.pages.serve import PageServer
from tests.stream.pages.chromium import Tab
from tests.stream.pages.drawn import as_decoded, difference, drawn, picture, wait_drawn
from tests.stream.pages.evening import Evening

pytestmark = pytest.mark.browser


def pick(tab: Tab, name: str) -> None:
    """Choose a template as a person does: the field keeps the focus."""
    tab.run(
        "(() => { const s = document.getElementById('template'); s.focus();"
        f" s.value = '{name}'; s.dispatchEvent(new Event('change')); }})()"
    )


def test_desk_chooses_the_template(tab: Tab, pages: PageServer, evening: Evening) -> None:
    shown = "document.getElementById('template').value"
    why = "document.getElementById('why').textContent"
    tab.go(f"{pages.address}/desk")
    tab.until("document.getElementById('template').options.length === 2")
    assert (tab.run(shown), tab.run(why)) == ("dusk", "the usual one")
    pick(tab, "dawn")
    tab.until(f"{why} === 'chosen by hand'")
    assert evening.now["template"] == "dawn"
    # The next person is named elsewhere while the field still has the focus.
    evening.say(template="dusk", why="ordered")
    tab.until(f"{why} === 'ordered'")
    assert tab.run(shown) == "dusk"
    evening.say(ready=False)
    tab.until(f"{why} === 'ordered, getting ready'")
    evening.broken = "The template 'dawn' cannot be used; look at its template.toml."
    pick(tab, "dawn")
    tab.until("document.getElementById('answer').className === 'trouble'")
    assert tab.run("document.getElementById('answer').textContent") == evening.broken
    assert tab.run(shown) == "dusk"
    evening.say(templates=["dusk"])
    tab.until("document.getElementById('pick').hidden")


def test_desk_moves_the_subject_by_keyboard_too(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    moved = "document.getElementById('moved').textContent"
    tab.go(f"{pages.address}/desk")
    # The words stand in the page before its first state has come.
    tab.until("document.getElementById('designed').disabled")
    assert tab.run(moved) == "As designed"

    def sent(count: int) -> None:
        end = time.monotonic() + 10
        while len(evening.moves) < count:
            assert time.monotonic() < end
            time.sleep(0.02)

    for count, name in enumerate(("Left", "Right", "Up", "Down", "Larger", "Smaller"), 1):
        tab.run(f"document.querySelector('#place [aria-label={name}]').focus()")
        tab.press("Enter", "Enter", "\r")
        sent(count)
    assert evening.moves[:4] == [(-1, 0, 1), (1, 0, 1), (0, -1, 1), (0, 1, 1)]
    larger, smaller = (scale for _, _, scale in evening.moves[4:])
    assert larger == 1.02
    assert larger * smaller == pytest.approx(1.0, abs=1e-12)
    assert evening.now["kept"] == 0  # none of these keys is a grab
    evening.say(moved="3 % to the left, 2 % larger")
    tab.until(f"{moved} === '3 % to the left, 2 % larger'")
    tab.run("document.getElementById('designed').click()")
    tab.until("document.getElementById('designed').disabled")
    assert evening.moves[-1] == (0, 0, 1)


def test_a_page_takes_pictures_of_another_shape(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    for page in ("stage", "desk"):
        tab.go(f"{pages.address}/{page}")
        for size in ((90, 160), (160, 128), (60, 200)):
            data = jpeg(picture(4, size))
            wait_drawn(tab, evening.feed.publish(data, 0.0).number)
            assert difference(drawn(tab), as_decoded(data)) < 2
            top, bottom, left, right, high, wide = tab.run(
                "(() => { const r = document.getElementById('picture').getBoundingClientRect();"
                " return [r.top, r.bottom, r.left, r.right, innerHeight, innerWidth]; })()"
            )
            assert 0 <= left < right <= wide
            assert 0 <= top < bottom <= high  # the whole picture without scrolling


def test_desk_tells_whose_name_is_not_shown_and_which_template(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    shot = {"time": "19:02:11", "who": "Bo Quill", "state": "kept", "notes": []}
    evening.say(
        next=[{**evening.people[1], "no_name": True}],
        shots=[
            {**shot, "id": "0002-a", "template": "dawn"},
            {**shot, "id": "0001-b", "template": "dusk"},
        ],
    )
    tab.go(f"{pages.address}/desk")
    tab.until("document.querySelectorAll('#shots li').length === 2")
    for width in (390, 1280):
        tab.size(width, 800)
        inside = (
            "[...document.querySelectorAll('#shots span')].every(e => e.getBoundingClientRect()"
        )
        assert tab.run(f"{inside}.right <= innerWidth)")
    rows = tab.run("[...document.querySelectorAll('#shots .who')].map(e => e.innerText)")
    assert rows == ["Bo Quill\nin dawn", "Bo Quill"]
    assert "name not shown in pictures" in tab.run("document.getElementById('people').innerText")
