"""Which encoder a film gets: tried out before it is trusted, and kept to once a film has begun.

Pieces of two encoders do not go together. So a film that was broken off goes on with the encoder
that it was begun with, and one that another program has in use just now is waited for: only where
it is not there any more are the pieces given up.
"""

from __future__ import annotations

import errno
import io
import logging
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import av
import torch
from torch import Tensor

from stream.film.encoder import (
    HARDWARE,
    SOFTWARE,
    Coding,
    EncoderError,
    code,
    reason,
    software,
)

log = logging.getLogger("posewall.film")

WAITS_S = (1.0, 2.0, 4.0, 8.0, 15.0, 30.0, 60.0)
"""chosen: two minutes for the encoders of a take's films, where they are in use. Cards open few at
a time; another program's is often open for the length of a clip."""
_LOOK_S = 0.5
_TRIED_FRAMES = 12
# A matter of the moment, as is an error of the card's own library; all else is said where driver
# or device is missing.
_PASSING = (errno.EAGAIN, errno.EBUSY, errno.ENOMEM)
_MOST_OFF = (4.0, 2.0, 2.0)
"""Mean differences, in codes, of what an encoder makes of a smooth picture's planes; a broken one
is far above them. Less in the chroma: all of it off by so much is a tint that is seen."""


@dataclass(frozen=True)
class Refusal:
    """Why an encoder cannot be used now.

    Attributes:
        why: for people.
        passes: it may only be in use; else it is not there, or makes another picture.
    """

    why: str
    passes: bool = False


Try = Callable[[Coding, tuple[int, int], Fraction], Refusal | None]


