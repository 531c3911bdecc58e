"""The pages in a real browser: what is drawn, what is said, what is refused."""

from __future__ import annotations

import base64
import time
from collections.abc import Iterator
from concurrent.futures import Future
from typing import Any

import cv2
import numpy as np
import pytest

from stream.errors import UserError
from stream.live.loop import jpeg
from stream.pages.feed import Feed
from stream.pages.serve import PageServer
from tests.stream.pages.chromium import Chromium, Tab

pytestmark = pytest.mark.browser

Picture = np.ndarray[Any, np.dtype[np.uint8]]


class Evening:
    """Controls over a state that the test sets; tests/stream/live tries the real ones."""

    def __init__(self, feed: Feed) -> None:
        self.feed = feed
        self.people = [
            {"number": "7", "name": "Ada <b>Quill</b>", "group": "Owls"},
            {"number": "8", "name": "Bo Quill", "group": "Owls"},
        ]
        self.now: dict[str, Any] = {
            "event": "Lantern <i>evening</i>",
            "source": {"state": "live", "sentence": "Camera: live"},
            "line": "in 30.0 fps, out 29.8 fps",
            "pictures": 1,
            "mirror": False,
            "next": [],
            "template": "dusk",
            "why": "usual",
            "templates": ["dawn", "dusk"],
            "moved": None,
            "roster": True,
            "plate": {"state": "none", "sentence": "none: keyed from the picture alone"},
            "shots": [],
            "kept": 0,
            "count_s": None,
            "stills": None,
            "troubles": [],
        }
        self.full = False
        self.moves: list[tuple[float, float, float]] = []

    def say(self, **changes: Any) -> None:
        self.now = self.now | changes
        self.feed.say(self.now)

    def state(self) -> dict[str, Any]:
        return self.now

    def grab(self, age_s: float, after_s: float = 0.0) -> Future[dict[str, Any]]:
        future: Future[dict[str, Any]] = Future()
        if self.full:
            future.set_exception(UserError("The disk is full; make room and press again."))
        else:
            kept = self.now["kept"] + 1
            shot = {"id": f"{kept:04d}-aaaaaa", "time": "19:02:11", "who": "", "state": "kept"}
            self.say(kept=kept, shots=[shot, *self.now["shots"]])
            future.set_result({"shot": shot["id"], "sentence": f"Kept {shot['id']}"})
        return future

    def plate(self, age_s: float) -> Future[dict[str, Any]]:
        future: Future[dict[str, Any]] = Future()
        future.set_result({"plate": "1", "sentence": "Clean plate kept"})
        return future

    def drop_plate(self) -> dict[str, Any]:
        return {"sentence": "No clean plate in use"}

    def show_in(self, template: str) -> dict[str, Any]:
        self.say(template=template, why="chosen")
        return {"sentence": f"In {template}"}

    def move(self, right: float, down: float, scale: float) -> dict[str, Any]:
        back = (right, down, scale) == (0, 0, 1)
        self.moves.append((right, down, scale))
        self.say(moved=None if back else {"right": right, "down": down, "scale": scale})
        return {"sentence": "As designed" if back else "Moved"}

    def set_next(self, people: list[str], template: str | None = None) -> dict[str, Any]:
        self.say(next=[p for p in self.people if p["number"] in people])
        return {"people": people, "sentence": "Next"}

    def find(self, words: str) -> list[dict[str, Any]]:
        return [p for p in self.people if words.lower() in p["name"].lower()]


@pytest.fixture(scope="module")
def chromium() -> Iterator[Chromium]:
    with Chromium() as browser:
        yield browser


@pytest.fixture
def evening() -> Evening:
    return Evening(Feed())


@pytest.fixture
def pages(evening: Evening) -> Iterator[PageServer]:
    with PageServer(evening, evening.feed, token="t", port=0) as server:
        evening.say()
        yield server


@pytest.fixture
def tab(chromium: Chromium) -> Iterator[Tab]:
    tab = chromium.tab()
    tab.size(1280, 800)
    yield tab
    tab.call("Page.close")


def picture(seed: int, size: tuple[int, int] = (90, 160)) -> Picture:
    """A smooth picture that is not its own mirror image."""
    small = np.random.default_rng(seed).integers(0, 256, (3, 4, 3), dtype=np.uint8)
    large = cv2.resize(small, (size[1], size[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(large, np.uint8)


def drawn(tab: Tab) -> Picture:
    """The pixels of the page's canvas."""
    high, wide, data = tab.run(
        "(() => { const c = document.getElementById('picture');"
        " const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;"
        " const t = Array.from(d, b => String.fromCharCode(b)).join('');"
        " return [c.height, c.width, btoa(t)]; })()"
    )
    rgba = np.frombuffer(base64.b64decode(data), np.uint8).reshape(high, wide, 4)
    return rgba[..., :3]


def wait_drawn(tab: Tab, number: int) -> None:
    tab.until(f"document.getElementById('picture').dataset.number === '{number}'")


def as_decoded(data: bytes) -> Picture:
    decoded = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    assert decoded is not None
    return np.asarray(decoded[..., ::-1], np.uint8)


def difference(a: Picture, b: Picture) -> float:
    return float(np.abs(a.astype(int) - b.astype(int)).mean())


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


def test_desk_chooses_the_template_and_moves_the_subject(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    tab.go(f"{pages.address}/desk")
    tab.until("document.getElementById('template').options.length === 2")
    assert tab.run("document.getElementById('template').value") == "dusk"
    assert tab.run("document.getElementById('why').textContent") == "the usual one"
    tab.run(
        "(() => { const s = document.getElementById('template'); s.value = 'dawn';"
        " s.dispatchEvent(new Event('change')); })()"
    )
    tab.until("document.getElementById('why').textContent === 'chosen here'")
    assert evening.now["template"] == "dawn"
    assert tab.run("document.getElementById('designed').disabled") is True
    tab.run("document.querySelector('#place [data-down=\"-1\"]').click()")
    tab.until("document.getElementById('designed').textContent.includes('-1 % down')")
    tab.run("document.querySelector('#place [data-scale=\"1.02\"]').click()")
    tab.until("document.getElementById('designed').textContent.includes('102 % large')")
    tab.run("document.getElementById('designed').click()")
    tab.until("document.getElementById('designed').disabled")
    assert evening.moves == [(0, -1, 1), (0, 0, 1.02), (0, 0, 1)]


def test_desk_sets_who_is_next(tab: Tab, pages: PageServer, evening: Evening) -> None:
    tab.go(f"{pages.address}/desk")
    tab.until("document.getElementById('people').children.length === 1")
    tab.run("document.getElementById('find').focus()")
    tab.call("Input.insertText", text="quill")
    tab.until("document.getElementById('found').children.length === 2")
    tab.press("Enter", "Enter", "\r")
    tab.until("document.querySelector('#people .name')")
    assert [p["number"] for p in evening.now["next"]] == ["7"]
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
        "[...document.querySelectorAll('button, input')].map(e => e.getBoundingClientRect())"
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
    for part in ("picture", "note", "count"):
        style = f"getComputedStyle(document.getElementById('{part}')).transitionDuration"
        assert tab.run(style) == "0s"
