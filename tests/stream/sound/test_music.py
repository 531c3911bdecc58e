"""Music under a film: how loud beside the voice, where it comes and goes, looped and cut."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from stream.durable import PARTIAL
from stream.sound.mixing import make_sound
from stream.sound.music import Music
from stream.sound.playing import Playing
from stream.sound.sound_file import SoundError
from tests.stream.film.marked import heard, speech, write_sound
from tests.stream.sound.hearing import RATE, level_db, theirs, wave


def test_music_lies_under_the_voice_and_is_full_on_cards(tmp_path: Path) -> None:
    """18 LU under speech (common practice), 3 LU under it where a card is seen; measured apart."""
    voice = write_sound(tmp_path / "t.mkv", speech(10.0), RATE)
    tune = wave(tmp_path / "m.mka", 3000.0, 40.0)
    music = Music(tune, Playing(fade_in_s=0.0, fade_out_s=0.0))
    make_sound(voice, 0.0, 10.0, 4.0, music, 18.0, tmp_path / "s.flac")
    samples, _ = heard(tmp_path / "s.flac")
    card, under, after = (
        level_db(samples, 3000.0, a, b) for a, b in ((0.5, 3.5), (5.0, 13.0), (16.0, 17.5))
    )
    assert card - under == pytest.approx(15.0, abs=1.5)
    assert after == pytest.approx(card, abs=1.0)
    quiet = make_sound(None, 0.0, 10.0, 4.0, music, 18.0, tmp_path / "m.flac")
    assert quiet.integrated_lufs == pytest.approx(-16.0, abs=0.15)
    assert theirs(tmp_path / "s.flac") == pytest.approx(-16.0, abs=0.3)


def test_music_comes_up_in_a_long_pause(tmp_path: Path) -> None:
    pause = np.zeros(6 * RATE, np.float32)
    voice = np.concatenate([speech(5.0), pause, speech(5.0, 2)])
    take = write_sound(tmp_path / "t.mkv", voice, RATE)
    music = Music(wave(tmp_path / "m.mka", 3000.0, 20.0))
    make_sound(take, 0.0, 16.0, 0.0, music, 16.0, tmp_path / "s.flac")
    samples, _ = heard(tmp_path / "s.flac")
    talk, between, again = (
        level_db(samples, 3000.0, a, b) for a, b in ((2.0, 4.8), (8.0, 10.0), (11.2, 14.0))
    )
    assert between - talk == pytest.approx(6.0, abs=1.5)
    assert again == pytest.approx(talk, abs=1.5)


def test_music_comes_and_goes(tmp_path: Path) -> None:
    tune = wave(tmp_path / "m.mka", 1000.0, 30.0)
    music = Music(tune, Playing(fade_in_s=2.0, fade_out_s=3.0, from_s=1.0, to_s=9.0))
    make_sound(None, 0.0, 0.0, 0.0, music, 10.0, tmp_path / "s.flac")
    samples, _ = heard(tmp_path / "s.flac")
    assert not samples[:, :RATE].any()
    assert not samples[:, 9 * RATE :].any()
    middle = level_db(samples, 1000.0, 4.0, 5.0)
    assert level_db(samples, 1000.0, 1.9, 2.1) < middle - 4.0
    assert level_db(samples, 1000.0, 7.4, 7.6) < middle - 4.0


@pytest.mark.parametrize("loop", [True, False])
def test_music_shorter_than_the_film(tmp_path: Path, loop: bool) -> None:
    tune = wave(tmp_path / "m.mka", 440.0, 3.3, rate=44_100)
    music = Music(tune, Playing(fade_in_s=0.0, fade_out_s=0.0, loop=loop))
    make_sound(None, 0.0, 0.0, 0.0, music, 12.0, tmp_path / "s.flac")
    samples, _ = heard(tmp_path / "s.flac")
    power = (samples[0, : 12 * RATE].reshape(-1, 2400) ** 2).mean(1)
    if loop:  # nowhere a hole, and no click either
        assert power.min() > 0.4 * np.median(power)
        assert np.abs(np.diff(samples[0])).max() < 0.1
    else:
        assert not samples[:, round(3.4 * RATE) :].any()


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda p: p / "nowhere.mp3", "no such file"),
        (lambda p: (p / "m.mp3").write_bytes(b"") or p / "m.mp3", "empty"),
        (lambda p: (p / "m.txt").write_text("la la la") and p / "m.txt", "holds no sound"),
        (lambda p: wave(p / "m.mka", 440.0, 0.2), "need at least"),
    ],
)
def test_music_that_cannot_be_played_is_refused(tmp_path: Path, make: object, words: str) -> None:
    assert callable(make)
    with pytest.raises(SoundError, match=words):
        make_sound(None, 0, 0, 0, Music(make(tmp_path)), 5.0, tmp_path / "s.flac")
    assert not [p for p in tmp_path.iterdir() if p.name.startswith(PARTIAL)]
    assert not (tmp_path / "s.flac").exists()


def test_silent_music_is_told(tmp_path: Path) -> None:
    music = Music(write_sound(tmp_path / "m.mka", np.zeros(2 * RATE, np.float32), RATE))
    made = make_sound(None, 0, 0, 0, music, 3.0, tmp_path / "s.flac")
    assert made.notes == ("The music is silent.",)
