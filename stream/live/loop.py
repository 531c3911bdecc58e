"""The live loop: take in, key and composite, encode, show; each at its own pace, newest wins."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from models.errors import PosewallError
from models.figure import Figure
from models.keyer import Composite, Keyer, Placing
from models.resample import Placement
from stream.capture.frame import Frame
from stream.live.compiling import FAILED
from stream.live.figures import Clock, Meter
from stream.live.pacing import SHOWN_STEPS, STEPS, Pacing, Quality
from stream.live.plates import PlateKeeper
from stream.live.ring import Ring
from stream.live.scenes import Setting
from stream.live.slot import Slot
from stream.live.steady import Steady
from stream.opencv import cv2
from stream.pages.feed import Feed

log = logging.getLogger("posewall.live")

JPEG_QUALITY = 85
TAKE_S = 0.25


@dataclass(frozen=True)
class Ready:
    """A composite on its way to the pages."""

    picture: np.ndarray
    arrived_s: float


def jpeg(picture: np.ndarray, quality: int = JPEG_QUALITY) -> bytes:
    """Encode a picture for the pages.

    Args:
        picture: (H, W, 3) uint8, sRGB.
        quality: of JPEG, 0 to 100.
    """
    done, data = cv2.imencode(
        ".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, quality]
    )
    if not done:
        raise RuntimeError(f"JPEG encoder refused a picture of {picture.shape}")
    return bytes(data)


class _Scale:
    """The scale at which the last frame was laid, at most 1, the largest of all slots."""

    def __init__(self) -> None:
        self.now = 1.0
        self._largest = 0.0

    def fineness(self, quality: Quality) -> float:
        """The share of the frame's size at which it is keyed: of what is shown of it."""
        return 1.0 if quality.fineness == 1 else quality.fineness * self.now

    def watched(self, placings: Sequence[Placing | None]) -> list[Placing | None]:
        """The same placings, looked at as they are used."""
        if self._largest:
            self.now = min(1.0, self._largest)
        self._largest = 0.0
        return [self._watched(placing) for placing in placings]

    def _watched(self, placing: Placing | None) -> Placing | None:
        if placing is None or isinstance(placing, Placement):
            return self._seen(placing)
        told = placing

        def placed(figure: Figure | None) -> Placement:
            placement = told(figure)
            self._seen(placement)
            return placement

        return placed

    def _seen(self, placement: Placement | None) -> Placement | None:
        if placement is not None:
            self._largest = max(self._largest, placement.scale)
        return placement


