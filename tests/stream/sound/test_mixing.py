"""The sound of a film: in its place, at its loudness, with music that lets a voice speak."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from stream.film.mux import mux
from stream.sound.loudness import Loudness, measure
from stream.sound.mixing import make_sound
from stream.sound.music import Music
from stream.sound.sound_file import SoundError
from tests.stream.film.marked import (
    beeps,
    heard,
    heard_beeps,
    pieces,
    speech,
    write_piece,
    write_sound,
)
from tests.stream.sound.hearing import level_db, theirs, wave

RATE = 48_000
NEAR_S = 0.0005


@pytest.mark.parametrize("rate", [8_000, 16_000, 44_100, 48_000, 96_000])
@pytest.mark.parametrize("codec", ["pcm_s16le", "flac"])
def test_every_mark_is_where_it_was(tmp_path: Path, rate: int, codec: str) -> None:
    times = [0.5, 1.0, 2.25, 3.999, 5.123]
    take = write_sound(tmp_path / "take.mkv", beeps(times, rate, 6.0), rate, codec)
    out = tmp_path / "sound.flac"
    make_sound(take, 0.25, 5.75, 1.5, None, 7.5, out)
    samples, _ = heard(out)
    assert samples.shape == (2, round(7.5 * RATE))
    want = [t - 0.25 + 1.5 for t in times]
    assert heard_beeps(out, want) == pytest.approx(want, abs=NEAR_S)


@pytest.mark.parametrize("codec", ["aac", "libopus", "libmp3lame", "ac3"])
def test_what_a_codec_adds_before_the_first_sample_is_known(tmp_path: Path, codec: str) -> None:
    times = [0.5, 1.5, 2.5]
    step = {"aac": 1024, "libopus": 960, "libmp3lame": 1152, "ac3": 1536}[codec]
    take = write_sound(tmp_path / "take.mkv", beeps(times, RATE, 3.0), RATE, codec, "mono", step)
    out = tmp_path / "sound.flac"
    make_sound(take, 0.0, 3.0, 0.0, None, 3.0, out)
    assert heard_beeps(out, times) == pytest.approx(times, abs=0.004)


def test_a_sample_stands_to_the_sample(tmp_path: Path) -> None:
    sound = np.zeros(RATE * 2, np.float32)
    sound[RATE] = 0.5
    take = write_sound(tmp_path / "take.mkv", sound, RATE)
    out = tmp_path / "sound.flac"
    make_sound(take, 0.5, 2.0, 0.25, None, 2.0, out)
    samples, _ = heard(out)
    assert int(np.argmax(np.abs(samples[0]))) == round((1.0 - 0.5 + 0.25) * RATE)


@pytest.mark.parametrize(("rate", "ppm"), [(44_100, -150), (48_000, 80)])
def test_a_drifting_clock_follows_the_picture_for_five_minutes(
    tmp_path: Path, rate: int, ppm: int
) -> None:
    """Under 5 ms in 5 minutes; without it 80 millionths are 24 ms. Timestamps shake by 3 ms."""
    times = [float(t) for t in range(1, 300, 7)]
    true_rate = rate * (1 + ppm * 1e-6)
    rng = np.random.default_rng(4)
    take = write_sound(
        tmp_path / "take.mkv",
        beeps(times, true_rate, 300.0),
        rate,
        stamp=lambda first: first / true_rate + float(rng.uniform(-0.003, 0.003)) + 0.003,
    )
    out = tmp_path / "sound.flac"
    make_sound(take, 0.0, 300.0, 0.0, None, 300.0, out)
    off = np.array(heard_beeps(out, times)) - np.array(times) - 0.003
    assert np.abs(off).max() < 0.001
    assert np.ptp(off) < 0.001


def test_lost_pieces_are_silence_and_the_rest_stays_in_its_place(tmp_path: Path) -> None:
    times = [0.5, 1.9, 3.5, 4.7]
    lost = [(1.0, 1.06), (2.2, 3.1), (4.0, 4.03)]

    def stamp(first: int) -> float | None:
        at_s = first / 44_100
        return None if any(a <= at_s < b for a, b in lost) else at_s

    sound = beeps(times, 44_100, 5.2) + 0.05
    take = write_sound(tmp_path / "take.mkv", sound, 44_100, stamp=stamp)
    out = tmp_path / "sound.flac"
    make_sound(take, 0.0, 5.2, 0.0, None, 5.2, out)
    assert heard_beeps(out, times) == pytest.approx(times, abs=0.001)
    samples, _ = heard(out)
    hole = samples[0, round(2.35 * RATE) : round(3.05 * RATE)]
    assert np.abs(hole).max() < 1e-3


def test_sound_that_begins_late_and_ends_early(tmp_path: Path) -> None:
    take = write_sound(
        tmp_path / "take.mkv",
        beeps([2.0], RATE, 3.0, 1.5),
        RATE,
        stamp=lambda first: 1.5 + first / RATE,
    )
    out = tmp_path / "sound.flac"
    make_sound(take, 0.5, 6.0, 1.0, None, 8.0, out)
    assert heard_beeps(out, [2.5]) == pytest.approx([2.5], abs=NEAR_S)


@pytest.mark.parametrize(
    ("layout", "count"),
    [("mono", 1), ("stereo", 2), ("2.1", 3), ("quad", 4), ("5.1", 6), ("7.1", 8)],
)
def test_any_number_of_channels_becomes_two(tmp_path: Path, layout: str, count: int) -> None:
    sound = np.tile(beeps([0.5, 1.5], RATE, 2.0) * 0.3, (count, 1))
    take = write_sound(tmp_path / "take.mkv", sound, RATE, layout=layout)
    out = tmp_path / "sound.flac"
    make_sound(take, 0.0, 2.0, 0.0, None, 2.0, out)
    assert heard(out)[0].shape == (2, 2 * RATE)
    assert heard_beeps(out, [0.5, 1.5]) == pytest.approx([0.5, 1.5], abs=NEAR_S)


def test_a_microphone_on_one_side_is_heard_on_both(tmp_path: Path) -> None:
    voice = speech(4.0)
    take = write_sound(tmp_path / "t.mkv", np.stack([0 * voice, voice]), RATE, layout="stereo")
    out = tmp_path / "sound.flac"
    made = make_sound(take, 0.0, 4.0, 0.0, None, 4.0, out)
    samples, _ = heard(out)
    assert np.array_equal(samples[0], samples[1])
    assert any("Only the right channel" in note for note in made.notes)


@pytest.mark.parametrize("target", [-16.0, -23.0])
@pytest.mark.parametrize("level", [0.2, 0.5, 6.0])
def test_speech_comes_to_the_loudness_that_is_wanted(
    tmp_path: Path, level: float, target: float
) -> None:
    """Within .5 LU, by another library's meter; peaks at most at -1 dBTP."""
    take = write_sound(tmp_path / "t.mkv", np.clip(speech(12.0) * level, -1, 1), RATE)
    out = tmp_path / "sound.flac"
    made = make_sound(take, 0.0, 12.0, 0.0, None, 12.0, out, target_lufs=target)
    assert theirs(out) == pytest.approx(target, abs=0.3)
    assert made.integrated_lufs == pytest.approx(target, abs=0.15)
    again = measure(out)
    assert again.true_peak_dbtp is not None
    assert again.true_peak_dbtp <= -1.0
    assert made.raised_db is not None
    assert (made.raised_db > 0) == (level < 1)


