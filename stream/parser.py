"""A command line that says in one sentence what is wrong with it."""

from __future__ import annotations

import argparse
import re
from typing import Any, NoReturn

# How argparse puts it, and how we do; what fits none of these is said as argparse puts it.
_SENTENCES = (
    (
        r"argument COMMAND: invalid choice: (?P<got>.+?) \(choose from (?P<known>.+)\)",
        "there is no command {got}; there are {known}",
    ),
    (
        r"argument (?P<what>\S+): invalid choice: (?P<got>.+?) \(choose from (?P<known>.+)\)",
        "{what}: got {got}; it is one of {known}",
    ),
    (
        r"argument (?P<what>\S+): expected (?:one|at least one) argument",
        "{what}: its value is missing",
    ),
    (
        r"argument (?P<what>\S+): invalid int value: (?P<got>.+)",
        "{what}: got {got}; need a whole number",
    ),
    (r"argument (?P<what>\S+): invalid \w+ value: (?P<got>.+)", "{what}: got {got}; need a number"),
    (r"argument (?P<what>\S+): ignored explicit argument .+", "{what} takes no value"),
    (
        r"argument (?P<what>\S+): not allowed with argument (?P<other>\S+)",
        "{what} and {other} do not go together",
    ),
    (r"ambiguous option: (?P<got>\S+) could match (?P<known>.+)", "{got} could mean {known}"),
    (r"argument (?P<what>\S+): (?P<rest>.+)", "{what}: {rest}"),
    (r"the following arguments are required: (?P<what>.+)", "missing: {what}"),
    (r"unrecognized arguments: (?P<what>.+)", "{what} means nothing here"),
)


def sentence(message: str) -> str:
    """What argparse says of a mistake, for people."""
    for pattern, words in _SENTENCES:
        if found := re.fullmatch(pattern, message, re.DOTALL):
            parts = found.groupdict()
            if "known" in parts:
                parts["known"] = parts["known"].replace("'", "")
            return words.format(**parts)
    return message


class Parser(argparse.ArgumentParser):
    """As argparse's, and so are its commands; but a mistake brings no list of all options."""

    _has_commands = False

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and where to look, and end with 2."""
        self.exit(2, f"{self.prog}: {sentence(message)}; '{self.prog} --help' tells more.\n")

    def add_subparsers(self, **how: Any) -> Any:
        """As argparse's."""
        self._has_commands = True
        return super().add_subparsers(**how)

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        """As argparse's; but what a command does not know is its own to say: its help lists what
        it does know, and the whole program's does not."""
        found, unknown = super().parse_known_args(args, namespace)
        if unknown and not self._has_commands:
            self.error(f"unrecognized arguments: {' '.join(unknown)}")
        return found, unknown
