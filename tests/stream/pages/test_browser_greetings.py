"""Greetings on the operator's page, in a real browser: how they stand, and finished ones played."""

from __future__ import annotations

import time
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from stream.live.loop import jpeg
from stream.pages.serve import PageServer
from tests.stream.pages.chromium import PATIENCE_S, Tab
from tests.stream.pages.drawn import picture
from tests.stream.pages.evening import Evening
from tests.stream.pages.test_browser_best import TEXT, opened, recording

pytestmark = pytest.mark.browser
RATE = 48000
DIALOG = "document.getElementById('player').open"
FILM = "document.getElementById('film')"


def make_film(path: Path, size: tuple[int, int], seconds: int = 20) -> Path:
    """A film as the program's own: H.264 and AAC in MP4, (H, W), its index before its pictures."""
    high, wide = size
    with av.open(str(path), "w", options={"movflags": "faststart"}) as out:
        video, sound = out.add_stream("libx264", rate=10), out.add_stream("aac", rate=RATE)
        video.width, video.height, video.pix_fmt = wide, high, "yuv420p"
        video.options = {"preset": "ultrafast"}
        for n in range(10 * seconds):
            shade = np.full((high, wide, 3), 40 + n, np.uint8)
            frame = av.VideoFrame.from_ndarray(shade, "rgb24")
            frame.pts, frame.time_base = n, Fraction(1, 10)
            out.mux(video.encode(frame))
        out.mux(video.encode(None))
        for at in range(0, RATE * seconds, 1024):
            quiet = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
            quiet.sample_rate, quiet.pts, quiet.time_base = RATE, at, Fraction(1, RATE)
            out.mux(sound.encode(quiet))
        out.mux(sound.encode(None))
    return path


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("films")
    made = {
        "wide.mp4": make_film(folder / "wide.mp4", (180, 320)),
        "tall.mp4": make_film(folder / "tall.mp4", (320, 180)),
    }
    for name in ("wide.jpg", "tall.jpg", "view.jpg"):
        made[name] = folder / name
        made[name].write_bytes(jpeg(picture(len(made))))
    return made


def take(number: int, **more: Any) -> dict[str, Any]:
    return {
        "id": f"t{number:04d}-aaaaaa",
        "time": "19:05:00",
        "who": "<i>Bo</i>",
        "template": "dusk",
        "length_s": 12.4,
        "state": "done",
        "share": None,
        "expected": "",
        "ahead": 0,
        "why": "",
        "notes": [],
        "films": ["1-Bo-wide.mp4"],
        "shapes": ["wide"],
        "making": 1,
    } | more


def coming(number: int, **more: Any) -> dict[str, Any]:
    return take(number, state="queued", films=[], shapes=[]) | more


def click(tab: Tab, element: str) -> None:
    """A click with the mouse in the middle of an element, as a person's: films may sound then."""
    x, y = tab.run(
        f"(r => [r.x + r.width / 2, r.y + r.height / 2])({element}.getBoundingClientRect())"
    )
    for kind in ("mousePressed", "mouseReleased"):
        tab.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)


def play(tab: Tab) -> None:
    click(tab, "document.querySelector('button.poster')")
    tab.until(f"{DIALOG} && {FILM}.currentTime > 0.2 && !{FILM}.paused")


def test_greetings_that_are_coming_say_when(tab: Tab, pages: PageServer, evening: Evening) -> None:
    opened(tab, pages)
    tab.until("document.querySelector('#takes .none')?.textContent.startsWith('Each greeting')")
    assert tab.run("document.getElementById('coming').hidden")
    wait = "about 12 minutes, after 1 other"
    evening.say(
        takes=[
            coming(3, ahead=1, expected=wait, notes=["cut off"]),
            coming(2, state="working", share=0.419, expected="about 6 minutes"),
            take(1, state="failed", why="the disk is full", shapes=[]),
        ]
    )
    tab.until("document.querySelectorAll('#coming li').length === 2")
    said = tab.run("[...document.querySelectorAll('#coming .what')].map(e => e.textContent)")
    # The one that is made next comes first; what was cut off says so.
    assert said == ["being made, 41 %: about 6 minutes", f"waiting: {wait}; cut off"]
    who = tab.run("[...document.querySelectorAll('#coming .who')].map(e => e.textContent)")
    assert who == ["<i>Bo</i>, 12 s"] * 2
    assert tab.run("document.querySelector('#greetings i') === null")
    assert tab.run("document.querySelector('#takes .what').textContent") == "the disk is full"


@pytest.mark.parametrize("width", [1280, 390])
def test_finished_ones_are_in_sight_and_large_enough(
    tab: Tab, pages: PageServer, evening: Evening, films: dict[str, Path], width: int
) -> None:
    evening.films = films
    line = [coming(n, ahead=n, expected="about 20 minutes") for n in range(9, 2, -1)]
    evening.say(takes=[*line, take(2), take(1)], next=[evening.people[0]])
    tab.size(width, 800)
    opened(tab, pages)
    tab.until("document.querySelectorAll('button.poster img').length === 2")
    tab.until("document.querySelector('button.poster img').naturalWidth > 0")
    box = "document.querySelector('button.poster').getBoundingClientRect()"
    left, right, bottom, high = tab.run(f"(r => [r.left, r.right, r.bottom, r.height])({box})")
    assert 0 <= left < right <= width
    # WCAG 2.2, success criterion 2.5.5 (target size, enhanced): at least 44 by 44 CSS pixels
    assert high >= 44
    if width == 1280:
        assert bottom <= 800, "an operator with a line waiting does not scroll"
    # However many wait, shots stay where they are, and nothing scrolls in two directions.
    assert tab.run("document.getElementById('coming').getBoundingClientRect().height") < 160
    assert tab.run("document.documentElement.scrollWidth <= innerWidth")


