"""Several sources at once: real capture, keyer and template, small; how the figures are read."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import av
import pytest

from scripts.crowd import Apart
from scripts.footage import make_design, make_footage
from scripts.many import keeps_up, limit, main, search, shares
from scripts.station import Job, Station
from stream.capture.decoder import cores


def figures(**changes: Any) -> dict[str, Any]:
    usual = {
        "failure": "",
        "elapsed": 10.0,
        "fps_out": 60.0,
        "dropped": 0,
        "process": 1,
        "process_s": 1.0,
        "python_share": 0.1,
        "keyer_wall_ms": 1.0,
        "reader_ms": 0.5,
        "keyer_ms": 0.5,
        "card_ms": 0.5,
        "on_card": 1.0,
        "fused": False,
        "composed_ms": {"p50": 2.0, "p99": 3.0, "most": 4.0},
        "fetched_ms": {},
    }
    return {**usual, **changes}


class Room(Apart):
    """Holds so many sources and no more."""

    def __init__(self, most: int) -> None:
        self._most = most

    def prepare(self, count: int) -> str:
        return ""

    def play(self, count: int, seconds: float) -> list[dict[str, Any]]:
        return [figures(dropped=0 if count <= self._most else 60)] * count


@pytest.mark.parametrize("each", [1, 2])
def test_two_sources_are_keyed_at_once(tmp_path: Path, each: int) -> None:
    out = tmp_path / "figures.json"
    asked = {"sources": 2, "seconds": 1, "size": "320x180", "rate": 5, "device": "cpu"}
    words = [str(word) for name, value in asked.items() for word in (f"--{name}", value)]
    code = main([*words, "--out", str(out), "--each", str(each)])
    trial = json.loads(out.read_text("utf-8"))["trials"][0]
    assert code == (0 if trial["keep_up"] else 1)
    assert len({f["process"] for f in trial["told"]}) == 2 // each
    for told in trial["told"]:
        assert not told["failure"]
        assert told["fps_out"] > 0
        assert told["fps_in"] <= 7
        assert 0 < told["composed_ms"]["p50"] <= told["fetched_ms"]["p50"]
        assert told["on_card"] == 0


def test_a_source_that_cannot_start_says_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = Job(tmp_path / "none.mp4", make_design(tmp_path / "d", (64, 48)), "cpu", "cpu", 48)
    told = Station(job).run(0.1)
    assert "no such file" in told["failure"]
    assert main(["--device", "nonsense:7", "--sources", "1"]) == 2
    assert "nonsense" in capsys.readouterr().err


def test_footage_runs_on_without_a_gap(tmp_path: Path) -> None:
    path = make_footage(tmp_path / "a.mp4", (64, 48), 30, 5)
    with av.open(str(path)) as container:
        frames = list(container.decode(video=0))
    times = [f.time for f in frames]
    assert len(frames) >= 150
    assert times == pytest.approx([n / 30 for n in range(len(frames))])
    again = make_footage(tmp_path / "b.mp4", (32, 48), 30, 1, raw=path)
    with av.open(str(again)) as container:
        assert {(f.width, f.height) for f in container.decode(video=0)} == {(32, 48)}


@pytest.mark.parametrize("most", [0, 1, 3, 6, 7, 8])
def test_the_search_finds_the_most_that_keep_up(
    most: int, capsys: pytest.CaptureFixture[str]
) -> None:
    kept: list[int] = []
    trials = search(Room(most), 8, 10, 60, lambda so_far: kept.append(len(so_far)))
    assert kept == list(range(1, len(trials) + 1))
    assert max([t["sources"] for t in trials if t["keep_up"]], default=0) == most
    counts = [t["sources"] for t in trials]
    assert len(set(counts)) == len(counts)
    assert f"The most that keep up: {most}" in capsys.readouterr().out


def test_what_keeps_up() -> None:
    assert keeps_up([figures()], 60)
    assert not keeps_up([figures(), figures(fps_out=58.0)], 60)
    assert not keeps_up([figures(dropped=2)], 60)
    assert not keeps_up([figures(failure="no picture came")], 60)


def test_the_busiest_part_is_named() -> None:
    assert "limited by the card's decoders" in limit([figures()], {"dec": 0.97, "sm": 0.4}, 60)
    assert "limited by the card's time" in limit([figures()], {"dec": 0.2, "sm": 0.99}, 60)
    crowd = [figures(process=n, process_s=10.0) for n in range(cores())]
    assert "limited by the processor" in limit(crowd, {}, 60)
    # Stations of one process each tell the whole process.
    assert "nearest" in limit([figures(process_s=5.0 * cores())] * 4, {}, 60)
    assert "limited by the threads of one" in limit([figures(python_share=0.24)] * 4, {}, 60)
    assert "limited by one source's keying" in limit([figures(keyer_wall_ms=20.0)], {}, 60)
    assert limit([figures(failure="x")], {}, 60) == "nothing ran"


def test_shares_of_the_card_are_read_without_the_ends() -> None:
    # The form that nvidia-smi 580 prints.
    head = "# gpu     sm    mem    enc    dec    jpg    ofa \n# Idx      %      %      %      %\n"
    busy = "    0     50     10      0     80      0      - \n"
    idle = "    0      0      0      0      0      0      0 \n"
    got = shares(head + idle * 4 + busy * 6 + idle * 2)
    assert got["sm"] == pytest.approx(0.5)
    assert got["dec"] == pytest.approx(0.8)
    assert got["ofa"] == 0
    assert shares("") == {}


def test_sizes_are_even(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--size", "321x180"])
    assert "both even" in capsys.readouterr().err
