"""The contract of every source, and the way from what the user writes to one.

What ``--source`` takes: a video file; a folder of stills, or one still; ``camera:NUMBER`` or
``camera:NAME``; ``screen:WIDTHxHEIGHT+X+Y``; a URL (http, https, rtsp, rtsps, udp, tcp).
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit
from urllib.request import url2pathname

from stream.capture.clip import Clip
from stream.capture.container import Say
from stream.capture.devices import Mode, camera_target, screen_target
from stream.capture.errors import SourceError, SourceLost
from stream.capture.frame import Frame
from stream.capture.media import LiveMedia, log
from stream.capture.network import network_target
from stream.capture.stills import RAW_SUFFIXES, STILL_SUFFIXES, StillsFolder
from stream.capture.tap import Tap

__all__ = ["Mode", "Source", "SourceError", "SourceLost", "open_source"]

_URL = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*://")
_HOW = (
    "need a video file, a folder of stills, camera:0, screen:1280x720+0+0, or an address such as "
    "http://HOST/PATH"
)


class Source(Protocol):
    """Where frames come from. `open`, `read` and `close` in turn; used by one reader.

    Attributes:
        name: for people.
        live: frames come at their own time and have no end.
    """

    name: str
    live: bool

    def open(self) -> None:
        """Connect or open.

        Raises:
            SourceError: what the user can mend.
        """

    def read(self) -> Frame | None:
        """The next frame; waits for it. None: the end, which a live source does not have.

        Raises:
            SourceError: what the user can mend.
            SourceLost: a live source is gone.
        """

    def close(self) -> None:
        """Let go of it; never waits; may be called from another thread."""


def open_source(
    address: str,
    *,
    quarter_turns: int | None = None,
    paced: bool = True,
    loop: bool = False,
    still_s: float = 2.0,
    mode: Mode = Mode(),  # noqa: B008 - frozen
    device: str = "cpu",
    tap: Tap | None = None,
    say: Say = log.warning,
) -> Source:
    """The source for what the user wrote; nothing is opened yet.

    Args:
        address: see this module's own text.
        quarter_turns: clockwise turns that make the picture upright, 0 to 3, in place of what the
            source says; None believes the source.
        paced: files keep their own time; False is as fast as possible.
        loop: files begin again at their end.
        still_s: how long a still of a folder is shown, in seconds, when paced.
        mode: size, rate and codec to ask of a camera; the rate also for the screen.
        device: where the frames of files and network streams may stay: on a graphics card, named
            as in "cuda", that decodes them; anything else is main memory. Whoever wants them there
            takes `Frame.on_host`.
        tap: is given the compressed packets beside the frames, to record them.
        say: takes a sentence for the user.

    Returns:
        A source, to be opened with `Source.open`.

    Raises:
        SourceError: an address that means nothing here.
    """
    if quarter_turns is not None and quarter_turns not in range(4):
        raise SourceError(f"turn: got {quarter_turns} quarter turns; need 0, 1, 2 or 3")
    address = address.strip()
    if not address:
        raise SourceError(f"source: nothing was given; {_HOW}")
    if address.startswith("camera:"):
        target = camera_target(address.removeprefix("camera:"), mode)
        return LiveMedia(target, quarter_turns=quarter_turns, tap=tap, say=say)
    if address.startswith("screen:"):
        target = screen_target(address.removeprefix("screen:"), mode.rate or 30.0)
        return LiveMedia(target, quarter_turns=quarter_turns, tap=tap, say=say)
    if _URL.match(address) and not address.lower().startswith("file:"):
        return LiveMedia(
            network_target(address), quarter_turns=quarter_turns, device=device, tap=tap, say=say
        )
    if address.lower().startswith("file://"):
        path = Path(url2pathname(urlsplit(address).path))
    else:
        path = Path(address).expanduser()
    if not path.exists():
        raise SourceError(f"{address}: there is no such file or folder; {_HOW}")
    if path.is_dir() or path.suffix.lower() in STILL_SUFFIXES | RAW_SUFFIXES:
        if tap is not None:
            tap.refuse(f"{path.name}: stills are no film, so that nothing can be recorded of them")
        return StillsFolder(
            path, quarter_turns=quarter_turns, paced=paced, loop=loop, still_s=still_s, say=say
        )
    return Clip(
        path, quarter_turns=quarter_turns, paced=paced, loop=loop, device=device, tap=tap, say=say
    )