def test_peaks_are_held_between_samples_too(tmp_path: Path) -> None:
    """A quarter of the rate, 45 degrees off: its peaks lie 3 dB above its samples."""
    n = np.arange(RATE * 5)
    tone = np.sin(np.pi / 2 * n + np.pi / 4) * np.where(n % RATE < 4000, 0.9, 0.01)
    take = write_sound(tmp_path / "t.mkv", tone.astype(np.float32), RATE)
    out = tmp_path / "sound.flac"
    make_sound(take, 0.0, 5.0, 0.0, None, 5.0, out, target_lufs=-10.0)
    peak = measure(out).true_peak_dbtp
    assert peak is not None
    assert peak <= -1.0


def test_claps_are_not_squashed_to_reach_a_number(tmp_path: Path) -> None:
    sound = 0.001 * speech(8.0)
    sound[::RATE] = 0.9
    made = make_sound(
        write_sound(tmp_path / "t.mkv", sound, RATE), 0, 8, 0, None, 8, tmp_path / "s.flac"
    )
    assert made.integrated_lufs is not None
    assert made.true_peak_dbtp is not None
    assert made.true_peak_dbtp <= -1.0
    assert any("peaks" in note or "quiet" in note for note in made.notes)


def test_voices_far_apart_are_brought_nearer(tmp_path: Path) -> None:
    loud, quiet = speech(8.0, 1), 0.2 * speech(8.0, 1)
    take = write_sound(tmp_path / "t.mkv", np.concatenate([loud, quiet]), RATE)
    out = tmp_path / "sound.flac"
    made = make_sound(take, 0.0, 16.0, 0.0, None, 16.0, out)
    samples, _ = heard(out)
    power = [np.mean(samples[0, a * RATE : b * RATE] ** 2) for a, b in ((1, 6), (10, 15))]
    assert 3.0 < 10 * math.log10(power[0] / power[1]) < 10.0
    assert any("nearer" in note for note in made.notes)


