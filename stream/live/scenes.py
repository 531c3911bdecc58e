"""The scene of the next person, built beside the loop and swapped in whole."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from models.composite import Scene
from models.resample import Placement
from stream.live.slot import Slot
from stream.live.steady import Steady
from stream.template import Template

log = logging.getLogger("posewall.live")


@dataclass(frozen=True)
class Setting:
    """A flattened template at preview size, with the texts of one person in it."""

    template: Template
    scene: Scene
    size: tuple[int, int]
    _placements: dict[tuple[int, int], Placement] = field(default_factory=dict, repr=False)

    def placement(self, frame_size: tuple[int, int]) -> Placement:
        """Where an upright frame of (H, W) lies in the picture; worked out once a size."""
        if frame_size not in self._placements:
            self._placements[frame_size] = self.template.placement(frame_size, self.size)
        return self._placements[frame_size]


def preview_size(picture: tuple[int, int], height: int) -> tuple[int, int]:
    """(H, W) of the preview: the picture's shape at ``height``, never larger than the print."""
    high = min(height, picture[0])
    return high, max(1, round(picture[1] * high / picture[0]))


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
        if fields is not None:
            scene = self._template.scene(self._size, fields, device=self._device)
            self.current = Setting(self._template, scene, self._size)
        return not self._wishes.closed

    def close(self) -> None:
        """Build no more."""
        self._wishes.close()
        self._steady.join(2.0)
