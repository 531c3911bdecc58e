"""What decides the pixels of a film: a film in work goes on only where all of it is the same."""

from __future__ import annotations

import hashlib
import json
import platform
from collections.abc import Mapping
from typing import Any

import av
import torch

from models.correction import refiner_digest
from models.estimator import weights_digest
from stream.durable import file_digest
from stream.event import Event
from stream.film.encoder import Coding
from stream.prints.about import software
from stream.shot import output_of, plate_digest
from stream.take import Take

FORMAT = 1
"""Raised where our own arithmetic gives other pixels."""


def _digest(values: object) -> str:
    text = json.dumps(values, sort_keys=True, ensure_ascii=False, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def pins_of(
    event: Event,
    take: Take,
    fields: Mapping[str, str],
    codings: Mapping[str, Coding],
    device: str,
) -> dict[str, Any]:
    """Everything that decides the pixels of a take's films, as plain values.

    `coded` puts other codings in it.

    Args:
        event: where the take is.
        take: that they are made of.
        fields: what is written in them; only its digest is kept, since it names people.
        codings: how they are coded, by the names of their shapes.
        device: where they are keyed.
    """
    card = torch.cuda.get_device_name(device) if device.startswith("cuda") else ""
    return {
        "format": FORMAT,
        "software": {
            "program": software(),
            "torch": torch.__version__,
            "av": av.__version__,
            "media": {k: list(v) for k, v in av.library_versions.items()},
        },
        "machine": [platform.machine(), torch.backends.cpu.get_cpu_capability(), device, card],
        "take": {
            "job": take.job,
            "media": file_digest(event.paths.takes / take.id / take.file),
            "part": [take.begin_s, take.end_s],
            "turns": [take.quarter_turns, take.mirror],
            "nudge": dict(take.nudge),
            "settings": dict(take.settings),
            "plate": [take.plate, plate_digest(event, take.plate) if take.plate else None],
            "template": [take.template, take.template_version],
        },
        "weights": [weights_digest("final"), refiner_digest()],
        "fields": _digest(dict(fields)),
        # What a poster and a film say of themselves inside their files.
        "told": _digest([event.name, output_of(event, event.config.pictures).names]),
        "films": _films(codings),
    }


def coded(pins: Mapping[str, Any], codings: Mapping[str, Coding]) -> dict[str, Any]:
    """The same, for films that are coded like that."""
    return {**pins, "films": _films(codings)}


def _films(codings: Mapping[str, Coding]) -> dict[str, Any]:
    return {name: coding.to_json() for name, coding in sorted(codings.items())}
