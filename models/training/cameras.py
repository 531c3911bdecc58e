"""What a camera makes of light: noise, balance, tone curve, sharpening and coding.

Y'CbCr is that of ITU-R BT.709-6, narrow range.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from models.training.chances import Dice
from models.training.subjects import Codes, Picture, Random, encode

YCbCr = tuple[Picture, Picture, Picture]
"""Y' (H, W), Cb and Cr ((H + 1) // 2, (W + 1) // 2): whole narrow-range codes."""
Curve = Callable[[Picture], Picture]
"""Linear light to codes of 0 to 255, not rounded."""


def noisy(pictures: list[Picture], r: Random) -> list[Picture]:
    """Photon and read noise of one camera; demosaicing softens it by chance."""
    full, read = 10 ** r.uniform(2.8, 4.2), r.uniform(2, 8)  # electrons
    soft = r.uniform(0.4, 0.9) if r.random() < 0.5 else 0
    out = []
    for p in pictures:
        # Gaussian: numpy's Poisson numbers cost ten times as much, and look alike from 10 up.
        grain = r.standard_normal(p.shape, np.float32)
        if soft:
            grain = cv2.GaussianBlur(grain, (0, 0), soft).astype(np.float32)
        grain *= np.sqrt(np.clip(p, 0, 4) * np.float32(full) + np.float32(read**2))
        out.append((p + grain / np.float32(full)).astype(np.float32))
    return out


def curve(r: Random | None) -> Curve:
    """A white balance and tone curve near sRGB's; exactly that without randomness."""
    if r is None:
        return encode
    balance, bend = r.uniform(0.9, 1.1, 3).astype(np.float32), np.float32(r.uniform(-0.1, 0.15))

    def bent(p: Picture) -> Picture:
        z = encode(p * balance) / 255
        z = z + bend * (z - 0.5) * 4 * z * (1 - z)
        return (255 * np.clip(z, 0, 1)).astype(np.float32)

    return bent


def _sharpened(pictures: list[Picture], r: Random) -> list[Picture]:
    amount, sigma = np.float32(r.uniform(0.2, 0.9)), r.uniform(0.6, 1.5)
    return [c + amount * (c - cv2.GaussianBlur(c, (0, 0), sigma)) for c in pictures]


