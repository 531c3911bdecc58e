"""What a person may set of the key; part of every kept shot."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import Any

from models.errors import PosewallError

SCREENS = ("auto", "green", "blue")
SHADOWS = ("remove", "keep")
MOST_CHOKE = 10
_UNITS = ("black_point", "white_point", "despill", "despill_luminance", "light_wrap")


@dataclass(frozen=True)
class KeySettings:
    """What a person may set; the defaults suit an ordinary screen.

    Attributes:
        screen: "auto", "green" or "blue".
        black_point: alpha up to here counts as bare screen.
        white_point: alpha from here on counts as solid.
        despill: 0 leaves the screen's light on the subject, 1 takes all of it away.
        despill_luminance: how much of the luminance that despill takes comes back as neutral light;
            0 leaves those parts darker.
        choke: how far the matte's edge is taken in, in pixels of the frame; below 0 it grows.
        shadow: "remove", or "keep": the subject's shadow on the screen falls on the background.
        light_wrap: 0 for none; 1 for as much of the background's light as reaches the edge.
    """

    screen: str = "auto"
    black_point: float = 0.02
    white_point: float = 0.98
    despill: float = 1.0
    despill_luminance: float = 1.0
    choke: float = 0.0
    shadow: str = "remove"
    light_wrap: float = 0.0

    def __post_init__(self) -> None:
        for name, choices in (("screen", SCREENS), ("shadow", SHADOWS)):
            if getattr(self, name) not in choices:
                raise PosewallError(
                    f'key settings: {name} is "{getattr(self, name)}"; it must be '
                    f"{', '.join(choices[:-1])} or {choices[-1]}"
                )
        for name in (*_UNITS, "choke"):
            value: object = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int | float):
                wanted = f"-{MOST_CHOKE} to {MOST_CHOKE}" if name == "choke" else "0 to 1"
                raise PosewallError(
                    f"key settings: {name} is {value!r}; it must be a number from {wanted}"
                )
        if (
            not all(0 <= getattr(self, n) <= 1 for n in _UNITS)
            or self.black_point >= self.white_point
        ):
            told = ", ".join(f"{n} {getattr(self, n)}" for n in _UNITS)
            raise PosewallError(
                f"key settings: {told}; they must lie between 0 and 1, black below white"
            )
        if not -MOST_CHOKE <= self.choke <= MOST_CHOKE:
            raise PosewallError(
                f"key settings: choke is {self.choke}; it must be a number of pixels from "
                f"-{MOST_CHOKE} to {MOST_CHOKE}"
            )

    def to_json(self) -> dict[str, Any]:
        """Plain values, readable in a file."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> KeySettings:
        """The reverse of `to_json`; settings left out keep their defaults."""
        known = {f.name for f in fields(cls)}
        if unknown := sorted(set(data) - known):
            raise PosewallError(
                f"key settings: got {', '.join(unknown)}; known are {', '.join(sorted(known))}"
            )
        return cls(**data)
