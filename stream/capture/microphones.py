"""Microphones: from what the user writes to what the media library opens.

Linux reads them through ALSA, whose kernel part lists them in /proc/asound; macOS through
avfoundation, Windows through dshow. Written as a number, as (a part of) a name, or on Linux as
ALSA's own name of a device, such as ``default`` or ``hw:1,0``.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import av
import av.device

from stream.capture.container import Target
from stream.capture.errors import SourceError

_ASOUND = Path("/proc/asound")
# "01-00: USB Audio : USB Audio : playback 1 : capture 1"
_PCM = re.compile(r"(\d+)-(\d+):")
# " 1 [Desk           ]: USB-Audio - Desk microphone"
_CARD = re.compile(r"\s*(\d+) \[.*?\]: (?:\S+ - )?(.+)")
# chosen: short packets, so that little is lost when the program dies.
_PACKET_MS = 20


def _linux_microphones(folder: Path) -> list[tuple[str, str]]:
    try:
        cards = {
            int(m[1]): m[2].strip()
            for line in (folder / "cards").read_text().splitlines()
            if (m := _CARD.match(line))
        }
        lines = (folder / "pcm").read_text().splitlines()
    except OSError:  # no sound at all in this kernel
        return []
    found = []
    for line in lines:
        match = _PCM.match(line)
        if match and "capture" in line:
            card, device = int(match[1]), int(match[2])
            # With the plug, that takes any rate and number of channels.
            found.append((f"plughw:{card},{device}", cards.get(card, f"card {card}")))
    return found


def _listed_microphones(format_name: str) -> list[tuple[str, str]]:
    try:
        devices = av.device.enumerate_input_devices(format_name)
    except (av.error.FFmpegError, OSError, ValueError):
        return []
    return [(d.name, d.description) for d in devices if "audio" in d.media_types]


def microphones(platform: str = sys.platform, folder: Path = _ASOUND) -> list[tuple[str, str]]:
    """(device, name) of the microphones that are plugged in."""
    if platform.startswith("linux"):
        return _linux_microphones(folder)
    return _listed_microphones("avfoundation" if platform == "darwin" else "dshow")


def _pick(wanted: str, found: list[tuple[str, str]]) -> tuple[str, str]:
    """The device and name for a number or (a part of) a name."""
    if wanted.isdigit() and int(wanted) < len(found):
        return found[int(wanted)]
    for device, name in found:
        if wanted == device or wanted.casefold() == name.casefold():
            return device, name
    partly = [f for f in found if wanted.casefold() in f[1].casefold()]
    if len(partly) == 1 and wanted and not wanted.isdigit():
        return partly[0]
    there = "; ".join(f"{i}: {name}" for i, (_, name) in enumerate(found)) or "none"
    raise SourceError(
        f"microphone {wanted}: no microphone, or more than one, goes by this; plugged in: {there}; "
        "check the cable, or give its number or name, 'own' for the source's own sound or 'none'"
    )


def microphone_target(wanted: str, platform: str = sys.platform, folder: Path = _ASOUND) -> Target:
    """What to open for ``microphone:wanted``; its label is the microphone's name.

    Raises:
        SourceError: no such microphone is plugged in.
    """
    wanted = wanted.strip().removeprefix("microphone:") or "0"
    if platform.startswith("linux"):
        own = wanted == "default" or ":" in wanted
        device, name = (wanted, wanted) if own else _pick(wanted, microphones(platform, folder))
        return Target(device, name, "alsa", {"channels": "1", "sample_rate": "48000"})
    if platform == "darwin":
        device, name = _pick(wanted, microphones(platform))
        return Target(f":{device}", name, "avfoundation")
    if platform == "win32":
        device, name = _pick(wanted, microphones(platform))
        return Target(f"audio={device}", name, "dshow", {"audio_buffer_size": str(_PACKET_MS)})
    raise SourceError(
        f"microphone:{wanted}: microphones cannot be read on {platform}; use the camera's own sound"
    )