def to_ycbcr(rgb: Picture, bits: int = 8) -> YCbCr:
    """R'G'B' of 0 to 255, (H, W, 3), as 4:2:0."""
    height, width = rgb.shape[:2]
    luma = rgb @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    chroma = [(rgb[..., 2] - luma) / 1.8556, (rgb[..., 0] - luma) / 1.5748]
    one, most = 2 ** (bits - 8), 2**bits - 1

    def codes(v: NDArray[Any], scale: int, offset: int) -> Picture:
        whole = np.round(v * np.float32(scale * one / 255) + np.float32(offset * one))
        return np.clip(whole, 0, most).astype(np.float32)

    half = ((width + 1) // 2, (height + 1) // 2)
    blue, red = (cv2.resize(c, half, interpolation=cv2.INTER_AREA) for c in chroma)
    return codes(luma, 219, 16), codes(blue, 224, 128), codes(red, 224, 128)


def from_ycbcr(planes: YCbCr, bits: int = 8) -> Codes:
    """The reverse of `to_ycbcr`: (H, W, 3)."""
    one = 2 ** (bits - 8)
    luma = (planes[0] - np.float32(16 * one)) * np.float32(255 / (219 * one))
    size = (luma.shape[1], luma.shape[0])
    blue, red = (
        cv2.resize((c - np.float32(128 * one)) * np.float32(255 / (224 * one)), size)
        for c in planes[1:]
    )
    r, b = luma + np.float32(1.5748) * red, luma + np.float32(1.8556) * blue
    g = (luma - np.float32(0.2126) * r - np.float32(0.0722) * b) / np.float32(0.7152)
    return _whole(np.stack([r, g, b], 2))


def subsampled(x: Picture, bits: int = 8) -> Codes:
    """(H, W, 3) R'G'B' of 0 to 255 through 4:2:0 and back."""
    return from_ycbcr(to_ycbcr(x, bits), bits)


def h264(x: Picture, crf: int, step: tuple[int, int] = (0, 0)) -> Codes:
    """The second of two frames of an H.264 video.

    Args:
        x: (H, W, 3) R'G'B' of 0 to 255.
        crf: the encoder's constant rate factor; 18 is fine, 30 coarse.
        step: rows and columns by which the frame before was elsewhere.
    """
    height, width = x.shape[:2]
    even: Picture = np.pad(x, ((0, height % 2), (0, width % 2), (0, 0)), "edge")
    tall, wide = even.shape[:2]
    writer = av.CodecContext.create("libx264", "w")
    writer.width, writer.height, writer.pix_fmt = wide, tall, "yuv420p"
    writer.time_base, writer.thread_count = Fraction(1, 30), 1
    writer.options = {"preset": "superfast", "tune": "zerolatency", "crf": str(crf)}
    reader = av.CodecContext.create("h264", "r")
    reader.thread_count = 1
    planes = to_ycbcr(even)
    before = [
        np.roll(p, (step[0] // n, step[1] // n), (0, 1))
        for n, p in zip((1, 2, 2), planes, strict=True)
    ]
    packets = []
    for number, those in enumerate((before, planes)):
        flat = np.concatenate([p.astype(np.uint8).ravel() for p in those])
        frame = av.VideoFrame.from_ndarray(flat.reshape(tall * 3 // 2, wide), format="yuv420p")
        frame.pts = number
        packets += writer.encode(frame)
    packets += writer.encode(None)
    frames = [f for p in packets for f in reader.decode(p)] + reader.decode(None)
    flat = frames[-1].to_ndarray().ravel().astype(np.float32)
    luma, blue, red = np.split(flat, [tall * wide, tall * wide * 5 // 4])
    half = (tall // 2, wide // 2)
    got = from_ycbcr((luma.reshape(tall, wide), blue.reshape(half), red.reshape(half)))
    return got[:height, :width]


def _whole(x: Picture) -> Codes:
    return np.clip(np.round(x), 0, 255).astype(np.uint8)


def _jpeg(x: Picture, options: list[int]) -> Codes:
    bgr = cv2.imdecode(cv2.imencode(".jpg", _whole(x)[..., ::-1], options)[1], cv2.IMREAD_COLOR)
    assert bgr is not None
    return np.ascontiguousarray(bgr[..., ::-1]).astype(np.uint8)


def _codec(dice: Dice) -> Callable[[Picture], Codes]:
    kind = dice.one_of("jpeg", "subsampled", "subsampled_10bit", "h264")
    r = dice.of("codec")
    if kind == "jpeg":
        options = [cv2.IMWRITE_JPEG_QUALITY, int(r.integers(60, 96))]
        if r.random() < 0.2:
            options += [cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444]
        return lambda x: _jpeg(x, options)
    if kind == "h264":
        crf, step = int(r.integers(18, 31)), tuple(int(n) for n in r.integers(-4, 5, 2))
        return lambda x: h264(x, crf, (step[0], step[1]))
    if kind is None:
        return _whole
    bits = 8 if kind == "subsampled" else 10
    return lambda x: subsampled(x, bits)


def shoot(pictures: list[Picture], color: Picture, dice: Dice) -> tuple[list[Codes], Picture]:
    """One camera's picture of every scene, and of a colour without its noise and coding.

    Args:
        pictures: (H, W, 3) linear light each.
        color: (H, W, 3) linear light.
        dice: what decides on noise, balance, curve, sharpening and codec.

    Returns:
        The pictures' codes, and the colour's, these not rounded; all of 0 to 255.
    """
    tone = curve(dice.fall("curve"))
    if (r := dice.fall("noise")) is not None:
        pictures = noisy(pictures, r)
    coded = [tone(p) for p in pictures]
    if (r := dice.fall("sharpened")) is not None:
        coded = _sharpened(coded, r)
    codec = _codec(dice)
    return [codec(c) for c in coded], tone(color)
