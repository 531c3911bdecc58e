"""Takes: picture and sound recorded between two presses, kept for good."""

from stream.take.about import About
from stream.take.adding import add_clip
from stream.take.finding import (
    find_take,
    load_take,
    readable_takes,
    replace_take,
    rewrite_take,
    take_ids,
    takes,
)
from stream.take.reading import TakeReader, open_take
from stream.take.record import MEDIA, RECORD, VIEW, FilmWanted, Take, TakeError
from stream.take.recorder import Recorder, RecorderState
from stream.take.ring import PacketRing, RingState
from stream.take.sweeping import cut_off_takes, sweep_takes

__all__ = [
    "MEDIA",
    "RECORD",
    "VIEW",
    "About",
    "FilmWanted",
    "PacketRing",
    "Recorder",
    "RecorderState",
    "RingState",
    "Take",
    "TakeError",
    "TakeReader",
    "add_clip",
    "cut_off_takes",
    "find_take",
    "load_take",
    "open_take",
    "readable_takes",
    "replace_take",
    "rewrite_take",
    "sweep_takes",
    "take_ids",
    "takes",
]
