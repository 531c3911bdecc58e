"""Layers placed to a part of a pixel."""

from __future__ import annotations

import pytest
import torch

from models.curve_table import decoded, encoded
from models.flatten import Flat
from models.moving import Piece, piece_codes, piece_of, pixels_enc, place
from models.transfer import Transfer, decode, encode

EVERYWHERE = (0, 0, 40, 60)


def smooth_layer(high: int = 24, wide: int = 30) -> tuple[torch.Tensor, torch.Tensor]:
    ys = torch.linspace(0, 3.1, high).view(1, 1, -1, 1)
    xs = torch.linspace(0, 2.4, wide).view(1, 1, 1, -1)
    rgb = torch.cat([(ys + c).sin() * 0.3 + (xs * (c + 1)).cos() * 0.15 + 0.5 for c in range(3)], 1)
    return rgb, torch.ones(1, 1, high, wide)


def test_tables_are_the_curve() -> None:
    x = torch.linspace(0, 1, 100_003)
    assert float((decoded(x) - decode(x, Transfer.SRGB)).abs().max()) < 0.0006
    assert float((encoded(x) - encode(x, Transfer.SRGB)).abs().max()) * 255 < 0.034
    # An eighth of a thousandth of the encoded range is what decoding by the table may be off by.
    back = encode(decoded(x), Transfer.SRGB)
    assert float((back - x).abs().max()) * 255 < 0.034
    assert decoded(torch.tensor([0.0, 1.0])).tolist() == pytest.approx([0.0, 1.0], abs=1e-6)
    ends = encoded(torch.tensor([-0.5, 0.0, 1.0, 1.5])).tolist()
    assert ends == pytest.approx([0.0, 0.0, 1.0, 1.0], abs=1e-6)


def test_whole_pixels_are_left_as_they_are() -> None:
    rgb, alpha = torch.rand(1, 3, 5, 7), torch.rand(1, 1, 5, 7)
    kept = rgb.clone(), alpha.clone()
    piece = place(rgb, alpha, (3, -2, 8, 5), EVERYWHERE)
    assert piece is not None
    assert (piece.y, piece.x, piece.size) == (3, 0, (5, 5))
    assert torch.equal(piece.rgb_enc, rgb[..., 2:])
    assert piece.alpha is not None
    assert torch.equal(piece.alpha, alpha[..., 2:])
    assert torch.equal(rgb, kept[0])
    assert torch.equal(alpha, kept[1])


@pytest.mark.parametrize(("down", "right"), [(0.5, 0.0), (0.25, 0.75), (-3.4, 5.2)])
def test_a_part_of_a_pixel_is_where_it_says(down: float, right: float) -> None:
    """Against the layer's own formula, sampled there: no library's filter between."""
    rgb, alpha = smooth_layer()
    linear = decode(rgb, Transfer.SRGB)
    piece = place(rgb, alpha, (8 + down, 10 + right, 32 + down, 40 + right), EVERYWHERE)
    assert piece is not None
    assert piece.alpha is not None
    got = decode(piece.rgb_enc, Transfer.SRGB)
    for y in range(14, 24):
        for x in range(18, 30):
            at_y, at_x = y + 0.5 - 8 - down, x + 0.5 - 10 - right  # in pixels of the layer
            sample_y, sample_x = at_y - 0.5, at_x - 0.5
            step_y, step_x = 3.1 / 23, 2.4 / 29
            truth = torch.tensor(
                [
                    torch.sin(torch.tensor(sample_y * step_y + c)) * 0.3
                    + torch.cos(torch.tensor(sample_x * step_x * (c + 1))) * 0.15
                    + 0.5
                    for c in range(3)
                ]
            )
            here = got[0, :, y - piece.y, x - piece.x]
            assert float((encode(here, Transfer.SRGB) - truth).abs().max()) < 1.0 / 255
    assert linear.shape == rgb.shape


