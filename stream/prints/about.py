"""What is known of a finished picture and written into its file."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version


@dataclass(frozen=True)
class About:
    """One picture's facts.

    Attributes:
        ppi: pixels an inch in print.
        taken: when; its own time zone is kept.
        unique: 32 hex digits, the picture's ImageUniqueID; empty for a sheet, which is nobody's.
        event: the event's name; may be empty.
        people: names of those in it whom the event allows to be named.
        derived_from: the shot that it was made from; may be empty.
        bleed_px: picture pixels a side that are cut away after printing.
        trim_in: (width, height) of the trimmed print in inches, where it is known more exactly than
            whole pixels say it; a PDF page has exactly this size.
    """

    ppi: float
    taken: datetime
    unique: str
    event: str = ""
    people: tuple[str, ...] = ()
    derived_from: str = ""
    bleed_px: int = 0
    trim_in: tuple[float, float] | None = None


@cache
def software() -> str:
    """This program and its version, for people."""
    try:
        return f"Posewall {version('posewall')}"
    except PackageNotFoundError:
        return "Posewall"
