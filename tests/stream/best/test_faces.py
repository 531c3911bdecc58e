"""Faces in frames: the networks as their publishers run them, who is found, who is who."""

from __future__ import annotations

import gzip
import hashlib
from collections.abc import Callable
from importlib.resources import files

import numpy as np
import pytest
import torch

from models.glance import Glancer
from models.settings import KeySettings
from models.upright import Upright
from stream.best import networks
from stream.best.faces import SeenFace, find_faces, follow_faces, look_again
from stream.best.matching import called, match
from stream.capture.frame import Frame
from stream.errors import UserError
from tests.stream.best.bursts import NAMES, Pose, Shot, taken

# What the format's own interpreter (ai-edge-litert 2.3.0) gives for `waves`, every so-many-th.
PUBLISHED = {
    "detector": (-13.7017, -43.2840, -1.4666, 3.0335, -6.9298, -2.1627,
                 2.9699, 32.0897, 1.3212, 5.4362, 111.2953, -21.9929),
    "mesh": (87.4871, 74.1148, 69.4395, 51.3015, 45.6383, 85.4647,
             48.9027, 113.0759, 93.7945, 90.7224, 119.2830, 102.9420),
    "eye": (35.0807, -2.7807, 32.0559, 35.9694, -5.6197, 27.8523,
            35.2080, -8.8376, 25.1304, 29.2034, 10.6609, 35.2776),
}  # fmt: skip


def waves(side: int) -> torch.Tensor:
    """A picture by formula, (1, 3, side, side), in [0, 1]."""
    y, x = torch.meshgrid(torch.arange(side) / side, torch.arange(side) / side, indexing="ij")
    parts = [torch.sin(9 * x + n) * torch.cos(7 * y - n) for n in range(3)]
    return (0.5 + 0.4 * torch.stack(parts))[None]


def opened(frame: Frame) -> Upright:
    return Upright(frame.planes, frame.encoding, frame.quarter_turns)


def seen_in(shot: Shot, size: tuple[int, int] = (360, 480), turns: int = 0) -> list[SeenFace]:
    frame = opened(taken(shot, np.random.default_rng(0), size, quarter_turns=turns))
    return find_faces(frame, Glancer(KeySettings())(frame))


@pytest.mark.parametrize(
    ("network", "side", "low"),
    [(networks.detector, 256, -1.0), (networks.mesh, 192, 0.0), (networks.eye, 64, 0.0)],
)
def test_networks_say_what_the_format_s_own_interpreter_says(
    network: Callable[[], networks.Network], side: int, low: float
) -> None:
    name = network.__name__
    found = torch.cat(network()(waves(side) * (1 - low) + low))
    picked = found[:: max(1, len(found) // 12)][:12]
    want = torch.tensor(PUBLISHED[name])
    # Single precision, summed in another order; points are in pixels, scores before the curve.
    torch.testing.assert_close(picked, want, rtol=1e-3, atol=2e-3)


def test_the_files_are_those_of_the_card() -> None:
    folder = files("models") / "weights" / "faces"
    card = (folder / "README.md").read_text("utf-8")
    for name in ("detector", "mesh", "eye"):
        told = gzip.decompress((folder / f"{name}.tflite.gz").read_bytes())
        assert hashlib.sha256(told).hexdigest() in card
        assert f"{len(told):,}" in card


def test_a_network_that_is_missing_is_a_sentence() -> None:
    with pytest.raises(UserError, match="missing or damaged; install Posewall again"):
        networks.Network("nobody", ())


@pytest.mark.parametrize("name", NAMES)
def test_every_portrait_has_one_face_where_it_is(name: str) -> None:
    (face,) = seen_in(Shot((Pose(name, x=0.6),)))
    assert face.x == pytest.approx(0.6, abs=0.03)
    assert 0.1 < face.side < 0.3
    assert min(face.open_left, face.open_right) > 0.15
    assert abs(face.aside) < 12


def test_small_faces_are_found_in_parts_of_the_picture() -> None:
    """Three people far away in a frame of 1080 lines: 80 pixels from brow to chin."""
    people = tuple(Pose(n, x=x, scale=0.27) for n, x in (("a", 0.2), ("d", 0.5), ("f", 0.8)))
    found = seen_in(Shot(people), (1080, 1920))
    assert sorted(round(f.x, 1) for f in found) == [0.2, 0.5, 0.8]


def test_nobody_has_no_face() -> None:
    assert seen_in(Shot(())) == []


def test_a_face_is_followed_while_it_is_near_and_given_up_when_it_is_gone() -> None:
    first, near, far = (
        opened(taken(Shot((Pose("e", x=x),)), np.random.default_rng(0))) for x in (0.5, 0.52, 0.72)
    )
    before = find_faces(first, Glancer(KeySettings())(first))
    followed = follow_faces(near, before)
    assert followed is not None
    assert followed[0].x == pytest.approx(before[0].x + 0.02, abs=0.006)
    (anew,) = find_faces(near, Glancer(KeySettings())(near))
    assert followed[0].open_left == pytest.approx(anew.open_left, abs=0.04)
    assert follow_faces(far, before) is None
    assert follow_faces(first, []) is None


def test_a_face_is_looked_for_where_it_is_in_other_frames() -> None:
    shot = Shot((Pose("a", x=0.29, scale=0.8), Pose("b", x=0.71, scale=0.8)))
    frame = opened(taken(shot, np.random.default_rng(0)))
    glance = Glancer(KeySettings())(frame)
    left, right = sorted(find_faces(frame, glance), key=lambda f: f.x)
    found = look_again(frame, glance, [left], right)
    assert found is not None
    assert found.x == pytest.approx(right.x, abs=0.01)
    assert look_again(frame, glance, [left, right], right) is None


def at(x: float, side: float = 0.1) -> SeenFace:
    return SeenFace(x, 0.3, side, 0.3, 0.3, 0.0, 0.0)


def test_people_are_matched_by_place_and_size() -> None:
    seen = {n: [at(0.3 + 0.02 * n), at(0.7 - 0.02 * n)][:: 1 if n % 2 else -1] for n in range(6)}
    left, right = match(seen)
    assert [left.faces[n].x for n in range(6)] == pytest.approx([0.3 + 0.02 * n for n in range(6)])
    assert [right.faces[n].x for n in range(6)] == pytest.approx([0.7 - 0.02 * n for n in range(6)])
    assert [called([left, right], n) for n in (0, 1)] == ["left person", "right person"]
    assert called([left], 0) == ""
    assert called([left, right, left], 1) == "middle person"
    assert called([left] * 5, 3) == "person 4 from the left"


def test_who_jumps_is_the_same_and_who_is_seen_once_is_nobody() -> None:
    (alone,) = match({0: [at(0.2)], 1: [at(0.8)], 2: [at(0.2)]})
    assert len(alone.faces) == 3
    # A picture on a shirt, taken for a face once.
    (person,) = match({n: [at(0.5)] + [at(0.5, 0.03)] * (n == 2) for n in range(4)})
    assert len(person.faces) == 4
    assert match({}) == []
    assert len(match({0: [at(0.3), at(0.7)]})) == 2
