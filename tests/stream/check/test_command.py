"""The command check, end to end: what it reads, prints and draws, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import torch
from PIL import Image
from torch import Tensor

from models.color import SRGB_8BIT, rgb_to_planes
from models.screencheck import measure
from models.transfer import encode
from stream.check.limits import Grade
from stream.check.picture import BANDS, COLORS, MOST, light_map, signed
from stream.cli import main
from stream.drawn_words import drawn_font, wrapped
from tests.models.rendered import GREY, VIDEO_8, colour, video_planes
from tests.models.screens import (
    HEIGHT,
    LIGHT,
    WIDTH,
    before,
    blob,
    eight_bit,
    grid,
    stopped,
)
from tests.stream.capture.media_files import make_clip

FALL = 0.75 - 1.5 * grid()[1]


def still(path: Path, linear: Tensor) -> Path:
    planes = rgb_to_planes(encode(linear, SRGB_8BIT.transfer), SRGB_8BIT)
    image = Image.fromarray(torch.stack(planes, -1).numpy())
    image.save(path, quality=97) if path.suffix == ".jpg" else image.save(path)
    return path


def check(*words: object) -> int:
    return main(["check", *map(str, words)])


def sheet(path: Path) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    with Image.open(path) as image:
        return np.asarray(image.convert("RGB"))


def share(pixels: np.ndarray[tuple[int, ...], np.dtype[np.uint8]], color: tuple[int, ...]) -> float:
    return float((np.abs(pixels.astype(int) - color).max(-1) < 6).mean())


def test_a_still_is_told_in_words_and_drawn_beside_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = still(tmp_path / "first.jpg", before(stopped(FALL)))
    held = path.read_bytes()
    assert check(path) == 0
    assert path.read_bytes() == held
    assert sorted(p.name for p in tmp_path.iterdir()) == ["first.check.jpg", "first.jpg"]
    heard = capsys.readouterr()
    assert heard.err == ""
    assert heard.out.startswith("first.jpg: Change 1 thing before you shoot (green screen, 8")
    flat = " ".join(heard.out.split())
    assert "Evenness: change this" in flat
    assert "1.5 stops from the darkest to the brightest place" in flat
    assert "Move the left lamp back" in flat
    assert "weigh stands down" in flat
    assert "common practice" in flat
    assert heard.out.endswith(f"Picture: {tmp_path / 'first.check.jpg'}\n")
    with Image.open(tmp_path / "first.check.jpg") as image:
        assert (image.format, image.mode) == ("JPEG", "RGB")
        assert image.width > 1200


def test_the_picture_shows_frame_map_and_text(tmp_path: Path) -> None:
    path = still(tmp_path / "first.png", before(stopped(FALL)))
    out = tmp_path / "sheet.png"
    assert check(path, "--out", out) == 0
    pixels = sheet(out)
    # Six bands of light within 1.5 stops, each with as much of the sheet as of the screen.
    middle = [i for i in range(len(BANDS)) if abs(i - MOST) <= 2]
    assert min(share(pixels, BANDS[i]) for i in middle) > 0.012
    # The brightest and darkest bands are in the legend alone.
    assert 0 < share(pixels, BANDS[0]) < 0.004
    assert 0 < share(pixels, BANDS[-1]) < 0.004
    assert share(pixels, COLORS[Grade.CHANGE]) > 0.0003
    assert share(pixels, COLORS[Grade.BETTER]) < share(pixels, COLORS[Grade.CHANGE])
    # The frame itself, left: its own green at its own size.
    height = 960 * HEIGHT // WIDTH
    panel = pixels[70 : 70 + height, 36 : 36 + 960]
    want = encode(stopped(FALL)[..., :1, ::48], SRGB_8BIT.transfer)[0, :, 0].T.numpy() * 255
    got = panel[40, ::96].astype(float)
    assert np.abs(got[1:-1] - want[1:-1]).max() < 14


def test_the_map_is_banded_where_it_should_be() -> None:
    frame = eight_bit(stopped(FALL))
    report = measure(frame)
    assert report is not None
    drawn = np.asarray(light_map(report, Image.new("RGB", (480, 360), (0, 160, 0))))
    for x, band in ((8, 3), (120, 2), (239, 0), (360, -2), (472, -3)):
        stops = 0.75 - 1.5 * (x + 0.5) / 480
        if abs(stops / 0.25 - round(stops / 0.25)) < 0.4:
            assert tuple(drawn[180, x]) == BANDS[MOST + round(stops / 0.25)], (x, band)


def test_the_bands_can_be_told_apart_without_red_and_green() -> None:
    """CIE 1976 L* rises from band to band; blue against yellow is left to a dichromat.

    L* = 116 Y^(1/3) - 16 (CIE 15; IEC 61966-2-1 for Y), from memory.
    """
    linear = np.array([[c / 255 for c in band] for band in BANDS]) ** 2.2
    light = 116 * np.cbrt(linear @ [0.2126, 0.7152, 0.0722]) - 16
    assert (np.diff(light) > 6).all()
    blue = np.array(BANDS)[:, 2] - np.array(BANDS)[:, :2].mean(1)
    assert (blue[:MOST] > 15).all()
    assert (blue[MOST + 1 :] < -15).all()


def test_a_picture_of_the_empty_screen(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = still(tmp_path / "empty.png", stopped(0.2 * grid()[0]))
    assert check(path) == 0
    out = capsys.readouterr().out
    assert out.startswith("empty.png: Good to go (green screen, 100 % of the picture)")
    assert "Spill" not in out
    assert "Distance" not in out


def test_a_plate_tells_the_shadow(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    y, x = grid()
    shade = torch.sigmoid(torch.minimum(0.2 - (x - 0.65).abs(), y - 0.35) * 60)
    path = still(tmp_path / "a.png", before(stopped(-0.8 * shade)))
    plate = still(tmp_path / "plate.png", LIGHT)
    assert check(path, "--plate", plate) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "Distance: change this The person's shadow darkens the screen by 0.8 stops" in out
    assert "Evenness: good" in out


def test_a_plate_of_another_size_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = still(tmp_path / "a.png", before(LIGHT))
    plate = still(tmp_path / "plate.png", LIGHT[..., :300])
    assert check(path, "--plate", plate) == 2
    (sentence,) = capsys.readouterr().err.splitlines()
    assert "300x360" in sentence
    assert not (tmp_path / "a.check.jpg").exists()


def test_a_clip_is_checked_at_its_first_frame_with_a_screen(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    planes = [p.numpy().astype(np.uint16) for p in video_planes(before(stopped(FALL)), VIDEO_8)]
    tags = {"color_range": 1, "colorspace": 1, "color_primaries": 1, "color_trc": 1}
    clip = make_clip(
        tmp_path / "walk.mkv", planes, codec="ffv1", count=3, size=(WIDTH, HEIGHT), tags=tags
    )
    assert check(clip, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert Path(told["picture"]).name == "walk.check.jpg"
    assert Path(told["picture"]).exists()
    assert told["screen"] == "green"
    even = told["findings"][0]
    assert even["topic"] == "Evenness"
    assert even["grade"] == "change this"
    assert even["value"] == pytest.approx(1.5, abs=0.1)
    assert even["at"]["x"] < 0.05 or even["at"]["x"] > 0.95
    room = [np.full_like(p, code) for p, code in zip(planes, (120, 128, 128), strict=True)]
    grey = make_clip(tmp_path / "grey.mkv", room, codec="ffv1", count=4, size=(WIDTH, HEIGHT))
    assert check(grey) == 2
    assert "its first 4 frames: no green or blue screen" in capsys.readouterr().err


def test_turn(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lying = torch.rot90(stopped(1.2 * blob(0.2, 0.8, 0.15)), 1, (-2, -1))
    path = still(tmp_path / "lying.png", lying)
    assert check(path, "--turn", 90, "--json") == 0
    at = json.loads(capsys.readouterr().out)["findings"][0]["at"]
    assert (at["x"], at["y"]) == (pytest.approx(0.8, abs=0.05), pytest.approx(0.2, abs=0.05))


@pytest.mark.parametrize("front", [GREY, (0.45, 0.25, 0.17)])
def test_no_screen_is_one_sentence(
    front: tuple[float, float, float], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = still(tmp_path / "room.png", colour(front).expand_as(LIGHT))
    assert check(path) == 2
    (sentence,) = capsys.readouterr().err.splitlines()
    assert "room.png: no green or blue screen is to be seen; " in sentence
    assert check(path, "--screen", "blue") == 2
    assert "no blue screen" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["room.png"]


def test_what_cannot_be_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = still(tmp_path / "a.png", LIGHT)
    (tmp_path / "text.png").write_text("not a picture")
    (tmp_path / "folder").mkdir()
    taken = path.read_bytes()
    for words in (
        [tmp_path / "missing.jpg"],
        [tmp_path / "text.png"],
        [tmp_path / "folder"],
        [path, "--plate", tmp_path / "none.png"],
        [path, "--out", tmp_path / "sheet.pdf"],
        [path, "--out", tmp_path / "none" / "sheet.png"],
        [path, "--out", tmp_path / "folder"],
        [path, "--out", path],
    ):
        assert check(*words) == 2
        (sentence,) = capsys.readouterr().err.splitlines()
        assert sentence.startswith("posewall: ")
        assert "; " in sentence
    assert path.read_bytes() == taken
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.png", "folder", "text.png"]


def test_no_file_of_the_users_is_written_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = still(tmp_path / "a.png", before(LIGHT))
    plate = still(tmp_path / "plate.png", LIGHT)
    other = still(tmp_path / "other.jpg", LIGHT)
    named = still(tmp_path / "plate.check.jpg", LIGHT)
    kept = {p: p.read_bytes() for p in (path, plate, other, named)}
    for words, said in (
        ([path, "--plate", plate, "--out", plate], "plate.png: this is the clean plate; "),
        ([path, "--plate", named, "--out", named], "plate.check.jpg: this is the clean plate; "),
        ([path, "--out", path], "a.png: this is the file to check; "),
        ([path, "--out", other], "other.jpg: this file is there already; "),
        ([tmp_path / "gone.jpg", "--out", other], "gone.jpg: there is no such file; "),
        ([path, "--plate", tmp_path / "no.png", "--out", other], "no.png: there is no such file; "),
    ):
        assert check(*words) == 2
        (sentence,) = capsys.readouterr().err.splitlines()
        assert said in sentence
    assert {p: p.read_bytes() for p in kept} == kept


def test_an_earlier_picture_of_the_check_is_replaced(tmp_path: Path) -> None:
    path = still(tmp_path / "a.png", before(LIGHT))
    for words in ([path], [path, "--out", tmp_path / "b.check.jpg"]):
        assert check(*words) == 0
        assert check(*words) == 0
    assert len(list(tmp_path.iterdir())) == 3


def test_text_is_wrapped_and_signed() -> None:
    lines = wrapped("one two three four fivefivefivefivefive six", drawn_font(20), 120)
    assert " ".join(lines) == "one two three four fivefivefivefivefive six"
    assert all(drawn_font(20).getlength(x) <= 120 for x in lines if " " in x)
    assert len(lines) > 3
    assert (signed(0.94), signed(-1.23)) == ("+0.9", "−1.2")
