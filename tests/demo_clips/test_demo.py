"""The demo event: small enough to keep, the same every time, read back by the program itself."""

from __future__ import annotations

import csv
import re
import subprocess
import wave
from pathlib import Path

import av
import numpy as np
import pytest
import torch
from PIL import Image

from demo_clips import clip, make, scenario, sound, truth
from demo_clips.paint import Canvas, Sheet, lettering, ramp
from models.color import Encoding, planes_to_rgb, turn
from models.transfer import Transfer, decode
from stream.errors import UserError
from stream.template.loader import load_template

SMALL = 0.1
FRAMES = 34


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("demo") / "made"
    assert make.make(out, scale=SMALL, frames=FRAMES, workers=0, say=lambda _: None)
    return out


def _kept() -> list[Path]:
    tops = (p for p in scenario.HERE.iterdir() if not re.fullmatch(r"made|\.made-.*", p.name))
    files = (p for top in tops for p in (top, *top.rglob("*")) if p.is_file())
    return [p for p in files if "__pycache__" not in p.parts]


def test_what_is_kept_is_small() -> None:
    sizes = [p.stat().st_size for p in _kept()]
    assert max(sizes) < 4_000_000
    assert sum(sizes) < 12_000_000


def test_what_is_made_is_not_kept() -> None:
    root = scenario.HERE.parent
    if not (root / ".git").exists():
        pytest.skip("not a git checkout")
    for path in ("demo_clips/made/clip.mp4", "demo_clips/.made-unfinished/clip.mp4"):
        seen = subprocess.run(["git", "check-ignore", "-q", path], cwd=root, check=False)
        assert seen.returncode == 0


def test_fonts_come_with_their_licence() -> None:
    texts = [p.read_text(encoding="utf-8") for p in scenario.FONTS.glob("OFL-*.txt")]
    assert len(texts) == 2
    assert all("SIL OPEN FONT LICENSE Version 1.1" in t for t in texts)


def test_roster_has_twelve_people_each_with_a_number_of_their_own(made: Path) -> None:
    with (made / "event" / "roster.csv").open(encoding="utf-8", newline="") as f:
        rows = list(csv.DictReader(f, strict=True))
    assert len(rows) == 12
    assert set(rows[0]) == {"number", "name", "group", "order"}
    assert len({r["number"] for r in rows}) == 12
    assert all(r["name"] and r["group"] for r in rows)
    assert max(len(r["name"]) for r in rows) > 50
    assert any("," in r["name"] for r in rows)


@pytest.mark.parametrize("name", [scenario.EVENING, scenario.DAYLIGHT])
def test_templates_load_and_every_name_fits(made: Path, name: str) -> None:
    template = load_template(made / "event" / "templates" / name)
    assert template.picture_size() == (300, 240)
    assert set(template.columns) == {"name", "group"}
    with scenario.ROSTER.open(encoding="utf-8", newline="") as f:
        people = list(csv.DictReader(f))
    assert [w for p in people for w in template.scene_warnings(p)] == []
    scene = template.scene((300, 240), people[0])
    other = template.scene((300, 240), people[4])
    assert scene.size == (300, 240)
    assert any(
        not torch.equal(torch.as_tensor(a), torch.as_tensor(b))
        for x, y in zip(scene.overlays, other.overlays, strict=False)
        for a, b in zip(vars(x).values(), vars(y).values(), strict=True)
        if isinstance(a, torch.Tensor) and isinstance(b, torch.Tensor)
    ), "two people give the same picture"


@pytest.mark.parametrize("name", [scenario.EVENING, scenario.DAYLIGHT])
def test_a_frame_covers_the_whole_picture(made: Path, name: str) -> None:
    template = load_template(made / "event" / "templates" / name)
    for frame in ((1280, 720), (6000, 4000), (720, 1280)):
        p = template.placement(frame, (300, 240))
        assert p.dx <= 0.01
        assert p.dy <= 0.01
        assert p.dx + p.scale * frame[1] >= 239.99
        assert p.dy + p.scale * frame[0] >= 299.99


def test_music_plays_round_and_round_without_a_gap(made: Path) -> None:
    with wave.open(str(made / "event" / "templates" / scenario.EVENING / "music.wav")) as file:
        assert (file.getframerate(), file.getnchannels()) == (48_000, 2)
        played = np.frombuffer(file.readframes(file.getnframes()), "<i2").reshape(-1, 2)
    assert len(played) == round(len(sound.SLOW) * sound.BEAT_S * sound.RATE)
    loud = np.abs(played.astype(np.float32)).max(1)
    assert loud.max() > 6000
    # What rings at the end rings on at the beginning.
    joint = np.concatenate([played[-480:], played[:480]]).astype(np.float32)
    steps = np.abs(np.diff(joint, axis=0)).max()
    assert steps <= np.abs(np.diff(played.astype(np.float32), axis=0)).max()
    assert loud[:480].max() > 300


