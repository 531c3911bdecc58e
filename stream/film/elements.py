"""Layers of a film that move or come and go: what each of them shows at a time."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import torch
from torch import Tensor

from models.blend import Mode
from models.clip_pixels import clip_pixels
from models.flatten import Group, Node, Raster, flatten
from models.moving import Piece, Rect, piece_codes, piece_of, place
from models.stacked import Laid
from stream.film.clip import ClipReader, frame_at
from stream.film.poses import Parts, Pose, pose_at
from stream.film.view import Seen
from stream.template.clip_file import ClipFacts
from stream.template.film import FilmLayer, Move


@dataclass(frozen=True)
class Motion:
    """When and how an element is seen.

    Attributes:
        moves: its own.
        shown: whether it is seen in the card before, the take, and the card after.
        parts: of the film.
    """

    moves: tuple[Move, ...]
    shown: tuple[bool, bool, bool]
    parts: Parts

    def pose(self, t_s: float) -> Pose:
        """How it stands, its coming and going in the opacity."""
        pose = pose_at(self.moves, self.parts, t_s)
        share = self.parts.share(t_s, self.shown)
        return pose if share == 1 else Pose(pose.opacity * share, pose.x, pose.y, pose.scale)


def moved(rect: Rect, pose: Pose, scale: tuple[float, float]) -> Rect:
    """A rectangle of the film where a pose puts it.

    Args:
        rect: at rest.
        pose: in canvas pixels.
        scale: film pixels a canvas pixel, down and across.
    """
    top, left, bottom, right = rect
    y, x = (top + bottom) / 2 + pose.y * scale[0], (left + right) / 2 + pose.x * scale[1]
    half_high, half_wide = (bottom - top) / 2 * pose.scale, (right - left) / 2 * pose.scale
    return y - half_high, x - half_wide, y + half_high, x + half_wide


class Element(ABC):
    """One of them.

    Attributes:
        mode: how it meets what lies below.
        opacity: its own, in [0, 1].
    """

    def __init__(self, motion: Motion, seen: Seen, mode: Mode, opacity: float) -> None:
        self.motion, self.seen = motion, seen
        self.mode, self.opacity = mode, opacity
        self._last: tuple[Hashable, Piece | None] | None = None

    def state(self, t_s: float) -> tuple[Hashable, float]:
        """What tells its piece from others, and its opacity then; None for the first: no piece."""
        pose = self.motion.pose(t_s)
        opacity = pose.opacity * self.opacity
        if opacity <= 0:
            return None, 0.0
        look = self._look(t_s)
        return (None if look is None else (look, pose.x, pose.y, pose.scale)), opacity

    def laid(self, t_s: float) -> Laid | None:
        """What it shows at a time, inside the film; None where that is nothing."""
        key, opacity = self.state(t_s)
        if key is None:
            return None
        if self._last is None or self._last[0] != key:
            self._last = key, self._piece(t_s, self.motion.pose(t_s))
        piece = self._last[1]
        return None if piece is None else Laid(piece, self.mode, opacity)

    def node(self, t_s: float) -> Node | None:
        """The same to be flattened with others, where that is more than gain and offset."""
        laid = self.laid(t_s)
        if laid is None:
            return None
        codes = piece_codes(laid.piece).cpu()
        x, y = laid.piece.x - self.seen.left, laid.piece.y - self.seen.top
        return Raster(lambda: codes, x, y, laid.mode, laid.opacity, lambda _: (codes, x, y))

    @property
    def readers(self) -> tuple[ClipReader, ...]:
        """What reads its files."""
        return ()

    @property
    def opaque(self) -> bool:
        """Whether it surely covers all that the film shows of the canvas, at all times."""
        return False

    @abstractmethod
    def _look(self, t_s: float) -> Hashable:
        """What tells its pixels at a time; None where there are none."""

    @abstractmethod
    def _piece(self, t_s: float, pose: Pose) -> Piece | None: ...


class Drawn(Element):
    """A layer, a group or words of the still: drawn once, then moved."""

    def __init__(
        self,
        motion: Motion,
        seen: Seen,
        mode: Mode,
        opacity: float,
        nodes: Sequence[Node],
        device: torch.device,
    ) -> None:
        """Draw it.

        Args:
            motion, seen, mode, opacity: as in `Element`.
            nodes: what it consists of, its own mode and opacity taken off.
            device: where it shall lie.
        """
        super().__init__(motion, seen, mode, opacity)
        piece = piece_of(flatten(nodes, seen.canvas, seen.scaled))
        self._master = None if piece is None else piece.shifted(seen.top, seen.left).to(device)

    def _look(self, t_s: float) -> Hashable:
        return None if self._master is None else "drawn"

    def _piece(self, t_s: float, pose: Pose) -> Piece | None:
        if self._master is None or pose.at_rest:
            return None if self._master is None else self._master.within(self.seen.area)
        rect = moved(self._master.rect, pose, self.seen.scale)
        return place(self._master.rgb_enc, self._master.alpha, rect, self.seen.area)


class Inserted(Element):
    """A picture or a clip of the film's own, fitted into its box."""

    def __init__(self, motion: Motion, seen: Seen, layer: FilmLayer, size: tuple[int, int]) -> None:
        """Place it.

        Args:
            motion, seen: as in `Element`.
            layer: what template.toml says of it.
            size: (H, W) of its pixels.
        """
        super().__init__(motion, seen, layer.mode, layer.opacity)
        self.layer = layer
        top, left, bottom, right = (float(v) for v in seen.area)
        if layer.box is not None:
            top, left, bottom, right = (float(round(v)) for v in seen.rect(layer.box))
        high, wide = max(bottom - top, 1.0), max(right - left, 1.0)
        self._rows, self._columns = slice(0, size[0]), slice(0, size[1])
        rect = (top, left, top + high, left + wide)
        if layer.fit != "stretch":
            ratios = (high / size[0], wide / size[1])
            if layer.fit == "contain":
                scale = min(ratios)
                half = size[0] * scale / 2, size[1] * scale / 2
                y, x = top + high / 2, left + wide / 2
                rect = (y - half[0], x - half[1], y + half[0], x + half[1])
                rect = tuple(float(round(v)) for v in rect)  # type: ignore[assignment]
            else:
                # What covers the box is cut to it: as many whole pixels of its own as that takes.
                scale = max(ratios)
                kept = (
                    min(size[0], max(1, round(high / scale))),
                    min(size[1], max(1, round(wide / scale))),
                )
                y0, x0 = (size[0] - kept[0]) // 2, (size[1] - kept[1]) // 2
                self._rows, self._columns = slice(y0, y0 + kept[0]), slice(x0, x0 + kept[1])
        self._rect: Rect = rect

    def _lay(self, rgb_enc: Tensor, alpha: Tensor | None, pose: Pose) -> Piece | None:
        part = (..., self._rows, self._columns)
        rect = self._rect if pose.at_rest else moved(self._rect, pose, self.seen.scale)
        cover = None if alpha is None else alpha[part]
        return place(rgb_enc[part], cover, rect, self.seen.area)