def _smooth(size: tuple[int, int], shift: int) -> list[Tensor]:
    """A picture that every encoder can code well: ramps that move, of a kind in each plane."""
    planes = []
    for step, least, span in ((1, 40, 150), (2, 80, 70), (2, 190, -70)):
        y = step * torch.arange(size[0] // step)[:, None]
        x = step * torch.arange(size[1] // step)[None]
        planes.append((least + (y + x + 4 * shift) * span // (sum(size) + 64)).to(torch.uint8))
    return planes


def _is(frame: av.VideoFrame, planes: Sequence[Tensor]) -> bool:
    """Whether a decoded frame shows what was coded, luma and both colours."""
    height, width = planes[0].shape
    if frame.format.name != "yuv420p" or (frame.height, frame.width) != (height, width):
        return False
    codes, at = frame.to_ndarray().reshape(-1), 0
    for plane, most in zip(planes, _MOST_OFF, strict=True):
        given = plane.numpy().astype(float).reshape(-1)
        if abs(codes[at : at + given.size] - given).mean() > most:
            return False
        at += given.size
    return True


def tried(coding: Coding, size: tuple[int, int], rate: Fraction) -> Refusal | None:
    """Code a few frames in memory and look at them.

    Args:
        coding, size, rate: as in `stream.film.encoder.add_picture`.

    Returns:
        Why the encoder cannot be used; None where it can.
    """
    if coding.encoder not in av.codecs_available:
        return Refusal("the media library has none")
    given = [_smooth(size, i) for i in range(_TRIED_FRAMES)]
    made = io.BytesIO()
    try:
        code(made, coding, size, rate, _TRIED_FRAMES, given)
        made.seek(0)
        with av.open(made, "r", format="matroska") as container:
            frames = list(container.decode(video=0))
    except (av.error.FFmpegError, OSError, MemoryError) as e:
        return Refusal(reason(e), may_pass(e))
    except ValueError as e:
        return Refusal(reason(e))
    if len(frames) != _TRIED_FRAMES or not frames[0].key_frame:
        return Refusal(f"it gave {len(frames)} frames of {_TRIED_FRAMES}")
    if not all(_is(frame, planes) for frame, planes in zip(frames, given, strict=True)):
        return Refusal("what it gave is another picture")
    return None


def may_pass(error: Exception) -> bool:
    """Whether an encoder that says so may only be in use."""
    passing = isinstance(error, MemoryError | av.error.ExternalError)
    return passing or getattr(error, "errno", None) in _PASSING


def choose(
    size: tuple[int, int],
    rate: Fraction,
    wanted: str = "auto",
    try_out: Try = tried,
) -> Coding:
    """The encoder for a film.

    Args:
        size, rate: of the film.
        wanted: "auto": the machine's own where one works, else software; or the name of one.
        try_out: as `tried`.

    Raises:
        EncoderError: none works, or the one that is wanted does not.
    """
    known = {c.encoder: c for c in (*HARDWARE, software())}
    if wanted != "auto" and wanted not in known:
        raise EncoderError(
            f"encoder '{wanted}' is not known; choose auto or one of {', '.join(known)}."
        )
    order = known.values() if wanted == "auto" else [known[wanted]]
    whys = []
    for coding in order:
        refusal = try_out(coding, size, rate)
        if refusal is None:
            return coding
        log.info("the encoder %s is not used: %s", coding.encoder, refusal.why)
        whys.append(f"{coding.encoder}: {refusal.why}")
    raise EncoderError(
        f"no encoder for films works here ({'; '.join(whys)}); install the program anew with its "
        "own media library."
    )


def begun_with(
    begun: Mapping[str, Any], sizes: Mapping[str, tuple[int, int]], wanted: str = "auto"
) -> dict[str, Coding] | None:
    """How films in work were begun, to be gone on with.

    Args:
        begun: their codings by the names of their shapes, as `Coding.to_json` gave them.
        sizes: (H, W) of the films that are wanted, by those names.
        wanted: as of `choose`.

    Returns:
        None where others are wanted.
    """
    known = {c.encoder: c for c in (*HARDWARE, software())}
    found: dict[str, Coding] = {}
    try:
        for name in sizes:
            # As many threads as it was begun with: a film may be finished on another computer.
            coding = replace(known[begun[name]["encoder"]], threads=int(begun[name]["threads"]))
            if coding.to_json() != begun[name] or wanted not in ("auto", coding.encoder):
                return None
            found[name] = coding
    except (KeyError, TypeError, ValueError):
        return None
    return found if set(begun) == set(sizes) else None


def all_there(
    codings: Mapping[str, Coding],
    sizes: Mapping[str, tuple[int, int]],
    rate: Fraction,
    look: Callable[[], None] = lambda: None,
    sleep: Callable[[float], object] = time.sleep,
    try_out: Try = tried,
) -> bool:
    """Whether films can be gone on with: their encoders work, now or in a while.

    Args:
        codings: of the films, by the names of their shapes.
        sizes: (H, W) by those names.
        rate: frames a second.
        look: called now and then while an encoder is waited for; what it raises ends that.
        sleep: waits so many seconds.
        try_out: as `tried`.
    """
    waits_s = iter(WAITS_S)  # for all of them together
    return all(
        coding.encoder == SOFTWARE
        or _comes(coding, sizes[name], rate, waits_s, look, sleep, try_out)
        for name, coding in codings.items()
    )


def waited(
    seconds: float, look: Callable[[], None], sleep: Callable[[float], object] = time.sleep
) -> None:
    """Wait, and look twice a second whether to go on; what ``look`` raises ends it."""
    for _ in range(round(seconds / _LOOK_S)):
        look()
        sleep(_LOOK_S)


def _comes(
    coding: Coding,
    size: tuple[int, int],
    rate: Fraction,
    waits_s: Iterator[float],
    look: Callable[[], None],
    sleep: Callable[[float], object],
    try_out: Try,
) -> bool:
    """Whether an encoder can be used, now or in a while."""
    refusal = try_out(coding, size, rate)
    while refusal is not None and refusal.passes:
        wait_s = next(waits_s, None)
        if wait_s is None:
            break
        log.info("the encoder %s is waited for: %s", coding.encoder, refusal.why)
        waited(wait_s, look, sleep)
        refusal = try_out(coding, size, rate)
    if refusal is None:
        return True
    log.warning(
        "the encoder %s, with which a film was begun, is not there any more (%s); the film is "
        "made anew",
        coding.encoder,
        refusal.why,
    )
    return False