def test_an_even_voice_keeps_its_own_life(tmp_path: Path) -> None:
    voice = speech(6.0)
    take = write_sound(tmp_path / "t.mkv", voice, RATE, "pcm_f32le")
    made = make_sound(take, 0.0, 6.0, 0.0, None, 6.0, tmp_path / "s.flac")
    samples, _ = heard(tmp_path / "s.flac")
    part = slice(RATE, 5 * RATE)
    assert np.corrcoef(samples[0, part], voice[part])[0, 1] > 0.97
    assert made.notes == ()


def test_rumble_is_taken_out_and_the_voice_left(tmp_path: Path) -> None:
    t = np.arange(4 * RATE) / RATE
    sound = (0.2 * np.sin(2 * np.pi * 20 * t) + 0.1 * np.sin(2 * np.pi * 300 * t)).astype("f4")
    make_sound(write_sound(tmp_path / "t.mkv", sound, RATE), 0, 4, 0, None, 4, tmp_path / "s.flac")
    samples, _ = heard(tmp_path / "s.flac")
    voice, rumble = (level_db(samples, hz, 0.5, 3.5) for hz in (300.0, 20.0))
    assert voice - rumble > 12.0  # it was 6 dB the other way round


@pytest.mark.parametrize("level", [0.0, 1e-4, 0.001, 0.003])
def test_silence_is_not_blown_up(tmp_path: Path, level: float) -> None:
    rng = np.random.default_rng(3)
    sound = (level * rng.standard_normal(4 * RATE)).astype(np.float32)
    take = write_sound(tmp_path / "t.mkv", sound, RATE, "pcm_f32le")
    made = make_sound(take, 0.0, 4.0, 0.5, None, 5.0, tmp_path / "s.flac")
    samples, _ = heard(tmp_path / "s.flac")
    assert np.abs(samples).max() <= 1.1 * np.abs(sound).max()
    assert any("silent" in note for note in made.notes)
    assert made.raised_db is None


def test_a_very_quiet_take_is_raised_only_so_far(tmp_path: Path) -> None:
    take = write_sound(tmp_path / "t.mkv", 0.06 * speech(6.0), RATE, "pcm_f32le")
    made = make_sound(take, 0.0, 6.0, 0.0, None, 6.0, tmp_path / "s.flac")
    assert made.raised_db == pytest.approx(30.0, abs=0.2)
    assert made.integrated_lufs is not None
    assert made.integrated_lufs < -17.0
    assert any("very quiet" in note for note in made.notes)


@pytest.mark.parametrize("samples", [1, 7, 480, 2000])
def test_next_to_no_sound_makes_a_film_all_the_same(tmp_path: Path, samples: int) -> None:
    take = write_sound(tmp_path / "t.mkv", np.full(samples, 0.25, np.float32), RATE)
    made = make_sound(take, 0.0, samples / RATE, 0.0, None, 0.0417, tmp_path / "s.flac")
    assert heard(tmp_path / "s.flac")[0].shape == (2, 2002)
    assert isinstance(made, Loudness)


def test_a_film_without_any_sound_is_silent(tmp_path: Path) -> None:
    made = make_sound(None, 0.0, 2.0, 0.0, None, 2.002, tmp_path / "s.flac")
    samples, _ = heard(tmp_path / "s.flac")
    assert samples.shape == (2, 96_096)
    assert not samples.any()
    assert made == Loudness(None, None)


