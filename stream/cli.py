"""The command `posewall`: one parser; each room offers its own commands."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

# Read when OpenMP starts: idle threads sleep instead of spinning, or the stages of the live loop
# take the cores from each other.
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")

from models.errors import PosewallError
from stream.live import commands as live
from stream.parser import Parser

AT_ONCE = ("grab", "plate", "next", "take")
"""Commands that only speak to the running program: they do not wait for the large libraries."""
ALONE = ("live", "best", *AT_ONCE)
"""Commands that need none of the other rooms, and do not wait for the libraries of those."""


def build_parser(whole: bool = True) -> argparse.ArgumentParser:
    """The parser; every command sets ``run``, which returns the exit code.

    Args:
        whole: False leaves out the rooms that the commands `ALONE` do without.
    """
    parser = Parser(
        prog="posewall",
        description="People before a green or blue screen, live inside a designed template; "
        "shots kept at full resolution and finished as pictures ready for print.",
    )
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    live.add_commands(commands)
    if whole:
        from stream import cut
        from stream.batch import commands as batch
        from stream.check import commands as check
        from stream.film import commands as film
        from stream.opening import commands as opening
        from stream.people import commands as people
        from stream.prints import commands as prints
        from stream.template import commands as template

        batch.add_commands(commands)
        film.add_commands(commands)
        cut.add_commands(commands)
        check.add_commands(commands)
        opening.add_commands(commands)
        template.add_commands(commands)
        people.add_commands(commands)
        prints.add_commands(commands)
    return parser


def main(words: Sequence[str] | None = None) -> int:
    """Run one command.

    Returns:
        0 when it did what was asked, 1 when something it worked on failed, 2 for a mistake that
        the user can mend, 130 when interrupted.
    """
    words = sys.argv[1:] if words is None else words
    args = build_parser(whole=not words or words[0] not in ALONE).parse_args(words)
    try:
        code: int = args.run(args)
    except PosewallError as e:
        print(f"posewall: {e}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:
        # The reader of our output has gone (`| head`); nothing is left to say it to.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    return code


if __name__ == "__main__":
    sys.exit(main())
