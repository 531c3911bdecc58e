"""The frames of a burst in order, the best first, with reasons in plain words."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from models.exposure import Exposure
from models.settings import KeySettings
from stream.best.heads import Extent, extent_of, together
from stream.best.judging import GROSS, Remark, against
from stream.best.looking import Look, Looker
from stream.best.measuring import Reference, reference
from stream.capture.frame import Frame
from stream.errors import UserError

_MOST_REASONS = 4
_AS_SHARP = 0.97
# chosen: frames that lie nearer to each other look the same.
_SEEN = 0.05
_AHEAD = {
    "sharp": "a little sharper than the next best",
    "whole": "cut out a little better than the next best",
    "lit": "a little better exposed than the next best",
    "looking": "eyes and head a little better than in the next best",
}
Value = float | int | bool | str | None


@dataclass(frozen=True)
class Judged:
    """What is thought of one frame.

    Attributes:
        place: 1 for the best.
        reasons: in plain words, the most telling first; one at least.
        faults: how many of them nobody would take home.
        weight: what speaks against it, all together; only to be compared within the burst.
        figures: what was measured, by name; plain values.
    """

    place: int
    reasons: tuple[str, ...]
    faults: int
    weight: float
    figures: Mapping[str, Value]


@dataclass(frozen=True)
class Ranking:
    """The frames of a burst in order.

    Attributes:
        order: places in the burst, from 0, the best first.
        judged: what is thought of each frame, in the order of the burst.
        extent: how far heads reach in any of them; None where no face was found.
    """

    order: tuple[int, ...]
    judged: tuple[Judged, ...]
    extent: Extent | None = None

    @property
    def best(self) -> int:
        """The place in the burst of the best one."""
        return self.order[0]

    @property
    def part(self) -> Callable[[tuple[int, int]], tuple[slice, slice]] | None:
        """What small views show, as `Extent.part`; None: all."""
        return None if self.extent is None else self.extent.part


def _nobody(done: int, of: int) -> None:
    """Nobody is told."""


def _exposed(name: str, found: Exposure | None) -> dict[str, Value]:
    if found is None:
        return {f"{name}_luma": None, f"{name}_clipped": None, f"{name}_black": None}
    return {
        f"{name}_luma": round(found.middle, 4),
        f"{name}_clipped": round(found.clipped, 4),
        f"{name}_black": round(found.black, 4),
    }


def _figures(look: Look, ref: Reference) -> dict[str, Value]:
    """What was measured of a frame, as plain values."""
    sharp = None
    if look.sharp is not None and ref.sharp is not None:
        sharp = round(look.sharp.share_of(ref.sharp), 4)
    out: dict[str, Value] = {
        "screen_found": look.screen_found,
        "coverage": round(look.whole.coverage, 4),
        "sharpness": sharp,
        "moved": None if look.moved is None else round(look.moved, 5),
        **_exposed("subject", look.exposed),
        "edge_left": round(look.whole.left, 4),
        "edge_right": round(look.whole.right, 4),
        "edge_top": round(look.whole.top, 4),
        "edge_bottom": round(look.whole.bottom, 4),
        "holes": round(look.whole.holes, 4),
        "half_transparent": round(look.whole.thin, 4),
        "people": len(ref.people),
    }
    for n, own in enumerate(ref.people):
        face = look.faces.get(n)
        name = f"person{n + 1}"
        out[f"{name}_seen"] = face is not None
        if face is None:
            continue
        out[f"{name}_left_eye"] = round(face.seen.open_left / max(own.left, 0.02), 3)
        out[f"{name}_right_eye"] = round(face.seen.open_right / max(own.right, 0.02), 3)
        out[f"{name}_aside_deg"] = round(face.seen.aside, 1)
        out[f"{name}_nod_deg"] = round(face.seen.nod, 1)
        if face.sharp is not None and own.sharp is not None:
            out[f"{name}_sharpness"] = round(face.sharp.share_of(own.sharp), 4)
        out |= _exposed(name, face.exposed)
    return out


def _praise(look: Look, ref: Reference, others: Sequence[str], last: bool) -> list[str]:
    """What speaks for a frame that has no gross fault: what others lack."""
    out = []
    if look.sharp is not None and ref.sharp is not None and not last:
        share = look.sharp.share_of(ref.sharp)
        out += ["sharpest"] if share >= 1 else ["as sharp as the sharpest"] * (share >= _AS_SHARP)
    told = " ".join(others)
    for fault, good in (
        ("shut", "eyes open"),
        ("turned away", "facing the camera"),
        ("cut off", "whole in the frame"),
        ("too bright", "well exposed"),
        ("too dark", "well exposed"),
        ("movement", "held still"),
    ):
        if fault in told and good not in out:
            out.append(good)
    return out


def _reasons(
    n: int, looks: Sequence[Look], told: Sequence[list[Remark]], ref: Reference
) -> list[str]:
    own = [r.words for r in told[n] if r.words]
    if any(r.weight >= GROSS for r in told[n]):
        return own
    others = [r.words for m, rest in enumerate(told) if m != n for r in rest if r.words]
    # Who is a little too dark is not praised for not being too bright.
    topics = (
        ("shut",),
        ("turned",),
        ("cut off",),
        ("bright", "dark"),
        ("movement", "focus", "soft"),
    )
    missed = [t for some in topics if any(x in words for x in some for words in own) for t in some]
    free = [w for w in others if not any(t in w for t in missed)]
    return _praise(looks[n], ref, free, len(looks) == 1) + own


def ahead_words(best: Sequence[Remark], second: Sequence[Remark]) -> str | None:
    """Why the best frame comes before the next one; None where that one's own fault tells it."""
    if any(r.weight >= GROSS for r in (*best, *second)):
        return None
    gains = {
        topic: sum(r.weight for r in second if r.topic == topic)
        - sum(r.weight for r in best if r.topic == topic)
        for topic in _AHEAD
    }
    topic = max(gains, key=gains.__getitem__)
    return _AHEAD[topic] if gains[topic] > _SEEN else "as good as the next best"


