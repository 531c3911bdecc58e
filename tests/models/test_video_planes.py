"""Pictures as a film's planes: BT.709's own numbers, and a part of them as the whole."""

from __future__ import annotations

import pytest
import torch
from torch import Tensor

from models.color import to_codes
from models.composite import Scene
from models.transfer import Transfer, encode
from models.video_planes import VideoPlanes, planes_of_codes

# 100 % bars in 8 bit, narrow range, by the matrix of ITU-R BT.709-6: Y' = 16 + 219 y, and
# 128 + 224 c. Computed by hand: green has y .7152, cb -.7152 / 1.8556, cr -.7152 / 1.5748.
BARS = {
    (255, 255, 255): (235, 128, 128),
    (255, 255, 0): (219, 16, 138),
    (0, 255, 255): (188, 154, 16),
    (0, 255, 0): (173, 42, 26),
    (255, 0, 255): (78, 214, 230),
    (255, 0, 0): (63, 102, 240),
    (0, 0, 255): (32, 240, 118),
    (0, 0, 0): (16, 128, 128),
    (128, 128, 128): (126, 128, 128),
}


@pytest.mark.parametrize(("rgb", "want"), BARS.items())
def test_colours_are_those_of_the_standard(
    rgb: tuple[int, int, int], want: tuple[int, int, int]
) -> None:
    codes = torch.tensor(rgb, dtype=torch.uint8).expand(6, 8, 3)
    planes = planes_of_codes(codes)
    assert [tuple(p.shape) for p in planes] == [(6, 8), (3, 4), (3, 4)]
    for plane, code in zip(planes, want, strict=True):
        assert plane.dtype is torch.uint8
        assert bool((plane == code).all()), (int(plane[1, 1]), code)


def test_chroma_sits_on_the_even_columns() -> None:
    """H.264 Annex E, type 0: on every second column, half way between two rows.

    A step from grey to red at column 8 is seen half by the sample that sits on column 8 itself
    through its neighbours at weights 1, 2, 1: columns 7, 8, 9.
    """
    codes = torch.full((8, 16, 3), 128, dtype=torch.uint8)
    codes[:, 8:] = torch.tensor([255, 0, 0], dtype=torch.uint8)
    _, _, cr = planes_of_codes(codes)
    full = 240 - 128
    assert bool((cr[:, :4] == 128).all())
    assert bool(((cr[:, 4].float() - (128 + 0.75 * full)).abs() <= 1).all())
    assert bool((cr[:, 5:] == 240).all())


def picture(seed: int, size: tuple[int, int] = (48, 64)) -> Tensor:
    made = torch.Generator().manual_seed(seed)
    return torch.randint(0, 256, (*size, 3), generator=made, dtype=torch.uint8)


def bare(scene: Scene) -> Tensor:
    return to_codes(encode(scene.below, Transfer.SRGB), 8)


def scene_of(seed: int, size: tuple[int, int] = (48, 64)) -> Scene:
    return Scene(torch.rand(1, 3, *size, generator=torch.Generator().manual_seed(seed)))


WINDOWS = [
    (slice(0, 48), slice(0, 64)),
    (slice(0, 1), slice(0, 1)),
    (slice(47, 48), slice(63, 64)),
    (slice(5, 30), slice(7, 22)),
    (slice(6, 31), slice(8, 23)),
    (slice(10, 11), slice(33, 34)),
    (slice(10, 11), slice(34, 35)),
]


@pytest.mark.parametrize("window", WINDOWS)
def test_a_part_is_converted_as_the_whole(window: tuple[slice, slice]) -> None:
    scene = scene_of(3)
    convert = VideoPlanes(bare)
    convert(bare(scene), scene, None)
    for seed in (1, 2):
        codes = bare(scene)
        codes[window] = picture(seed)[window]
        got, want = convert(codes, scene, window), planes_of_codes(codes)
        assert all(torch.equal(g, w) for g, w in zip(got, want, strict=True))
    empty = convert(bare(scene), scene, None)
    assert all(torch.equal(g, w) for g, w in zip(empty, planes_of_codes(bare(scene)), strict=True))


def test_a_new_scene_is_converted_whole() -> None:
    convert = VideoPlanes(bare)
    for seed in (4, 5, 6):
        scene = scene_of(seed)
        codes = bare(scene)
        codes[5:9, 5:9] = 0
        for _ in range(3):
            got = convert(codes, scene, (slice(5, 9), slice(5, 9)))
            want = planes_of_codes(codes)
            assert all(torch.equal(g, w) for g, w in zip(got, want, strict=True))


def test_what_was_given_stays_as_it_is() -> None:
    scene, codes = scene_of(7), picture(7)
    before = codes.clone()
    convert = VideoPlanes(bare)
    first = convert(codes, scene, None)
    kept = [p.clone() for p in first]
    for _ in range(2):
        convert(bare(scene), scene, (slice(2, 9), slice(3, 11)))
    assert torch.equal(codes, before)
    assert all(torch.equal(a, b) for a, b in zip(first, kept, strict=True))
