"""Colour tags of a stream, with every 'unspecified' resolved by a stated rule.

Code points: ITU-T H.273 (ISO/IEC 23091-2). What the stream says wins; what it leaves open is read
as follows (common practice; no standard says what an absent tag means):

matrix     RGB pixel formats are RGB. JPEG (JFIF) is BT.601. BT.2020 primaries mean BT.2020. Else by
           coded height: below 720 lines BT.601, from 720 on BT.709.
range      JPEG, the yuvj formats and RGB are full; everything else is narrow.
transfer   JPEG and RGB are sRGB; everything else is BT.709.
siting     RGB, 4:4:4, JPEG and MPEG-1 are centre; BT.2020 in HEVC, VP9 and AV1 is top-left;
           everything else (MPEG-2, MPEG-4, AVC, 4:2:2 from cameras) is left. The media library does
           not hand over a stream's own siting tag, so the siting always comes from this rule
           (`models/siting.py` measures it where a clip is cut).

Curves that differ from one of ours only by name are read as that one: BT.601, BT.2020 at 10 and 12
bit, SMPTE 240M and xvYCC as BT.709; gamma 2.2 and 2.8 as sRGB and BT.709, with a remark. Primaries
other than Rec.709's are read as Rec.709's, with a remark where the difference shows. PQ and HLG
are refused: they need a mapping of brightness that this program does not have.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from models.color import Encoding, Matrix, Range, Siting
from models.transfer import Transfer
from stream.capture.errors import SourceError
from stream.capture.planes import PixelKind

_MATRIX = {
    1: Matrix.BT709,
    4: Matrix.BT601,  # FCC 1953: weights .30 and .11, within a code value or two of BT.601
    5: Matrix.BT601,
    6: Matrix.BT601,
    9: Matrix.BT2020,
}
_MATRIX_REFUSED = {7: "SMPTE 240M", 8: "YCgCo", 10: "BT.2020 constant luminance", 14: "ICtCp"}
_TRANSFER = {
    1: Transfer.BT709,
    4: Transfer.SRGB,
    5: Transfer.BT709,
    6: Transfer.BT709,
    7: Transfer.BT709,
    8: Transfer.LINEAR,
    11: Transfer.BT709,
    12: Transfer.BT709,
    13: Transfer.SRGB,
    14: Transfer.BT709,
    15: Transfer.BT709,
}
_TRANSFER_NEAR = {4: "gamma 2.2 is read as sRGB", 5: "gamma 2.8 is read as BT.709"}
_TRANSFER_REFUSED = {16: "HDR (PQ)", 18: "HDR (HLG)"}
_WIDE_PRIMARIES = {9: "BT.2020", 11: "DCI-P3", 12: "Display P3"}
_UNSPECIFIED = (0, 2, 3)
_JPEG_CODECS = {"mjpeg", "mjpegb", "jpegls", "mjpeg_cuvid", "mjpeg_qsv"}
_CENTRED_CODECS = _JPEG_CODECS | {"mpeg1video"}
_TOP_LEFT_CODECS = {"hevc", "vp9", "av1", "libdav1d", "libaom-av1", "libvpx-vp9"}


@dataclass(frozen=True)
class StreamTags:
    """What a decoder says of a frame: H.273 code points, as they came.

    Attributes:
        matrix: matrix coefficients; 2 is unspecified.
        full_range: None where the stream does not say.
        transfer: transfer characteristics; 2 is unspecified.
        primaries: colour primaries; 2 is unspecified.
        codec: name of the decoder.
        height: coded lines.
    """

    matrix: int
    full_range: bool | None
    transfer: int
    primaries: int
    codec: str
    height: int


def range_of(tags: StreamTags, rgb: bool, full_by_name: bool) -> Range:
    """The range, by the rule of this module."""
    if tags.full_range is not None:
        return Range.FULL if tags.full_range else Range.NARROW
    full = rgb or full_by_name or tags.codec in _JPEG_CODECS
    return Range.FULL if full else Range.NARROW


def _matrix_of(tags: StreamTags, kind: PixelKind) -> Matrix:
    if kind.rgb:
        return Matrix.RGB
    if tags.matrix in _MATRIX:
        return _MATRIX[tags.matrix]
    if tags.matrix not in _UNSPECIFIED and not kind.grey:
        name = _MATRIX_REFUSED.get(tags.matrix, f"number {tags.matrix} of H.273")
        raise SourceError(
            f"colour matrix: got {name}; need BT.601, BT.709 or BT.2020; "
            "set the camera or the export to one of these"
        )
    if tags.codec in _JPEG_CODECS:
        return Matrix.BT601
    if tags.primaries == 9:
        return Matrix.BT2020
    return Matrix.BT601 if tags.height < 720 else Matrix.BT709


def _transfer_of(tags: StreamTags, kind: PixelKind) -> Transfer:
    if tags.transfer in _TRANSFER:
        return _TRANSFER[tags.transfer]
    if tags.transfer in _TRANSFER_REFUSED:
        raise SourceError(
            f"colour: got {_TRANSFER_REFUSED[tags.transfer]}, which is not supported yet; "
            "need a standard (SDR, Rec.709) picture; switch HDR off in the camera or the export"
        )
    if tags.transfer not in _UNSPECIFIED:
        raise SourceError(
            f"colour curve: got number {tags.transfer} of H.273; need a standard (Rec.709 or sRGB) "
            "picture; set the camera or the export to one of these"
        )
    jpeg = tags.codec in _JPEG_CODECS
    return Transfer.SRGB if kind.rgb or jpeg else Transfer.BT709


def _siting_of(tags: StreamTags, kind: PixelKind, matrix: Matrix) -> Siting:
    if not kind.subsampled or tags.codec in _CENTRED_CODECS:
        return Siting.CENTER
    if matrix is Matrix.BT2020 and tags.codec in _TOP_LEFT_CODECS:
        return Siting.TOP_LEFT
    return Siting.LEFT


@lru_cache(maxsize=64)
def resolve(tags: StreamTags, kind: PixelKind) -> tuple[Encoding, tuple[str, ...]]:
    """All five tags, by the rules of this module.

    Returns:
        The encoding, and remarks for the user, a sentence each.

    Raises:
        SourceError: a colour that this program cannot read.
    """
    matrix = _matrix_of(tags, kind)
    encoding = Encoding(
        matrix,
        range_of(tags, kind.rgb, kind.full_by_name),
        _transfer_of(tags, kind),
        _siting_of(tags, kind, matrix),
        kind.depth,
    )
    remarks = []
    if tags.transfer in _TRANSFER_NEAR:
        remarks.append(f"the tagged curve {_TRANSFER_NEAR[tags.transfer]}")
    if tags.primaries in _WIDE_PRIMARIES:
        remarks.append(
            f"the {_WIDE_PRIMARIES[tags.primaries]} colours are read as Rec.709 and will look "
            "paler; set the camera to Rec.709"
        )
    return encoding, tuple(remarks)
