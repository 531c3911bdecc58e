"""Who stands in the next shots, in which design, and how far they are moved in it."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from models.errors import PosewallError
from stream.errors import UserError
from stream.event import Event
from stream.live import people as who
from stream.live.keeping import lower_priority
from stream.live.notices import Notices
from stream.live.scenes import SceneMaker
from stream.people import Person, orders_of
from stream.template import Nudge, Template
from stream.template.template import NO_NUDGE

USUAL, ORDERED, CHOSEN = "usual", "ordered", "chosen"
"""Why a template is shown."""


@dataclass(frozen=True)
class Pose:
    """What the next shots are of.

    Attributes:
        people: who is in them.
        template: the design that the stage shows; None until the program is ready.
        why: `USUAL`, `ORDERED` or `CHOSEN`.
        moved: by hand, beside what the event says.
    """

    people: tuple[Person, ...] = ()
    template: Template | None = None
    why: str = USUAL
    moved: Nudge = NO_NUDGE

    @property
    def numbers(self) -> tuple[str, ...]:
        """Their roster numbers."""
        return tuple(p.number for p in self.people)


class Posing:
    """Keeps the pose and has its scene built. Threads may share it."""

    def __init__(self, event: Event, notices: Notices) -> None:
        self._event = event
        self._notices = notices
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
        # The pages are there before this: who and what was chosen there stays so.
        self._take(lambda pose: pose if pose.why == CHOSEN else self._dressed(pose, None))

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
                self._event.template(name)
            except (PosewallError, OSError) as error:
                self._notices.passing(str(error))

    def choose(self, words: Sequence[str], template: str | None = None) -> dict[str, Any]:
        """Say who is in the next shots, and in which template where it is not what they ordered.

        Args:
            words: numbers or names; none for nobody by name.
            template: its name.

        Raises:
            UserError: somebody or a template that there is not.
        """
        people = who.chosen(self._event, words)
        pose = self._take(lambda now: self._dressed(replace(now, people=people), template))
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
        moved = self._take(
            lambda now: replace(
                now, moved=Nudge() if back else now.moved.then(Nudge(right, down, scale))
            )
        ).moved
        if moved == Nudge():
            return {"sentence": "As designed"}
        right, down, large = moved.right, moved.down, moved.scale
        said = [f"{abs(right):.0f} % {'right' if right > 0 else 'left'}"] if right else []
        said += [f"{abs(down):.0f} % {'down' if down > 0 else 'up'}"] if down else []
        said += [f"{large:.0%} large"] if large != 1 else []
        return {"sentence": f"Moved: {', '.join(said)}"}

    def nudge(self, pose: Pose) -> Nudge:
        """The whole nudge of a pose: what the event and the template say, and by hand.

        What the event says may be unusable; that is told, and no press is lost over it.
        """
        if pose.template is None:
            return pose.moved
        try:
            return self._event.nudge(pose.template.name).then(pose.moved)
        except UserError as error:
            self._notices.passing(str(error))
            return pose.moved

    def state(self) -> dict[str, Any]:
        """For the pages."""
        pose = self.pose
        return {
            "next": [who.plain(p) for p in pose.people],
            "template": pose.template.name if pose.template else None,
            "why": pose.why,
            "templates": list(self._event.template_names),
            "moved": pose.moved.to_json() if pose.moved != Nudge() else None,
        }

    def _take(self, change: Callable[[Pose], Pose]) -> Pose:
        with self._changing:
            pose = change(self.pose)
            with self._lock:
                self._pose = pose
            self._show(pose)
            return pose

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
        self._scenes.want(fields, pose.template, self.nudge(pose))
        told = list(pose.template.scene_warnings(fields)) if pose.people else []
        if pose.template.shots > 1:
            told.append(
                f"this design shows {pose.template.shots} shots; the others are added with "
                "'posewall batch change SHOT --beside SHOT'"
            )
        self._notices.standing("scene", " ".join(f"{w}." for w in told) or None)
