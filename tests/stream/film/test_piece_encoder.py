"""Pieces: where they begin, and coded beside other work, whole or not there."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stream.film.encoder import Coding, EncoderError, software
from stream.film.piece_encoder import PieceEncoder, cut_in_pieces, group_of
from tests.stream.film.planes import SIZE, decoded, packets, ramp

RATE = Fraction(30)


def begun(path: Path, coding: Coding | None = None) -> PieceEncoder:
    return PieceEncoder(path, coding or software(1), SIZE, RATE, 60)


def test_a_piece_is_there_when_it_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "wide-00000.mkv"
    encoder = begun(path)
    for i in range(40):
        encoder.put(ramp(i))
        assert not path.exists()
    encoder.close()
    encoder.wait()
    assert encoder.done
    assert [p.name for p in tmp_path.iterdir()] == [path.name]
    assert len(decoded([path])) == 40


def test_the_same_pictures_give_the_same_piece(tmp_path: Path) -> None:
    for name in ("a", "b"):
        encoder = begun(tmp_path / name, software(2))
        for i in range(10):
            encoder.put(ramp(i // 3))  # some are given twice
        encoder.close()
        encoder.wait()
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
    assert len(packets(tmp_path / "a")) == 10


def test_a_piece_that_is_dropped_leaves_nothing(tmp_path: Path) -> None:
    encoder = begun(tmp_path / "x.mkv")
    for i in range(20):
        encoder.put(ramp(i))
    encoder.drop()
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("folder_gone", [True, False])
def test_what_stops_the_encoder_is_told(tmp_path: Path, folder_gone: bool) -> None:
    if folder_gone:
        encoder = begun(tmp_path / "gone" / "x.mkv")
    else:
        encoder = begun(tmp_path / "x.mkv", Coding("nothing264"))
    with pytest.raises((OSError, EncoderError)):
        _fill(encoder)
    with pytest.raises((OSError, EncoderError)):
        encoder.wait()
    encoder.close()
    encoder.drop()
    assert not list(tmp_path.iterdir())


def _fill(encoder: PieceEncoder) -> None:
    for i in range(100):
        encoder.put(ramp(i))


def test_pieces_are_of_two_seconds() -> None:
    assert cut_in_pieces(range(150), RATE) == [0, 60, 120, 150]
    assert cut_in_pieces([0], RATE) == [0, 1]
    assert cut_in_pieces([None] * 130, RATE) == [0, 60, 120, 130]
    assert group_of(Fraction(30000, 1001)) == 60
    assert group_of(Fraction(25)) == 50


def test_none_begins_within_a_frame_that_is_shown_for_longer() -> None:
    shown = [n // 7 for n in range(200)]
    assert cut_in_pieces(shown, RATE) == [0, 63, 126, 189, 200]
    assert cut_in_pieces([5] * 200, RATE) == [0, 200]
    # Not even where a card comes between.
    held = [*range(55), *[55] * 3, *[None] * 20, *[55] * 10, *range(56, 100)]
    begins = cut_in_pieces(held, RATE)
    assert begins == [0, 88, len(held)]


def _last(shown: list[int | None]) -> Iterator[int | None]:
    last = None
    for at in shown:
        last = last if at is None else at
        yield last


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2), st.booleans()), min_size=1, max_size=600))
def test_every_frame_of_a_take_belongs_to_one_piece(steps: list[tuple[int, bool]]) -> None:
    at, shown = 0, []
    for step, card in steps:
        at += step
        shown.append(None if card else at)
    begins = cut_in_pieces(shown, RATE)
    assert begins[0] == 0
    assert begins[-1] == len(shown)
    # The last is what is left.
    assert all(b - a >= 60 for a, b in itertools.pairwise(begins[:-1]))
    for begin in begins[1:-1]:
        before = {s for s in shown[:begin] if s is not None}
        after = {s for s in shown[begin:] if s is not None}
        assert not before & after
