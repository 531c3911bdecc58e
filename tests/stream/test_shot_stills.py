"""Tethered stills, plates, and what is left over."""

from __future__ import annotations

import hashlib
import os
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest

from stream.durable import PARTIAL, STALE_S
from stream.errors import UserError
from stream.event import Event
from stream.shot import (
    STILL_MISSED,
    ShotError,
    add_still,
    attach_original,
    load_frame,
    load_plate,
    load_shot,
    render_again,
    save_plate,
    save_shot,
    settle,
    shot_ids,
    sweep_leftovers,
)
from stream.shot.store import LEAST_SIDE
from tests.stream.batch.scenario import (
    SETTINGS,
    make_frame,
    make_still,
    same_planes,
)

# --- tethered stills ------------------------------------------------------------------------

SOON = datetime.now(UTC) + timedelta(hours=1)


def test_a_tethered_still_becomes_the_shot_and_the_video_frame_its_proxy(
    event: Event, tmp_path: Path
) -> None:
    shot = save_shot(event, make_frame(1), people=["1"], settings=SETTINGS, still_until=SOON)
    assert load_frame(event, shot).source == "pier camera"
    still = make_still(tmp_path / "IMG 0001.JPG")
    done = attach_original(event, shot.id, still)
    assert done == load_shot(event, shot.id)
    folder = event.paths.shots / shot.id
    assert done.original == done.frame
    assert (folder / done.frame).read_bytes() == still.read_bytes()
    assert done.sha256 == hashlib.sha256(still.read_bytes()).hexdigest()
    assert (done.proxy, done.still_until, done.job) == (shot.frame, None, shot.job)
    frame = load_frame(event, done)
    assert frame.upright_size == (160, 200)
    assert frame.taken.isoformat() == "2026-05-31T18:04:07+02:00"
    # The same still once more changes nothing; another one is refused.
    assert attach_original(event, shot.id, still) == done
    with pytest.raises(ShotError, match="already"):
        attach_original(event, shot.id, make_still(tmp_path / "b.jpg", seed=2))


def test_a_damaged_still_never_takes_the_frames_place(event: Event, tmp_path: Path) -> None:
    shot = save_shot(event, make_frame(1), settings=SETTINGS, still_until=SOON)
    still = make_still(tmp_path / "a.jpg")
    still.write_bytes(still.read_bytes()[:300])
    before = {f: f.stat().st_size for f in event.paths.shots.rglob("*") if f.is_file()}
    with pytest.raises(UserError):
        attach_original(event, shot.id, still)
    assert {f: f.stat().st_size for f in event.paths.shots.rglob("*") if f.is_file()} == before
    assert load_shot(event, shot.id) == shot


def test_a_still_that_does_not_come_and_one_that_comes_late(event: Event, tmp_path: Path) -> None:
    shot = save_shot(event, make_frame(1), settings=SETTINGS, still_until=SOON)
    settled = settle(event, shot.id)
    assert (settled.still_until, settled.frame, settled.notes) == (
        None,
        shot.frame,
        (STILL_MISSED,),
    )
    assert settle(event, shot.id) == settled
    late = attach_original(event, shot.id, make_still(tmp_path / "a.jpg"))
    # A new job under the same picture name: the print is made once more, not twice.
    assert late.job != settled.job
    assert (late.picture, late.notes) == (settled.picture, ())


def test_a_still_added_twice_is_one_shot(event: Event, tmp_path: Path) -> None:
    still = make_still(tmp_path / "a.jpg")
    first, new = add_still(event, still, people=["2"], settings=SETTINGS)
    same, again = add_still(event, still, people=["2"], settings=SETTINGS)
    other, third = add_still(event, still, people=["1"], settings=SETTINGS)
    assert (new, again, third) == (True, False, True)
    assert same == first
    assert other.id != first.id
    with pytest.raises(UserError):
        add_still(event, tmp_path / "nowhere.jpg", settings=SETTINGS)


def test_a_tiny_still_is_refused_in_a_sentence(event: Event, tmp_path: Path) -> None:
    tiny = make_still(tmp_path / "tiny.jpg", size=(200, LEAST_SIDE - 1))
    shot = save_shot(event, make_frame(1), settings=SETTINGS, still_until=SOON)
    for use in (
        partial(add_still, event, tiny, settings=SETTINGS),
        partial(attach_original, event, shot.id, tiny),
    ):
        with pytest.raises(UserError, match=r"200 x 15 pixels.*at least 16") as caught:
            use()
        assert "\n" not in str(caught.value)
    assert shot_ids(event) == [shot.id]
    assert load_shot(event, shot.id) == shot
    least = make_still(tmp_path / "least.jpg", size=(LEAST_SIDE, LEAST_SIDE))
    assert add_still(event, least, settings=SETTINGS)[1]


def test_a_corrected_name_changes_the_picture_name_and_remembers_the_old(event: Event) -> None:
    shot = save_shot(event, make_frame(), people=["1"], settings=SETTINGS)
    assert shot.picture == "0001-Mira-Tallow.jpg"
    text = event.paths.roster.read_text("utf-8").replace("Tallow", "Tallowe")
    event.paths.roster.write_text(text, "utf-8")
    again = render_again(event, shot.id)
    assert again.picture == "0001-Mira-Tallowe.jpg"
    assert again.former_pictures == (shot.picture,)
    assert again.render == shot.render + 1


# --- plates and leftovers -------------------------------------------------------------------


def test_a_plate_belongs_to_one_kind_of_source_and_size(event: Event, tmp_path: Path) -> None:
    frame = make_frame(9)
    plate = load_plate(event, save_plate(event, frame))
    assert same_planes(plate.frame.planes, frame.planes)
    assert plate.frame.encoding == frame.encoding
    assert plate.fits(make_frame(1), still=False)
    assert not plate.fits(make_frame(1), still=True)
    assert not plate.fits(make_frame(1, quarter_turns=1), still=False)
    assert not plate.fits(make_frame(1, size=(48, 64)), still=False)
    assert plate.fits(make_frame(1, size=(128, 96), quarter_turns=1), still=False)
    path = make_still(tmp_path / "empty.jpg")
    add, _ = add_still(event, path, settings=SETTINGS)
    still = load_frame(event, add)
    first = save_plate(event, still, still=path)
    assert save_plate(event, still, still=path) == first
    assert load_plate(event, first).fits(still, still=True)
    for wrong in ("../shots", "20260101-000000-abc"):
        with pytest.raises(ShotError):
            load_plate(event, wrong)


def test_leftovers_are_swept_and_work_in_progress_is_not(event: Event) -> None:
    shot = save_shot(event, make_frame(), settings=SETTINGS)
    old, young = event.paths.shots / f"{PARTIAL}old", event.paths.shots / f"{PARTIAL}young"
    for folder in (old, young):
        folder.mkdir()
        (folder / "frame.mkv").write_bytes(b"half")
    stale = event.paths.pictures / f"{PARTIAL}old"
    stale.write_bytes(b"half")
    past = datetime.now(UTC).timestamp() - STALE_S - 10
    (version,) = event.paths.template_versions.iterdir()
    half = version / f"{PARTIAL}old"
    half.mkdir()
    for path in (old, old / "frame.mkv", stale, half):
        os.utime(path, (past, past))
    assert sweep_leftovers(event) == 3
    assert not half.exists()
    assert young.is_dir()
    assert load_shot(event, shot.id) == shot
