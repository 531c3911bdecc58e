"""A subject moved a little by hand: for one shot, for a template, for the whole event."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields

from stream.errors import UserError

MOST_SHIFT = 200.0
LEAST_SCALE, MOST_SCALE = 0.1, 10.0


@dataclass(frozen=True)
class Nudge:
    """How far a subject is moved from where its slot puts it.

    Attributes:
        right: to the right, in per cent of the picture's width; less than 0 to the left.
        down: downwards, in per cent of the picture's height.
        scale: larger or smaller about the point that the slot's anchor names; 1 for as it is.

    Raises:
        UserError: a value is no number or out of bounds.
    """

    right: float = 0.0
    down: float = 0.0
    scale: float = 1.0

    def __post_init__(self) -> None:
        bounds = {
            "right": (-MOST_SHIFT, MOST_SHIFT),
            "down": (-MOST_SHIFT, MOST_SHIFT),
            "scale": (LEAST_SCALE, MOST_SCALE),
        }
        for name, (low, high) in bounds.items():
            value: object = getattr(self, name)
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if not (number and math.isfinite(value) and low <= value <= high):  # type: ignore[arg-type, operator]
                unit = "" if name == "scale" else " per cent of the picture"
                raise UserError(
                    f"The nudge has {name} {value!r}; give a number from {low:g} to {high:g}{unit}."
                )

    def then(self, other: Nudge) -> Nudge:
        """Both: shifts add up, scales multiply, each within its bounds."""

        def within(value: float, low: float, high: float) -> float:
            return min(max(value, low), high)

        return Nudge(
            within(self.right + other.right, -MOST_SHIFT, MOST_SHIFT),
            within(self.down + other.down, -MOST_SHIFT, MOST_SHIFT),
            within(self.scale * other.scale, LEAST_SCALE, MOST_SCALE),
        )

    def to_json(self) -> dict[str, float]:
        """Plain values, readable in a file."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: object) -> Nudge:
        """The reverse of `to_json`; what is left out is as it was.

        Raises:
            UserError: it is something else.
        """
        known = [f.name for f in fields(cls)]
        if not isinstance(data, Mapping):
            raise UserError(f"The nudge is {data!r}; give {', '.join(known)} with a number each.")
        unknown = [str(key) for key in data if key not in known]
        if unknown:
            raise UserError(f"The nudge has {', '.join(unknown)}; known are {', '.join(known)}.")
        return cls(**data)
