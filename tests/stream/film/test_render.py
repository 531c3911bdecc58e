"""Films of real takes: what is in them, what they say, and whatever a take is like."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from itertools import groupby
from pathlib import Path

import av
import numpy as np
import pytest
import torch
from numpy.typing import NDArray
from PIL import Image

from models.color import Encoding, Planes, rgb_to_planes
from models.keyer import KeySettings
from models.transfer import encode
from stream.capture.frame import Frame
from stream.event import Event
from stream.film.owner import film_owner
from stream.film.part import NOBODY, OTHER_SCREEN, PLATE_UNFIT
from stream.film.progress import Progress, Stopped
from stream.film.render import FilmRenderer, Made
from stream.prints.picture import picture_owner
from stream.shot import save_plate
from stream.take import Take, TakeError, replace_take
from tests.models.rendered import GREEN, VIDEO_8, uneven
from tests.stream.batch.scenario import make_event
from tests.stream.film import ninth
from tests.stream.film.planes import taken
from tests.stream.film.takes import clip_of, take_of, write_clip


def in_order(frames: Sequence[Frame], settings: KeySettings, plate: Frame | None) -> Sequence[int]:
    """The poster's frame is not what is tested here: the middle one."""
    return [len(frames) // 2]


def renderer(event: Event, **more: object) -> FilmRenderer:
    return FilmRenderer(event, encoder="libx264", rank=in_order, **more)  # type: ignore[arg-type]


def pictures(event: Event, name: str) -> list[NDArray[np.uint8]]:
    with av.open(str(event.paths.films / name)) as container:
        return [f.to_ndarray(format="rgb24").astype(np.uint8) for f in container.decode(video=0)]


@pytest.fixture
def event(tmp_path: Path, small_films: None) -> Event:
    return make_event(tmp_path)


# --- a film as it should be -----------------------------------------------------------------


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Event, Take, Made, list[Progress]]:
    """One short take, as a wide and as a tall film of the full size."""
    folder = tmp_path_factory.mktemp("made")
    event = make_event(folder)
    take = take_of(event, clip_of(folder / "clip.mkv", 12), ("wide", "tall"), people=["1"])
    told: list[Progress] = []
    return event, take, renderer(event).make(take, told.append), told


def test_films_are_what_phones_play(made: tuple[Event, Take, Made, list[Progress]]) -> None:
    """H.264 High in MP4, BT.709 and narrow range (H.273: 1 and 1), AAC, index first."""
    event, take, films, _ = made
    assert len(films.films) == len(films.posters) == 2
    for name, wanted in zip(films.films, take.films, strict=True):
        path = event.paths.films / name
        size = (1920, 1080) if wanted.shape == "wide" else (1080, 1920)
        with av.open(str(path)) as container:
            picture, sound = container.streams.video[0], container.streams.audio[0]
            context = picture.codec_context
            assert (picture.width, picture.height) == size
            assert (context.name, context.profile) == ("h264", "High")
            assert context.pix_fmt == "yuv420p"
            assert (context.color_primaries, context.color_trc) == (1, 1)
            assert (context.colorspace, context.color_range) == (1, 1)
            assert sound.codec_context.name == "aac"
            assert picture.average_rate == 30
            assert picture.frames >= 12
            length = picture.frames / 30
            assert abs(float((picture.duration or 0) * (picture.time_base or 0)) - length) < 0.002
            assert abs(float((sound.duration or 0) * (sound.time_base or 0)) - length) < 0.03
        data = path.read_bytes()
        assert data.index(b"moov") < data.index(b"mdat")
        assert film_owner(path) == take.unique


def test_posters_are_frames_of_the_films(made: tuple[Event, Take, Made, list[Progress]]) -> None:
    event, take, films, _ = made
    for film, poster in zip(films.films, films.posters, strict=True):
        with Image.open(event.paths.films / poster) as image:
            assert "icc_profile" in image.info
            shown = np.asarray(image.convert("RGB")).astype(float)
        off = [abs(p.astype(float) - shown).mean() for p in pictures(event, film)]
        assert min(off) < 3.0
        assert picture_owner(event.paths.films / poster) == take.unique


def test_the_screen_is_gone_and_the_person_is_there(
    made: tuple[Event, Take, Made, list[Progress]],
) -> None:
    event, _, films, _ = made
    middle = pictures(event, films.films[0])[6].astype(int)
    # The template's sky is (40, 90, 160); it stands upright in the middle of the wide film.
    corner = middle[20:60, 560:600].reshape(-1, 3).mean(0)
    assert abs(corner - (40, 90, 160)).max() < 6
    green = (middle[..., 1] - np.maximum(middle[..., 0], middle[..., 2])).max()
    assert green < 40
    red = middle[..., 0] - middle[..., 2]
    assert (red > 30).mean() > 0.05


