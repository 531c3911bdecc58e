"""The media file of a take against RFC 9559 (Matroska) and RFC 8794 (EBML), by a reader of its own.

RFC 8794, sections 4 to 6: variable-size integers, element headers, unknown sizes (all ones).
RFC 9559, section 5.1: Segment, Info (TimestampScale, Duration), Tracks, Cluster (Timestamp),
SimpleBlock, BlockGroup, Cues.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import pytest

from stream.take import PacketRing
from stream.take.backlog import Backlog
from stream.take.media_file import MediaFile
from tests.stream.take.stage import Clock, numbered_clip, read_into

EBML, SEGMENT, INFO, TRACKS, CLUSTER, CUES = (
    0x1A45DFA3, 0x18538067, 0x1549A966, 0x1654AE6B, 0x1F43B675, 0x1C53BB6B,
)  # fmt: skip
SCALE, DURATION, TIMESTAMP, SIMPLE, GROUP, BLOCK = 0x2AD7B1, 0x4489, 0xE7, 0xA3, 0xA0, 0xA1
TRACK, CODEC = 0xAE, 0x86


class Element(NamedTuple):
    """An element: its identifier, and where its content lies; ``end`` None: of unknown size."""

    id: int
    begin: int
    end: int | None


def _number(data: bytes, at: int, marker: bool) -> tuple[int, int, bool]:
    """A variable-size integer: value, its length, whether it says that nothing is known."""
    length = 9 - data[at].bit_length()
    value = int.from_bytes(data[at : at + length], "big")
    bare = value & ((1 << 7 * length) - 1)
    return (value if marker else bare), length, bare == (1 << 7 * length) - 1


def elements(data: bytes, begin: int, end: int) -> Iterator[Element]:
    """The elements in a row; ends where one was cut off."""
    at = begin
    while at < end:
        if at + 12 > len(data) and at + 2 > len(data):
            return
        name, used, _ = _number(data, at, True)
        size, more, unknown = _number(data, at + used, False)
        at += used + more
        yield Element(name, at, None if unknown else at + size)
        if unknown:
            return
        at += size


def _unsigned(data: bytes, element: Element) -> int:
    return int.from_bytes(data[element.begin : element.end], "big")


def inside(data: bytes, element: Element) -> list[Element]:
    """What an element holds."""
    end = len(data) if element.end is None else min(element.end, len(data))
    return list(elements(data, element.begin, end))


def clusters(data: bytes, segment: Element) -> list[tuple[int, list[tuple[int, int]], bool]]:
    """Of each cluster its time, its blocks as (track, time), and whether all of it is there."""
    found = []
    for element in inside(data, segment):
        if element.id != CLUSTER:
            continue
        time, blocks = 0, []
        for part in inside(data, element):
            if part.id == TIMESTAMP:
                time = _unsigned(data, part)
            block = part
            if part.id == GROUP:
                block = next(e for e in inside(data, part) if e.id == BLOCK)
            if block.id in (SIMPLE, BLOCK):
                track, used, _ = _number(data, block.begin, False)
                raw = data[block.begin + used : block.begin + used + 2]
                blocks.append((track, time + int.from_bytes(raw, "big", signed=True)))
        found.append((time, blocks, element.end is not None and element.end <= len(data)))
    return found


@pytest.fixture
def parts(tmp_path: Path) -> tuple[bytes, bytes]:
    """A file as it lies on the disk amid a take of 6 s, and once it is finished."""
    path = numbered_clip(tmp_path / "n.mp4", 160, key_every=50, sound=True)
    clock, backlog = Clock(), Backlog()
    ring = PacketRing(keep_s=10, clock=clock)
    ring.attach(backlog, 0)
    read_into(ring, path, 150, clock)
    assert ring.streams is not None
    assert ring.streams.picture is not None
    out = tmp_path / "take.mkv"
    file = MediaFile(out, ring.streams.picture, ring.streams.sound)
    zero_us, last_us = None, 0
    while (piece := backlog.get(0)) is not None:
        if zero_us is None and (piece.sound or not piece.key):
            continue
        zero_us = piece.at_us if zero_us is None else zero_us
        last_us = max(last_us, piece.at_us - zero_us)
        if piece.at_us >= zero_us:
            file.write(piece.moved(-zero_us))
    amid = out.read_bytes()
    file.finish()
    return amid, out.read_bytes()


def test_an_unfinished_file_has_a_segment_without_a_size_and_whole_clusters(
    parts: tuple[bytes, bytes],
) -> None:
    amid, _ = parts
    head, segment = elements(amid, 0, len(amid))
    assert (head.id, segment.id) == (EBML, SEGMENT)
    assert segment.end is None
    found = clusters(amid, segment)
    assert all(whole for *_, whole in found)
    # All but the last half second, of six, lies on the disk already.
    assert max(t for _, blocks, _ in found for track, t in blocks if track == 1) > 5_400
    assert not any(e.id == CUES for e in inside(amid, segment))


def test_a_finished_file_keeps_to_short_clusters_one_scale_and_an_index(
    parts: tuple[bytes, bytes],
) -> None:
    _, data = parts
    _, segment = elements(data, 0, len(data))
    assert segment.end == len(data)
    top = {e.id: e for e in inside(data, segment)}
    info = {e.id: e for e in inside(data, top[INFO])}
    assert _unsigned(data, info[SCALE]) == 1_000_000  # nanoseconds: a tick is a millisecond
    assert DURATION in info
    assert CUES in top
    tracks = [
        {e.id: data[e.begin : e.end] for e in inside(data, track)}
        for track in inside(data, top[TRACKS])
        if track.id == TRACK
    ]
    assert [t[CODEC] for t in tracks] == [b"V_MPEG4/ISO/AVC", b"A_AAC"]
    found = clusters(data, segment)
    assert len(found) > 10
    for time, blocks, whole in found:
        assert whole
        assert max(t for _, t in blocks) - time < 1_000
    pictures = sorted(t for _, blocks, _ in found for track, t in blocks if track == 1)
    assert pictures[:4] == [0, 40, 80, 120]
