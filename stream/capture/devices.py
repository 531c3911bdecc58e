"""Cameras and the screen: from what the user writes to what the media library opens.

Linux reads cameras through v4l2 and the screen through x11grab, macOS reads cameras through
avfoundation, Windows through dshow. When an X11 server dies, x11grab repeats the last picture
without an error; so the screen stands in for a camera in tests and trials, not at an event.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import av
import av.device

from stream.capture.container import Target
from stream.capture.errors import SourceError

_V4L = Path("/sys/class/video4linux")
_REGION = re.compile(r"(\d+)x(\d+)(?:\+(\d+)\+(\d+))?")


@dataclass(frozen=True)
class Mode:
    """What to ask of a camera; None leaves the choice to it.

    Attributes:
        size: (width, height) in pixels.
        rate: frames a second.
        codec: how it sends them: "mjpeg", "h264" or a pixel format such as "yuyv422".
    """

    size: tuple[int, int] | None = None
    rate: float | None = None
    codec: str | None = None

    def options(self, codec_option: str) -> dict[str, str]:
        """As options of the media library."""
        found = {}
        if self.size is not None:
            found["video_size"] = f"{self.size[0]}x{self.size[1]}"
        if self.rate is not None:
            found["framerate"] = f"{self.rate:g}"
        if self.codec is not None:
            found[codec_option] = self.codec
        return found


def _linux_cameras(folder: Path = _V4L) -> list[tuple[str, str]]:
    """(device, name) of each camera, in the order of their numbers.

    A camera often has a second node that carries only data about its pictures; index 0 is the one
    with the pictures.
    """
    found = []
    for entry in folder.glob("video*"):
        try:
            name = (entry / "name").read_text().strip()
            index = (entry / "index").read_text().strip()
        except OSError:  # unplugged since the listing
            continue
        if index == "0":
            found.append((int(entry.name.removeprefix("video")), name))
    return [(f"/dev/video{number}", name) for number, name in sorted(found)]


def _listed_cameras(format_name: str) -> list[tuple[str, str]]:
    try:
        devices = av.device.enumerate_input_devices(format_name)
    except (av.error.FFmpegError, OSError, ValueError):
        return []
    return [(d.name, d.description) for d in devices if "video" in d.media_types]


def cameras(platform: str = sys.platform, folder: Path = _V4L) -> list[tuple[str, str]]:
    """(device, name) of the cameras that are plugged in."""
    if platform.startswith("linux"):
        return _linux_cameras(folder)
    return _listed_cameras("avfoundation" if platform == "darwin" else "dshow")


def _pick(wanted: str, found: list[tuple[str, str]]) -> str:
    """The device for a number or (a part of) a name."""
    if wanted.isdigit() and int(wanted) < len(found):
        return found[int(wanted)][0]
    for device, name in found:
        if wanted == device or wanted.casefold() == name.casefold():
            return device
    partly = [d for d, name in found if wanted.casefold() in name.casefold()]
    if len(partly) == 1 and wanted and not wanted.isdigit():
        return partly[0]
    there = "; ".join(f"{i}: {name}" for i, (_, name) in enumerate(found)) or "none"
    raise SourceError(
        f"camera:{wanted}: no camera, or more than one, goes by this; plugged in: {there}; "
        "check the cable, or write camera:NUMBER"
    )


def camera_target(
    wanted: str,
    mode: Mode = Mode(),
    platform: str = sys.platform,
    folder: Path = _V4L,
) -> Target:
    """What to open for ``camera:wanted``.

    Raises:
        SourceError: no such camera is plugged in.
    """
    label = f"camera:{wanted}"
    if platform.startswith("linux"):
        device = wanted if wanted.startswith("/dev/") else _pick(wanted, cameras(platform, folder))
        return Target(device, label, "v4l2", mode.options("input_format"))
    if platform == "darwin":
        # avfoundation finds cameras by number and by name on its own; it wants a rate to be named.
        options = {"framerate": "30", **mode.options("pixel_format")}
        return Target(wanted, label, "avfoundation", options)
    if platform == "win32":
        device = _pick(wanted, cameras(platform))
        options = {"rtbufsize": "256M", **mode.options("vcodec")}
        return Target(f"video={device}", label, "dshow", options)
    raise SourceError(f"{label}: cameras cannot be read on {platform}; use a network stream")


def screen_target(
    region: str,
    rate: float = 30.0,
    environ: Mapping[str, str] = os.environ,
    platform: str = sys.platform,
) -> Target:
    """What to open for ``screen:region``, WxH or WxH+X+Y.

    Raises:
        SourceError: not a region, or no screen that can be read.
    """
    label = f"screen:{region}"
    match = _REGION.fullmatch(region)
    if match is None or 0 in (int(match[1]), int(match[2])):
        raise SourceError(f"{label}: is no region; need WIDTHxHEIGHT+X+Y, as in 1280x720+0+0")
    display = environ.get("DISPLAY")
    if not platform.startswith("linux") or not display:
        raise SourceError(
            f"{label}: there is no X11 screen to read; run this in a Linux desktop session, "
            "or use a camera or a network stream"
        )
    x, y = match[3] or "0", match[4] or "0"
    options = {
        "video_size": f"{match[1]}x{match[2]}",
        "framerate": f"{rate:g}",
        "draw_mouse": "0",
    }
    return Target(f"{display}+{x},{y}", label, "x11grab", options)
