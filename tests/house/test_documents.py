"""Documentation that cannot rot: the README's commands are real, and every command is in it."""

from __future__ import annotations

import argparse
import re
import shlex
from collections.abc import Iterator

import pytest

from stream.cli import build_parser
from tests.house.tree import ROOT

README = (ROOT / "README.md").read_text("utf-8")


def commands(
    parser: argparse.ArgumentParser, path: tuple[str, ...] = ()
) -> Iterator[tuple[tuple[str, ...], argparse.ArgumentParser, str | None]]:
    """Every command below a parser: its words, its own parser, its help in the list above it."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            helps = {choice.dest: choice.help for choice in action._choices_actions}
            for name, below in action.choices.items():
                yield (*path, name), below, helps.get(name)
                yield from commands(below, (*path, name))


def _leaf(parser: argparse.ArgumentParser) -> bool:
    return not any(isinstance(a, argparse._SubParsersAction) for a in parser._actions)


def undocumented(parser: argparse.ArgumentParser, text: str) -> list[str]:
    """Commands without help, or not in a text."""
    bad = []
    for path, below, helped in commands(parser):
        name = " ".join(path)
        if not helped or not helped.strip():
            bad.append(f"{name}: no help")
        if _leaf(below) and not re.search(rf"\bposewall {name}\b", text):
            bad.append(f"{name}: not in the README")
    return bad


def written_commands(text: str) -> list[str]:
    """The `posewall ...` commands of a Markdown text: in code blocks and between backticks."""
    lines = re.findall(r"(?m)^(?: {4,}|\$ )?(?:\S*/bin/)?(posewall \S.*)$", _blocks(text))
    inline = re.findall(r"`(?:\S*/bin/)?(posewall [a-z][^`]*)`", text)
    return [line.strip() for line in lines + inline]


def _blocks(text: str) -> str:
    """Only what stands in a code block, with continued lines joined."""
    fenced = "\n".join(re.findall(r"(?ms)^```[a-z]*\n(.*?)^```", text))
    return re.sub(r"\\\n\s*", "", fenced + "\n" + "\n".join(re.findall(r"(?m)^ {4}.*$", text)))


def _read(parser: argparse.ArgumentParser, line: str) -> str | None:
    """Why the parser refuses a written command; None where it takes it."""
    words = shlex.split(line, comments=True)[1:]
    for stop in ("|", ">", "&&", "&"):
        if stop in words:
            words = words[: words.index(stop)]
    try:
        parser.parse_args(words)
    except SystemExit as end:
        return None if end.code == 0 else line
    return None


def refused(parser: argparse.ArgumentParser, text: str) -> list[str]:
    """Written commands that the parser does not take."""
    mentioned = {" ".join(path) for path, _, _ in commands(parser)}
    return [
        line
        for line in written_commands(text)
        # A command that is only named, such as "`posewall live`", is not a line to type.
        if line.removeprefix("posewall ") not in mentioned and _read(parser, line) is not None
    ]


def unknown_verbs(text: str, makefile: str) -> list[str]:
    """`make` verbs of a text that the Makefile lacks."""
    have = set(re.findall(r"(?m)^([a-z]+):", makefile))
    told = re.findall(r"(?m)(?:^ {4}|`)(?:[A-Z_]+=\S+ )?make ([a-z]+)", text)
    return sorted(set(told) - have)


def test_every_command_has_help_and_stands_in_the_readme() -> None:
    assert {path[0] for path, _, _ in commands(build_parser())} >= {"live", "grab", "batch", "cut"}
    assert undocumented(build_parser(), README) == []


def test_every_option_has_help() -> None:
    bare = [
        f"{' '.join(path)} {'/'.join(action.option_strings) or action.dest}"
        for path, parser, _ in commands(build_parser())
        for action in parser._actions
        if not action.help and not isinstance(action, argparse._SubParsersAction)
    ]
    assert bare == []


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "demo_clips/README.md"])
def test_written_commands_can_be_typed(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    text = (ROOT / name).read_text("utf-8")
    assert refused(build_parser(), text) == [], capsys.readouterr().err
    assert unknown_verbs(text, (ROOT / "Makefile").read_text("utf-8")) == []


def test_the_readme_shows_commands() -> None:
    assert len(written_commands(README)) >= 5


@pytest.mark.parametrize("command", [path for path, _, _ in commands(build_parser())])
def test_help_is_shown(command: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    """A percent sign in a help text breaks it only when it is shown."""
    with pytest.raises(SystemExit) as end:
        build_parser().parse_args([*command, "--help"])
    assert end.value.code == 0
    assert f"posewall {' '.join(command)}" in capsys.readouterr().out


def planted() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="posewall")
    sub = parser.add_subparsers()
    sub.add_parser("shown", help="shows").add_argument("--loud", action="store_true")
    sub.add_parser("hidden")
    sub.add_parser("group", help="more").add_subparsers().add_parser("inner", help="inside")
    return parser


def test_a_command_that_is_not_documented_is_found() -> None:
    assert undocumented(planted(), "Type `posewall shown` or `posewall group inner`.") == [
        "hidden: no help",
        "hidden: not in the README",
    ]
    assert "group inner: not in the README" in undocumented(planted(), "posewall shown")


def test_a_written_command_that_does_not_exist_is_found(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = (
        "Use `posewall shown` and `posewall shown --quiet`.\n\n"
        "    .venv/bin/posewall shown --loud | less\n    posewall gone x\n\n"
        "```sh\nposewall shown \\\n  --loude --nothing\n```\n"
    )
    assert refused(planted(), text) == [
        "posewall shown --loude --nothing",
        "posewall gone x",
        "posewall shown --quiet",
    ]
    assert unknown_verbs("`make tea`\n\n    X=1 make test", "test:\n\tpytest\n") == ["tea"]
    capsys.readouterr()
