"""What is kept of a clip between two of its frames, in a form that a file can hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import torch
from torch import Tensor

from models.errors import PosewallError


class StateError(PosewallError):
    """A kept state is not whole, or not one of this kind."""


@dataclass(frozen=True)
class State:
    """Tensors and plain values by name; parts of parts have a dot in their names.

    Attributes:
        tensors: on any device.
        facts: what JSON can hold.
    """

    tensors: Mapping[str, Tensor] = field(default_factory=dict)
    facts: Mapping[str, Any] = field(default_factory=dict)

    @classmethod
    def joined(cls, **parts: State) -> State:
        """Several states as one, each under its name."""
        tensors = {f"{n}.{key}": t for n, part in parts.items() for key, t in part.tensors.items()}
        facts = {f"{n}.{key}": v for n, part in parts.items() for key, v in part.facts.items()}
        return cls(tensors, facts)

    def part(self, name: str) -> State:
        """One of the states that were joined; an empty one where there was none."""
        start = f"{name}."
        tensors = {k.removeprefix(start): t for k, t in self.tensors.items() if k.startswith(start)}
        facts = {k.removeprefix(start): v for k, v in self.facts.items() if k.startswith(start)}
        return State(tensors, facts)

    def tensor(self, name: str, device: torch.device) -> Tensor:
        """One of the tensors, on a device.

        Raises:
            StateError: it is not there.
        """
        if name not in self.tensors:
            raise StateError(f"state: got {sorted(self.tensors)}; need {name}")
        return self.tensors[name].to(device)

    def fact(self, name: str) -> Any:
        """One of the plain values.

        Raises:
            StateError: it is not there.
        """
        if name not in self.facts:
            raise StateError(f"state: got {sorted(self.facts)}; need {name}")
        return self.facts[name]
