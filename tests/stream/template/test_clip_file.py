"""Clips in templates: every form of alpha read back, and clips that cannot be used refused."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import torch

from models.clip_pixels import clip_pixels, looks_straight
from stream.errors import UserError
from stream.film.clip import ClipReader, frame_at
from stream.template.clip_file import ClipFacts, ClipFrame, probe_clip
from tests.stream.film.clips import ALPHA_FORMS, numbered, patches, write_clip


def pixels(
    frame: ClipFrame, premultiplied: bool = False
) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    """(H, W, 4) in code values of 8 bit."""
    rgb, alpha = clip_pixels(
        frame.planes, frame.encoding, frame.alpha, frame.alpha_depth, premultiplied
    )
    assert alpha is not None
    out: np.ndarray[tuple[int, ...], np.dtype[np.float32]] = (
        torch.cat([rgb, alpha], 1)[0].permute(1, 2, 0).numpy() * 255
    )
    return out


@pytest.mark.parametrize("form", ALPHA_FORMS)
def test_alpha_comes_back_as_it_was_written(form: str, tmp_path: Path) -> None:
    codec, pixel, ending, options = ALPHA_FORMS[form]
    wanted = patches()
    path = write_clip(tmp_path / f"a{ending}", [wanted] * 3, codec, pixel, options)
    facts, first = probe_clip(path, path.name)
    assert facts.alpha
    assert facts.size == (32, 48)
    assert len(facts.times_s) == 3
    got = pixels(first)
    lossy = codec in ("prores_ks", "vp8")
    # Away from where patches meet, since halved chroma mixes there.
    middles = [slice(i * 12 + 4, i * 12 + 8) for i in range(4)]
    for middle in middles:
        part = np.abs(got[8:24, middle] - wanted[8:24, middle])
        assert part[..., 3].max() <= (3 if lossy else 0.51), "alpha is full range and exact"
        assert part[..., :3].max() <= (6 if lossy else 1.8), (
            "matrix and range are those of the clip"
        )


@pytest.mark.parametrize("form", ["PNG", "FFV1 of Y'CbCr"])
def test_premultiplied_colours_are_divided_again(form: str, tmp_path: Path) -> None:
    codec, pixel, ending, options = ALPHA_FORMS[form]
    wanted = patches()
    cover = wanted[..., 3:].astype(np.float64) / 255
    multiplied = wanted.copy()
    multiplied[..., :3] = np.rint(wanted[..., :3] * cover)
    path = write_clip(tmp_path / f"a{ending}", [multiplied], codec, pixel, options)
    first = probe_clip(path, path.name)[1]
    got = pixels(first, premultiplied=True)
    # A code of the multiplied value is four of the straight one at a quarter of alpha.
    error = np.abs(got[..., :3] - wanted[..., :3]) * cover
    assert error[8:24, [6, 18, 30, 42]].max() < 1.6
    assert first.alpha is not None
    assert not looks_straight(first.planes, first.encoding, first.alpha, first.alpha_depth)


def test_straight_colours_are_told_from_premultiplied(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mov", [patches()], "png", "rgba")
    first = probe_clip(path, "a.mov")[1]
    assert first.alpha is not None
    assert looks_straight(first.planes, first.encoding, first.alpha, 8)


@pytest.mark.parametrize("full", [False, True])
def test_range_is_the_clips_own(full: bool, tmp_path: Path) -> None:
    """A full-range clip is not stretched twice; code values of BT.709-6, by its tag."""
    grey = np.full((32, 32, 4), 255, np.uint8)
    grey[..., :3] = 127
    path = write_clip(tmp_path / "a.mkv", [grey], "ffv1", "yuv444p", tags=(1, 2 if full else 1))
    first = probe_clip(path, "a.mkv")[1]
    rgb, alpha = clip_pixels(first.planes, first.encoding)
    code = round(16 + 219 * 127 / 255)
    want = code if full else (code - 16) * 255 / 219
    assert alpha is None
    assert float((rgb * 255 - want).abs().max()) < 0.01


def test_times_of_any_rate(tmp_path: Path) -> None:
    """Frames are shown from their own time to the next, whatever the rate says."""
    times = [0, 100, 133, 500]
    path = write_clip(
        tmp_path / "a.mkv", numbered(4), times=times, base=Fraction(1, 1000), rate=Fraction(25)
    )
    facts, _ = probe_clip(path, "a.mkv")
    assert facts.times_s == pytest.approx([0, 0.1, 0.133, 0.5])
    reader = ClipReader(path, "a.mkv", facts)
    shown = []
    for at_s in (0.0, 0.0999, 0.1, 0.132, 0.133, 0.4, 0.5):
        number = frame_at(facts, at_s, "hold")
        assert number is not None
        rgb, _ = clip_pixels(reader.frame(number).planes, reader.frame(number).encoding)
        shown.append(round(float(rgb.mean()) * 25.5))
    assert shown == [1, 1, 2, 2, 3, 3, 4]
    # Back again, as a film that resumes asks for it.
    rgb, _ = clip_pixels(reader.frame(1).planes, reader.frame(1).encoding)
    assert round(float(rgb.mean()) * 25.5) == 2
    reader.close()


def test_the_end_of_a_clip() -> None:
    facts = ClipFacts((4, 4), (0.0, 0.04, 0.08), 0.12, False, "x")
    at = [frame_at(facts, t, "loop") for t in (-1.0, 0.0, 0.11, 0.12, 0.16, 0.2, 0.24, 1.21)]
    assert at == [0, 0, 2, 0, 1, 2, 0, 0]
    assert [frame_at(facts, t, "hold") for t in (0.11, 0.12, 9.0)] == [2, 2, 2]
    assert [frame_at(facts, t, "stop") for t in (0.11, 0.12, 9.0)] == [2, None, None]


def test_what_is_no_clip_is_refused_in_a_sentence(tmp_path: Path) -> None:
    (tmp_path / "a.mp4").write_bytes(b"no clip at all" * 50)
    with pytest.raises(UserError, match=r'the clip "a.mp4" cannot be read'):
        probe_clip(tmp_path / "a.mp4", "a.mp4")
    with pytest.raises(UserError, match=r'the clip "gone.mp4" cannot be read'):
        probe_clip(tmp_path / "gone.mp4", "gone.mp4")


def test_a_clip_that_was_cut_off_shows_what_it_has(tmp_path: Path) -> None:
    path = write_clip(tmp_path / "a.mkv", [patches(step=i) for i in range(12)], "ffv1", "bgra")
    data = path.read_bytes()
    path.write_bytes(data[: len(data) * 2 // 3])
    facts, _ = probe_clip(path, "a.mkv")
    assert 3 < len(facts.times_s) < 12
    reader = ClipReader(path, "a.mkv", facts)
    assert reader.frame(len(facts.times_s) - 1).alpha is not None
    reader.close()
