"""The layers below, between or above the subjects of a film, and what of them changes."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace

import torch
from torch import Tensor

from models.blend import Mode
from models.composite import KEEPS_COVERAGE, Overlay
from models.flatten import Folded, Node, finish, flatten, fold
from models.stacked import Laid, Run, grounded, laid_on, on_size
from stream.film.elements import Element
from stream.film.poses import Parts
from stream.film.view import Seen
from stream.template.arrange import has_text
from stream.template.kept import Parts as Store

Shown = tuple[bool, bool, bool]
"""Whether something is seen in the card before, the take, and the card after."""


@dataclass(frozen=True)
class Still:
    """Layers next to each other that stand still and are seen in the same parts of a film.

    Attributes:
        nodes: what is flattened.
        shown: in which parts.
        key: what they are kept under; None where they are somebody's words.
    """

    nodes: tuple[Node, ...]
    shown: Shown
    key: str | None = None


Segment = Still | Element


def _mode(segment: Segment) -> set[Mode]:
    if isinstance(segment, Element):
        return {segment.mode}
    return {getattr(node, "mode", Mode.NORMAL) for node in segment.nodes}


def _faded(node: Node, share: float) -> Node:
    return node if share == 1 else replace(node, opacity=node.opacity * share)


class FilmRun:
    """One run of them.

    What stands still is folded once. Layers that take the picture away, or that blend with what
    holes leave, are no gain and offset: then everything is flattened again where something changed.
    """

    def __init__(
        self,
        segments: Sequence[Segment],
        seen: Seen,
        parts: Parts,
        store: Store,
        device: torch.device,
        paper_enc: Tensor | None = None,
        top: Folded | None = None,
    ) -> None:
        """Fold what stands still.

        Args:
            segments: lowest first.
            seen: where the canvas lies.
            parts: of the film.
            store: where parts without words are kept.
            device: where tensors shall lie.
            paper_enc: what it lies on; None: on a subject.
            top: a step over all of it.
        """
        self.segments, self.seen, self.parts = tuple(segments), seen, parts
        self._paper, self._top, self._device = paper_enc, top, device
        self._rests: dict[Hashable, Tensor] = {}
        modes = set().union(*map(_mode, self.segments)) if self.segments else set()
        self._whole = not modes <= KEEPS_COVERAGE or self._has_holes()
        self._run: Run | None = None
        if not self._whole:
            folded = [self._folded(s, store) for s in self.segments]
            self._run = Run([*folded, *([top] if top is not None else [])], seen.size)

    def _has_holes(self) -> bool:
        """Whether a layer below everybody blends with what other layers may leave uncovered."""
        if self._paper is None:
            return False
        under: list[Node] = []
        for segment in self.segments:
            plain = _mode(segment) <= {Mode.NORMAL}
            if isinstance(segment, Element) and plain:
                if segment.opaque and segment.motion.shown == (True, True, True):
                    return False
                continue
            if plain and isinstance(segment, Still):
                under += segment.nodes if segment.shown == (True, True, True) else ()
                continue
            nodes = segment.nodes if isinstance(segment, Still) else ()
            first = next((i for i, n in enumerate(nodes) if _mode_of(n) is not Mode.NORMAL), 0)
            under += nodes[:first]
            return not under or not flatten(under, self.seen.canvas, self.seen.scaled).opaque
        return False

    def _folded(self, segment: Segment, store: Store) -> Folded | None:
        if isinstance(segment, Element):
            return None
        key = None if segment.key is None else (segment.key, 0, self.seen.scaled)
        found = None if key is None else store.find(key)
        if not isinstance(found, Folded):
            found = fold(segment.nodes, self.seen.canvas, self.seen.scaled)
            if key is not None:
                store.keep(key, found)
        placed = on_size(found, self.seen.top, self.seen.left, self.seen.size)
        return Folded(tuple(step.to(self._device) for step in placed.overlays))

    def state(self, t_s: float) -> Hashable:
        """What tells how it looks at a time from how it looks at others."""
        return tuple(
            s.state(t_s) if isinstance(s, Element) else self.parts.share(t_s, s.shown)
            for s in self.segments
        )

    def _shares(self, t_s: float) -> tuple[float, ...]:
        shares = [
            1.0 if isinstance(s, Element) else self.parts.share(t_s, s.shown) for s in self.segments
        ]
        return (*shares, *([1.0] if self._top is not None else []))

    def _moving(self, t_s: float) -> list[list[Laid]]:
        out: list[list[Laid]] = []
        for segment in self.segments:
            laid = segment.laid(t_s) if isinstance(segment, Element) else None
            out.append([] if laid is None else [laid])
        return [*out, *([[]] if self._top is not None else [])]

    def nodes(self, t_s: float) -> list[Node]:
        """What of it is seen at a time, lowest first."""
        out: list[Node] = []
        for segment in self.segments:
            if isinstance(segment, Element):
                node = segment.node(t_s)
                out += [] if node is None else [node]
                continue
            share = self.parts.share(t_s, segment.shown)
            out += [_faded(n, share) for n in segment.nodes] if share > 0 else []
        return out

    def steps(self, t_s: float) -> tuple[Overlay, ...]:
        """It as steps above a subject."""
        if self._run is not None:
            return self._run.steps(self._shares(t_s), self._moving(t_s))[0]
        seen = self.seen
        made = Folded(finish(fold(self.nodes(t_s), seen.canvas, seen.scaled)))
        placed = on_size(made, seen.top, seen.left, seen.size)
        done = tuple(step.to(self._device) for step in placed.overlays)
        return done if self._top is None else (*done, *self._top.overlays)

    def ground(self, t_s: float) -> Tensor:
        """It on its paper: (1, 3, H, W), linear, opaque."""
        if self._paper is None:
            raise ValueError("ground: got a run without paper")
        if self._run is None:
            flat = flatten(self.nodes(t_s), self.seen.canvas, self.seen.scaled)
            return laid_on(self._paper, flat, self.seen.top, self.seen.left)
        shares = self._shares(t_s)
        steps, window = self._run.steps(shares, self._moving(t_s))
        if window == (0, 0, *self.seen.size):
            return grounded(steps, self._paper, None, None)
        rest = self._rests.get(shares)
        if rest is None:
            rest = grounded(self._run.rest(shares).overlays, self._paper, None, None)
            if all(share in (0, 1) for share in shares):
                self._rests[shares] = rest
        return grounded(steps, self._paper, rest, window)


def _mode_of(node: Node) -> Mode:
    return getattr(node, "mode", Mode.NORMAL)


def still(nodes: Sequence[Node], items: Sequence[object], shown: Shown, key: str) -> Still:
    """Layers that stand still; those with somebody's words are not kept."""
    texty = any(has_text(item) for item in items)  # type: ignore[arg-type]
    return Still(tuple(nodes), shown, None if texty else key)
