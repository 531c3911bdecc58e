"""The look: enough contrast in the dark, and nothing that flashes."""

from __future__ import annotations

import re

import pytest

from stream.pages.app import STATIC_FOLDER


def luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


COLOURS = dict(
    re.findall(r"--(\w+): (#[0-9a-f]{6});", (STATIC_FOLDER / "house.css").read_text("utf-8"))
)


def test_contrast_of_the_ends() -> None:
    # WCAG 2.2: black on white is 21:1
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("ink", ["paper", "quiet", "straw", "leaf", "clay"])
@pytest.mark.parametrize("ground", ["night", "board", "raised"])
def test_text_can_be_read(ink: str, ground: str) -> None:
    # WCAG 2.2, success criterion 1.4.3: at least 4.5:1
    assert contrast(COLOURS[ink], COLOURS[ground]) >= 4.5


def test_the_grab_button_can_be_read() -> None:
    assert contrast(COLOURS["ink"], COLOURS["straw"]) >= 4.5


def test_the_button_that_ends_a_recording_can_be_read() -> None:
    assert contrast("#ffffff", COLOURS["live"]) >= 4.5


@pytest.mark.parametrize("sheet", ["house.css", "stage.css", "desk.css"])
def test_nothing_is_animated_by_itself(sheet: str) -> None:
    # WCAG 2.2, success criterion 2.3.1, no more than three flashes a second: there are none, only
    # slow transitions between two states
    text = (STATIC_FOLDER / sheet).read_text("utf-8")
    assert "@keyframes" not in text
    assert not re.search(r"animation(?!-)", text)
    for amount, unit in re.findall(r"transition:[^;]*?(\d+)(ms|s)\b", text):
        milliseconds = int(amount) * (1 if unit == "ms" else 1000)
        assert milliseconds == 0 or milliseconds >= 300
