"""The clips as a camera would give them: noise, BT.709, 4:2:0, H.264, and a sound track.

Noise follows the Poisson-Gaussian model of a sensor in linear light: variance = gain * x + floor.
Source: A. Foi et al., "Practical Poissonian-Gaussian noise modeling and fitting for single-image
raw-data", IEEE Transactions on Image Processing 17(10), 2008.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import av
import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from PIL import Image

from demo_clips import sound, truth
from demo_clips.paint import Array
from models.color import Encoding, rgb_to_planes, turn
from models.transfer import Transfer, decode, encode

# chosen: about 2 code values in mid grey, as of a small sensor indoors, before coding.
NOISE_GAIN = 2.5e-4
NOISE_FLOOR = 1.5e-3
CODING = Encoding()  # BT.709, narrow, its own curve, chroma sited left, 8 bit
CODE_BT709 = 1  # ITU-T H.273: primaries, transfer and matrix of BT.709 all have code point 1
ROAM = 96  # pixels by which a noise picture is moved about
TAKES = 3  # chosen: noise repeats after 4 s; the eye finds no pattern, and it is made in time
NARROW = 1  # libavutil's AVCOL_RANGE_MPEG


def _spread() -> Array:
    """Noise's standard deviation in encoded units for 256 encoded levels."""
    level = torch.linspace(0, 1, 256)
    x = decode(level, Transfer.BT709)
    slope = (encode(x + 0.002, Transfer.BT709) - encode(x - 0.002, Transfer.BT709)) / 0.004
    slope[0], slope[-1] = slope[1], slope[-2]
    sigma = slope * torch.sqrt(NOISE_GAIN * x + NOISE_FLOOR**2)
    return sigma.numpy().astype(np.float32)


def _fields(size: tuple[int, int], rng: np.random.Generator, count: int = 6) -> list[Array]:
    """Noise (3, H + ROAM, W + ROAM) of unit variance, neighbours alike as after demosaicing."""
    out = []
    for _ in range(count):
        raw = rng.standard_normal((size[0] + ROAM, size[1] + ROAM, 3), np.float32)
        soft: Array = cv2.GaussianBlur(raw, (0, 0), 0.6)
        out.append(np.ascontiguousarray((soft / soft.std()).transpose(2, 0, 1)))
    return out


def stored_frames(
    view: truth.View, frames: int, quarter_turns: int, seed: int
) -> Iterator[NDArray[np.uint8]]:
    """Every frame with noise, as stored: Y', Cb, Cr of 4:2:0 one after another in one row.

    Every picture of the loop is made with ``TAKES`` different noises, which then take turns.
    """
    rng = np.random.default_rng(seed)
    height, width = view.size if quarter_turns % 2 == 0 else view.size[::-1]
    fields = _fields((height, width), rng)
    spread = _spread()
    takes: dict[int | None, list[NDArray[np.uint8]]] = {}
    for frame in range(frames):
        which = truth.loop_frame(frame)
        if which not in takes:
            x = torch.from_numpy(truth.composed(frame, view)).permute(2, 0, 1)
            clean = turn(encode(x, Transfer.BT709), -quarter_turns % 4).contiguous()
            levels = (clean.numpy() * 255).astype(np.uint8).reshape(3 * height, width)
            sigma = torch.from_numpy(cv2.LUT(levels, spread).reshape(3, height, width))
            takes[which] = []
            for _ in range(TAKES if which is not None else 2 * TAKES):
                field = torch.from_numpy(fields[int(rng.integers(len(fields)))])
                top, left = int(rng.integers(ROAM)), int(rng.integers(ROAM))
                noise = field[:, top : top + height, left : left + width]
                noisy = torch.addcmul(clean, sigma, noise).clamp_(0, 1)
                planes = rgb_to_planes(noisy[None], CODING)
                takes[which].append(np.concatenate([p.numpy().ravel() for p in planes]))
        ready = takes[which]
        turn_of = frame if which is None else (frame - truth.CLEAN_FRAMES) // truth.LOOP_FRAMES
        yield ready[turn_of % len(ready)]


def write_plate(path: Path, view: truth.View) -> None:
    """The empty screen as an sRGB PNG, upright, as the mean of many frames would be."""
    x = torch.from_numpy(truth.screen(0, view))
    codes = (encode(x, Transfer.SRGB).numpy() * 255 + 0.5).astype(np.uint8)
    Image.fromarray(codes, "RGB").save(path, compress_level=6)


def write_clip(
    path: Path, view: truth.View, *, frames: int = truth.FRAMES, quarter_turns: int = 0, seed: int
) -> None:
    """Write one clip as MP4.

    Args:
        path: the file.
        view: how it looks at the loop.
        frames: how many, at 30 frames a second.
        quarter_turns: clockwise turns that make a stored frame upright; nothing in the file
            says so, as of a camera that was simply stood on its side.
        seed: of the noise.
    """
    tune = sound.track(frames / truth.FPS, truth.CLEAN_FRAMES / truth.FPS)
    with av.open(str(path), "w", options={"movflags": "faststart"}) as film:
        # Fixed threads: the coded bytes depend on their number.
        options = {"crf": "19", "preset": "veryfast", "threads": "2", "x264-params": "chromaloc=0"}
        picture = film.add_stream("libx264", truth.FPS, options=options)
        height, width = view.size if quarter_turns % 2 == 0 else view.size[::-1]
        picture.width, picture.height, picture.pix_fmt = width, height, "yuv420p"
        coder = picture.codec_context
        coder.color_range = NARROW
        coder.color_primaries = coder.color_trc = coder.colorspace = CODE_BT709
        voice = film.add_stream("aac", sound.RATE, layout="stereo")
        voice.bit_rate = 128_000
        heard = 0
        for number, flat in enumerate(stored_frames(view, frames, quarter_turns, seed)):
            frame = av.VideoFrame.from_ndarray(flat.reshape(height * 3 // 2, width), "yuv420p")
            frame.pts = number
            film.mux(picture.encode(frame))
            until = min(tune.shape[1], round((number + 1) * sound.RATE / truth.FPS))
            part = av.AudioFrame.from_ndarray(
                np.ascontiguousarray(tune[:, heard:until]), "fltp", "stereo"
            )
            part.sample_rate, part.pts = sound.RATE, heard
            film.mux(voice.encode(part))
            heard = until
        film.mux(picture.encode())
        film.mux(voice.encode())