def test_a_take_without_a_sound_track_is_no_error(tmp_path: Path) -> None:
    take = write_piece(tmp_path / "t.mkv", [False] * 10, Fraction(30))
    made = make_sound(take, 0.0, 0.3, 0.0, None, 1.0, tmp_path / "s.flac")
    assert made.notes == ("The take has no sound of its own.",)


def test_a_take_that_cannot_be_read_is_told(tmp_path: Path) -> None:
    (tmp_path / "t.mkv").write_bytes(b"nothing that anybody could play" * 100)
    made = make_sound(tmp_path / "t.mkv", 0.0, 1.0, 0.0, None, 1.0, tmp_path / "s.flac")
    assert "cannot be read" in made.notes[0]


@pytest.mark.parametrize(
    ("begin_s", "at_s", "length_s"),
    [(0, 0, 0.0), (0, 0, -1.0), (0, 0, math.inf), (math.nan, 0, 1.0), (0, -0.5, 1.0)],
)
def test_a_film_of_no_length_is_refused(
    tmp_path: Path, begin_s: float, at_s: float, length_s: float
) -> None:
    with pytest.raises(SoundError, match="need a film that lasts"):
        make_sound(None, begin_s, 1.0, at_s, None, length_s, tmp_path / "s.flac")


@pytest.mark.parametrize(("begin_s", "end_s", "at_s"), [(2.0, 1.0, 0.0), (0.0, 3.0, 5.0)])
def test_a_take_of_which_nothing_is_shown_is_silent(
    tmp_path: Path, begin_s: float, end_s: float, at_s: float
) -> None:
    take = write_sound(tmp_path / "t.mkv", speech(3.0), RATE)
    make_sound(take, begin_s, end_s, at_s, None, 2.0, tmp_path / "s.flac")
    samples, _ = heard(tmp_path / "s.flac")
    assert samples.shape == (2, 2 * RATE)
    assert not samples.any()


def test_a_folder_s_name_may_look_like_an_address(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    folder = Path("feast:7 50%é")
    folder.mkdir()
    take = write_sound(tmp_path / "t.mkv", speech(1.0), RATE)
    (tmp_path / "t.mkv").rename(folder / take.name)
    made = make_sound(folder / "t.mkv", 0, 1, 0, Music(folder / "t.mkv"), 1, folder / "s.flac")
    assert made.integrated_lufs == pytest.approx(-16.0, abs=0.2)
    parts = pieces(tmp_path, [False] * 30, Fraction(30))
    mux(parts, folder / "s.flac", folder / "film.mp4", Fraction(30))
    assert {p.name for p in folder.iterdir()} == {"t.mkv", "s.flac", "film.mp4"}


def test_the_same_again_is_the_same_file(tmp_path: Path) -> None:
    take = write_sound(tmp_path / "t.mkv", speech(3.0, rate=44_100), 44_100)
    music = Music(wave(tmp_path / "m.mka", 300.0, 2.0))
    for name in ("a", "b"):
        make_sound(take, 0.2, 2.9, 0.5, music, 4.0, tmp_path / f"{name}.flac")
    assert (tmp_path / "a.flac").read_bytes() == (tmp_path / "b.flac").read_bytes()


def test_progress_is_told_to_the_end_and_a_stop_leaves_nothing(tmp_path: Path) -> None:
    take = write_sound(tmp_path / "t.mkv", speech(5.0), RATE)
    told: list[tuple[int, int]] = []
    make_sound(take, 0, 5, 0, None, 5, tmp_path / "a.flac", seen=lambda *a: told.append(a))
    assert len(told) > 10
    assert told == sorted(told)
    assert told[-1][0] == told[-1][1]

    class EnoughError(Exception):
        pass

    def stop(done: int, of: int) -> None:
        if done > 0.6 * of:
            raise EnoughError

    before = set(tmp_path.iterdir())
    with pytest.raises(EnoughError):
        make_sound(take, 0, 5, 0, None, 5, tmp_path / "b.flac", seen=stop)
    assert set(tmp_path.iterdir()) == before