def rank(
    frames: Sequence[Frame],
    settings: KeySettings,
    plate: Frame | None,
    seen: Callable[[int, int], None] = _nobody,
) -> Ranking:
    """Put the frames of a burst in order.

    Each frame is asked for once, in turn, and those in which a face was missed once more; none is
    kept. How many cores it takes is for the caller to say, by torch and by OpenCV.

    Args:
        frames: in the order in which they were taken; one at least.
        settings: of the key.
        plate: the bare screen; counts for frames of its size.
        seen: is told how many frames were looked at, of how many.

    Returns:
        Their order, and what is thought of each.

    Raises:
        UserError: no frames, or the networks for faces are damaged.
    """
    if not len(frames):
        raise UserError("best frame: got no frames; need at least one; grab again")
    looker = Looker(settings, plate)
    looker(frames, seen)
    ref = reference(looker.looks, looker.people)
    told = [against(look, ref, looker.people) for look in looker.looks]
    weights = [sum(r.weight for r in rest) for rest in told]
    order = sorted(range(len(frames)), key=lambda n: (weights[n], n))
    judged = []
    for n, look in enumerate(looker.looks):
        reasons = _reasons(n, looker.looks, told, ref)[:_MOST_REASONS]
        ahead = ahead_words(told[n], told[order[1]]) if n == order[0] and len(order) > 1 else None
        # Who is the sharpest is sharper than the next one.
        if ahead is not None and not (ahead == _AHEAD["sharp"] and "sharpest" in reasons):
            reasons = [*reasons[: _MOST_REASONS - 1], ahead]
        if not reasons:
            reasons = ["the only frame" if len(frames) == 1 else "nothing against it"]
        judged.append(
            Judged(
                order.index(n) + 1,
                tuple(reasons),
                sum(r.weight >= GROSS for r in told[n]),
                round(weights[n], 4),
                _figures(look, ref),
            )
        )
    extent = together(
        extent_of((f.seen for f in look.faces.values()), look.size) for look in looker.looks
    )
    return Ranking(tuple(order), tuple(judged), extent)
