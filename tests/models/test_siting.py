"""Chroma read where it sits, and left where the standard says so when nothing else is clear."""

from __future__ import annotations

import io
from dataclasses import replace
from functools import cache

import av
import pytest
import torch
from torch import Tensor

from models.color import SRGB_8BIT, Encoding, Planes, Siting, rgb_to_planes
from models.keyer import Keyer
from models.siting import sited
from models.transfer import encode
from tests.models.rendered import GREEN, GREY, SKIN, VIDEO_8, colour, grid, pooled, soft

HEIGHT, WIDTH = 256, 400
CENTRED = replace(VIDEO_8, siting=Siting.CENTER)


@cache
def arms() -> tuple[Tensor, Tensor]:
    """Slanted arms before a screen, as alpha and as a linear picture."""
    y, x = grid(HEIGHT, WIDTH)
    fine = torch.zeros_like(y)
    for i in range(5):
        across = (x - 50 - 75 * i - 0.35 * (y - 128) * (-1) ** i).abs()
        fine = torch.maximum(fine, soft(torch.minimum(18 - across, y - 20 - 9 * i)))
    alpha = pooled(fine)
    return alpha, alpha * colour(SKIN) + (1 - alpha) * colour(GREEN)


def planes(encoding: Encoding, chroma: str = "420", grain: float = 0.0) -> Planes:
    noise = torch.randn(1, 3, HEIGHT, WIDTH, generator=torch.Generator().manual_seed(4))
    return rgb_to_planes(encode(arms()[1], encoding.transfer) + grain * noise, encoding, chroma)


def through_h264(given: av.VideoFrame, crf: int) -> Planes:
    file = io.BytesIO()
    with av.open(file, "w", format="mp4") as out:
        stream = out.add_stream("libx264", rate=30, options={"crf": str(crf)})
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        out.mux(stream.encode(given))
        out.mux(stream.encode())
    with av.open(io.BytesIO(file.getvalue()), "r") as back:
        flat = torch.from_numpy(next(back.decode(video=0)).to_ndarray()).flatten()
    whole, half = HEIGHT * WIDTH, (HEIGHT // 2, WIDTH // 2)
    y, cb, cr = flat[:whole], flat[whole : whole * 5 // 4], flat[whole * 5 // 4 :]
    return y.view(HEIGHT, WIDTH), cb.view(half), cr.view(half)


@pytest.mark.parametrize("siting", [Siting.LEFT, Siting.CENTER])
@pytest.mark.parametrize("chroma", ["420", "422"])
@pytest.mark.parametrize("depth", [8, 10])
@pytest.mark.parametrize("grain", [0.0, 1 / 255])
def test_it_is_measured(siting: Siting, chroma: str, depth: int, grain: float) -> None:
    made = planes(replace(VIDEO_8, siting=siting, depth=depth), chroma, grain)
    before = [p.clone() for p in made]
    assert sited(made, replace(VIDEO_8, depth=depth)).siting is siting
    assert all(torch.equal(a, b) for a, b in zip(made, before, strict=True))


@pytest.mark.parametrize("crf", [12, 23])
@pytest.mark.parametrize("siting", [Siting.LEFT, Siting.CENTER])
def test_it_is_measured_after_compression(siting: Siting, crf: int) -> None:
    made = planes(replace(VIDEO_8, siting=siting))
    flat = torch.cat([p.flatten() for p in made]).view(-1, WIDTH).numpy()
    given = av.VideoFrame.from_ndarray(flat, format="yuv420p")
    assert sited(through_h264(given, crf), VIDEO_8).siting is siting


def test_a_clip_made_from_rgb_by_the_usual_library_is_centred() -> None:
    """libswscale (by PyAV) halves chroma between both columns when nothing is asked for."""
    rgb = (encode(arms()[1], SRGB_8BIT.transfer)[0].permute(1, 2, 0) * 255).round()
    frame = av.VideoFrame.from_ndarray(rgb.to(torch.uint8).numpy(), format="rgb24")
    given = frame.reformat(format="yuv420p", dst_colorspace="ITU709")
    assert sited(through_h264(given, 20), VIDEO_8).siting is Siting.CENTER


def test_where_nothing_can_be_told_the_standard_holds() -> None:
    bare = (colour(GREEN) * torch.linspace(0.8, 1.2, WIDTH)).expand(1, 3, HEIGHT, WIDTH)
    noise = torch.rand(1, 3, HEIGHT, WIDTH, generator=torch.Generator().manual_seed(1))
    for picture in (bare, noise, colour(GREY).expand(1, 3, 6, 8), colour(GREY).expand(1, 3, 2, 2)):
        assert sited(rgb_to_planes(picture, CENTRED), VIDEO_8) == VIDEO_8


@pytest.mark.parametrize(
    ("made", "chroma"),
    [
        (SRGB_8BIT, "444"),
        (VIDEO_8, "444"),
        (CENTRED, "420"),
        (replace(VIDEO_8, siting=Siting.TOP_LEFT), "420"),
    ],
)
def test_only_halved_chroma_said_to_be_left_is_doubted(made: Encoding, chroma: str) -> None:
    assert sited(planes(made, chroma), made) == made


def test_a_matte_of_centred_chroma_is_as_exact_as_if_it_had_been_said(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made = planes(CENTRED)
    said, found = (Keyer().cut(made, e, 0).alpha for e in (CENTRED, VIDEO_8))
    assert torch.equal(said, found)
    monkeypatch.setattr("models.keyer.sited", lambda planes, encoding: encoding)
    believed = Keyer().cut(made, VIDEO_8, 0).alpha
    errors = [float((alpha - arms()[0]).abs().mean()) for alpha in (found, believed)]
    assert errors[0] < 0.9 * errors[1]