def test_the_evening_template_shows_takes(made: Path) -> None:
    film = load_template(made / "event" / "templates" / scenario.EVENING).film
    assert film.opening.seconds > 0
    assert film.music is not None
    assert {move.of for move in film.moves} == {"ribbon", "{name}", "{group}"}
    assert load_template(made / "event" / "templates" / scenario.DAYLIGHT).film.music is None


def test_daylight_layers_are_numbered_and_one_is_multiplied(made: Path) -> None:
    folder = made / "event" / "templates" / scenario.DAYLIGHT
    assert len(list(folder.glob("[0-9]*.png"))) == 8
    assert 'mode = "multiply"' in (folder / "template.toml").read_text(encoding="utf-8")


def test_clips_carry_the_tags_of_bt709(made: Path) -> None:
    # ITU-T H.273 tables 2 to 4: BT.709 is code point 1 of primaries, transfer and matrix.
    for name in ("clip.mp4", "clip_portrait_turned.mp4"):
        with av.open(str(made / name)) as film:
            coder = film.streams.video[0].codec_context
            assert (coder.color_primaries, coder.color_trc, coder.colorspace) == (1, 1, 1)
            assert coder.color_range == 1  # libavutil: narrow
            assert (coder.width, coder.height, coder.pix_fmt) == (1280, 720, "yuv420p")
            frames = list(film.decode(video=0))
            assert len(frames) == FRAMES
            assert all(f.rotation == 0 for f in frames)
            voice = film.streams.audio[0].codec_context
            assert (voice.name, voice.sample_rate) == ("aac", 48_000)


def _upright_linear(path: Path, number: int, quarter_turns: int) -> torch.Tensor:
    with av.open(str(path)) as film:
        frame = list(film.decode(video=0))[number]
    flat = torch.from_numpy(frame.to_ndarray(format="yuv420p"))
    y = flat[:720]
    cb, cr = flat[720:].reshape(2, 360, 640)
    rgb = planes_to_rgb((y, cb, cr), Encoding())
    return turn(decode(rgb, Transfer.BT709), quarter_turns)[0].permute(1, 2, 0)


@pytest.mark.parametrize(
    ("name", "view", "turns"),
    [
        ("clip.mp4", truth.LANDSCAPE, 0),
        ("clip_portrait_turned.mp4", truth.PORTRAIT, 1),
    ],
)
def test_clips_show_what_truth_says(made: Path, name: str, view: truth.View, turns: int) -> None:
    for number in (10, 33):
        seen = _upright_linear(made / name, number, turns).numpy()
        want = truth.composed(number, view)
        assert seen.shape == want.shape
        # chosen: noise and coding leave 0.02 in linear light; a turn or mirror the wrong way, a
        # frame off by one or a wrong curve leave far more at the subject.
        assert float(np.abs(seen - want).mean()) < 0.02
        assert float(np.abs(seen[:, ::-1] - want).mean()) > 0.02 or number < truth.CLEAN_FRAMES


def test_the_first_second_is_the_clean_screen_and_the_plate_fits_it(made: Path) -> None:
    assert truth.alpha(truth.CLEAN_FRAMES - 1).max() == 0
    assert truth.alpha(truth.CLEAN_FRAMES).max() == 1
    with Image.open(made / "plates" / "clip.png") as image:
        plate = truth.linear(np.asarray(image, np.float32) / 255)
    seen = _upright_linear(made / "clip.mp4", 3, 0).numpy()
    assert float(np.abs(seen - plate).mean()) < 0.02
    assert abs(float((seen - plate).mean())) < 0.004


def test_portrait_truth_is_the_enlarged_loop() -> None:
    frame = truth.CLEAN_FRAMES + 7
    large, loop = truth.alpha(frame, truth.PORTRAIT), truth.alpha(frame)
    assert large.shape == (1280, 720)
    view = truth.PORTRAIT
    # The middle of loop pixel (600, 640), followed by hand through the view's map.
    x = int(view.dx + view.scale * 640.5)
    y = int(view.dy + view.scale * 600.5)
    assert loop[600, 640] == large[y, x] == 1
    assert large[-1].max() == 1, "the subject is cut by the lower edge"
    assert large[0].max() == 0


