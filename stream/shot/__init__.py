"""Shots: what was captured, who, which template and settings, kept for good."""

from stream.shot.changes import (
    STILL_MISSED,
    attach_original,
    render_again,
    settle,
)
from stream.shot.editions import ByHand, change_shot
from stream.shot.finding import find_shot, load_shot, readable_shots, shot_ids, shots
from stream.shot.leftovers import sweep_leftovers
from stream.shot.plates import Plate, load_plate, plate_digest, save_plate
from stream.shot.record import RECORD, Shot, ShotError
from stream.shot.store import add_still, load_frame, save_shot
from stream.shot.titling import output_of, titled
from stream.shot.wanted import Wanted

__all__ = [
    "RECORD",
    "STILL_MISSED",
    "ByHand",
    "Plate",
    "Shot",
    "ShotError",
    "Wanted",
    "add_still",
    "attach_original",
    "change_shot",
    "find_shot",
    "load_frame",
    "load_plate",
    "load_shot",
    "output_of",
    "plate_digest",
    "readable_shots",
    "render_again",
    "save_plate",
    "save_shot",
    "settle",
    "shot_ids",
    "shots",
    "sweep_leftovers",
    "titled",
]
