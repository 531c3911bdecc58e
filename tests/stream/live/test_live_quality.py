"""A machine that is too slow: the live picture gets less, and prints know nothing of it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import torch

from models.color import Encoding, Planes
from models.composite import Scene
from models.kernels.fused import Fused
from models.keyer import Composite, Grade, Keyer, KeySettings, Placing
from stream.batch.render import Renderer
from stream.capture.frame import Frame
from stream.event import Event
from stream.live.compiling import FAILED
from stream.live.figures import Meter
from stream.live.loop import LiveLoop
from stream.live.pacing import FULL, STEPS, Quality
from stream.live.plates import PlateKeeper
from stream.live.ring import Ring
from stream.live.scenes import SceneMaker
from stream.live.shooting import Shooting
from stream.pages.feed import Feed
from stream.shot import load_frame
from tests.stream.live.evening import make_event
from tests.stream.live.test_loop import green

FPS = 10.0
PATIENCE_S = 240.0


class CostlyKeyer(Keyer):
    """The keyer, in a made-up time in which a frame costs what it is told to."""

    def __init__(self, cost: Callable[[], float]) -> None:
        super().__init__(Grade.LIVE)
        self.now_s = 0.0
        self.cost = cost
        self.finenesses: list[float] = []
        self.busy = False
        self.kernel_threads: int | None = None

    def composite(
        self,
        planes: Planes,
        encoding: Encoding,
        quarter_turns: int,
        scene: Scene,
        placing: Placing | Sequence[Placing | None],
    ) -> Composite:
        self.busy = True
        done = super().composite(planes, encoding, quarter_turns, scene, placing)
        self.finenesses.append(self.fineness)
        self.now_s += self.cost()
        self.busy = False
        return done

    def use_kernels(self, threads: int = 1) -> None:
        self.kernel_threads = threads


class Evening:
    """The loop and its scenes over a source of made-up time."""

    def __init__(self, event: Event) -> None:
        self.event = event
        self.cost_s = 0.005
        self.kernels = False
        self.keyer = CostlyKeyer(lambda: self.cost_s)
        self.qualities: list[Quality] = []
        self.said: list[str] = []
        self.stop = threading.Event()
        self.template = event.template(None)
        self.ring, self.feed, self.meter = Ring(), Feed(), Meter(lambda: self.keyer.now_s)
        self.plates = PlateKeeper(self.said.append)
        self.scenes = SceneMaker(self.template, 180, "cpu", self.stop, self.said.append)
        self._last = -1
        self.loop = LiveLoop(
            read=self.read,
            over=lambda: False,
            keyer=self.keyer,
            setting=lambda: self.scenes.current,
            plates=self.plates,
            ring=self.ring,
            feed=self.feed,
            meter=self.meter,
            on_error=self.said.append,
            kernels=lambda: self.kernels,
            threads=3,
            on_quality=self.paced,
            clock=self.clock,
        )

    def clock(self) -> float:
        # Encoding takes none of this time: it runs beside the keyer, which alone lets it pass.
        return 0.0 if threading.current_thread().name == "show" else self.keyer.now_s

    def paced(self, quality: Quality) -> None:
        self.qualities.append(quality)
        self.scenes.resize(quality.preview)

    def read(self) -> Frame | None:
        index = int(self.keyer.now_s * FPS)
        if index <= self._last:
            # The time between two frames passes while nothing is keyed.
            time.sleep(0.0005)
            taken = self.loop._captured.put_count - self.loop._captured.passed_over
            if taken == len(self.keyer.finenesses) and not self.keyer.busy:
                self.keyer.now_s = (self._last + 1) / FPS + 1e-6
            return None
        self._last = index
        return replace(green(index), index=index, arrived_s=self.keyer.now_s)

    def until(self, check: Callable[[], bool]) -> None:
        end = time.monotonic() + PATIENCE_S
        while not check():
            assert time.monotonic() < end, (self.qualities, self.said, self.keyer.now_s)
            time.sleep(0.005)

    def __enter__(self) -> Evening:
        self.scenes.start()
        self.scenes.want({"name": "Mira"})
        self.until(lambda: self.scenes.current is not None)
        self.loop.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.loop.stop()
        self.stop.set()
        self.scenes.close()


def shown_size(evening: Evening) -> tuple[int, int]:
    view = evening.feed.newest
    assert view is not None
    picture = cv2.imdecode(np.frombuffer(view.jpeg, np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    return picture.shape[0], picture.shape[1]


def test_the_picture_gets_less_step_by_step_and_comes_back(tmp_path: Path) -> None:
    with Evening(make_event(tmp_path)) as evening:
        evening.until(lambda: len(evening.keyer.finenesses) > 30)
        assert evening.qualities == []
        evening.cost_s = 0.15
        evening.until(lambda: evening.qualities[-1:] == [STEPS[-1]])
        assert evening.qualities == list(STEPS[1:])
        evening.until(lambda: shown_size(evening) == (90, 160))
        # The frame of 160 pixels is enlarged to 320: refined at shares of its own size.
        assert set(evening.keyer.finenesses) == {1.0, 0.75, 0.5}
        evening.cost_s = 0.005
        evening.until(lambda: evening.qualities[-1] == FULL)
        evening.until(lambda: shown_size(evening) == (180, 320))
        evening.until(lambda: evening.keyer.finenesses[-1] == 1.0)
    assert evening.said == []
    assert evening.meter.read().errors == 0


def test_kernels_are_taken_into_use_between_frames_and_begin_at_full_quality(
    tmp_path: Path,
) -> None:
    with Evening(make_event(tmp_path)) as evening:
        evening.cost_s = 0.15
        evening.until(lambda: STEPS[2] in evening.qualities)
        assert evening.keyer.kernel_threads is None
        evening.cost_s, evening.kernels = 0.005, True
        evening.until(lambda: evening.qualities[-1] == FULL)
        assert evening.keyer.kernel_threads == 3
        before = len(evening.keyer.finenesses)
        evening.until(lambda: len(evening.keyer.finenesses) > before + 100)
        assert evening.qualities[-1] == FULL


@pytest.mark.parametrize("slow", [False, True])
def test_what_is_kept_and_printed_is_whole(tmp_path: Path, slow: bool) -> None:
    with Evening(make_event(tmp_path)) as evening:
        if slow:
            evening.cost_s = 0.15
            evening.until(lambda: evening.qualities[-1:] == [STEPS[-1]])
        evening.until(lambda: len(evening.ring) > 0)
        shooting = Shooting(
            evening.event,
            evening.template,
            KeySettings(),
            evening.ring,
            evening.plates,
            evening.said.append,
        )
        held = evening.ring.nearest(evening.keyer.now_s)
        assert held is not None
        shot = shooting.take(held, ("007",))
    kept = load_frame(evening.event, shot).planes
    whole = green(held.index).planes
    assert all(torch.equal(a, b) for a, b in zip(kept, whole, strict=True))
    picture = Renderer(evening.event).render(shot)
    # The same frame by a keyer that never heard of a live picture.
    fields = evening.event.roster.get("007")
    assert fields is not None
    place = evening.template.placement(held.upright_size, evening.template.picture_size())
    there = evening.template.scene(evening.template.picture_size(), {"name": "Mira Tollan"})
    want = Keyer(Grade.FINAL).composite(
        held.planes, held.encoding, held.quarter_turns, there, place
    )
    assert torch.equal(picture.pixels, want.picture)


def test_the_kernels_of_this_machine_are_used_and_left_when_they_fail(tmp_path: Path) -> None:
    with Evening(make_event(tmp_path)) as evening:
        keyer = evening.keyer
        evening.kernels = True
        evening.until(lambda: keyer.kernel_threads == 3)
        Keyer.use_kernels(keyer, 1)
        before = len(keyer.finenesses)
        evening.until(lambda: len(keyer.finenesses) > before + 3)
        core = keyer.parts.core
        assert core is not None
        assert evening.said == []
        core.cut = None  # type: ignore[method-assign, assignment]
        evening.until(lambda: keyer.parts == Fused())
        before = evening.loop.shown
        evening.until(lambda: evening.loop.shown > before + 3)
    assert evening.said == [FAILED.format(why="TypeError")]
    assert evening.meter.read().errors == 1
