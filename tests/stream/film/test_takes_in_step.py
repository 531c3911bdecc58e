"""From a camera's clip by its take to a film: sound stays with the picture that it came with."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av
import numpy as np
import pytest
from av.audio.stream import AudioStream

from stream.event import Event
from stream.film.mux import mux
from stream.film.render import FilmRenderer
from stream.sound.mixing import make_sound
from stream.take import add_clip, open_take
from tests.stream.batch.scenario import SETTINGS
from tests.stream.film.marked import beeps, heard_beeps, pieces, seen_flashes

NTSC = Fraction(30_000, 1001)
LENGTH_S = 6.0
# EBU R37: sound may be 5 ms early and 15 ms late, a stage.
EARLY_S, LATE_S = 0.005, 0.015


def shown(varying: bool, length_s: float = LENGTH_S) -> list[float]:
    """When the pictures of a clip are shown: at 29.97, or as a phone gives them, now and then."""
    if not varying:
        return [n / float(NTSC) for n in range(int(length_s * NTSC))]
    rng = np.random.default_rng(7)
    steps = rng.choice([1 / 60, 1 / 30, 0.05, 0.11], 400, p=[0.2, 0.5, 0.2, 0.1])
    return [float(t) for t in np.cumsum(steps) - steps[0] if t < length_s]


def clip(
    path: Path,
    times: list[float],
    flashes: set[int],
    rate: int,
    codec: str,
    length_s: float = LENGTH_S,
) -> Path:
    """A clip whose picture flashes and whose sound beeps at the same moments."""
    sound = beeps([times[n] for n in sorted(flashes)], rate, length_s)
    tick = Fraction(1, 90_000)
    with av.open(str(path), "w") as file:
        picture = file.add_stream("libx264", rate=NTSC, options={"preset": "ultrafast", "bf": "2"})
        picture.width, picture.height, picture.pix_fmt = 320, 240, "yuv420p"
        picture.codec_context.time_base = tick
        heard = file.add_stream(codec, rate=rate)
        assert isinstance(heard, AudioStream)
        heard.layout = "mono"
        form = heard.format.name
        rows: list[tuple[float, object]] = [(t, n) for n, t in enumerate(times)]
        rows += [
            (first / rate, sound[first : first + 1024]) for first in range(0, len(sound), 1024)
        ]
        for at_s, what in sorted(rows, key=lambda row: row[0]):
            if isinstance(what, int):
                planes = np.full((360, 320), 128, np.uint8)
                planes[:240] = 235 if what in flashes else 16
                frame = av.VideoFrame.from_ndarray(planes, "yuv420p")
                frame.pts, frame.time_base = round(at_s / tick), tick
                file.mux(picture.encode(frame))
                continue
            part = np.asarray(what, np.float32)[None]
            part = (part * 32767).astype(np.int16) if form.startswith("s16") else part
            block = av.AudioFrame.from_ndarray(np.ascontiguousarray(part), form, "mono")
            block.sample_rate, block.time_base = rate, Fraction(1, rate)
            block.pts = round(at_s * rate)
            file.mux(heard.encode(block))
        file.mux(picture.encode(None))
        file.mux(heard.encode(None))
    return path


@pytest.mark.parametrize("varying", [False, True])
@pytest.mark.parametrize(
    ("name", "rate", "codec"),
    [
        ("clip.mp4", 44_100, "aac"),
        ("clip.mov", 48_000, "pcm_s16le"),
        ("clip.mkv", 44_100, "pcm_s16le"),
        ("clip.ts", 48_000, "ac3"),
    ],
)
def test_a_clip_s_sound_stays_with_its_picture(
    event: Event, tmp_path: Path, name: str, rate: int, codec: str, varying: bool
) -> None:
    """At every mark: the take's picture against the film's sound, before and after coding."""
    times = shown(varying)
    marks = {round(len(times) * part) for part in (0.12, 0.3, 0.45, 0.6, 0.75, 0.9)}
    take = add_clip(event, clip(tmp_path / name, times, marks, rate, codec), settings=SETTINGS)
    reader = open_take(event, take)
    seen = [
        float((frame.pts or 0) * (frame.time_base or 0))
        for frame in reader.frames()
        if float(frame.planes[0].float().mean()) > 120
    ]
    assert len(seen) == len(marks)
    # What is shown begins at the first picture; the film has it after a card of one second.
    begin_s, at_s, film_rate = take.begin_s, 1.0, Fraction(60)
    count = round((LENGTH_S + 2) * film_rate)
    sound = tmp_path / "sound.flac"
    end_s = begin_s + LENGTH_S
    make_sound(reader.sound_path, begin_s, end_s, at_s, None, float(count / film_rate), sound)
    want = [t - begin_s + at_s for t in seen]
    off = np.array(heard_beeps(sound, want)) - want
    assert (off >= -EARLY_S).all(), off
    assert (off <= LATE_S).all(), off
    # Timestamps of whole milliseconds, of the picture and of the sound, are all that is left.
    assert np.abs(off).max() < 0.002, off
    flash = {round(t * film_rate) for t in want}
    mux(
        pieces(tmp_path, [n in flash for n in range(count)], film_rate),
        sound,
        tmp_path / "film.mp4",
        film_rate,
    )
    flashes = seen_flashes(tmp_path / "film.mp4")
    after = np.array(heard_beeps(tmp_path / "film.mp4", want)) - want
    assert np.abs(after - off).max() < 0.0005
    # A picture of 60 a second stands half of one off its moment at most.
    assert np.abs(np.array(flashes) - want).max() < 0.5 / 60 + 0.001


def flashes_of(film: Path) -> list[float]:
    """The seconds of a film at which a flash begins; what else is in its pictures stays dark."""
    with av.open(str(film)) as file:
        rows = [(f.time, float(f.to_ndarray()[: f.height].mean())) for f in file.decode(video=0)]
    light = [level for _, level in rows]
    bright = (np.median(light) + max(light)) / 2
    found = []
    for (_, before), (time_s, now) in pairwise(rows):
        if before < bright <= now:
            assert time_s is not None
            found.append(time_s)
    return found


@pytest.mark.parametrize(
    ("name", "rate", "codec", "varying"),
    [("clip.mp4", 44_100, "aac", False), ("clip.mkv", 48_000, "pcm_s16le", True)],
)
def test_a_film_s_sound_stays_with_its_picture(
    event: Event, tmp_path: Path, name: str, rate: int, codec: str, varying: bool
) -> None:
    """By the renderer itself, from the clip to the file under its name."""
    length_s = 1.8
    times = shown(varying, length_s)
    # A picture of a sixtieth may fall between two of the film's.
    long = [n for n, (a, b) in enumerate(pairwise(times)) if b - a > 1 / 50]
    marks = {long[round(len(long) * part)] for part in (0.35, 0.5, 0.65)}
    made = clip(tmp_path / name, times, marks, rate, codec, length_s)
    take = add_clip(event, made, settings=SETTINGS, shapes=("wide",))
    films = FilmRenderer(event, encoder="libx264", rank=lambda f, s, p: [0]).make(take)
    film = event.paths.films / films.films[0]
    flashes = flashes_of(film)
    assert len(flashes) == len(marks)
    off = np.array(heard_beeps(film, flashes)) - flashes
    assert (off >= -EARLY_S).all(), off
    assert (off <= LATE_S).all(), off
