"""Presses: what is at hand at the moment of one, and what becomes of it on the keeper's thread."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any

from stream.capture.arrivals import Arrivals
from stream.errors import UserError
from stream.live.choosing import WAIT_S, Choosing, together
from stream.live.keeping import Keeper
from stream.live.lately import Lately
from stream.live.notices import Notices
from stream.live.pose import Pose
from stream.live.posing import Posing
from stream.live.shooting import Shooting
from stream.live.tether import Awaiting, Tether
from stream.shot import Shot, find_shot
from stream.shot.choice import take_candidate

Answer = dict[str, Any]
# chosen: less than this is the unsteadiness of a camera, and nobody misses it.
SHORT_S = 0.5
TETHERED = (
    "A tethered camera takes the pictures here, so there are no last seconds to choose from; grab "
    "as usual, or choose among its stills with: posewall batch add --best"
)


class Grabbing:
    """Keeps frames and plates as they are asked for. Threads may share it."""

    def __init__(
        self,
        shooting: Shooting,
        posing: Posing,
        keeper: Keeper,
        lately: Lately,
        notices: Notices,
        tether: Tether | None,
        on_kept: Callable[[], None],
        choosing: Choosing | None = None,
    ) -> None:
        """Prepare.

        Args:
            shooting: what every shot of this run has in common.
            posing: who is in the next shots, and where.
            keeper: does what is asked in its turn.
            lately: is told of each shot.
            notices: take what is to be said.
            tether: waits for the camera's stills; None without a tethered camera.
            on_kept: told after each press that was kept.
            choosing: chooses best frames; None where none can be chosen.
        """
        self._shooting, self._posing, self._keeper = shooting, posing, keeper
        self._lately, self._notices, self._on_kept = lately, notices, on_kept
        self._choosing = choosing
        self.tether = tether
        self._lock = threading.Lock()
        self._kept = 0

    @property
    def kept(self) -> int:
        """How many shots this run has kept."""
        with self._lock:
            return self._kept

    def _count(self, shot: Shot) -> None:
        self._lately.kept(shot)
        with self._lock:
            self._kept += 1

    def press(self, moment_s: float) -> Future[Answer]:
        """Keep the frame of a moment, of who and what is next just now."""
        pose, tether = self._posing.pose, self.tether
        numbers = pose.numbers
        # The keeper may be busy for longer than the last frames are remembered.
        held = self._shooting.ring.nearest(moment_s)

        def take() -> Answer:
            nudge = pose.nudge
            try:
                frame = self._shooting.frame_at(moment_s, held)
                shot = self._shooting.take(frame, numbers, tether is not None, pose.template, nudge)
            except UserError as error:
                if tether is None:
                    raise
                # The camera still makes its picture: wait for it without a video frame.
                tether.press(Awaiting(moment_s, numbers, None, template=pose.template, nudge=nudge))
                raise UserError(f"{error} The camera's still is awaited and kept alone.") from error
            if tether is not None:
                tether.press(Awaiting(moment_s, numbers, shot.id))
            answer = self._kept_words(shot, pose)
            sentence = answer["sentence"]
            soft = self._shooting.enlarged(moment_s, pose.template) if tether is None else None
            if soft:
                self._notices.passing(soft[0].upper() + soft[1:] + ".")
                answer |= {"sentence": f"{sentence}; {soft}", "note": soft}
            return answer

        return self._keeper.do(take)

    def _kept_words(self, shot: Shot, pose: Pose) -> Answer:
        """Count a shot, and say that it is kept."""
        self._count(shot)
        self._on_kept()
        names = ", ".join(p.name for p in pose.people)
        sentence = f"Kept {shot.id}" + (f", {names}" if names else "")
        return {"shot": shot.id, "people": list(pose.numbers), "sentence": sentence}

    def press_best(self, moment_s: float, seconds: float) -> Future[Answer]:
        """Keep the frame of a moment, then make the shot of the best of the seconds before it.

        Raises:
            UserError: a tethered camera makes the pictures.
        """
        choosing = self._choosing
        if self.tether is not None or choosing is None:
            raise UserError(TETHERED)
        pose = self._posing.pose
        held, around = self._shooting.ring.nearest(moment_s), choosing.hold(moment_s, seconds)

        def take() -> Answer:
            begun = False
            try:
                frame = self._shooting.frame_at(moment_s, held)
                frames = together(around, frame)
                choose_s = WAIT_S if frames else None
                shot = self._shooting.take(
                    frame, pose.numbers, False, pose.template, pose.nudge, choose_s
                )
                if frames:
                    choosing.begin(shot, frames)
                    begun = True
            finally:
                if around is not None and not begun:
                    choosing.let_go()
            answer = self._kept_words(shot, pose)
            short = None
            if begun and frames is not None:
                back_s = max(0.0, frame.arrived_s - frames[0].arrived_s)
                more = f"the best frame of the last {back_s:.1f} s is being chosen"
                if seconds - back_s > SHORT_S:
                    short = f"{seconds:g} s were asked for, but no more than that is remembered"
                    more = f"{more}; {short}"
            elif around is None:
                more = "the last presses are still being stored, so its own frame is used"
            else:
                more = "there is no other frame to choose from"
            sentence = f"{answer['sentence']}; {more}"
            return answer | {"best": begun, "short": short, "sentence": sentence}

        return self._keeper.do(take)

    def settled(self, shot: Shot) -> None:
        """A shot's frame was chosen, or another one taken: its picture can be made."""
        self._lately.kept(shot)
        self._shooting.queue(shot.id)
        self._on_kept()

    def use_frame(self, shot: str, place: int) -> Future[Answer]:
        """Make a kept shot of another of the frames that stand beside it."""

        def take() -> Answer:
            event = self._shooting.event
            kept = take_candidate(event, find_shot(event, shot).id, place)
            self.settled(kept)
            sentence = f"Shot {kept.id} is made of its frame {place}"
            return {"shot": kept.id, "place": place, "sentence": sentence}

        return self._keeper.do(take)

    def plate(self, moment_s: float) -> Future[Answer]:
        """Keep the frame of a moment as the clean plate."""
        tether = self.tether

        def take() -> Answer:
            answer = self._shooting.take_plate(moment_s)
            if tether is not None:
                tether.press(Awaiting(moment_s, (), None, plate=True))
                answer["sentence"] += (
                    "; trigger the camera now as well, its next still is the stills' clean plate"
                )
            return answer

        return self._keeper.do(take)

    def drop_still_plate(self) -> None:
        """Cut the stills after this without a clean plate."""
        self._shooting.drop_still_plate()

    def tend(self, arrivals: Arrivals) -> None:
        """Hand the stills that have come to their presses; to be called now and then."""
        tether = self.tether
        if tether is None:
            return
        for still in arrivals.poll():
            came_s = time.monotonic()
            self._keeper.do(
                lambda still=still, came_s=came_s: self._got(tether.arrived(still, came_s))  # type: ignore[misc]
            )
        self._keeper.do(lambda: self._got(tether.expire()))
        self._tell_unpressed(tether)

    def _got(self, shots: list[Shot]) -> Answer:
        for shot in shots:
            if shot.proxy is None:  # kept only now; otherwise the press has counted it
                self._count(shot)
            else:
                self._lately.kept(shot)
        return {"shots": [shot.id for shot in shots]}

    def _tell_unpressed(self, tether: Tether) -> None:
        paths = tether.unpressed
        if paths:
            many = "still belongs" if len(paths) == 1 else "stills belong"
            self._notices.standing(
                "unpressed",
                f"{len(paths)} {many} to no grab, the last is {paths[-1].name}; they stay in "
                f"{paths[-1].parent}. Add them with: posewall batch add",
            )
