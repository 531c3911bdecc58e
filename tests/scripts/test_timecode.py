"""The time code: through H.264, the key, scaling and JPEG, into a real page and back."""

from __future__ import annotations

from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from scripts import timecode
from scripts.browser import chromium, find_chromium
from scripts.timecode import PLACE, Patch, bits, number_of, paint, watching, write_clip
from stream.live.loop import jpeg
from stream.pages.feed import Feed
from stream.pages.serve import PageServer
from tests.stream.pages.chromium import find_chromium as chromium_or_skip
from tests.stream.pages.evening import Evening


def test_every_number_comes_back_and_most_damage_is_told() -> None:
    words = [bits(n) for n in range(timecode.MOST)]
    assert [number_of(w) for w in words] == list(range(timecode.MOST))
    rng, told = np.random.default_rng(2), 0
    for number in range(0, timecode.MOST, 7):
        spoilt = list(words[number])
        at = int(rng.integers(16))
        spoilt[at] = not spoilt[at]
        told += number_of(spoilt) is None
    assert told == len(range(0, timecode.MOST, 7))  # one square is always told
    with pytest.raises(ValueError, match="need 0 to 4095"):
        bits(timecode.MOST)


def _source(path: Path) -> None:
    """Five green frames, 1280x720."""
    with av.open(str(path), "w") as film:
        picture = film.add_stream("libx264", 30)
        picture.width, picture.height, picture.pix_fmt = 1280, 720, "yuv420p"
        green = np.full((720, 1280, 3), (40, 160, 60), np.uint8)
        for _ in range(5):
            film.mux(picture.encode(av.VideoFrame.from_ndarray(green, "rgb24")))
        film.mux(picture.encode())


@pytest.mark.parametrize("scale", [1.0, 1.5])
def test_a_clip_carries_its_numbers(tmp_path: Path, scale: float) -> None:
    _source(tmp_path / "green.mp4")
    made = tmp_path / "coded.mp4"
    assert write_clip(made, tmp_path / "green.mp4", scale, skip=1) == 4
    with av.open(str(made)) as film:
        shown = [f.to_ndarray(format="rgb24") for f in film.decode(video=0)]
    assert [s.shape for s in shown] == [(round(720 * scale), round(1280 * scale), 3)] * 4
    places = PLACE.scaled(scale).centres()
    read = [number_of([bool(s[int(y), int(x), 1] > 127) for x, y in places]) for s in shown]
    assert read == [0, 1, 2, 3]


@pytest.mark.browser
def test_the_page_reads_what_it_draws() -> None:
    chromium_or_skip()
    path = find_chromium()
    assert path is not None
    evening = Evening(Feed())
    size, numbers = (360, 288), [5, 77, 4000, 1234]
    patch = Patch(20, 16, 12)
    with PageServer(evening, evening.feed, token="t", port=0) as pages, chromium(path) as page:
        evening.say()
        page.open(f"{pages.address}/stage", watching(patch, size))
        seen: list[tuple[float, int | None]] = []
        for number in numbers:
            y = np.full(size, 90, np.uint8)
            chroma = [np.full((180, 144), v, np.uint8) for v in (100, 90)]
            paint([y, *chroma], number, patch)
            flat = np.concatenate([y.ravel(), *(c.ravel() for c in chroma)]).reshape(-1, 288)
            rgb = np.asarray(cv2.cvtColor(flat, cv2.COLOR_YUV2RGB_I420), np.uint8)
            # The picture may come smaller than asked, when the machine is slow.
            if number == 4000:
                rgb = np.asarray(cv2.resize(rgb, (216, 270), interpolation=cv2.INTER_AREA))
            evening.feed.publish(jpeg(rgb), 0.0)
            for _ in range(200):
                seen += page.run("window.bench ? window.bench.take() : []") or []
                if seen and timecode.read_word(int(seen[-1][1] or 0)) == number:
                    break
        apart_s, sure_s = page.clocks_apart_s()
    read = [timecode.read_word(int(word or 0)) for _, word in seen]
    assert list(dict.fromkeys(read)) == numbers
    assert [at for at, _ in seen] == sorted(at for at, _ in seen)
    assert abs(apart_s) < 1
    assert 0 < sure_s < 1
