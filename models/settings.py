"""What a person may set of the key; part of every kept shot."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from typing import Any

from models.errors import PosewallError


@dataclass(frozen=True)
class KeySettings:
    """What a person may set; the defaults suit an ordinary screen.

    Attributes:
        screen: "auto", "green" or "blue".
        clip_black: alpha up to here counts as bare screen; raised by itself with noise.
        clip_white: alpha from here on counts as solid.
        despill: 0 leaves the screen's light on the subject, 1 takes all of it away.
    """

    screen: str = "auto"
    clip_black: float = 0.02
    clip_white: float = 0.98
    despill: float = 1.0

    def __post_init__(self) -> None:
        if self.screen not in ("auto", "green", "blue"):
            raise PosewallError(
                f'key settings: screen is "{self.screen}"; it must be auto, green or blue'
            )
        for name in ("clip_black", "clip_white", "despill"):
            value: object = getattr(self, name)
            if isinstance(value, bool) or not isinstance(value, int | float):
                raise PosewallError(
                    f"key settings: {name} is {value!r}; it must be a number from 0 to 1"
                )
        if not 0 <= self.clip_black < self.clip_white <= 1 or not 0 <= self.despill <= 1:
            raise PosewallError(
                f"key settings: clip_black {self.clip_black}, clip_white {self.clip_white}, "
                f"despill {self.despill}; they must lie between 0 and 1, black below white"
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
