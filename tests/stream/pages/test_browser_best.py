"""Best frames and greetings on the pages, in a real browser."""

from __future__ import annotations

import base64
import time
from collections.abc import Callable
from typing import Any

import pytest

from stream.live.loop import jpeg
from stream.pages.serve import PageServer
from tests.stream.pages.chromium import PATIENCE_S, Tab
from tests.stream.pages.drawn import picture
from tests.stream.pages.evening import Evening

pytestmark = pytest.mark.browser
TEXT = "document.getElementById('{}').textContent"


def view(seed: int) -> str:
    return f"data:image/jpeg;base64,{base64.b64encode(jpeg(picture(seed))).decode()}"


def shot(number: int, **more: Any) -> dict[str, Any]:
    return {
        "id": f"{number:04d}-aaaaaa",
        "time": "19:02:11",
        "who": "Ada <b>Quill</b>",
        "template": "dusk",
        "state": "kept",
        "notes": [],
        "place": None,
        "frames": 0,
    } | more


def beside(evening: Evening, shot_id: str, count: int = 3) -> None:
    frames = [
        {"place": n, "in_use": n == 1, "words": f"{n / 10} s before: reason {n}", "view": view(n)}
        for n in range(1, count + 1)
    ]
    evening.beside_shots[shot_id] = {"shot": shot_id, "frames": frames, "looked_at": 24}


