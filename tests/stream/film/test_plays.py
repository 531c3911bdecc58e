"""A film in a browser: it plays to its end, and picture and sound come when they should."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from stream.film.mux import mux
from stream.sound.mixing import make_sound
from tests.stream.film.marked import beeps, pieces, write_sound
from tests.stream.pages.chromium import Chromium, Tab

pytestmark = pytest.mark.browser
NTSC = Fraction(30_000, 1001)
COUNT = 75
TIMES = [n / float(NTSC) for n in (15, 30, 45, 60)]


@pytest.fixture
def tab() -> Iterator[Tab]:
    with Chromium() as browser:
        yield browser.tab()


@pytest.fixture
def film(tmp_path: Path) -> Path:
    """2.5 s with a flash and a beep every half second, its pictures reordered."""
    at = {round(t * NTSC) for t in TIMES}
    parts = pieces(
        tmp_path,
        [n in at for n in range(COUNT)],
        NTSC,
        30,
        {"preset": "veryfast", "bf": "3"},
    )
    take = write_sound(tmp_path / "t.mkv", beeps(TIMES, 44_100, 3.0), 44_100)
    length_s = COUNT / float(NTSC)
    make_sound(take, 0.0, 3.0, 0.0, None, length_s, tmp_path / "s.flac")
    mux(parts, tmp_path / "s.flac", tmp_path / "film.mp4", NTSC)
    (tmp_path / "page.html").write_text("<!doctype html><video id=v></video>", "utf-8")
    return tmp_path / "film.mp4"


def by_hand(tab: Tab, script: str) -> Any:
    """The value of a script that runs as if somebody had clicked, so that sound may play."""
    done = tab.call(
        "Runtime.evaluate",
        expression=script,
        returnByValue=True,
        awaitPromise=True,
        userGesture=True,
    )
    assert "exceptionDetails" not in done, done["exceptionDetails"]
    return done["result"].get("value")


def test_it_plays_to_its_end(tab: Tab, film: Path) -> None:
    tab.go(film.with_name("page.html").as_uri())
    kind = 'video/mp4; codecs="avc1.640028, mp4a.40.2"'
    if not tab.run(f"document.createElement('video').canPlayType('{kind}')"):
        pytest.skip("this Chromium was built without H.264 and AAC")
    # Not by its address: a page may not look at pictures of another file.
    data = base64.b64encode(film.read_bytes()).decode()
    tab.run(
        f"fetch('data:video/mp4;base64,{data}').then(r => r.blob())"
        ".then(b => { v.src = URL.createObjectURL(b); })"
    )
    tab.until("v.readyState >= 4")
    # Each picture that is shown: its time in the film, and how bright it is.
    script = """
        window.seen = []; window.paint = document.createElement('canvas').getContext('2d');
        const look = (now, said) => {
            paint.drawImage(v, 0, 0, 8, 8);
            seen.push([said.mediaTime, paint.getImageData(4, 4, 1, 1).data[0]]);
            v.requestVideoFrameCallback(look);
        };
        v.requestVideoFrameCallback(look);
        v.play().then(() => [v.duration, v.videoWidth, v.captureStream().getAudioTracks().length])
    """
    duration, width, sounds = by_hand(tab, script)
    assert duration == pytest.approx(COUNT / float(NTSC), abs=0.002)
    assert (width, sounds) == (48, 1)
    tab.until("v.ended")
    assert tab.run("v.currentTime === v.duration")
    assert tab.run("v.error") is None
    assert tab.run("v.webkitAudioDecodedByteCount") > 0
    assert tab.run("seen.length") > 0
    for time_s, level in tab.run("seen"):
        # A slow machine may leave pictures out; one that is shown is the right one.
        near = min(abs(time_s - t) for t in TIMES)
        assert (level > 120) == (near < 0.01), time_s


def test_its_sound_begins_where_the_browser_s_picture_does(tab: Tab, film: Path) -> None:
    """What the browser decodes: each beep within a millisecond of its picture."""
    tab.go(film.with_name("page.html").as_uri())
    data = base64.b64encode(film.read_bytes()).decode()
    script = f"""
        fetch('data:video/mp4;base64,{data}').then(r => r.arrayBuffer())
        .then(b => new OfflineAudioContext(2, 48000, 48000).decodeAudioData(b))
        .then(b => {{
            const x = b.getChannelData(0), found = [];
            let top = 0; for (const s of x) top = Math.max(top, Math.abs(s));
            for (let i = 0; i < x.length; i++) if (Math.abs(x[i]) > top * .9) {{
                found.push(i / b.sampleRate); i += 4800; }}
            return found; }})
    """
    if not tab.run("document.createElement('video').canPlayType('audio/mp4; codecs=mp4a.40.2')"):
        pytest.skip("this Chromium was built without AAC")
    found = tab.run(script)
    assert len(found) == len(TIMES)
    # The beep rises for 15 ms; it is at nine tenths of its height after about 11.
    for got, want in zip(found, TIMES, strict=True):
        assert got - want == pytest.approx(0.012, abs=0.003)
