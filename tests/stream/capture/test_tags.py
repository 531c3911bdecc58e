"""Unspecified tags, by the rules of the module. Code points: ITU-T H.273, tables 2 to 4."""

from __future__ import annotations

from dataclasses import replace

import pytest

from models.color import Encoding, Matrix, Range, Siting
from models.transfer import Transfer
from stream.capture.errors import SourceError
from stream.capture.planes import PixelKind
from stream.capture.tags import StreamTags, resolve

YUV = PixelKind(rgb=False, grey=False, full_by_name=False, depth=8, subsampled=True)
RGB = PixelKind(rgb=True, grey=False, full_by_name=False, depth=8, subsampled=False)
OPEN = StreamTags(2, None, 2, 2, "h264", 1080)


def encoding(tags: StreamTags, kind: PixelKind = YUV) -> Encoding:
    return resolve(tags, kind)[0]


@pytest.mark.parametrize(
    ("height", "want"),
    [(480, Matrix.BT601), (719, Matrix.BT601), (720, Matrix.BT709), (2160, Matrix.BT709)],
)
def test_an_open_matrix_goes_by_the_number_of_lines(height: int, want: Matrix) -> None:
    found = encoding(replace(OPEN, height=height))
    assert found == Encoding(want, Range.NARROW, Transfer.BT709, Siting.LEFT, 8)


def test_jpeg_is_full_range_601_centre_and_srgb_at_any_size() -> None:
    found = encoding(replace(OPEN, codec="mjpeg"))
    assert found == Encoding(Matrix.BT601, Range.FULL, Transfer.SRGB, Siting.CENTER, 8)


def test_a_format_named_for_its_range_says_nothing_of_its_matrix() -> None:
    """A card's decoder gives full-range H.264 under another name than software does."""
    full = replace(YUV, full_by_name=True)
    assert encoding(OPEN, full).range is Range.FULL
    for height in (480, 1080):
        there = replace(OPEN, height=height)
        assert encoding(there, full).matrix is encoding(there, YUV).matrix


def test_rgb_is_full_range_srgb_unless_it_says_otherwise() -> None:
    found = encoding(OPEN, RGB)
    assert found == Encoding(Matrix.RGB, Range.FULL, Transfer.SRGB, Siting.CENTER, 8)
    assert encoding(replace(OPEN, full_range=False), RGB).range is Range.NARROW


def test_what_the_stream_says_wins() -> None:
    found = encoding(StreamTags(6, True, 13, 1, "h264", 1080))
    assert found == Encoding(Matrix.BT601, Range.FULL, Transfer.SRGB, Siting.LEFT, 8)
    assert encoding(replace(OPEN, codec="mjpeg", full_range=False)).range is Range.NARROW


@pytest.mark.parametrize(
    ("codec", "matrix", "want"),
    [
        ("h264", 1, Siting.LEFT),
        ("mpeg2video", 1, Siting.LEFT),
        ("mpeg1video", 6, Siting.CENTER),
        ("hevc", 1, Siting.LEFT),
        ("hevc", 9, Siting.TOP_LEFT),
        ("h264", 9, Siting.LEFT),
        ("rawvideo", 2, Siting.LEFT),
    ],
)
def test_siting_goes_by_the_codec(codec: str, matrix: int, want: Siting) -> None:
    assert encoding(replace(OPEN, codec=codec, matrix=matrix)).siting is want


@pytest.mark.parametrize("transfer", [1, 6, 7, 11, 14, 15])
def test_the_curves_of_the_709_family_are_one(transfer: int) -> None:
    assert encoding(replace(OPEN, transfer=transfer)).transfer is Transfer.BT709


@pytest.mark.parametrize(("transfer", "name"), [(16, "PQ"), (18, "HLG")])
def test_hdr_is_refused_in_a_sentence(transfer: int, name: str) -> None:
    with pytest.raises(SourceError, match=rf"HDR \({name}\), which is not supported yet.*need"):
        encoding(replace(OPEN, transfer=transfer))


def test_a_strange_matrix_is_refused_but_not_for_rgb() -> None:
    with pytest.raises(SourceError, match="got YCgCo; need BT"):
        encoding(replace(OPEN, matrix=8))
    assert encoding(replace(OPEN, matrix=0), RGB).matrix is Matrix.RGB


def test_wide_primaries_are_remarked() -> None:
    found, remarks = resolve(replace(OPEN, primaries=9), YUV)
    assert found.matrix is Matrix.BT2020
    assert len(remarks) == 1
    assert "Rec.709" in remarks[0]
