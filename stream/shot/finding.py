"""Kept shots by id or number."""

from __future__ import annotations

from stream.records import Records
from stream.shot.record import ID_FORM, RECORD, Shot, ShotError

SHOTS = Records(
    kind="shot",
    folder=lambda event: event.paths.shots,
    file=RECORD,
    ids_form=ID_FORM,
    before="",
    read=Shot.from_json,
    error=ShotError,
    ids_said="'posewall batch status' lists them",
    always=True,
)

load_shot = SHOTS.load
shot_ids = SHOTS.ids
shots = SHOTS.each
find_shot = SHOTS.find
readable_shots = SHOTS.readable
