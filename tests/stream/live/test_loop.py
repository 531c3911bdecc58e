"""The loop with the real keyer, template and feed, on frames that the test hands it."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

from models.composite import apply_overlays
from models.keyer import Grade, Keyer
from models.resample import Placement
from stream.capture.frame import Frame
from stream.live.figures import Meter
from stream.live.loop import LiveLoop, jpeg
from stream.live.pacing import Quality
from stream.live.plates import PlateKeeper
from stream.live.ring import Ring
from stream.live.scenes import SceneMaker, Setting, preview_size
from stream.pages.feed import Feed, View
from stream.template import Template, load_template
from tests.stream.live.evening import make_template
from tests.stream.live.frames import frame

SIZE = (90, 160)


def green(index: int) -> Frame:
    """Mostly green screen, BT.709 narrow range, with a grey block in the middle."""
    base = frame(index / 30, index, size=SIZE)
    y = torch.full(SIZE, 133, dtype=torch.uint8)  # SMPTE RP 219: 75 % green is 133/63/52
    cb = torch.full((45, 80), 63, dtype=torch.uint8)
    cr = torch.full((45, 80), 52, dtype=torch.uint8)
    y[30:, 60:100] = 120
    cb[15:, 30:50] = 128
    cr[15:, 30:50] = 128
    return replace(base, planes=(y, cb, cr))


class Evening:
    """A loop over given frames, everything in it real."""

    def __init__(
        self,
        folder: Path,
        frames: list[Frame],
        feed: Feed | None = None,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.frames = deque(frames)
        self.said: list[str] = []
        self.screens: list[bool] = []
        self.qualities: list[Quality] = []
        self.read_next: Callable[[], Frame | None] = self._queued
        self.endless = False
        self.plates = PlateKeeper(self.said.append, self.clock)
        self.now_s = 0.0
        self.meter, self.feed, self.ring = Meter(), feed or Feed(), Ring()
        self.template: Template = load_template(make_template(folder / "dusk"))
        size = preview_size(self.template.picture_size(), 90)
        scene = self.template.scene(size, {"name": "Mira"})
        self.setting: Setting | None = Setting(self.template, scene, size)
        self.loop = LiveLoop(
            read=self.read,
            over=lambda: not self.frames and not self.endless,
            keyer=Keyer(Grade.LIVE),
            setting=lambda: self.setting,
            plates=self.plates,
            ring=self.ring,
            feed=self.feed,
            meter=self.meter,
            on_error=self.said.append,
            on_screen=self.screens.append,
            on_quality=self.qualities.append,
            clock=clock,
        )

    def clock(self) -> float:
        """A second passes each time that a plate is judged."""
        self.now_s += 1.0
        return self.now_s

    def read(self) -> Frame | None:
        return self.read_next()

    def _queued(self) -> Frame | None:
        return self.frames.popleft() if self.frames else None

    def run(self) -> None:
        self.loop.start()
        assert self.loop.wait(30)


def test_every_frame_is_shown_or_counted(tmp_path: Path) -> None:
    evening = Evening(tmp_path, [green(n) for n in range(40)])
    evening.run()
    figures = evening.meter.read()
    assert figures.frames_in == 40
    assert figures.frames_out >= 1
    assert figures.frames_out + figures.dropped == 40
    assert figures.errors == 0
    assert len(evening.ring) == 40  # all are there to be grabbed, also those passed over
    counts = evening.meter.stages.counts()
    assert counts["jpeg"] == figures.frames_out
    assert counts["key"] >= counts["jpeg"]


def test_what_is_published_is_the_composite(tmp_path: Path) -> None:
    evening = Evening(tmp_path, [green(0)])
    evening.run()
    view = evening.feed.newest
    assert view is not None
    decoded = cv2.imdecode(np.frombuffer(view.jpeg, np.uint8), cv2.IMREAD_COLOR)
    assert decoded is not None
    rgb = np.asarray(decoded[..., ::-1], np.int64)
    assert rgb.shape == (90, 160, 3)
    # the template's own colours where the screen was and where its bar is, grey for the subject
    assert np.abs(rgb[10, 20] - (200, 90, 60)).max() < 8
    assert np.abs(rgb[76, 5] - (20, 40, 80)).max() < 8
    red, green_, blue = rgb[55, 80]
    assert max(red, green_, blue) - min(red, green_, blue) < 12
    assert all(evening.screens)


def test_a_frame_that_cannot_be_keyed_costs_itself_only(tmp_path: Path) -> None:
    bad = replace(green(1), planes=(green(1).planes[0], *(torch.zeros(3, 5),) * 2))
    evening = Evening(tmp_path, [bad])
    after = [green(n) for n in range(2, 8)]
    turn = threading.Event()

    def read() -> Frame | None:
        if evening.frames:
            return evening.frames.popleft()
        if not turn.wait(0.01) and evening.meter.read().errors:
            turn.set()
        return after.pop(0) if turn.is_set() and after else None

    evening.loop._read = read
    evening.loop._over = lambda: not after
    evening.run()
    figures = evening.meter.read()
    assert figures.errors == 1
    assert figures.frames_out >= 1
    assert len(evening.said) == 1
    assert "chroma" in evening.said[0]


def test_a_plate_of_another_screen_is_given_up_and_the_picture_goes_on(tmp_path: Path) -> None:
    evening = Evening(tmp_path, [])
    y = torch.full(SIZE, 28, dtype=torch.uint8)  # SMPTE RP 219: 75 % blue is 28/212/120
    cb, cr = (torch.full((45, 80), v, dtype=torch.uint8) for v in (212, 120))
    evening.plates.use(replace(green(0), planes=(y, cb, cr)), "plate-1")
    count = iter(range(200))

    def read() -> Frame | None:
        time.sleep(0.01)
        return green(next(count, 0))

    evening.loop._read = read
    evening.loop.start()
    end = time.monotonic() + 30
    while not evening.said and time.monotonic() < end:
        time.sleep(0.01)
    shown = evening.meter.read().frames_out
    while evening.meter.read().frames_out <= shown and time.monotonic() < end:
        time.sleep(0.01)
    evening.loop.stop()
    assert "no longer fits" in evening.said[0]
    assert evening.plates.state()["state"] == "gone"
    assert evening.plates.plate_id is None
    assert evening.meter.read().frames_out > shown
    assert evening.meter.read().errors == 0


def test_frames_before_the_first_scene_are_counted(tmp_path: Path) -> None:
    evening = Evening(tmp_path, [green(n) for n in range(5)])
    evening.setting = None
    evening.run()
    figures = evening.meter.read()
    assert (figures.frames_out, figures.dropped) == (0, 5)


def test_a_new_source_empties_the_ring(tmp_path: Path) -> None:
    frames = [green(0), green(1), replace(green(2), source="second camera")]
    evening = Evening(tmp_path, frames)
    evening.run()
    assert len(evening.ring) == 1


def test_jpeg_is_close_to_the_picture() -> None:
    small = np.random.default_rng(3).integers(0, 256, (4, 6, 3), dtype=np.uint8)
    picture = np.asarray(cv2.resize(small, (192, 128)), np.uint8)
    decoded = cv2.imdecode(np.frombuffer(jpeg(picture), np.uint8), cv2.IMREAD_COLOR)
    assert decoded is not None
    assert np.abs(decoded[..., ::-1].astype(int) - picture).mean() < 2


def test_scenes_are_swapped_in_whole_and_the_newest_wish_wins(tmp_path: Path) -> None:
    template = load_template(make_template(tmp_path / "dusk"))
    stop = threading.Event()
    said: list[str] = []
    maker = SceneMaker(template, 90, "cpu", stop, said.append)
    assert maker.current is None
    for name in ("A", "B", "Oskar Venn"):
        maker.want({"name": name})
    maker.start()
    while maker.current is None:
        time.sleep(0.005)
    setting = maker.current
    grey = torch.full((1, 3, 90, 160), 0.5)
    newest, first = (template.scene((90, 160), {"name": n}) for n in ("Oskar Venn", "A"))
    shown = apply_overlays(grey, setting.scene.overlays)
    assert torch.equal(shown, apply_overlays(grey, newest.overlays))
    assert not torch.equal(shown, apply_overlays(grey, first.overlays))
    assert torch.equal(setting.scene.below, newest.below)
    assert isinstance(setting.placement((90, 160)), Placement)
    assert setting.placement((90, 160)) is setting.placement((90, 160))
    maker.close()
    assert said == []


def test_preview_size_keeps_the_shape_and_is_never_larger_than_the_print() -> None:
    assert preview_size((3000, 2400), 720) == (720, 576)
    assert preview_size((1200, 1800), 720) == (720, 1080)
    assert preview_size((180, 320), 720) == (180, 320)


def test_a_stand_still_of_the_station_that_reads_is_a_pause(tmp_path: Path) -> None:
    """The station that keys waits meanwhile, as it does for a camera that pauses."""
    evening = Evening(tmp_path, [])
    count = 0

    def read() -> Frame | None:
        nonlocal count
        count += 1
        time.sleep(1.5 if count == 8 else 0.02)
        return replace(green(count), arrived_s=time.monotonic(), index=count)

    evening.read_next, evening.endless = read, True
    evening.loop.start()
    end_s = time.monotonic() + 60
    while count < 12 and time.monotonic() < end_s:
        time.sleep(0.02)
    evening.loop.stop()
    assert evening.meter.read().lasting_gap_ms >= 1400


class TimedFeed(Feed):
    """Takes a picture in a time that passes on the test's clock."""

    def __init__(self, takes_s: float) -> None:
        super().__init__()
        self.takes_s, self.now_s = takes_s, 100.0

    def publish(self, jpeg: bytes, arrived_s: float) -> View:
        self.now_s += self.takes_s
        return super().publish(jpeg, arrived_s)


@pytest.mark.parametrize(
    ("takes_s", "qualities"), [(0.2, [Quality(preview=0.75)]), (0.05, list[Quality]())]
)
def test_an_encoder_that_is_too_slow_makes_the_picture_smaller(
    tmp_path: Path, takes_s: float, qualities: list[Quality]
) -> None:
    """Keying takes no time here: the matte stays as fine as it is."""
    interval_s = 0.1
    feed = TimedFeed(takes_s)
    evening = Evening(tmp_path, [], feed=feed, clock=lambda: feed.now_s)
    index = 0

    def read() -> Frame:
        nonlocal index
        index += 1
        return replace(green(index), arrived_s=100.0 + index * interval_s, index=index)

    evening.read_next, loop = read, evening.loop
    while feed.now_s < 104.5:  # in place of the three threads
        # Waits for the next frame, and keys those that come while one is encoded.
        while True:
            loop._take_in()
            loop._key()
            if 100.0 + (index + 1) * interval_s > feed.now_s:
                break
        feed.now_s = max(feed.now_s, 100.0 + index * interval_s)
        loop._show()
    assert evening.qualities == qualities
    assert bool(evening.meter.read().passed_encoder) is bool(qualities)
