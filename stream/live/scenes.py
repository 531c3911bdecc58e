"""The scene of the next person, built beside the loop and swapped in whole."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from models.composite import Scene
from models.figure import Figure
from models.keyer import Placing
from models.resample import Placement
from stream.live.following import Following
from stream.live.slot import Slot
from stream.live.steady import Steady
from stream.template import Nudge, Template
from stream.template import preview_size as preview_size
from stream.template.template import NO_NUDGE

log = logging.getLogger("posewall.live")

# chosen: a file that is held by another program for a moment is free by then.
AGAIN_S = 5.0
NAMELESS = (
    "The texts of the next picture cannot be set; the stage shows the design without them and "
    "tries again. Look at the roster and the template."
)


@dataclass(frozen=True)
class Setting:
    """A flattened template at preview size, with the texts of one person in it."""

    template: Template
    scene: Scene
    size: tuple[int, int]
    following: Following = field(default_factory=Following, repr=False)
    nudge: Nudge = NO_NUDGE
    _placements: dict[tuple[int, int], Placement] = field(default_factory=dict, repr=False)

    def placement(self, frame_size: tuple[int, int]) -> Placement:
        """Where an upright frame of (H, W) lies in the picture; worked out once a size."""
        if frame_size not in self._placements:
            self._placements[frame_size] = self.template.placement(
                frame_size, self.size, nudge=self.nudge
            )
        return self._placements[frame_size]

    def placing(self, frame_size: tuple[int, int], now_s: float) -> Placing:
        """Where the frame at hand lies; a slot that wants a figure follows it.

        Args:
            frame_size: (H, W) of the upright frame.
            now_s: when it came.
        """
        slot = self.template.slots[0]
        if not slot.wants_figure:
            return self.placement(frame_size)
        anchor = self.template.stand(self.size).anchor
        if not self.following.due(now_s):
            return self.following.go_on(anchor, slot.mirror, now_s)

        def placed(figure: Figure | None) -> Placement:
            wanted = self.template.placement(frame_size, self.size, figure=figure, nudge=self.nudge)
            about = (self.template.version, self.size, frame_size, self.nudge)
            found = figure is not None
            return self.following.look(wanted, found, anchor, self.size[0], about, now_s)

        return placed


class SceneMaker:
    """Builds the newest wish on a thread of its own.

    Attributes:
        current: what the loop shows; replaced whole, so a reader holds a finished one or the
            one before. None until the first is built.
    """

    def __init__(
        self,
        template: Template,
        size: tuple[int, int],
        device: str,
        stop: threading.Event,
        on_error: Callable[[str], None],
    ) -> None:
        self.current: Setting | None = None
        self._template = template
        self._size = size
        self._device = device
        self._on_error = on_error
        self._failed: dict[str, str] | None = None
        self._again_s = 0.0
        self._following = Following()
        self._wishes: Slot[dict[str, str]] = Slot()
        self._steady = Steady("scene", self._build, stop, on_error)

    def want(self, fields: Mapping[str, str]) -> None:
        """Ask for a scene with these texts; a newer wish replaces one not begun."""
        self._wishes.put(dict(fields))

    def start(self) -> None:
        """Begin to build wishes."""
        self._steady.start()

    def _build(self) -> bool:
        fields = self._wishes.take(0.5)
        again = fields is None and self._failed is not None and time.monotonic() >= self._again_s
        if again:
            fields = self._failed
        if fields is not None:
            self._failed = None
            try:
                self._show(fields)
            except Exception:
                self._failed, self._again_s = fields, time.monotonic() + AGAIN_S
                if not again and any(fields.values()):
                    # The name of the one before must not stay over the next person.
                    self._show(dict.fromkeys(fields, ""))
                    self._on_error(NAMELESS)
                raise
        return not self._wishes.closed

    def _show(self, fields: Mapping[str, str]) -> None:
        scene = self._template.scene(self._size, fields, device=self._device)
        # The person before the camera stays, whoever is named below.
        self.current = Setting(self._template, scene, self._size, self._following)

    def close(self) -> None:
        """Build no more."""
        self._wishes.close()
        self._steady.join(2.0)