def test_it_tells_how_far_it_is(made: tuple[Event, Take, Made, list[Progress]]) -> None:
    told = made[3]
    shares = [p.share for p in told]
    assert shares == sorted(shares)
    assert (shares[0], shares[-1]) == (0.0, 1.0)
    assert told[-1].done == told[-1].total
    assert any(p.seconds_left is not None and p.seconds_left > 0 for p in told)
    stages = [name for name, _ in groupby(p.stage for p in told)]
    assert stages == ["looking through the take", "keying", "sound"]
    # Not once: it takes a while, and somebody waits.
    assert sum(p.stage == "sound" for p in told) > 4


def test_a_take_is_not_made_twice(made: tuple[Event, Take, Made, list[Progress]]) -> None:
    event, take, films, _ = made
    before = {n: (event.paths.films / n).stat().st_mtime_ns for n in films.films + films.posters}
    told: list[Progress] = []
    assert renderer(event).make(take, told.append) == films
    assert not told
    assert before == {n: (event.paths.films / n).stat().st_mtime_ns for n in before}
    # Nothing of the work is left but what says that it is done.
    kept = [p.name for p in (event.paths.film_work / take.job).rglob("*")]
    assert kept == ["plan.json"]


def test_a_film_that_was_thrown_away_comes_back_the_same(event: Event, tmp_path: Path) -> None:
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 12), ("wide", "tall"), people=["1"])
    films = renderer(event).make(take)
    names = films.films + films.posters
    before = {n: (event.paths.films / n).read_bytes() for n in names}
    (event.paths.films / films.films[1]).unlink()
    shutil.rmtree(event.paths.film_work)
    assert renderer(event).make(take) == films
    assert {n: (event.paths.films / n).read_bytes() for n in names} == before


# --- stopped, and begun again ---------------------------------------------------------------


def test_a_film_that_was_stopped_goes_on_and_becomes_the_same(
    tmp_path: Path, small_films: None
) -> None:
    event = make_event(tmp_path)
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 27, 10))
    twin = Event.open(shutil.copytree(event.paths.root, tmp_path / "twin"))
    whole = renderer(twin).make(take)
    looks = 0

    def stop() -> bool:
        nonlocal looks
        looks += 1
        return looks % 80 == 0

    told: list[list[Progress]] = []
    for _ in range(6):
        told.append([])
        try:
            films = renderer(event).make(take, told[-1].append, stop=stop)
            break
        except Stopped:
            continue
    assert len(told) > 1
    assert films == whole
    for name in whole.films + whole.posters:
        assert (event.paths.films / name).read_bytes() == (twin.paths.films / name).read_bytes()
    begun = [next((p.done for p in part if p.total), 0) for part in told]
    assert begun[-1] >= 60


def test_others_go_first_before_every_frame(event: Event, tmp_path: Path) -> None:
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 4))
    calls = []
    renderer(event).make(take, between=lambda: calls.append(1))
    assert len(calls) >= 4


# --- whatever a take is like ----------------------------------------------------------------


def close(one: Sequence[NDArray[np.uint8]], other: Sequence[NDArray[np.uint8]]) -> bool:
    """Whether two films look the same; the codec takes a little."""
    assert len(one) == len(other)
    return (
        max(float(abs(a.astype(float) - b).mean()) for a, b in zip(one, other, strict=True)) < 1.5
    )


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_a_camera_on_its_side_is_turned_upright(event: Event, tmp_path: Path, turns: int) -> None:
    plain = take_of(event, clip_of(tmp_path / "clip.mkv", 4))
    lying = take_of(event, clip_of(tmp_path / "lying.mkv", 4, turns=turns))
    lying = replace_take(event, replace(lying, quarter_turns=turns))
    one, other = (renderer(event).make(t).films[0] for t in (plain, lying))
    assert close(pictures(event, one), pictures(event, other))


def test_a_mirrored_take_is_mirrored(event: Event, tmp_path: Path) -> None:
    clip = clip_of(tmp_path / "clip.mkv", 4)
    plain, flipped = take_of(event, clip), take_of(event, clip, mirror=True)
    one, other = (pictures(event, renderer(event).make(t).films[0]) for t in (plain, flipped))
    # All but the strip with the words is the same from both sides.
    high = 5 * len(one[0]) // 9
    above = [p[:high] for p in one]
    assert close(above, [p[:high, ::-1] for p in other])
    assert not close(above, [p[:high] for p in other])


def odd(planes: Planes) -> Planes:
    """A frame of 239 x 159: chroma is halved and rounded up."""
    return planes[0][:159, :239], planes[1], planes[2]