def test_truth_refuses_a_negative_frame() -> None:
    with pytest.raises(ValueError, match="need 0 or more"):
        truth.alpha(-1)


def test_painting_and_sound_are_the_same_every_time() -> None:
    canvas = Canvas(0.05)

    def painted() -> bytes:
        rng = np.random.default_rng(3)
        sheet = Sheet(canvas)
        tone = ramp(canvas.noise(rng, (4, 3)), [(0, (0.1, 0.2, 0.3)), (1, (0.9, 0.8, 0.7))])
        sheet.lay(tone, canvas.noise(rng, (5, 4)))
        return sheet.pixels(rng).tobytes()

    assert painted() == painted()
    assert np.array_equal(sound.track(1.2, 0.9), sound.track(1.2, 0.9))
    one, two = (next(clip.stored_frames(truth.LANDSCAPE, 1, 0, seed)) for seed in (5, 6))
    assert not np.array_equal(one, two)


def test_noise_has_the_strength_of_its_model() -> None:
    """Variance = gain * x + floor in linear light, as in the paper that `clip` names."""
    first, second = (next(clip.stored_frames(truth.LANDSCAPE, 1, 0, seed)) for seed in (5, 6))
    part = (slice(200, 500), slice(300, 900))
    luma = [
        np.asarray(f[: 720 * 1280], np.float64).reshape(720, 1280)[part] for f in (first, second)
    ]
    measured = float((luma[0] - luma[1]).std() / np.sqrt(2))
    # BT.709's curve is 1.099 x^.45 - .099 above .018, so its slope is .49455 x^-.55 (item 1.2);
    # luma weights of item 3.2, 219 codes, and 1/12 of a code's variance for rounding.
    x = truth.screen(0)[part].astype(np.float64)
    spread = 0.49455 * x**-0.55 * np.sqrt(clip.NOISE_GAIN * x + clip.NOISE_FLOOR**2)
    weighted = (np.array((0.2126, 0.7152, 0.0722)) * spread * 219) ** 2
    expected = float(np.sqrt(weighted.sum(2).mean() + 1 / 12))
    assert measured == pytest.approx(expected, rel=0.05)


def test_plucked_string_sounds_at_its_pitch() -> None:
    string = sound.pluck(220.0, 1.0, np.random.default_rng(0))
    spectrum = np.abs(np.fft.rfft(string * np.hanning(len(string))))
    spectrum[:100] = 0
    peak = int(spectrum[:400].argmax()) * sound.RATE / len(string)
    assert abs(peak - 220) < 4
    assert np.abs(string[-480:]).max() < 0.1 * np.abs(string).max()


def test_lettering_is_centred() -> None:
    canvas = Canvas(0.2)
    font = scenario.FONTS / "Vollkorn-Black.ttf"
    mask = lettering(canvas, "HIH", font, 300, (1200, 1500))
    columns = np.flatnonzero(mask.max(0) > 0.5)
    assert abs((columns[0] + columns[-1] + 1) / 2 - canvas.w / 2) <= 1
    rows = np.flatnonzero(mask.max(1) > 0.5)
    assert abs(rows[-1] + 1 - 1500 * 0.2) <= 1, "letters stand on their baseline"


def test_what_is_just_being_made_does_not_count(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scenario, "HERE", tmp_path)
    (tmp_path / "roster.csv").write_text("name\n")
    before = make.inputs_hash(1.0, 2)
    (tmp_path / ".made-x1").mkdir()
    (tmp_path / ".made-x1" / "clip.mp4").write_bytes(b"half")
    assert make.inputs_hash(1.0, 2) == before
    (tmp_path / "roster.csv").write_text("number,name\n")
    assert make.inputs_hash(1.0, 2) != before


def test_second_run_does_nothing_and_foreign_folders_are_refused(
    made: Path, tmp_path: Path
) -> None:
    before = (made / "clip.mp4").stat().st_mtime_ns
    (made / "event" / "mine.txt").write_text("kept")
    assert not make.make(made, scale=SMALL, frames=FRAMES, workers=0, say=lambda _: None)
    assert (made / "clip.mp4").stat().st_mtime_ns == before
    (tmp_path / "holiday.jpg").write_bytes(b"x")
    with pytest.raises(UserError, match="already holds something"):
        make.make(tmp_path, scale=SMALL, frames=FRAMES, workers=0, say=lambda _: None)
    assert (tmp_path / "holiday.jpg").read_bytes() == b"x"
    assert make.main(["--out", str(tmp_path)]) == 2