def test_a_greeting_is_played_and_keys_are_its_own(
    tab: Tab, pages: PageServer, evening: Evening, films: dict[str, Path]
) -> None:
    evening.films = films
    evening.say(takes=[take(1, shapes=["wide", "tall"], notes=["nobody was found"])])
    opened(tab, pages)
    tab.until("document.querySelector('button.poster img')?.naturalWidth > 0")
    play(tab)
    assert tab.run(f"[{FILM}.videoWidth, {FILM}.videoHeight, {FILM}.controls]") == [320, 180, True]
    assert tab.run(TEXT.format("playertitle")) == "Greeting t0001, <i>Bo</i>, 12 s"
    assert tab.run(TEXT.format("playernotes")) == "nobody was found"
    # Its address names nobody: it stands in what a browser remembers.
    address = tab.run(f"{FILM}.currentSrc").removeprefix(pages.address)
    assert address.startswith("/greeting/t0001-aaaaaa/wide.mp4?")
    assert "Bo" not in address
    # It can be wound on, which asks for a part of the file.
    tab.run(f"{FILM}.currentTime = 15; 0")
    tab.until(f"{FILM}.currentTime > 15.1")
    tab.press("t", "KeyT", "t")
    tab.press(" ", "Space", " ")
    tab.until(f"{FILM}.paused && {FILM}.videoHeight === 180")
    click(tab, "document.getElementById('playershape')")
    tab.until(f"{FILM}.videoHeight === 320 && {FILM}.currentTime > 0.1")
    assert tab.run("document.documentElement.scrollWidth <= innerWidth")
    # What comes meanwhile builds other rows anew and leaves the film alone.
    evening.say(takes=[coming(2, expected="about 6 minutes"), *evening.now["takes"]])
    tab.until("document.querySelectorAll('#coming li').length === 1")
    assert tab.run(f"{DIALOG} && {FILM}.currentTime > 0")
    for kind in ("keyDown", "keyUp"):  # with the number that the browser itself heeds
        escape = {"key": "Escape", "code": "Escape", "windowsVirtualKeyCode": 27}
        tab.call("Input.dispatchKeyEvent", type=kind, **escape)
    tab.until(f"!{DIALOG} && {FILM}.paused && !{FILM}.hasAttribute('src')")
    assert [what for what, _ in evening.asked if what in ("grab", "start")] == []
    tab.run("document.activeElement.blur()")
    tab.press(" ", "Space", " ")
    tab.until("document.querySelectorAll('#shots .number').length === 1")


def test_nothing_sounds_into_a_recording(
    tab: Tab, pages: PageServer, evening: Evening, films: dict[str, Path]
) -> None:
    evening.films = films
    evening.say(takes=[take(1)])
    opened(tab, pages)
    tab.until("document.querySelector('button.poster img')?.naturalWidth > 0")
    play(tab)
    evening.say(take=recording())
    tab.until(f"!{DIALOG} && {FILM}.paused")


def test_a_greeting_that_is_gone_is_said(
    tab: Tab, pages: PageServer, evening: Evening, films: dict[str, Path]
) -> None:
    evening.films = {"wide.jpg": films["wide.jpg"]}
    evening.say(takes=[take(1)])
    opened(tab, pages)
    tab.until("document.querySelector('button.poster')")
    click(tab, "document.querySelector('button.poster')")
    tab.until(f"{TEXT.format('playertrouble')}.includes('posewall greet t0001')")
    click(tab, "document.getElementById('playerclose')")
    tab.until(f"!{DIALOG}")


def test_a_picture_stays_while_its_words_change(
    tab: Tab, pages: PageServer, evening: Evening, films: dict[str, Path]
) -> None:
    evening.films = films
    evening.say(takes=[take(1)])
    opened(tab, pages)
    tab.until("document.querySelector('#takes img')?.naturalWidth > 0")
    tab.run("window.before = document.querySelector('#takes img'); 0")
    evening.say(takes=[take(1, notes=["nobody was found"])])
    tab.until("document.querySelector('#takes .what').textContent.includes('nobody')")
    assert tab.run("document.querySelector('#takes img') === window.before")
    # Made once more, it is another picture.
    evening.say(takes=[take(1, making=2)])
    tab.until("document.querySelector('#takes img') !== window.before")


def test_a_picture_that_could_not_be_loaded_is_asked_for_again(
    tab: Tab, pages: PageServer, evening: Evening, films: dict[str, Path]
) -> None:
    shown = "document.querySelector('#takes img')"
    evening.say(takes=[take(1)])
    opened(tab, pages)
    tab.until(f"{shown}?.hidden")
    evening.films = films
    end = time.monotonic() + PATIENCE_S
    states = 0
    while not tab.run(f"{shown}.naturalWidth > 0 && !{shown}.hidden"):
        assert time.monotonic() < end
        states += 1
        evening.say(pictures=states)
        time.sleep(0.1)
    # With a state that comes, and not by itself all the time.
    assert [what for what, _ in evening.asked].count("greeting") <= 1 + states


def test_the_events_own_length_is_chosen_until_somebody_chooses(
    tab: Tab, pages: PageServer, evening: Evening
) -> None:
    chosen = "document.getElementById('longest').value"
    idle = {"state": "none", "sound": "", "longest_s": 25.0}
    evening.say(take=idle)
    opened(tab, pages)
    tab.until(f"{chosen} === '25'")
    evening.say(take=idle | {"longest_s": 30.0})
    tab.until(f"{chosen} === '30'")
    tab.run("document.getElementById('longest').value = '60'")
    evening.say(take=idle | {"longest_s": 15.0})
    tab.until("document.getElementById('longest').dataset.usual === '15'")
    assert tab.run(chosen) == "60"
