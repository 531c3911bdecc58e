"""The pages in a real browser: what is drawn, what is said, what is refused."""

from __future__ import annotations

import time

import pytest

from stream.live.loop import jpeg
from stream.pages.serve import PageServer
from tests.stream.pages.chromium import Tab
from tests.stream.pages.drawn import as_decoded, difference, drawn, picture, wait_drawn
from tests.stream.pages.evening import Evening

pytestmark = pytest.mark.browser


def test_stage_shows_what_was_sent_and_moves(tab: Tab, pages: PageServer, evening: Evening) -> None:
    tab.go(f"{pages.address}/stage")
    seen = []
    for seed in range(3):
        data = jpeg(picture(seed))
        view = evening.feed.publish(data, 0.0)
        wait_drawn(tab, view.number)
        now = drawn(tab)
        # libjpeg's decoder in OpenCV is the reference; a browser's may round chroma otherwise
        assert difference(now, as_decoded(data)) < 2
        seen.append(now)
    assert difference(seen[0], seen[1]) > 10
    assert difference(seen[1], seen[2]) > 10


def test_mirror_is_the_choice_of_the_stage(tab: Tab, pages: PageServer, evening: Evening) -> None:
    data = jpeg(picture(5))
    tab.go(f"{pages.address}/stage?mirror=1")
    wait_drawn(tab, evening.feed.publish(data, 0.0).number)
    assert difference(drawn(tab), as_decoded(data)[:, ::-1]) < 2
    tab.press("m", "KeyM", "m")
    wait_drawn(tab, evening.feed.publish(data, 0.0).number)
    assert difference(drawn(tab), as_decoded(data)) < 2
    evening.say(mirror=True)
    tab.go(f"{pages.address}/stage")
    tab.until("document.getElementById('mirror').ariaPressed === 'true'")
    wait_drawn(tab, evening.feed.publish(data, 0.0).number)
    assert difference(drawn(tab), as_decoded(data)[:, ::-1]) < 2
    tab.go(f"{pages.address}/desk")  # the operator sees what will be printed
    wait_drawn(tab, evening.feed.publish(data, 0.0).number)
    assert difference(drawn(tab), as_decoded(data)) < 2


