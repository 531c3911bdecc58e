"""A mistake on the command line brings one sentence, whatever argparse of this Python says."""

from __future__ import annotations

import argparse

import pytest

from stream.cli import main
from stream.parser import sentence


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["greet", "t1", "--shape", "square"], "--shape: got 'square'; it is one of wide, tall;"),
        (["greet"], "missing: TAKE|FILE;"),
        (["greet", "t1", "--person"], "--person: its value is missing;"),
        (["greet", "t1", "--from", "soon"], "--from: got soon; need seconds from 0 on"),
        (["cut", "a.jpg", "--halo", "3"], "posewall cut: --halo 3 means nothing here;"),
        (["roster", "find", "ann", "--halo"], "posewall roster find: --halo means nothing here;"),
        (["fetch"], "posewall: there is no command 'fetch'; there are live, grab,"),
        (["cut", "a.jpg", "--s", "3"], "--s could mean --"),
        ([], "missing: COMMAND;"),
    ],
)
def test_a_mistake_brings_one_sentence(
    words: list[str], told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    said = capsys.readouterr().err
    assert told in said
    assert said.count("\n") == 1
    assert "usage" not in said
    assert "--help' tells more." in said


def test_a_number_that_is_none() -> None:
    parser = argparse.ArgumentParser(exit_on_error=False)
    parser.add_argument("--width", type=int)
    with pytest.raises(argparse.ArgumentError) as wrong:
        parser.parse_args(["--width", "wide"])
    assert sentence(str(wrong.value)) == "--width: got 'wide'; need a whole number"
    many = "argument --best: ignored explicit argument '3'"
    assert sentence(many) == "--best takes no value"
    both = "argument --plate: not allowed with argument --mask"
    assert sentence(both) == "--plate and --mask do not go together"


def test_what_argparse_words_otherwise_is_said_as_it_is() -> None:
    assert sentence("something new") == "something new"
    # As releases of Python that leave the quotes out have it.
    known = "argument --shape: invalid choice: 'square' (choose from wide, tall)"
    assert sentence(known) == "--shape: got 'square'; it is one of wide, tall"
