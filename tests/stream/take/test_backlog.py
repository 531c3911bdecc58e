"""A backlog that is full leaves pictures out up to a key frame, and says which."""

from __future__ import annotations

import pytest

from stream.capture.tap import Piece
from stream.take.backlog import Backlog, Gap


def piece(at: int, *, key: bool = False, sound: bool = False, size: int = 10) -> Piece:
    return Piece(at, at, 1, key, True, sound, b"x" * size, size=size)


def test_what_does_not_fit_is_a_gap_that_ends_with_a_key_frame() -> None:
    backlog = Backlog(most_bytes=30)
    for at in range(6):
        backlog.put(piece(at, key=at == 0))
    backlog.put(piece(6, sound=True, size=3))  # sound may fill a little more
    assert [p.at_us for p in iter(lambda: backlog.get(0), None)] == [0, 1, 2, 6]
    assert backlog.gaps == []
    backlog.put(piece(7))  # fits, but cannot be decoded
    assert backlog.get(0) is None
    backlog.put(piece(8, key=True))
    assert backlog.gaps == [Gap(3, 5)]
    assert backlog.bytes == 10


def test_it_ends_for_the_first_reason_and_still_gives_what_it_holds() -> None:
    backlog = Backlog()
    backlog.put(piece(1, sound=True))
    backlog.put(piece(2, key=True))
    backlog.end("unplugged")
    backlog.end("closed")
    first = backlog.first_key()
    assert first is not None
    assert first.at_us == 2
    assert [p.at_us for p in iter(lambda: backlog.get(1.0), None)] == [1, 2]
    assert backlog.ended == "unplugged"


def test_after_the_end_only_sound_comes() -> None:
    backlog = Backlog()
    backlog.put(piece(1, key=True))
    assert not backlog.over
    backlog.end("unplugged")
    backlog.put(piece(2, key=True))  # of another camera
    backlog.put(piece(3, sound=True))
    assert not backlog.over
    first = backlog.get(0)
    assert first is not None
    assert first.at_us == 1
    assert backlog.over
    assert [p.at_us for p in iter(lambda: backlog.get(0), None)] == [3]


@pytest.mark.parametrize("key", [True, False])
def test_a_closed_one_takes_nothing(key: bool) -> None:
    backlog = Backlog()
    backlog.close()
    backlog.put(piece(1, key=key))
    assert backlog.get(0) is None
