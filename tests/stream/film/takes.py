"""Takes for tests: a record, and media files of known frames and sound."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from models.keyer import KeySettings
from stream.take import Take


def record(**more: Any) -> Take:
    """A take's record by itself."""
    given: dict[str, Any] = {
        "id": "t0001-3fa9c1",
        "number": 1,
        "unique": "3fa9c1" + "0" * 26,
        "begun": datetime(2026, 5, 1, 18, 30, tzinfo=UTC),
        "source": "test",
        "file": "take.mkv",
        "recording": False,
        "sound": "",
        "quarter_turns": 0,
        "mirror": False,
        "people": (),
        "template": "plain",
        "template_version": "0" * 64,
        "plate": None,
        "settings": KeySettings().to_json(),
        **more,
    }
    return Take(**given)
