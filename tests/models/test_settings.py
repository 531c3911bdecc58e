"""Key settings: what they are when nothing is said, what they refuse, old records."""

from __future__ import annotations

import json

import pytest

from models.errors import PosewallError
from models.settings import KeySettings


def test_what_is_kept_today_and_what_was_kept_before_load() -> None:
    now = KeySettings("blue", 0.05, 0.9, 0.5, 0.8, choke=-1.5, shadow="keep", light_wrap=0.3)
    assert KeySettings.from_json(json.loads(json.dumps(now.to_json()))) == now
    before = {"screen": "auto", "black_point": 0.02, "white_point": 0.98, "despill": 1.0}
    assert KeySettings.from_json(before) == KeySettings()


def test_the_defaults_add_nothing() -> None:
    usual = KeySettings()
    assert (usual.choke, usual.shadow, usual.light_wrap) == (0, "remove", 0)


@pytest.mark.parametrize(
    ("settings", "match"),
    [
        ({"shadow": "soft"}, 'shadow is "soft"; it must be remove or keep'),
        ({"shadow": True}, 'shadow is "True"'),
        ({"light_wrap": 1.01}, "light_wrap 1.01; they must lie between 0 and 1"),
        ({"light_wrap": "some"}, "light_wrap is 'some'; it must be a number from 0 to 1"),
        ({"choke": 10.5}, "choke is 10.5; it must be a number of pixels from -10 to 10"),
        ({"choke": float("nan")}, "choke is nan"),
        ({"choke": None}, "choke is None; it must be a number from -10 to 10"),
    ],
)
def test_what_cannot_be_is_said(settings: dict[str, object], match: str) -> None:
    with pytest.raises(PosewallError, match=match):
        KeySettings.from_json(settings)
