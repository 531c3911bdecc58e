"""The key settings as options of a command, under one set of names."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from models.settings import MOST_CHOKE, SCREENS, SHADOWS, KeySettings


def add_key_options(parser: argparse.ArgumentParser) -> None:
    """Offer every key setting that shows in a cut-out; what is not given stays as it is."""
    parser.add_argument("--screen", choices=SCREENS, help="the screen's colour; auto finds it")
    parser.add_argument(
        "--black-point", type=float, metavar="0-1", help="matte values up to here are bare screen"
    )
    parser.add_argument(
        "--white-point", type=float, metavar="0-1", help="matte values from here on are solid"
    )
    parser.add_argument(
        "--despill",
        type=float,
        metavar="0-1",
        help="how much of the screen's light is taken off the subject",
    )
    parser.add_argument(
        "--despill-luminance",
        type=float,
        metavar="0-1",
        help="how much of that light's brightness comes back as neutral light",
    )
    parser.add_argument(
        "--choke",
        type=float,
        metavar="PIXELS",
        help=f"take the matte's edge in by so many pixels of the frame, or out below 0; at most "
        f"{MOST_CHOKE} either way",
    )
    parser.add_argument(
        "--shadow",
        choices=SHADOWS,
        help="remove the subject's shadow on the screen, or keep it, to fall on the background",
    )


def given_settings(args: argparse.Namespace) -> Mapping[str, Any]:
    """The settings that were given, by their names in `KeySettings`."""
    named = {f.name: getattr(args, f.name, None) for f in fields(KeySettings)}
    return {name: value for name, value in named.items() if value is not None}
