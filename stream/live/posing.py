"""Who stands in the next shots, in which design, and how far they are moved in it."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any

from models.errors import PosewallError
from stream.errors import UserError
from stream.event import Event
from stream.live import people as who
from stream.live.keeping import lower_priority
from stream.live.notices import Notices
from stream.live.scenes import SceneMaker
from stream.people import Person, orders_of
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
USUAL, ORDERED, CHOSEN = "usual", "ordered", "chosen"
"""Why a template is shown."""


@dataclass(frozen=True)
class Pose:
    """What the next shots are of.

    Attributes:
        people: who is in them.
        template: the design that the stage shows; None until the program is ready.
        why: `USUAL`, `ORDERED` or `CHOSEN`.
        said: how far the event and the template move subjects.
        moved: by hand, beside that.
    """

    people: tuple[Person, ...] = ()
    template: Template | None = None
    why: str = USUAL
    said: Nudge = NO_NUDGE
    moved: Nudge = NO_NUDGE

    @property
    def nudge(self) -> Nudge:
        """The whole of it, as the stage shows it and a shot keeps it."""
        return self.said.then(self.moved)

    @property
    def numbers(self) -> tuple[str, ...]:
        """Their roster numbers."""
        return tuple(p.number for p in self.people)


def _numbers(people: Sequence[Person]) -> str:
    """Who, by number: what is said on the terminal may be kept somewhere."""
    return f"{'umbers' if len(people) > 1 else 'umber'} {', '.join(p.number for p in people)}"


def _rounded(nudge: Nudge) -> Nudge:
    """One step there and one back is as before, without a rest of floating point."""
    return Nudge(round(nudge.right, 3), round(nudge.down, 3), round(nudge.scale, 4))


def moved_words(nudge: Nudge) -> str:
    """Where a subject was moved by hand, as an operator would say it."""
    words = []
    for value, more, less in (
        (nudge.right, "to the right", "to the left"),
        (nudge.down, "down", "up"),
        (100 * (nudge.scale - 1), "larger", "smaller"),
    ):
        if round(value, 1):
            amount = f"{abs(value):.1f}".removesuffix(".0")
            words.append(f"{amount} % {more if value > 0 else less}")
    return ", ".join(words) or "As designed"


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

    @property
    def pose(self) -> Pose:
        """As it is now."""
        with self._lock:
            return self._pose

    def begin(self, usual: Template, scenes: SceneMaker) -> None:
        """Show somebody, or nobody, in the usual template from now on."""
        self._usual, self._scenes = usual, scenes
        before = self.pose
        if not before.people and before.why != CHOSEN and self._restored():
            return
        # The pages are there before this: who and what was chosen there stays so.
        self._take(lambda pose: pose if pose.why == CHOSEN else self._dressed(pose, None))

    def _restored(self) -> bool:
        """Show who was next when the program ended, and say so; False where nobody was."""
        kept = upcoming(self._event.paths)
        if kept is None or self._now() - kept.said > KEPT_FOR:
            return False
        try:
            roster = self._event.roster
        except UserError:
            return False
        people = tuple(p for number in kept.people if (p := roster.get(number)))
        template = kept.template
        if template is not None and template not in self._event.template_names:
            template = None
        if not people and template is None:
            return False
        try:
            self._take(lambda now: self._dressed(replace(now, people=people), template))
        except PosewallError as error:
            self._notices.passing(str(error))
            return False
        if people:
            self._notices.standing(
                "next",
                f"In the next picture, as before the program ended: n{_numbers(people)}. Say so if "
                "somebody else stands there now.",
                RESTORED_S,
            )
        return True

    def tend(self) -> None:
        """Let go of who was taken off the roster, and take corrections; called now and then."""
        pose = self.pose
        if not pose.people:
            return
        try:
            roster = self._event.roster
        except UserError:
            return
        now = [roster.get(p.number) for p in pose.people]
        if None not in now:
            self._gone_since_s = None
            if tuple(now) == pose.people:
                return
        elif self._gone_since_s is None:
            self._gone_since_s = self._clock()
            return
        elif self._clock() - self._gone_since_s < GONE_S:
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
            self._notices.passing(
                f"N{_numbers(gone)} {verb} no longer on the roster, and not in the "
                "next picture any more."
            )

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
            if people == now.people and template is None and now.why == CHOSEN:
                return now
            return self._dressed(replace(now, people=people), template)

        pose = self._take(change)
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
        pose = self._take(lambda now: self._dressed(now, template))
        return {"sentence": f"In {pose.template.name if pose.template else template}"}

    def move(self, right: float, down: float, scale: float) -> dict[str, Any]:
        """Move the subjects of the next shots a little further; all zero puts them back.

        Raises:
            UserError: further than can be.
        """
        back = (right, down, scale) == (0, 0, 1)
        step = Nudge(right, down, scale)
        moved = self._take(
            lambda now: replace(now, moved=Nudge() if back else _rounded(now.moved.then(step)))
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

    def _take(self, change: Callable[[Pose], Pose]) -> Pose:
        with self._changing:
            before = self.pose
            pose = change(before)
            pose = replace(pose, said=self._said(pose, before))
            with self._lock:
                self._pose = pose
            self._keep(before, pose)
            self._show(pose)
        return pose

    def _keep(self, before: Pose, pose: Pose) -> None:
        """Keep who and what is next where that is another than before."""
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