class StillLayer(Inserted):
    """A picture of the film's own."""

    def __init__(
        self,
        motion: Motion,
        seen: Seen,
        layer: FilmLayer,
        pixels: tuple[Tensor, Tensor | None],
        device: torch.device,
    ) -> None:
        """Take it over.

        Args:
            motion, seen, layer: as in `Inserted`.
            pixels: colour and coverage, as `models.moving.pixels_enc` gives them.
            device: where it shall lie.
        """
        rgb, alpha = pixels
        super().__init__(motion, seen, layer, (rgb.shape[-2], rgb.shape[-1]))
        self._rgb, self._alpha = rgb.to(device), None if alpha is None else alpha.to(device)

    def _look(self, t_s: float) -> Hashable:
        return "still"

    def _piece(self, t_s: float, pose: Pose) -> Piece | None:
        return self._lay(self._rgb, self._alpha, pose)


class ClipLayer(Inserted):
    """A clip."""

    def __init__(
        self,
        motion: Motion,
        seen: Seen,
        layer: FilmLayer,
        facts: ClipFacts,
        reader: ClipReader,
        device: torch.device,
    ) -> None:
        """Prepare; the file is opened when its first frame is asked for.

        Args:
            motion, seen, layer: as in `Inserted`.
            facts: of the clip.
            reader: reads it.
            device: where its pictures shall lie.
        """
        super().__init__(motion, seen, layer, facts.size)
        self._facts, self._reader, self._device = facts, reader, device

    @property
    def opaque(self) -> bool:
        layer = self.layer
        solid = not self._facts.alpha or layer.alpha == "none"
        whole = layer.box is None and layer.fit != "contain" and layer.opacity == 1
        return solid and whole and layer.ends != "stop" and not self.motion.moves

    def _look(self, t_s: float) -> Hashable:
        since = t_s - self.motion.parts.zero_s(self.layer.since) - self.layer.at_s
        return frame_at(self._facts, since, self.layer.ends)

    def _piece(self, t_s: float, pose: Pose) -> Piece | None:
        number = self._look(t_s)
        if not isinstance(number, int):
            return None
        frame = self._reader.frame(number)
        wanted = self.layer.alpha != "none" and frame.alpha is not None
        first, second, third = (p.to(self._device) for p in frame.planes)
        rgb, alpha = clip_pixels(
            (first, second, third),
            frame.encoding,
            frame.alpha.to(self._device) if wanted and frame.alpha is not None else None,
            frame.alpha_depth,
            self.layer.alpha == "premultiplied",
            frame.quarter_turns,
            frame.mirror,
        )
        return self._lay(rgb, alpha, pose)

    @property
    def readers(self) -> tuple[ClipReader, ...]:
        return (self._reader,)


class Mixed(Element):
    """A group that blends as one, of which something inside moves: flattened anew each time."""

    def __init__(
        self,
        motion: Motion,
        seen: Seen,
        mode: Mode,
        opacity: float,
        children: Sequence[Node | Element],
        device: torch.device,
    ) -> None:
        """Take it over.

        Args:
            motion, seen, mode, opacity: as in `Element`.
            children: lowest first.
            device: where it shall lie.
        """
        super().__init__(motion, seen, mode, opacity)
        self._children, self._device = tuple(children), device

    def _look(self, t_s: float) -> Hashable:
        return tuple(c.state(t_s) for c in self._children if isinstance(c, Element))

    def _piece(self, t_s: float, pose: Pose) -> Piece | None:
        nodes = [c.node(t_s) if isinstance(c, Element) else c for c in self._children]
        group = Group(tuple(n for n in nodes if n is not None))
        piece = piece_of(flatten([group], self.seen.canvas, self.seen.scaled))
        if piece is None:
            return None
        piece = piece.shifted(self.seen.top, self.seen.left).to(self._device)
        if pose.at_rest:
            return piece.within(self.seen.area)
        rect = moved(piece.rect, pose, self.seen.scale)
        return place(piece.rgb_enc, piece.alpha, rect, self.seen.area)

    @property
    def readers(self) -> tuple[ClipReader, ...]:
        return tuple(r for c in self._children if isinstance(c, Element) for r in c.readers)