class LiveLoop:
    """Three threads with a newest-wins slot between each two.

    Args:
        read: the next frame; None when none came in a while.
        over: True once ``read`` will give no more frames.
        waited_s: how long ``read`` waited for the source in all, seconds, as `Intake.waited_s`.
        keyer: keys and composites; only the loop's own thread touches it.
        setting: the scene to show now; None while the first is being built.
        plates: which clean plate the keyer is to have.
        ring: keeps recent frames for grabbing.
        feed: shows pictures.
        on_screen: told for each frame whether a screen was found in it.
        meter: counts and times.
        on_error: told the sentence of each failure.
        kernels: whether the keyer's kernels are ready to be used.
        threads: how many of them share a frame.
        on_quality: told when the picture is made finer or less fine from now on.
        clock: the one that frames arrive by, seconds.
    """

    def __init__(
        self,
        *,
        read: Callable[[], Frame | None],
        over: Callable[[], bool],
        waited_s: Callable[[], float] = lambda: 0.0,
        keyer: Keyer,
        setting: Callable[[], Setting | None],
        plates: PlateKeeper,
        ring: Ring,
        feed: Feed,
        meter: Meter,
        on_error: Callable[[str], None],
        on_screen: Callable[[bool], None] = lambda _: None,
        kernels: Callable[[], bool] = lambda: False,
        threads: int = 1,
        on_quality: Callable[[Quality], None] = lambda _: None,
        clock: Clock = time.monotonic,
    ) -> None:
        self._read = read
        self._over, self._waited_s = over, waited_s
        self._keyer = keyer
        self._setting = setting
        self._plates = plates
        self._ring = ring
        self._feed = feed
        self._meter = meter
        self._on_screen = on_screen
        self._kernels = kernels
        self._threads = threads
        self._uses_kernels = self._kernels_failed = False
        self._on_quality = on_quality
        self._clock = clock
        self._pacing = Pacing()
        self._scale = _Scale()
        self._stop = threading.Event()
        self._captured: Slot[tuple[Frame, float]] = Slot()
        self._composited: Slot[Ready] = Slot()
        self._source_name: str | None = None
        self._at_hand = ""
        self._encoding_s = 0.0

        def failed(sentence: str) -> None:
            meter.failed()
            on_error(sentence)

        self._failed = failed
        self._stations = [
            Steady("capture", self._take_in, self._stop, failed),
            Steady("key", self._key, self._stop, failed, lambda: self._at_hand),
            Steady("show", self._show, self._stop, failed),
        ]

    @property
    def shown(self) -> int:
        """Pictures offered to the pages so far."""
        return self._composited.put_count

    def start(self) -> None:
        """Begin."""
        for station in self._stations:
            station.start()

    def wait(self, timeout_s: float) -> bool:
        """Wait for the end of the source; True when every frame has gone through."""
        return all(station.join(timeout_s) for station in self._stations)

    def stop(self) -> None:
        """End now; frames under way are dropped."""
        self._stop.set()
        self._captured.close()
        self._composited.close()
        self.wait(5.0)

    def _take_in(self) -> bool:
        frame = self._read()
        if frame is not None:
            if self._source_name != frame.source:
                self._ring.clear()
                self._source_name = frame.source
            self._meter.arrived()
            self._ring.add(frame)
            before = self._captured.passed_over
            self._captured.put((frame, self._waited_s()))
            self._meter.dropped(self._captured.passed_over - before)
        elif self._over():
            self._captured.close()
            return False
        return True

    def _key(self) -> bool:
        taken = self._captured.take(TAKE_S)
        if taken is None:
            if self._captured.closed:
                self._composited.close()
                return False
            self._meter.waited(TAKE_S)
            return True
        frame, source_s = taken
        setting = self._setting()
        if setting is None:
            self._meter.dropped(1)
            return True
        self._at_hand = (
            f"(frame {frame.index} of {frame.source}, {frame.upright_size}, {frame.encoding})"
        )
        stages = self._meter.stages
        self._switch()
        began_s = self._clock()
        self._pacing.arrived(frame.arrived_s, frame.index)
        self._plates.before(self._keyer, frame)
        with stages.timed("key"):
            placings = self._scale.watched(setting.placings(frame.upright_size, frame.arrived_s))
            self._keyer.fineness = self._scale.fineness(self._pacing.quality)
            done = self._keyed(frame, setting, placings)
        with stages.timed("download"):
            picture = done.picture.cpu().numpy()
        self._meter.composited(frame.arrived_s, source_s)
        if self._plates.after(done.plate_fits):
            self._plates.give_up(self._keyer)
        self._on_screen(done.screen_found)
        before = self._composited.passed_over
        self._composited.put(Ready(picture, frame.arrived_s))
        self._meter.passed_encoder(self._composited.passed_over - before)
        self._pace(setting, began_s)
        return True

    def _keyed(
        self, frame: Frame, setting: Setting, placings: Sequence[Placing | None]
    ) -> Composite:
        """The frame in the template; where the kernels fail, by torch from now on."""
        seen = frame.planes, frame.encoding, frame.quarter_turns
        try:
            return self._keyer.composite(*seen, setting.scene, placings)
        except PosewallError:
            raise
        except Exception:
            if not self._uses_kernels or self._kernels_failed:
                raise
            log.exception("the kernels failed %s", self._at_hand)
            self._kernels_failed = True
            self._keyer.drop_kernels()
            self._failed(FAILED)
            return self._keyer.composite(*seen, setting.scene, placings)

    def _switch(self) -> None:
        """Take the kernels into use once they are ready: between two frames, by this thread."""
        if not self._uses_kernels and self._kernels():
            self._uses_kernels = True
            self._keyer.use_kernels(self._threads)
            if self._pacing.afresh(STEPS if self._keyer.heeds_fineness else SHOWN_STEPS):
                self._on_quality(self._pacing.quality)

    def _pace(self, setting: Setting, began_s: float) -> None:
        quality = self._pacing.quality
        # A frame of another size tells nothing of the one that is being made.
        if setting.share == quality.preview:
            now_s = self._clock()
            # Frames that the encoder passes over are missing on the page like any others.
            if self._pacing.took(now_s - began_s, now_s, self._encoding_s):
                self._on_quality(self._pacing.quality)

    def _show(self) -> bool:
        ready = self._composited.take(TAKE_S)
        if ready is None:
            return not self._composited.closed
        began_s = self._clock()
        with self._meter.stages.timed("jpeg"):
            data = jpeg(ready.picture)
        self._feed.publish(data, ready.arrived_s)
        self._encoding_s = self._clock() - began_s
        self._meter.ready(ready.arrived_s)
        return True
