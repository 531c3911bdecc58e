"""Films in pieces: the same whether they are made in one go or were broken off anywhere."""

from __future__ import annotations

import errno
import threading
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
import torch
from torch import Tensor

from models.keyer import Keyer
from models.laying import Laying
from models.resample import Placement
from models.video_planes import planes_of_codes
from stream.durable import replace_file
from stream.film.encoder import software
from stream.film.pictures import FilmPictures, placements_of
from stream.film.progress import Progress, Stopped, Watch
from stream.film.rates import TimeLine
from stream.film.reel import Reel, Told
from stream.film.work import Work
from stream.take import TakeError
from tests.stream.film.planes import SIZE, Stage, again, decoded, packets, stacked, taken
from tests.stream.film.takes import record

RATE = Fraction(5)  # a piece is then of ten frames
TALL = (176, 100)
FRAMES = taken(24)
# A card, each frame once, one held, some left out, a card at the end.
SHOWN = (None, None, *range(12), 12, 12, 12, 14, 16, 18, 20, 21, 22, 23, None, 23)


def line(shown: tuple[int | None, ...] = SHOWN) -> TimeLine:
    return TimeLine(RATE, 0.0, shown)


def pictures(stage: Stage, name: str) -> FilmPictures:
    placements = placements_of(stage, (160, 240), record(), None)
    return FilmPictures(name, stage, placements, RATE, 0.0)


class Run:
    """One reel of two films in a folder, as a process would begin it."""

    def __init__(
        self, folder: Path, shown: tuple[int | None, ...] = SHOWN, workers: int = 2
    ) -> None:
        stages = {
            "tall": Stage(TALL, (1.5,), fade_s=1.2),
            "wide": Stage(SIZE, (1.5,), fade_s=1.2),
        }
        self.work = Work(folder)
        films = [pictures(stage, name) for name, stage in stages.items()]
        codings = {name: software(2) for name in stages}
        folder.mkdir(parents=True, exist_ok=True)
        self.reel = Reel(films, line(shown), codings, self.work, 9, workers)
        self.told: list[Progress] = []
        self.posters: list[str] = []
        self.looks = 0

    def keep(self, name: str, codes: Tensor) -> None:
        self.posters.append(name)
        replace_file(self.work.poster(name), codes.numpy().tobytes())

    def __call__(self, stop: Callable[[int], bool] = lambda looks: False) -> Told:
        def stops() -> bool:
            self.looks += 1
            return stop(self.looks)

        watch = Watch(self.told.append, lambda: None, stops, lambda: float(self.looks))
        watch.begin(self.reel.frames)
        return self.reel.run(Keyer().clip(), lambda: again(FRAMES), self.keep, watch)

    def content(self) -> dict[str, bytes]:
        paths = [p for name in self.reel.names for p in self.reel.pieces(name)]
        paths += [self.work.poster(name) for name in self.reel.names]
        return {p.name: p.read_bytes() for p in paths}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Run:
    run = Run(tmp_path_factory.mktemp("whole"))
    assert run() == Told(keyed=20, bare=0, unfit=0)
    return run


