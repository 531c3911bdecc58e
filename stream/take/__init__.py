"""Takes: picture and sound recorded between two presses, kept for good."""

from stream.take.finding import (
    find_take,
    load_take,
    replace_take,
    rewrite_take,
    take_ids,
    takes,
)
from stream.take.record import MEDIA, RECORD, SHAPES, VIEW, FilmWanted, Take, TakeError

__all__ = [
    "MEDIA",
    "RECORD",
    "SHAPES",
    "VIEW",
    "FilmWanted",
    "Take",
    "TakeError",
    "find_take",
    "load_take",
    "replace_take",
    "rewrite_take",
    "take_ids",
    "takes",
]
