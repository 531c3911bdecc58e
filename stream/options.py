"""Options that several commands have alike."""

from __future__ import annotations

import argparse
from pathlib import Path


def event_option(parser: argparse.ArgumentParser) -> None:
    """The event that a command works on: the current folder unless another is named."""
    parser.add_argument(
        "--event",
        type=Path,
        default=Path(),
        metavar="DIR",
        help="the event's folder (the current one)",
    )
