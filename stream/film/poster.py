"""The poster of a film: its best frame as a picture of its own."""

from __future__ import annotations

from torch import Tensor

from stream.event import Event
from stream.people import Person
from stream.prints.about import About
from stream.prints.output import Output
from stream.prints.picture import picture_bytes
from stream.take import Take

_PPI = 72.0
"""It is for screens; *common practice*."""
_QUALITY = 92


def poster_bytes(codes: Tensor, event: Event, take: Take, people: tuple[Person, ...] = ()) -> bytes:
    """A frame of a film as a JPEG file, in sRGB.

    Args:
        codes: (H, W, 3) uint8, sRGB.
        event: whose name stands in it.
        take: that the film is made of.
        people: whose names may stand in it.
    """
    names = tuple(p.shown_name for p in people if p.shown_name)
    about = About(_PPI, take.begun, take.unique, event.name, names, take.id)
    return picture_bytes(codes, Output(quality=_QUALITY, names=bool(names)), about)