def until(check: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not check():
        assert time.monotonic() < end
        time.sleep(0.02)


def opened(tab: Tab, pages: PageServer) -> None:
    tab.go(f"{pages.address}/desk")
    tab.until(f"{TEXT.format('event')}.includes('Lantern')")


def test_the_best_is_asked_for_by_button_and_key(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    opened(tab, pages)
    tab.click("best")
    until(lambda: ("best", 0.0) in evening.asked)
    tab.press("b", "KeyB", "b")
    until(lambda: evening.asked.count(("best", 0.0)) == 2)
    # With a tethered camera there are no last seconds.
    evening.say(stills={"waiting": 0, "unpressed": 0})
    tab.until("document.getElementById('best').hidden")
    tab.press("b", "KeyB", "b")
    tab.press(" ", "Space", " ")
    until(lambda: ("grab", None) in evening.asked)
    assert evening.asked.count(("best", 0.0)) == 2


def test_frames_lie_beside_the_newest_shot_and_a_click_takes_one(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    beside(evening, "0002-aaaaaa")
    beside(evening, "0001-aaaaaa")
    evening.say(shots=[shot(2, state="choosing", looked_at=[4, 24]), shot(1, place=1, frames=3)])
    opened(tab, pages)
    what = "document.querySelector('#shots .what')?.textContent"
    tab.until(f"{what}?.includes('being chosen (4 of 24 looked at)')")
    evening.say(shots=[shot(2, place=1, frames=3), shot(1, place=1, frames=3)])
    tab.until("document.querySelectorAll('#shots li:first-child .frame img').length === 3")
    tab.until("[...document.querySelectorAll('.frame img')].every(i => i.naturalWidth > 0)")
    assert not tab.run("document.querySelector('#shots li:last-child .strip') !== null")
    words = tab.run("document.querySelector('.frame .reasons').textContent")
    assert words == "0.1 s before: reason 1"
    # WCAG 2.2, success criterion 2.5.5 (target size, enhanced): 44 by 44 at least
    size = "[...document.querySelectorAll('.frame, .more')].map(b => b.getBoundingClientRect())"
    assert tab.run(f"{size}.every(r => r.width >= 44 && r.height >= 44)")
    tab.run("document.querySelectorAll('.frame')[2].click()")
    until(lambda: ("use", ("0002-aaaaaa", 3)) in evening.asked)
    tab.until(f"{TEXT.format('answer')}.includes('is made of its frame 3')")
    tab.until("document.querySelectorAll('.frame')[2]?.ariaPressed === 'true'")
    assert tab.run("document.querySelectorAll('.frame.used').length") == 1
    tab.run("document.querySelectorAll('.frame')[2].click()")  # it is in use already
    # Those of an earlier shot only when they are asked for; names never become markup.
    tab.run("document.querySelector('#shots li:last-child .more').click()")
    tab.until("document.querySelectorAll('#shots li:last-child .frame img').length === 3")
    tab.run("document.querySelector('#shots li:first-child .more').click()")
    tab.until("document.querySelector('#shots li:first-child .strip') === null")
    assert tab.run("document.querySelector('#shots b') === null")
    assert [a for a in evening.asked if a[0] == "use"] == [("use", ("0002-aaaaaa", 3))]


def test_a_change_elsewhere_leaves_the_focus_on_a_frame(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    beside(evening, "0001-aaaaaa")
    evening.say(shots=[shot(1, place=1, frames=3)])
    opened(tab, pages)
    tab.until("document.querySelectorAll('.frame').length === 3")
    tab.run("document.querySelectorAll('.frame')[1].focus()")
    evening.say(shots=[shot(2), shot(1, place=1, frames=3)])
    tab.until("document.querySelectorAll('#shots .number').length === 2")
    assert tab.run("document.activeElement === document.querySelectorAll('.frame')[1]")


def recording(**more: Any) -> dict[str, Any]:
    return {
        "state": "recording",
        "id": "t0001-aaaaaa",
        "elapsed_s": 13.0,
        "left_s": 47.0,
        "most_s": 60.0,
        "sound": "microphone of the hall",
        "trouble": None,
    } | more


def test_a_greeting_is_recorded_from_the_desk(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    opened(tab, pages)
    words, note = TEXT.format("takewords"), TEXT.format("takenote")
    tab.until(f"{words} === 'Record a greeting'")
    assert "microphone of the hall" in tab.run(note)
    tab.run("document.getElementById('count').value = '5'")
    tab.run("document.getElementById('before').value = '2'")
    tab.click("take")
    until(lambda: ("start", (5.0, 20.0, 2.0)) in evening.asked)
    evening.say(take={"state": "counting", "count_s": 4.2, "most_s": 60, "sound": ""})
    tab.until(f"{words}.startsWith('Do not record (')")
    assert tab.run("document.getElementById('longest').disabled")
    evening.say(take=recording())
    tab.until(f"/Stop \\(0:4[5-7] left\\)/.test({words})")
    assert tab.run("document.getElementById('takebox').className") == "recording"
    tab.press("t", "KeyT", "t")
    until(lambda: evening.asked[-1] == ("stop", None))
    tab.until(f"{TEXT.format('answer')}.startsWith('Kept take')")
    evening.say(take=recording(state="keeping"))
    tab.until("document.getElementById('take').disabled")
    evening.say(take=recording(trouble="The microphone was unplugged."))
    tab.until(f"{note} === 'The microphone was unplugged.'")


def test_what_refuses_is_said(tab: Tab, pages: PageServer, evening: Evening) -> None:
    evening.broken = "The camera shows nothing yet; start again in a moment."
    opened(tab, pages)
    tab.press("t", "KeyT", "t")
    tab.until(f"{TEXT.format('answer')} === {evening.broken!r}")


def heights(tab: Tab, name: str) -> float:
    """The size of an element's letters, as a share of the screen's lesser side."""
    style = f"getComputedStyle(document.getElementById('{name}')).fontSize"
    return float(tab.run(f"parseFloat({style}) / Math.min(innerWidth, innerHeight)"))


def shown(name: str) -> str:
    return f"getComputedStyle(document.getElementById('{name}')).opacity === '1'"


@pytest.mark.parametrize("size", [(1920, 1080), (1080, 1920), (1024, 768)])
def test_the_stage_counts_marks_and_thanks(
    tab: Tab, pages: PageServer, evening: Evening, size: tuple[int, int]
) -> None:
    tab.size(*size)
    tab.go(f"{pages.address}/stage")
    evening.say(take={"state": "counting", "count_s": 2.9, "most_s": 60.0})
    tab.until(shown("ready"))
    assert tab.run(TEXT.format("ready")) in ("3", "2")
    assert not tab.run(shown("mark"))
    # ISO 9241-303 (from memory): letters of 22 minutes of arc, 19 mm at 3 m; the screen of a
    # laptop is some 190 mm high, a monitor 300 mm. The count is far larger than that.
    assert heights(tab, "ready") >= 0.2
    assert heights(tab, "mark") >= 0.065
    evening.say(take=recording())
    tab.until(f"{shown('mark')} && document.body.classList.contains('recording')")
    tab.until(f"/^0:4[5-7]$/.test({TEXT.format('left')})")
    assert "Recording" in tab.run(TEXT.format("mark"))
    tab.until("!document.getElementById('ready').classList.contains('shown')")
    inside = "(r => r.left >= 0 && r.right <= innerWidth && r.bottom <= innerHeight)"
    for name in ("mark", "ready"):
        assert tab.run(f"{inside}(document.getElementById('{name}').getBoundingClientRect())")
    share = "document.getElementById('rest').firstElementChild.getBoundingClientRect().width"
    assert tab.run(f"{share} / innerWidth") == pytest.approx(47 / 60, abs=0.1)
    evening.say(take=recording(elapsed_s=57.0, left_s=3.0))
    tab.until("document.getElementById('ready').classList.contains('shown')")
    evening.say(take={"state": "none"})
    tab.until(f"{TEXT.format('note')} === 'Thank you, it is recorded'")
    assert not tab.run("document.body.classList.contains('recording')")


def test_the_stage_starts_and_stops_by_key(tab: Tab, pages: PageServer, evening: Evening) -> None:
    tab.go(f"{pages.address}/stage")
    tab.until("!document.getElementById('note').classList.contains('shown')")
    tab.press("t", "KeyT", "t")
    until(lambda: ("start", (3.0, None, 0.0)) in evening.asked)
    evening.say(take=recording())
    tab.until("document.body.classList.contains('recording')")
    tab.press("t", "KeyT", "t")
    until(lambda: ("stop", None) in evening.asked)
    tab.press("b", "KeyB", "b")
    until(lambda: ("best", 0.0) in evening.asked)


def test_nothing_goes_on_recording_when_the_program_is_gone(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    for page, runs in (
        ("stage", "document.body.classList.contains('recording')"),
        ("desk", f"{TEXT.format('takewords')}.startsWith('Stop')"),
    ):
        with PageServer(evening, evening.feed, token="t", port=0) as dying:
            tab.go(f"{dying.address}/{page}")
            evening.say(take=recording())
            tab.until(runs)
        tab.until(f"!({runs})")
        if page == "stage":
            assert not tab.run(f"{TEXT.format('note')}.startsWith('Thank you')")
