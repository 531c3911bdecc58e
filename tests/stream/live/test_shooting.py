"""The clean plate of the stills: kept from a still, given to the stills of its size after it."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest

from models.keyer import KeySettings
from stream.event import Event
from stream.live.grabbing import Grabbing
from stream.live.keeping import Keeper
from stream.live.lately import Lately
from stream.live.notices import Notices
from stream.live.plates import PlateKeeper
from stream.live.posing import Posing
from stream.live.ring import Ring
from stream.live.shooting import Shooting
from stream.shot import load_frame, load_plate, load_shot
from tests.house.tree import ROOT
from tests.stream.live.evening import make_event
from tests.stream.live.frames import frame


@pytest.fixture
def event(tmp_path: Path) -> Event:
    return make_event(tmp_path)


def still(folder: Path, name: str, size: tuple[int, int], subject: bool = False) -> Path:
    picture = np.full((*size, 3), (60, 170, 40), np.uint8)
    if subject:
        picture[size[0] // 3 :, size[1] // 3 : size[1] // 2] = 150
    path = folder / name
    cv2.imwrite(str(path), picture)
    return path


def test_stills_after_it_have_it(event: Event, tmp_path: Path) -> None:
    ring, said = Ring(), list[str]()
    ring.add(frame(arrived_s=10.0, size=(180, 320)))
    shooting = Shooting(
        event, event.template(None), KeySettings(), ring, PlateKeeper(said.append), said.append
    )
    pressed = shooting.frame_at(10.0)
    shots = [shooting.take(pressed, ("007",), await_still=True).id for _ in range(4)]
    size = (240, 360)
    shooting.attach(shots[0], still(tmp_path, "before.jpg", size, subject=True))
    shooting.still_plate(still(tmp_path, "empty.jpg", size))
    assert any("empty.jpg" in s for s in said)
    shooting.attach(shots[1], still(tmp_path, "after.jpg", size, subject=True), "look at it")
    shooting.attach(shots[2], still(tmp_path, "other.jpg", (200, 300), subject=True))
    alone = shooting.still_alone(still(tmp_path, "alone.jpg", size, subject=True), ())
    shooting.drop_still_plate()
    shooting.attach(shots[3], still(tmp_path, "dropped.jpg", size, subject=True))
    plates = [load_shot(event, s).plate for s in shots]
    assert plates[0] is plates[2] is plates[3] is None
    assert plates[1] is not None
    assert alone.plate == plates[1]
    shot = load_shot(event, shots[1])
    assert "look at it" in shot.notes
    assert shot.still_until is None
    assert load_plate(event, plates[1]).fits(load_frame(event, shot), still=True)


def test_a_plate_with_somebody_in_it_is_said(event: Event, tmp_path: Path) -> None:
    said = list[str]()
    shooting = Shooting(
        event, event.template(None), KeySettings(), Ring(), PlateKeeper(said.append), said.append
    )
    shooting.still_plate(still(tmp_path, "empty.jpg", (240, 360)))
    assert "is not screen" not in said[-1]
    shooting.still_plate(still(tmp_path, "somebody.jpg", (240, 360), subject=True))
    # a sixth of the width, two thirds of the height
    share = re.search(r", but (\d+)% of it is not screen", said[-1])
    assert share is not None
    assert 10 <= int(share[1]) <= 13
    assert "take it again" in said[-1]


def test_the_frame_of_a_press_is_there_however_busy_the_keeper_was(event: Event) -> None:
    ring, said = Ring(longest_s=0.1), list[str]()
    shooting = Shooting(
        event, event.template(None), KeySettings(), ring, PlateKeeper(said.append), said.append
    )
    pressed = frame(arrived_s=10.0, size=(180, 320), index=7)
    ring.add(pressed)
    grabbing = Grabbing(
        shooting, Posing(event, Notices(said.append)), keeper := Keeper(said.append),
        Lately(event), Notices(said.append), None, lambda: None,
    )  # fmt: skip
    answer = grabbing.press(10.0)
    # The keeper, not begun yet, comes to it only when the ring has long gone on.
    ring.add(frame(arrived_s=18.0, size=(180, 320), index=200))
    keeper.start()
    shot = load_shot(event, answer.result(20)["shot"])
    assert keeper.close()
    assert (shot.index, grabbing.kept) == (7, 1)


FIRST_PRESS = """
import sys
from pathlib import Path

from models.keyer import KeySettings
from stream.event import Event
from stream.live.grabbing import Grabbing
from stream.live.keeping import Keeper
from stream.live.lately import Lately
from stream.live.notices import Notices
from stream.live.plates import PlateKeeper
from stream.live.posing import Posing
from stream.live.ring import Ring
from stream.live.shooting import Shooting
from tests.stream.live.frames import frame

event, ring = Event.open(Path(sys.argv[1])), Ring()
ring.add(frame(arrived_s=10.0, size=(90, 160)))
keeper = Keeper(print)
shooting = Shooting(
    event, event.template(None), KeySettings(), ring, PlateKeeper(print), print, keeper.after
)
grabbing = Grabbing(
    shooting, Posing(event, Notices(print)), keeper, Lately(event), Notices(lambda _: None), None,
    lambda: None,
)
answer, loaded = grabbing.press(10.0), []
answer.add_done_callback(lambda _: loaded.append("dbos" in sys.modules))
keeper.start()
print("note" in answer.result(60))
keeper.close(60)
print(loaded, "dbos" in sys.modules)
"""


def test_the_answer_to_a_press_does_not_wait_for_the_queues_libraries(event: Event) -> None:
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", FIRST_PRESS, str(event.paths.root)],
        cwd=ROOT, check=True, capture_output=True, text=True,
    )  # fmt: skip
    assert done.stdout.splitlines() == ["True", "[False] True"]
