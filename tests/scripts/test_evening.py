"""The evening of the benchmark: real pictures by the real command, and clocks that add up."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
import torch

from scripts import evening as evening_module
from scripts.clocks import Clocks
from scripts.evening import STILL, TEMPLATES, evening, plan, roster
from scripts.stages import PLACES, peak_bytes
from stream.batch import making
from stream.batch.making import make_pictures
from stream.batch.render import Renderer
from stream.people import Roster
from stream.shot import load_shot
from stream.shot.finding import shots
from tests.stream.batch.scenario import make_still, make_template


@pytest.fixture
def made(tmp_path: Path) -> Path:
    """What the demo makes, small."""
    here = tmp_path / "made"
    for name in ("stills", "plates"):
        (here / name).mkdir(parents=True)
        make_still(here / name / STILL, seed=len(name))
    return here


@pytest.fixture
def templates(tmp_path: Path) -> list[Path]:
    return [make_template(tmp_path / "designs" / name) for name in TEMPLATES]


def test_everybody_ordered_both_templates(tmp_path: Path) -> None:
    (tmp_path / "roster.csv").write_text(roster(100), "utf-8")
    people = Roster.load(tmp_path / "roster.csv").people
    assert len(people) == 100
    assert {tuple(o.template for o in p.orders) for p in people} == {TEMPLATES}
    assert len({p.name for p in people}) > 90


def test_an_evening_is_made_whole(made: Path, templates: list[Path]) -> None:
    got = evening(made, 3, templates)
    assert (got["pictures"], got["failed"]) == (6, 0)
    assert len(got["seconds"]["shots"]) == 3
    shares = {k: v for k, v in got.items() if k.endswith("_share")}
    assert sum(shares.values()) == pytest.approx(1)
    assert {"read_share", "analysis_share", "key_share", "lay_share", "write_share"} <= set(shares)
    assert got["peak_gb"] is None or 0.1 < got["peak_gb"] < 3


def test_what_failed_is_counted(
    made: Path, templates: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    def spoilt(*args: object) -> object:
        event = plan(*args)  # type: ignore[arg-type]
        shot = next(iter(shots(event)))
        (event.paths.shots / shot.id / shot.frame).write_bytes(b"no picture")
        return event

    monkeypatch.setattr(evening_module, "plan", spoilt)
    got = evening(made, 2, templates)
    assert (got["pictures"], got["failed"]) == (2, 2)


def test_each_stage_has_its_own_time(made: Path, templates: list[Path], tmp_path: Path) -> None:
    """The clocks of a whole and of its parts: a part's time is not counted twice."""
    event = plan(tmp_path, made, 1, templates)
    shot = load_shot(event, next(iter(shots(event))).id)
    before = [getattr(owner, name) for owner, name, _ in PLACES]
    clocks = Clocks(PLACES)
    begun = time.perf_counter()
    with clocks.running():
        done = making.make_pictures(Renderer(event), shot)
    took = time.perf_counter() - begun
    assert len(done["pictures"]) == 2
    assert set(clocks.seconds) >= {name for _, _, name in PLACES}
    assert min(clocks.seconds.values()) >= 0
    (whole,) = clocks.calls["rest"]
    assert sum(clocks.seconds.values()) == pytest.approx(whole)
    assert whole <= took
    assert sum(clocks.shares().values()) == pytest.approx(1)
    assert [getattr(owner, name) for owner, name, _ in PLACES] == before
    assert making.make_pictures is make_pictures


@pytest.mark.skipif(peak_bytes() is None, reason="the system does not tell")
def test_the_peak_is_told_in_bytes() -> None:
    resource = pytest.importorskip("resource")
    block = torch.ones(200 << 20, dtype=torch.uint8)
    peak = peak_bytes() or 0
    # Linux tells it in kB here (getrusage(2)), and it counts what came before the program, too.
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    assert block.numel() < peak < 1.05 * most
