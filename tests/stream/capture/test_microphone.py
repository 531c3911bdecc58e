"""Microphones: found by number and name, stamped by the computer's clock, missed with words."""

from __future__ import annotations

import threading
from itertools import pairwise
from pathlib import Path

import pytest

from stream.capture.container import Target
from stream.capture.errors import SourceError
from stream.capture.microphone import Microphone
from stream.capture.microphones import microphone_target, microphones
from stream.take.backlog import Backlog
from tests.stream.capture.sound_device import STEP_S, SoundDevice
from tests.stream.take.stage import wait_until

# As the kernel's sound/core/info.c and pcm.c write them (from memory).
CARDS = """ 0 [PCH            ]: HDA-Intel - HDA Intel PCH
                      HDA Intel PCH at 0x6001108000 irq 160
 1 [Desk           ]: USB-Audio - Desk microphone
                      Maker Desk microphone at usb-0000:00:14.0-2, full speed
"""
PCM = """00-00: ALC255 Analog : ALC255 Analog : playback 1 : capture 1
00-03: HDMI 0 : HDMI 0 : playback 1
01-00: USB Audio : USB Audio : capture 1
"""


@pytest.fixture
def cards(tmp_path: Path) -> Path:
    (tmp_path / "cards").write_text(CARDS)
    (tmp_path / "pcm").write_text(PCM)
    return tmp_path


def test_microphones_are_listed_and_picked(cards: Path, tmp_path: Path) -> None:
    assert microphones("linux", cards) == [
        ("plughw:0,0", "HDA Intel PCH"),
        ("plughw:1,0", "Desk microphone"),
    ]
    for wanted in ("1", "desk", "microphone:1", "Desk microphone", "plughw:1,0"):
        target = microphone_target(wanted, "linux", cards)
        assert (target.url, target.format) == ("plughw:1,0", "alsa")
    assert microphone_target("default", "linux", cards).url == "default"
    assert microphone_target("", "linux", cards).label == "HDA Intel PCH"
    with pytest.raises(SourceError, match="plugged in: 0: HDA Intel PCH; 1: Desk microphone"):
        microphone_target("lectern", "linux", cards)
    with pytest.raises(SourceError, match="plugged in: none"):
        microphone_target("0", "linux", tmp_path / "nothing")
    with pytest.raises(SourceError, match="cannot be read on plan9"):
        microphone_target("0", "plan9")


def test_packets_are_stamped_by_the_clock_and_go_on_without_a_seam(tmp_path: Path) -> None:
    backlog = Backlog()
    with SoundDevice(tmp_path / "card") as device:
        microphone = Microphone(
            lambda: device.target, name="Desk", keep_s=2.0, clock=device.clock
        ).open()
        try:
            assert microphone.wait(60)
            opened_us = round(device.clock() * 1e6)
            wait_until(lambda: microphone.state().level > 0.3)
            microphone.attach(backlog, opened_us)
            assert microphone.parameters is not None
            assert microphone.parameters.sound
            wait_until(lambda: backlog.bytes > 48_000 * 2)  # a second of it
            state = microphone.state()
            assert (state.listening, state.trouble) == (True, "")
            microphone.detach(backlog)
        finally:
            microphone.close()
    pieces = list(iter(lambda: backlog.get(0), None))
    # What was heard before it listened is kept, back to the instant that was asked for.
    assert pieces[0].at_us <= opened_us
    assert pieces[0].at_us + pieces[0].length_us > opened_us
    seams = [b.at_us - a.at_us - a.length_us for a, b in pairwise(pieces)]
    # The card's clock stays within two of its packets of what was read, on any computer.
    assert abs(sum(seams)) <= 2e6 * STEP_S


def test_a_device_that_answers_after_it_was_opened_anew_is_not_heard(tmp_path: Path) -> None:
    """The thread that read it is still there, and brings what it had read when it was closed."""
    backlog = Backlog()
    with SoundDevice(tmp_path / "old") as old, SoundDevice(tmp_path / "new", silent=True) as new:
        targets = [old.target, new.target]
        microphone = Microphone(lambda: targets.pop(0), name="Desk").open()
        try:
            wait_until(lambda: microphone.state().level > 0.3)
            (left,) = [t for t in threading.enumerate() if t.name == "microphone"]
            old.hang()
            microphone.close()
            assert left.is_alive()
            assert not microphone.state().listening
            microphone.open()
            wait_until(lambda: microphone.state().listening)
            microphone.attach(backlog, 0)
            old.hang(False)
            wait_until(lambda: not left.is_alive())
            wait_until(lambda: backlog.bytes > 48_000 * 2)
            assert microphone.state().trouble == ""
        finally:
            microphone.close()
    pieces = list(iter(lambda: backlog.get(0), None))
    assert not any(any(p.data) for p in pieces)
    assert all(b.at_us >= a.at_us for a, b in pairwise(pieces))


def test_lavfi_is_a_microphone_too() -> None:
    """The way of every device of the media library: alsa, avfoundation and dshow are others."""
    tone = "sine=frequency=440:sample_rate=44100:samples_per_frame=882,arealtime"
    microphone = Microphone(lambda: Target(tone, "tone", "lavfi"), name="tone").open()
    try:
        assert microphone.wait(60)
        wait_until(lambda: microphone.state().level > 0.1)
    finally:
        microphone.close()


def test_a_plug_that_is_loose_is_tried_as_soon_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("stream.capture.microphone.FIRST_RETRY_S", 0.02)
    monkeypatch.setattr("stream.capture.microphone.LONGEST_RETRY_S", 1e6)
    opened: list[int] = []

    def make() -> Target:
        opened.append(1)
        return Target("sine=sample_rate=44100:duration=0.05", "tone", "lavfi")

    microphone = Microphone(make, name="tone").open()
    try:
        # If each wait were twice the one before, the last of these would be of five minutes.
        wait_until(lambda: len(opened) > 15)
    finally:
        microphone.close()


def test_silence_and_a_pulled_plug_are_told(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    with SoundDevice(tmp_path / "card", silent=True) as device:
        microphone = Microphone(lambda: device.target, name="Desk", clock=device.clock).open()
        try:
            wait_until(lambda: "nothing but silence" in microphone.state().trouble)
            device.unplug()
            wait_until(lambda: "gives nothing any more" in microphone.state().trouble)
            assert not microphone.state().listening
        finally:
            microphone.close()
    assert "microphone Desk" in caplog.text


def test_a_microphone_that_is_not_there_is_a_sentence(tmp_path: Path) -> None:
    microphone = Microphone(
        lambda: Target(str(tmp_path / "none"), "Desk", "s16le"), name="Desk"
    ).open()
    try:
        wait_until(lambda: "cannot be opened" in microphone.state().trouble)
        assert microphone.state().trouble.startswith("microphone Desk: ")
        assert not microphone.wait(0)
    finally:
        microphone.close()
