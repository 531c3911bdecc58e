"""What the pages are told of a source that is lost and tried again."""

from __future__ import annotations

import time

import pytest

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
