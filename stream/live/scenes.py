"""The scene of the next person, built beside the loop and swapped in whole."""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from models.composite import Scene
from models.figure import Figure
from models.keyer import Placing
from models.resample import Placement
from stream.live.following import Followings
from stream.live.slot import Slot
from stream.live.steady import Steady
from stream.memory import trim
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
DESIGNLESS = (
    "The design of the next picture cannot be shown; the stage shows the usual one without texts "
    "and tries again. Look at the template."
)


@dataclass(frozen=True)
class Setting:
    """A flattened template at preview size, with the texts of one person in it.

    Attributes:
        share: its height as a share of the one that was asked for.
    """

    template: Template
    scene: Scene
    size: tuple[int, int]
    followings: Followings = field(default_factory=Followings, repr=False)
    nudge: Nudge = NO_NUDGE
    fields: Mapping[str, str] | None = None
    share: float = 1.0
    _placements: dict[tuple[int, tuple[int, int]], Placement] = field(
        default_factory=dict, repr=False
    )

    def placement(self, frame_size: tuple[int, int], slot: int = 0) -> Placement:
        """Where an upright frame of (H, W) lies in the picture; worked out once a size."""
        key = (slot, frame_size)
        if key not in self._placements:
            self._placements[key] = self.template.placement(
                frame_size, self.size, slot=slot, nudge=self.nudge
            )
        return self._placements[key]

    def placings(self, frame_size: tuple[int, int], now_s: float) -> tuple[Placing | None, ...]:
        """Where the frame at hand lies in each slot; None in slots of shots that are added later.

        Args:
            frame_size: (H, W) of the upright frame.
            now_s: when it came.
        """
        return tuple(
            self.placing(frame_size, now_s, index) if slot.shows == 1 else None
            for index, slot in enumerate(self.template.slots)
        )

    def placing(self, frame_size: tuple[int, int], now_s: float, slot: int = 0) -> Placing:
        """Where the frame at hand lies; a slot that wants a figure follows it.

        Args:
            frame_size, now_s: as in `placings`.
            slot: which of the template's slots.
        """
        wanted_slot = self.template.slots[slot]
        if not wanted_slot.wants_figure:
            return self.placement(frame_size, slot)
        anchor = self.template.stand(self.size, slot).anchor
        about = (self.template.version, self.size, frame_size, self.nudge)
        following = self.followings.of(slot, about)
        if not following.due(now_s):
            return following.go_on(anchor, wanted_slot.mirror, now_s)

        def placed(figure: Figure | None) -> Placement:
            wanted = self.template.placement(
                frame_size, self.size, figure=figure, slot=slot, nudge=self.nudge
            )
            found = figure is not None
            return following.look(wanted, found, anchor, self.size[0], about, now_s)

        return placed


@dataclass(frozen=True)
class Wish:
    """A scene to build."""

    template: Template
    fields: Mapping[str, str]
    nudge: Nudge = NO_NUDGE


class SceneMaker:
    """Builds the newest wish on a thread of its own.

    Attributes:
        current: what the loop shows; replaced whole, so a reader holds a finished one or the
            one before. None until the first is built.
    """

    def __init__(
        self,
        template: Template,
        height: int,
        device: str,
        stop: threading.Event,
        on_error: Callable[[str], None],
    ) -> None:
        """Prepare.

        Args:
            template: the usual one.
            height: of the live picture, in pixels; its width follows from the template.
            device: where scenes shall lie.
            stop: set when all ends.
            on_error: takes a sentence.
        """
        self.current: Setting | None = None
        self._template = template
        self._height = height
        self._device = device
        self._on_error = on_error
        self._failed: Wish | None = None
        self._again_s = 0.0
        self._followings = Followings()
        self._share = 1.0
        self._wishing = threading.Lock()
        self._wishes: Slot[Wish] = Slot()
        self._newest: Wish | None = None
        self._shown: Wish | None = None
        self._later: deque[Template] = deque()
        self._steady = Steady("scene", self._build, stop, on_error)

    def want(
        self,
        fields: Mapping[str, str],
        template: Template | None = None,
        nudge: Nudge = NO_NUDGE,
    ) -> None:
        """Ask for a scene with these texts; a newer wish replaces one not begun.

        Args:
            fields: the texts.
            template: the design; None for the usual one.
            nudge: how far subjects are moved in it.
        """
        wish = Wish(template or self._template, dict(fields), nudge)
        with self._wishing:
            self._newest = wish
            self._wishes.put(wish)

    def resize(self, share: float) -> None:
        """Make the scene anew at a share of the height that was asked for, where it is another."""
        with self._wishing:
            if share != self._share:
                self._share = share
                if self._newest is not None:
                    self._wishes.put(self._newest)

    def warm(self, template: Template) -> None:
        """Make a template's parts when there is time, so that its first people do not wait."""
        self._later.append(template)

    @property
    def ready(self) -> bool:
        """Whether `current` is what was asked for last; otherwise it is still in work."""
        return self._shown is self._newest

    def start(self) -> None:
        """Begin to build wishes."""
        self._steady.start()

    def _build(self) -> bool:
        wish = self._wishes.take(0.5)
        again = wish is None and self._failed is not None and time.monotonic() >= self._again_s
        if again:
            wish = self._failed
        if wish is None and self._later and self.current is not None:
            template = self._later.popleft()
            template.scene(self._size_of(template, self._share), {}, device=self._device)
            if not self._later:
                trim()  # the layers of all designs were in memory, and are not needed again
        if wish is not None:
            self._failed = None
            try:
                self._show(wish)
            except Exception:
                self._failed, self._again_s = wish, time.monotonic() + AGAIN_S
                if not again:
                    self._show_nameless(wish)
                raise
        return not self._wishes.closed

    def _show_nameless(self, wish: Wish) -> None:
        """Show a design without words in place of a wish that failed.

        The name of the one before must not stay over the next person, so that where the wished
        design cannot be had at all, the usual one is shown.
        """
        bare = replace(wish, fields=dict.fromkeys(wish.fields, ""))
        trials = [bare] if any(wish.fields.values()) else []
        if wish.template is not self._template:
            trials.append(replace(bare, template=self._template))
        for trial in trials:
            try:
                self._show(trial)
            except Exception:
                log.exception("the scene could not be shown without words either")
                continue
            self._on_error(NAMELESS if trial is bare else DESIGNLESS)
            return

    def _size_of(self, template: Template, share: float) -> tuple[int, int]:
        whole = preview_size(template.picture_size(), self._height)
        if share == 1:
            return whole
        return preview_size(template.picture_size(), max(1, round(whole[0] * share)))

    def _show(self, wish: Wish) -> None:
        share = self._share
        size = self._size_of(wish.template, share)
        now = self.current
        alike = now is not None and (now.template, now.fields) == (wish.template, wish.fields)
        if now is not None and alike and now.nudge != wish.nudge and now.size == size:
            # Only moved: the scene stays as it is.
            scene = now.scene
        else:
            scene = wish.template.scene(size, wish.fields, device=self._device)
        # The person before the camera stays, whoever is named below.
        self.current = Setting(
            wish.template, scene, size, self._followings, wish.nudge, wish.fields, share
        )
        self._shown = wish

    def close(self) -> None:
        """Build no more."""
        self._wishes.close()
        self._steady.join(2.0)