def test_every_frame_is_there_once(whole: Run) -> None:
    for name, size in (("wide", SIZE), ("tall", TALL)):
        made = decoded(whole.reel.pieces(name))
        assert len(made) == len(SHOWN)
        assert made[0].shape == (size[0] * 3 // 2, size[1])
    assert [len(packets(p)) for p in whole.reel.pieces("wide")] == [10, 10, 6]
    last = whole.told[-1]
    assert (last.done, last.total, last.share) == (52, 52, 1.0)
    assert last.seconds_left == 0
    assert sorted(whole.posters) == ["tall", "wide"]


def test_the_pictures_are_the_clip_s_own_laid_into_the_scene(whole: Run) -> None:
    """By the parts themselves: keyed one by one, laid, converted. The codec takes a little."""
    stage, laying, clip = Stage(SIZE, (1.5,)), Laying(), Keyer().clip()
    frame = clip.next(FRAMES[0].planes, FRAMES[0].encoding)
    for source in range(1, 11):
        frame = clip.next(FRAMES[source].planes, FRAMES[source].encoding)
    placed = frame.place(Placement(SIZE[0] / 160, 0, 0), SIZE)
    laid = laying(placed, stage.scene(12 / 5))
    made = decoded(whole.reel.pieces("wide"))[12].astype(float)
    assert abs(made - stacked(planes_of_codes(laid.picture))).mean() < 2.5
    # What is faded in comes through less.
    bare = stacked(planes_of_codes(laying([], stage.scene(0.6)).picture)).astype(float)
    faded = decoded(whole.reel.pieces("wide"))[3].astype(float)
    assert 2.5 < abs(faded - bare).mean() < abs(made - bare).mean()


@pytest.mark.parametrize("after", [1, 6, 11, 12, 17, 21, 24, 26])
def test_a_reel_that_was_stopped_becomes_the_same(whole: Run, tmp_path: Path, after: int) -> None:
    first = Run(tmp_path)
    with pytest.raises(Stopped):
        first(lambda looks: looks >= after)
    done = len(list(tmp_path.glob("wide-*.mkv")))
    assert done == (after - 1) // 10
    second = Run(tmp_path)
    assert second() == Told(keyed=20)
    assert second.told[0].done == 2 * (10 * done + 1)
    assert second.content() == whole.content()
    assert not list(tmp_path.glob(".partial-*"))


def test_a_reel_may_stop_at_every_piece(whole: Run, tmp_path: Path) -> None:
    """Each run is a new keyer, as in a new process."""
    for _ in range(8):
        run = Run(tmp_path)
        try:
            run(lambda looks: looks > 14)
            break
        except Stopped:
            continue
    assert run.content() == whole.content()


@pytest.mark.parametrize("workers", [1, 5])
def test_frames_keyed_at_a_time_are_those_keyed_one_by_one(
    whole: Run, tmp_path: Path, workers: int
) -> None:
    run = Run(tmp_path, workers=workers)
    assert run() == Told(keyed=20)
    assert run.content() == whole.content()


def test_a_reel_that_is_done_is_not_made_again(whole: Run) -> None:
    before = {p.name: p.stat().st_mtime_ns for p in whole.work.folder.iterdir()}
    again_ = Run(whole.work.folder)
    assert again_() == Told(keyed=20)
    assert again_.posters == []
    assert {p.name: p.stat().st_mtime_ns for p in whole.work.folder.iterdir()} == before


def test_a_poster_that_is_gone_is_made_again(whole: Run, tmp_path: Path) -> None:
    first = Run(tmp_path)
    with pytest.raises(Stopped):
        first(lambda looks: looks > 12)
    first.work.poster("tall").unlink()
    second = Run(tmp_path)
    second()
    assert second.content() == whole.content()


def test_a_frame_that_is_held_is_keyed_once(tmp_path: Path) -> None:
    run = Run(tmp_path, (0,) * 30)
    assert run() == Told(keyed=1)
    assert [len(packets(p)) for p in run.reel.pieces("wide")] == [30]
    pieces = decoded(run.reel.pieces("wide"))
    assert abs(pieces[20].astype(float) - pieces[29]).mean() < 2


def test_a_take_that_lost_frames_is_a_sentence(tmp_path: Path) -> None:
    run = Run(tmp_path, (0, 1, 99))
    with pytest.raises(TakeError, match="the take ends earlier than when its film was begun"):
        run()
    assert not list(tmp_path.glob("*.mkv"))


def test_nothing_is_written_any_more_once_a_reel_has_failed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The folder may be removed then, and the film begun anew in it."""
    run = Run(tmp_path)

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "no space left on device")

    monkeypatch.setattr(run.work, "finish", full)
    with pytest.raises(OSError, match="no space left"):
        run()
    assert not [t for t in threading.enumerate() if t.name == "posewall-encoder"]
    assert not list(tmp_path.glob(".partial-*"))
    monkeypatch.undo()
    run()
    assert len(list(tmp_path.glob("wide-*.mkv"))) == 3


def test_frames_without_a_screen_are_counted(tmp_path: Path) -> None:
    grey = torch.full((160, 240), 120, dtype=torch.uint8)
    half = torch.full((80, 120), 128, dtype=torch.uint8)
    run = Run(tmp_path, (0, 1, 2))
    frames = [FRAMES[0], *(replace(f, planes=(grey, half, half)) for f in FRAMES[1:3])]
    watch = Watch(lambda _: None, lambda: None, lambda: False, lambda: 0.0)
    told = run.reel.run(Keyer().clip(), lambda: again(frames), run.keep, watch)
    assert told == Told(keyed=3, bare=2)
    assert told.plus(told) == Told(6, 4, 0)