def test_edges_cover_their_share_of_a_pixel() -> None:
    """What a layer covers in all stays the same, and its middle of gravity goes where it says."""
    rgb, alpha = torch.ones(1, 3, 8, 8), torch.ones(1, 1, 8, 8)
    piece = place(rgb, alpha, (10.3, 20.6, 18.3, 28.6), EVERYWHERE)
    assert piece is not None
    assert piece.alpha is not None
    mass = float(piece.alpha.sum())
    assert mass == pytest.approx(64, rel=0.02)
    columns = torch.arange(piece.alpha.shape[-1]) + 0.5 + piece.x
    rows = torch.arange(piece.alpha.shape[-2]) + 0.5 + piece.y
    assert float((piece.alpha[0, 0].sum(0) * columns).sum()) / mass == pytest.approx(24.6, abs=0.05)
    assert float((piece.alpha[0, 0].sum(1) * rows).sum()) / mass == pytest.approx(14.3, abs=0.05)
    # Straight colour: a soft edge of white is white.
    seen = piece.alpha > 0.02
    assert float(piece.rgb_enc[seen.expand_as(piece.rgb_enc)].min()) > 0.999


@pytest.mark.parametrize("scale", [0.37, 0.8, 1.3, 2.6])
def test_a_scaled_layer_keeps_its_colour_and_size(scale: float) -> None:
    rgb = torch.full((1, 3, 16, 16), 0.4)
    half = 8 * scale
    piece = place(rgb, None, (20.2 - half, 29.7 - half, 20.2 + half, 29.7 + half), EVERYWHERE)
    assert piece is not None
    assert piece.alpha is not None
    inside = piece.alpha > 0.99
    # The edges of a much smaller layer are soft; the picture is 40 rows high.
    whole = (2 * half) * min(2 * half, 40.0)
    assert float(piece.alpha.sum()) == pytest.approx(whole, rel=0.05)
    colors = piece.rgb_enc[inside.expand_as(piece.rgb_enc)]
    assert float((colors - 0.4).abs().max()) < 0.2 / 255


def test_a_fine_pattern_gets_smaller_without_aliasing() -> None:
    """A checkerboard of black and white is half the light, wherever it lies."""
    board = ((torch.arange(64)[:, None] + torch.arange(64)[None]) % 2).float()
    rgb = board.expand(1, 3, 64, 64).contiguous()
    for shift in (0.0, 0.3, 0.5):
        piece = place(rgb, None, (4.1, 5 + shift, 24.1, 25 + shift), EVERYWHERE)
        assert piece is not None
        middle = piece.rgb_enc[..., 6:14, 6:14]
        half = float(encode(torch.tensor(0.5), Transfer.SRGB))
        assert float((middle - half).abs().max()) < 2.0 / 255


def test_an_opaque_layer_on_whole_pixels_stays_opaque() -> None:
    piece = place(torch.rand(1, 3, 90, 120), None, (0, 0, 40, 60), EVERYWHERE)
    assert piece is not None
    assert piece.alpha is None
    assert piece.size == (40, 60)


def test_what_lies_outside_is_nothing() -> None:
    rgb = torch.rand(1, 3, 5, 5)
    assert place(rgb, None, (50, 0, 55, 5), EVERYWHERE) is None
    assert place(rgb, None, (-5.5, 0.2, -0.5, 5.2), EVERYWHERE) is None
    assert Piece(rgb, None, 100, 100).within(EVERYWHERE) is None


def test_a_piece_is_a_layer_without_its_empty_rim() -> None:
    alpha = torch.zeros(1, 1, 10, 12)
    alpha[..., 3:6, 4:9] = 0.5
    flat = Flat(torch.full((1, 3, 10, 12), 0.2) * (alpha > 0), alpha)
    piece = piece_of(flat)
    assert piece is not None
    assert (piece.y, piece.x, piece.size) == (3, 4, (3, 5))
    assert torch.allclose(piece.rgb_enc, torch.tensor(0.4))
    assert piece_of(Flat(torch.zeros(1, 3, 4, 4), torch.zeros(1, 1, 4, 4))) is None


def test_pixels_of_a_file_and_back() -> None:
    codes = torch.randint(0, 65536, (4, 6, 7), dtype=torch.int32)
    rgb, alpha = pixels_enc(codes)
    assert alpha is not None
    assert torch.equal(piece_codes(Piece(rgb, alpha, 0, 0)), codes)
    opaque = torch.full((4, 2, 2), 255, dtype=torch.uint8)
    assert pixels_enc(opaque)[1] is None
