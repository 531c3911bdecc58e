"""What the pages are told of a source that is lost and tried again."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest

from stream.capture.frame import Frame
from stream.capture.source import Source
from stream.errors import UserError
from stream.live import intake
from stream.live.figures import Meter
from stream.live.intake import Intake
from tests.stream.live.frames import frame


class Camera:
    """Cannot be opened the first times; then delivers."""

    name = "camera"
    live = True
    opened = 0

    def open(self) -> None:
        Camera.opened += 1
        if Camera.opened < 3:
            time.sleep(0.3)  # as long as connecting takes
            raise UserError("camera: does not answer")

    def read(self) -> object:
        time.sleep(0.02)
        return frame()

    def close(self) -> None:
        pass


def test_a_lost_source_is_lost_until_a_picture_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    def made(*_: object, **__: object) -> Source:
        return Camera()  # type: ignore[return-value]

    monkeypatch.setattr(intake, "open_source", made)
    source = Intake("camera", None, once=False, meter=Meter(), say=lambda _: None)
    assert source.state()["state"] == "starting"
    source.open()
    states = ["starting"]
    end = time.monotonic() + 20
    while states[-1] != "live":
        assert time.monotonic() < end, states
        state = source.state()["state"]
        if state != states[-1]:
            states.append(state)
        time.sleep(0.005)
    source.close()
    assert states == ["starting", "lost", "live"]


class Busy:
    """Is waited for so long, and decodes for so long."""

    name = "busy"
    live = True

    def __init__(self, waits_s: float, works_s: float) -> None:
        self.waits_s, self.works_s = waits_s, works_s

    def open(self) -> None:
        pass

    def read(self) -> Frame | None:
        time.sleep(self.waits_s)
        end_s = time.thread_time() + self.works_s
        while time.thread_time() < end_s:
            pass
        return replace(frame(), arrived_s=time.monotonic())

    def close(self) -> None:
        pass


@pytest.mark.parametrize(("waits_s", "works_s"), [(0.4, 0.0), (0.2, 0.3)])
def test_waiting_is_told_from_decoding(
    monkeypatch: pytest.MonkeyPatch, waits_s: float, works_s: float
) -> None:
    camera = Busy(waits_s, works_s)
    monkeypatch.setattr(intake, "open_source", lambda *_, **__: camera)
    source = Intake("camera", None, once=False, meter=Meter(), say=lambda _: None)
    source.open()

    def next_frame() -> None:
        while source.read() is None:
            pass

    next_frame()
    before_s, began_s = source.waited_s, time.monotonic()
    for _ in range(3):
        next_frame()
    took_s = time.monotonic() - began_s
    waited_s = source.waited_s - before_s
    source.close()
    # The first of them may have been on its way.
    assert waited_s >= waits_s
    assert waited_s <= took_s - 3 * works_s + 0.05


def test_a_frame_that_is_there_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """The thread stands still while it waits, and finds several when it runs again."""
    camera = Busy(0.02, 0.0)
    monkeypatch.setattr(intake, "open_source", lambda *_, **__: camera)
    source = Intake("camera", None, once=False, meter=Meter(), say=lambda _: None)
    source.open()
    while source.read() is None:
        pass
    latest = source._watched.latest

    def late(after_index: int, timeout_s: float) -> Frame | None:
        time.sleep(0.6)
        return latest(after_index, timeout_s)

    monkeypatch.setattr(source._watched, "latest", late)
    before_s = source.waited_s
    found = source.read()
    assert found is not None
    source.close()
    assert found.index >= 2
    assert source.waited_s - before_s < 0.3