def test_a_fast_loop_does_not_flood_a_slow_page(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    tab.go(f"{pages.address}/stage")
    first = evening.feed.publish(jpeg(picture(0)), 0.0)
    wait_drawn(tab, first.number)
    seen: list[int] = []
    evening.feed.on_drawn = lambda view: seen.append(view.number)
    large = jpeg(picture(1, (1440, 2560)))
    for _ in range(300):
        last = evening.feed.publish(large, 0.0)
    wait_drawn(tab, last.number)
    assert len(seen) < 150  # most were passed over, the newest was shown
    assert seen == sorted(seen)
    evening.feed.on_drawn = None


def test_stage_tells_the_subject_little(tab: Tab, pages: PageServer, evening: Evening) -> None:
    note = "document.getElementById('note')"
    tab.go(f"{pages.address}/stage")
    tab.until(f"!{note}.classList.contains('shown')")
    evening.say(kept=1)
    tab.until(f"{note}.classList.contains('shown') && {note}.textContent === 'Kept'")
    evening.say(source={"state": "silent", "sentence": "Camera: silent for 4 s"})
    tab.until(f"{note}.textContent.includes('camera is away')")
    assert tab.run("document.body.classList.contains('away')")
    evening.say(source={"state": "live", "sentence": ""})
    tab.until("!document.body.classList.contains('away')")
    evening.say(count_s=3.0)
    tab.until("document.getElementById('count').classList.contains('shown')")
    assert tab.run("document.getElementById('count').textContent") == "3"


def test_stage_keys_grab(tab: Tab, pages: PageServer, evening: Evening) -> None:
    tab.go(f"{pages.address}/stage")
    tab.until("!document.getElementById('note').classList.contains('shown')")
    tab.press(" ", "Space", " ")
    tab.press("PageDown", "PageDown")
    end = time.monotonic() + 10
    while evening.now["kept"] < 2:
        assert time.monotonic() < end
        time.sleep(0.02)


def test_desk_grabs_and_says_when_it_cannot(tab: Tab, pages: PageServer, evening: Evening) -> None:
    tab.go(f"{pages.address}/desk")
    tab.until("document.getElementById('event').textContent.includes('Lantern')")
    tab.run("document.getElementById('grab').click()")
    tab.until("document.getElementById('answer').textContent === 'Kept 0001-aaaaaa'")
    tab.until("document.querySelector('#shots .what').textContent === 'kept'")
    evening.full = True
    tab.run("document.getElementById('grab').click()")
    tab.until("document.getElementById('answer').textContent.startsWith('The disk is full')")
    assert evening.now["kept"] == 1


def test_space_grabs_after_a_plate_and_after_a_click(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    tab.go(f"{pages.address}/desk")
    tab.until("document.getElementById('event').textContent.includes('Lantern')")
    tab.run("document.getElementById('plate').focus()")
    tab.press(" ", "Space", " ")
    tab.until("!document.getElementById('plateask').hidden")
    tab.press(" ", "Space", " ")
    tab.until("document.getElementById('answer').textContent === 'Clean plate kept'")
    tab.press(" ", "Space", " ")
    tab.until("document.getElementById('answer').textContent === 'Kept 0001-aaaaaa'")
    assert tab.run("document.getElementById('plateask').hidden")

    def answered(kept: int) -> None:
        tab.until(f"document.getElementById('answer').textContent === 'Kept 000{kept}-aaaaaa'")

    tab.click("plate")
    tab.click("plateno")
    tab.press(" ", "Space", " ")
    answered(2)
    for kept, button in ((3, "grab3"), (5, "grab")):
        tab.click(button)
        answered(kept)
        tab.press(" ", "Space", " ")
        answered(kept + 1)


def test_desk_says_when_the_source_is_silent(tab: Tab, pages: PageServer, evening: Evening) -> None:
    tab.go(f"{pages.address}/desk")
    tab.until("document.getElementById('source').className === 'live'")
    evening.say(
        source={"state": "silent", "sentence": "Camera: silent for 4 s"}, troubles=["Plate is old"]
    )
    tab.until("document.getElementById('source').className === 'trouble'")
    assert tab.run("document.getElementById('sourcewords').textContent") == "Camera: silent for 4 s"
    assert tab.run("document.getElementById('troubles').textContent") == "Plate is old"
    pages.stop()
    tab.until("document.getElementById('sourcewords').textContent.includes('does not answer')")


def test_desk_sets_who_is_next(tab: Tab, pages: PageServer, evening: Evening) -> None:
    tab.go(f"{pages.address}/desk")
    tab.until("document.getElementById('people').children.length === 1")
    tab.run("document.getElementById('find').focus()")
    tab.call("Input.insertText", text="quill")
    tab.until("document.getElementById('found').children.length === 2")
    tab.press("Enter", "Enter", "\r")
    tab.until("document.querySelector('#people .name')")
    assert [p["number"] for p in evening.now["next"]] == ["7"]
    tab.press(" ", "Space", " ")  # the press that follows a name is a grab
    tab.until("document.querySelector('#shots .what')?.textContent === 'kept'")
    assert evening.now["kept"] == 1
    tab.run("document.getElementById('find').focus()")
    tab.call("Input.insertText", text="quill")
    tab.until("document.getElementById('found').children.length === 2")
    tab.run("document.querySelectorAll('#found .also')[1].click()")
    tab.until("document.querySelectorAll('#people .name').length === 2")
    tab.run("document.querySelector('#people button').click()")
    tab.until("document.querySelectorAll('#people .name').length === 1")
    assert [p["number"] for p in evening.now["next"]] == ["8"]
    # a name is text wherever it is shown, never markup
    assert tab.run("document.querySelector('#people b, #found b, h1 i')") is None


def test_nothing_comes_from_elsewhere_and_no_policy_is_broken(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    tab.call("Log.enable")
    for page in ("stage", "desk"):
        tab.go(f"{pages.address}/{page}")
        wait_drawn(tab, evening.feed.publish(jpeg(picture(1)), 0.0).number)
        names = tab.run("performance.getEntriesByType('resource').map(e => e.name)")
        assert names
        assert all(n.startswith(f"{pages.address}/static/") for n in names)


@pytest.mark.parametrize("page", ["stage", "desk"])
@pytest.mark.parametrize("width", [390, 1280])
def test_controls_are_named_and_large(
    tab: Tab, pages: PageServer, evening: Evening, page: str, width: int
) -> None:
    tab.size(width, 800)
    tab.go(f"{pages.address}/{page}")
    evening.set_next(["7"])
    if page == "desk":
        tab.until("document.querySelector('#people .name')")
    nodes = tab.call("Accessibility.getFullAXTree")["nodes"]
    roles = {"button", "searchbox", "combobox", "textbox", "image"}
    controls = [n for n in nodes if n.get("role", {}).get("value") in roles]
    assert len(controls) >= 3
    assert all(n["name"]["value"].strip() for n in controls)
    # WCAG 2.2, success criterion 2.5.5 (target size, enhanced): at least 44 by 44 CSS pixels
    sizes = tab.run(
        "[...document.querySelectorAll('button, input, select')]"
        ".map(e => e.getBoundingClientRect())"
        ".filter(r => r.width > 0).map(r => [r.width, r.height])"
    )
    assert all(w >= 44 and h >= 44 for w, h in sizes)
    # WCAG 2.2, success criterion 1.4.10 (reflow): no scrolling in two directions
    assert tab.run("document.documentElement.scrollWidth <= innerWidth")


def test_reduced_motion_is_respected(tab: Tab, pages: PageServer) -> None:
    tab.call(
        "Emulation.setEmulatedMedia",
        features=[{"name": "prefers-reduced-motion", "value": "reduce"}],
    )
    tab.go(f"{pages.address}/stage")
    for part in ("picture", "note", "count", "ready", "mark", "rest"):
        style = f"getComputedStyle(document.getElementById('{part}')).transitionDuration"
        assert tab.run(style) == "0s"
