"""Who stands in the next shots, in which design, and how far they are moved in it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from models.errors import PosewallError
from stream.errors import UserError
from stream.event import Event
from stream.live import people as who
from stream.live.keeping import lower_priority
from stream.live.notices import Notices
from stream.live.pose import CHOSEN, ORDERED, USUAL, Pose, moved_words, numbers_of, rounded
from stream.live.scenes import SceneMaker
from stream.live.taking import sentence
from stream.people import orders_of
from stream.people.upcoming import Upcoming, keep_upcoming, upcoming
from stream.template import Nudge, Template
from stream.template.template import NO_NUDGE

# chosen: a program that was ended by mistake, or has died, is started again within minutes; who was
# next before a long break is not.
KEPT_FOR = timedelta(hours=2)
# chosen: long enough to be seen after a start, whoever looks up late.
RESTORED_S = 180.0
# chosen: a roster that is being saved may be without somebody for a moment.
GONE_S = 3.0


class Posing:
    """Keeps the pose and has its scene built. Threads may share it."""

    def __init__(
        self,
        event: Event,
        notices: Notices,
        clock: Callable[[], float] = time.monotonic,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        """Begin with nobody.

        Args:
            event: whose people they are.
            notices: take what is to be said.
            clock: monotonic, seconds.
            now: the wall clock, aware.
        """
        self._event = event
        self._notices = notices
        self._clock, self._now = clock, now
        self._gone_since_s: float | None = None
        self._lock = threading.Lock()
        # A change may read a template, which takes seconds: the next one waits for it, or the
        # later wish would be overwritten by the one before. A press does not wait.
        self._changing = threading.Lock()
        self._pose = Pose()
        self._usual: Template | None = None
        self._scenes: SceneMaker | None = None
        # Who was next when the program ended, until they are shown or somebody else is chosen.
        self._due: Upcoming | None = None
        # They could not be shown as they were: until somebody is chosen their file stays.
        self._left_alone = False

    @property
    def pose(self) -> Pose:
        """As it is now."""
        with self._lock:
            return self._pose

    def begin(self, usual: Template, scenes: SceneMaker) -> None:
        """Show somebody, or nobody, in the usual template from now on."""
        self._usual, self._scenes = usual, scenes
        before = self.pose
        if not before.people and before.why != CHOSEN:
            self._due = upcoming(self._event.paths)
            self._left_alone = self._due is not None
        if not self._restored():
            # The pages are there before this: who and what was chosen there stays so.
            self._take(lambda pose: pose if pose.why == CHOSEN else self._dressed(pose, None))

    def _restored(self) -> bool:
        """Show who was next when the program ended, and say so; False where that is not now."""
        due = self._due
        if due is None:
            return False
        # Said in the future it was before somebody set the clock.
        if abs(self._now() - due.said) > KEPT_FOR:
            self._due, self._left_alone = None, False
            return False
        try:
            roster = self._event.roster
        except UserError:
            return False
        people = tuple(p for number in due.people if (p := roster.get(number)))
        if not self._sure(len(people) == len(due.people)):
            return False

        def change(now: Pose) -> Pose:
            if self._due is not due:
                return now  # somebody was chosen meanwhile
            self._due, self._left_alone = None, True
            after = replace(now, people=people)
            if now.why == CHOSEN:
                self._left_alone = False
                return after
            try:
                pose = self._dressed(after, due.template)
            except PosewallError as error:
                self._notices.passing(str(error))
                return self._dressed(after, None)
            self._left_alone = False
            return pose

        pose = self._take(change)
        if people and pose.people == people:
            self._notices.standing(
                "next",
                f"In the next picture, as before the program ended: {numbers_of(people)}. Say so "
                "if somebody else stands there now.",
                RESTORED_S,
            )
        return True

    def _sure(self, whole: bool) -> bool:
        """Whether the roster has everybody, or has been without somebody for a while."""
        if whole:
            self._gone_since_s = None
            return True
        if self._gone_since_s is None:
            self._gone_since_s = self._clock()
        return self._clock() - self._gone_since_s >= GONE_S

    def tend(self) -> None:
        """Let go of who was taken off the roster, and take corrections; called now and then.

        Who was next before the program ended is shown once the roster can be read.
        """
        if self._due is not None:
            self._restored()
            return
        pose = self.pose
        if not pose.people:
            return
        try:
            roster = self._event.roster
        except UserError:
            return
        now = [roster.get(p.number) for p in pose.people]
        if not self._sure(None not in now) or tuple(now) == pose.people:
            return

        def change(before: Pose) -> Pose:
            left = tuple(p for old in before.people if (p := roster.get(old.number)))
            after = replace(before, people=left)
            return after if before.why == CHOSEN else self._dressed(after, None)

        gone = tuple(p for p in pose.people if roster.get(p.number) is None)
        self._gone_since_s = None
        self._take(change)
        if gone:
            self._notices.standing("next", None)
            verb = "is" if len(gone) == 1 else "are"
            words = (
                f"{numbers_of(gone)} {verb} no longer on the roster, and not in the next picture"
            )
            self._notices.passing(sentence(f"{words} any more"))

    def read_templates(self, stop: threading.Event) -> None:
        """Read the event's templates beside the loop, so that the first of each does not wait.

        Args:
            stop: set when all ends.
        """
        lower_priority()
        for name in self._event.template_names:
            if stop.is_set():
                return
            try:
                template = self._event.template(name)
            except (PosewallError, OSError) as error:
                self._notices.passing(str(error))
            else:
                if self._scenes is not None:
                    self._scenes.warm(template)

    def choose(self, words: Sequence[str], template: str | None = None) -> dict[str, Any]:
        """Say who is in the next shots, and in which template where it is not what they ordered.

        Args:
            words: numbers or names; none for nobody by name.
            template: its name.

        Raises:
            UserError: somebody or a template that there is not.
        """

        def change(now: Pose) -> Pose:
            people = who.chosen(self._event, words)
            same = people == now.people and template is None and now.why == CHOSEN
            pose = now if same else self._dressed(replace(now, people=people), template)
            self._due = None
            return pose

        pose = self._take(change, said=True)
        self._notices.standing("next", None)
        people = pose.people
        names = ", ".join(p.name for p in people) or "nobody by name"
        said = f"Next: {names}"
        if pose.template is not None and pose.why != USUAL:
            said += f", in {pose.template.name} ({pose.why})"
        return {"people": [who.plain(p) for p in people], "sentence": said}

    def show_in(self, template: str) -> dict[str, Any]:
        """Show the people in another template until somebody else is next.

        Raises:
            UserError: there is no such template, or it cannot be used.
        """
        # Who is waited for since the start is shown in it, too.
        pose = self._take(lambda now: self._dressed(now, template), said=self._due is None)
        return {"sentence": f"In {pose.template.name if pose.template else template}"}

    def move(self, right: float, down: float, scale: float) -> dict[str, Any]:
        """Move the subjects of the next shots a little further; all zero puts them back.

        Raises:
            UserError: further than can be.
        """
        back = (right, down, scale) == (0, 0, 1)
        step = Nudge(right, down, scale)
        moved = self._take(
            lambda now: replace(now, moved=Nudge() if back else rounded(now.moved.then(step)))
        ).moved
        return {"sentence": moved_words(moved)}

    def state(self) -> dict[str, Any]:
        """For the pages."""
        pose = self.pose
        return {
            "next": [who.plain(p) for p in pose.people],
            "template": pose.template.name if pose.template else None,
            "why": pose.why,
            "usual": self._usual.name if self._usual else None,
            "templates": list(self._event.template_names),
            "ready": self._scenes is not None and self._scenes.ready,
            "moved": None if pose.moved == Nudge() else moved_words(pose.moved),
        }

    def _take(self, change: Callable[[Pose], Pose], said: bool = False) -> Pose:
        """Change the pose; ``said`` where somebody says who or what is next."""
        with self._changing:
            before = self.pose
            pose = change(before)
            if said:
                self._left_alone = False
            pose = replace(pose, said=self._said(pose, before))
            with self._lock:
                self._pose = pose
            self._keep(before, pose)
            self._show(pose)
        return pose

    def _keep(self, before: Pose, pose: Pose) -> None:
        """Keep who and what is next where that is another than before."""
        if self._left_alone:
            return
        kept = upcoming(self._event.paths)
        template = pose.template.name if pose.template and pose.why == CHOSEN else None
        known = ((), None) if kept is None else (kept.people, kept.template)
        if before is pose or known == (pose.numbers, template):
            return
        try:
            keep_upcoming(self._event.paths, Upcoming(pose.numbers, template, self._now()))
        except UserError as error:
            self._notices.passing(str(error))

    def _said(self, pose: Pose, before: Pose) -> Nudge:
        """What the event says now; where that cannot be read, what it said before."""
        if pose.template is None:
            return NO_NUDGE
        try:
            return self._event.nudge(pose.template.name)
        except UserError as error:
            self._notices.passing(str(error))
        same = before.template is not None and before.template.name == pose.template.name
        return before.said if same else NO_NUDGE

    def _dressed(self, pose: Pose, chosen: str | None) -> Pose:
        """The pose in the template that was chosen, else ordered, else in the usual one."""
        if chosen is not None:
            return replace(pose, template=self._event.template(chosen), why=CHOSEN)
        for order in orders_of(pose.people):
            if order.template is None:
                break
            try:
                return replace(pose, template=self._event.template(order.template), why=ORDERED)
            except UserError as error:
                self._notices.passing(f"An order cannot be shown: {error}")
        return replace(pose, template=self._usual, why=USUAL)

    def _show(self, pose: Pose) -> None:
        if self._scenes is None or pose.template is None:
            return
        fields = who.texts(pose.people)
        self._scenes.want(fields, pose.template, pose.nudge)
        told = list(pose.template.scene_warnings(fields)) if pose.people else []
        if pose.template.shots > 1:
            told.append(
                f"this design shows {pose.template.shots} shots; the others are added with "
                "'posewall batch change SHOT --beside SHOT'"
            )
        self._notices.standing("scene", " ".join(f"{w}." for w in told) or None)