def deep() -> Iterator[Planes]:
    encoding = replace(VIDEO_8, depth=10)
    from models.color import planes_to_rgb

    for frame in taken(4):
        yield rgb_to_planes(planes_to_rgb(frame.planes, VIDEO_8), encoding)


def test_odd_sizes_and_ten_bits_make_right_films(event: Event, tmp_path: Path) -> None:
    times = [i / 30 for i in range(4)]
    frames = [f.planes for f in taken(4)]
    plain = take_of(event, write_clip(tmp_path / "a.mkv", frames, times))
    uneven_ = take_of(event, write_clip(tmp_path / "b.mkv", [odd(p) for p in frames], times))
    ten = take_of(event, write_clip(tmp_path / "c.mkv", list(deep()), times, depth=10))
    one, other, third = (
        pictures(event, renderer(event).make(t).films[0]) for t in (plain, uneven_, ten)
    )
    assert other[0].shape == one[0].shape == (*ninth.WIDE, 3)
    assert close(one, third)
    assert max(float(abs(a.astype(float) - b).mean()) for a, b in zip(one, other, strict=True)) < 6


def test_a_take_of_one_frame_is_a_film(event: Event, tmp_path: Path) -> None:
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 2))
    clip_of(event.paths.takes / take.id / take.file, 1, sound=False)
    take = replace_take(event, replace(take, sound="", length_s=0.04))
    films = renderer(event).make(take)
    assert len(pictures(event, films.films[0])) >= 1
    assert (event.paths.films / films.posters[0]).is_file()
    assert any("too short for a greeting" in note for note in films.notes), films.notes


def test_a_plate_of_another_size_is_left_with_a_note(event: Event, tmp_path: Path) -> None:
    small = taken(1)[0]
    small = replace(small, planes=tuple(p[: p.shape[0] // 2] for p in small.planes))  # type: ignore[arg-type]
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 2), plate=save_plate(event, small))
    assert PLATE_UNFIT in renderer(event).make(take).notes


def test_a_plate_of_this_screen_is_used(event: Event, tmp_path: Path) -> None:
    bare = rgb_to_planes(encode(uneven(GREEN), VIDEO_8.transfer), VIDEO_8)
    plate = save_plate(event, replace(taken(1)[0], planes=bare))
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 2), plate=plate)
    notes = renderer(event).make(take).notes
    # 240 x 160 on the whole of 640 x 360.
    assert any("enlarges this take 2.2 times" in note for note in notes), notes
    assert PLATE_UNFIT not in notes
    assert OTHER_SCREEN not in notes


def test_nobody_and_no_screen_are_told(event: Event, tmp_path: Path) -> None:
    bare = rgb_to_planes(encode(uneven(GREEN), VIDEO_8.transfer), VIDEO_8)
    grey = rgb_to_planes(torch.full((1, 3, 160, 240), 0.4), Encoding())
    times = [i / 30 for i in range(3)]
    empty = take_of(event, write_clip(tmp_path / "a.mkv", [bare] * 3, times))
    wall = take_of(event, write_clip(tmp_path / "b.mkv", [grey] * 3, times))
    assert NOBODY in renderer(event).make(empty).notes
    notes = renderer(event).make(wall).notes
    assert any("was to be seen in 3 of the 3 frames" in note for note in notes)
    assert NOBODY not in notes


# --- what cannot be made --------------------------------------------------------------------


def test_a_file_of_somebody_else_is_not_written_over(event: Event, tmp_path: Path) -> None:
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 2))
    mine = event.paths.films / take.films[0].film
    mine.parent.mkdir(parents=True, exist_ok=True)
    mine.write_bytes(b"my own")
    with pytest.raises(TakeError, match="is not this take's film; move it elsewhere"):
        renderer(event).make(take)
    assert mine.read_bytes() == b"my own"


def test_what_is_still_recorded_is_not_made(event: Event, tmp_path: Path) -> None:
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 2))
    with pytest.raises(TakeError, match="still being recorded"):
        renderer(event).make(replace(take, recording=True))
    with pytest.raises(TakeError, match="number 77 of this take is no longer on the roster"):
        renderer(event).make(replace(take, people=("77",)))
    with pytest.raises(TakeError, match=r"is to be shown from second 9\.0 on"):
        renderer(event).make(replace(take, begin_s=9.0))
    assert renderer(event).make(replace(take, films=())) == Made((), (), ())


def test_only_a_part_is_shown(event: Event, tmp_path: Path) -> None:
    take = take_of(event, clip_of(tmp_path / "clip.mkv", 24, Fraction(12)), begin_s=0.5, end_s=1.5)
    found = pictures(event, renderer(event).make(take).films[0])
    assert 24 <= len(found) <= 36
