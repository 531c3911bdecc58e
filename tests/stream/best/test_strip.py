"""The contact strip: upright, in order, what was chosen marked, reasons below."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from stream.best import Judged, Ranking, contact_strip
from stream.capture.frame import Frame
from tests.stream.best.bursts import Array, Pose, Shot, taken

MARK = np.array([128, 196, 226])


def frames(count: int, turns: int = 0) -> list[Frame]:
    """Somebody who stands further right from frame to frame, before a screen that gets lighter."""
    rng = np.random.default_rng(0)
    return [
        taken(
            Shot((Pose("b", x=0.25 + 0.5 * n / max(count - 1, 1), scale=0.5),)),
            rng,
            quarter_turns=turns,
            index=n,
        )
        for n in range(count)
    ]


def ranking(order: tuple[int, ...], reasons: tuple[str, ...] = ("sharpest",)) -> Ranking:
    judged = [Judged(order.index(n) + 1, reasons, 0, 0.0, {}) for n in range(len(order))]
    return Ranking(order, tuple(judged))


def drawn(data: bytes) -> Array:
    with Image.open(io.BytesIO(data)) as image:
        assert image.format == "JPEG"
        return np.asarray(image.convert("RGB")).astype(int)


def places(page: Array) -> list[float]:
    """Where the person stands in each picture, from the left, in shares of its width."""
    green = (page[..., 1] > page[..., 0] + 25) & (page[..., 1] > page[..., 2] + 25)
    columns = green.any(0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], columns.astype(int), [0]])))
    out = []
    for left, right in edges.reshape(-1, 2):
        if right - left < 100:
            continue
        rows = np.flatnonzero(green[:, left:right].any(1))
        body = ~green[rows[0] + (rows[-1] - rows[0]) * 3 // 4, left:right]
        out.append(float(np.flatnonzero(body).mean() / (right - left)))
    return out


def marked(page: Array) -> Array:
    return np.asarray(np.abs(page - MARK).max(-1) < 24)


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_pictures_stand_upright_in_the_ranking_s_order(turns: int) -> None:
    page = drawn(contact_strip(frames(3, turns), ranking((2, 0, 1)), 2))
    assert places(page) == pytest.approx([0.75, 0.25, 0.5], abs=0.05)


def test_only_the_chosen_one_is_marked() -> None:
    shown = frames(3)
    for chosen, third in ((2, 0), (0, 1), (1, 2)):
        page = marked(drawn(contact_strip(shown, ranking((2, 0, 1)), chosen)))
        thirds = np.array_split(page[: page.shape[0] // 2], 3, axis=1)
        share = [float(t.mean()) for t in thirds]
        assert int(np.argmax(share)) == third
        assert sorted(share)[1] < share[third] / 8


def test_reasons_are_written_and_long_ones_stay_in_their_room() -> None:
    one = frames(2)
    bare = drawn(contact_strip(one, ranking((0, 1), ()), 0))
    some = drawn(contact_strip(one, ranking((0, 1), ("eyes shut (left person)",)), 0))
    many = drawn(contact_strip(one, ranking((0, 1), ("a long reason with many words " * 9,)), 0))
    assert bare.shape[0] < some.shape[0] < many.shape[0]
    assert bare.shape[1] == some.shape[1] == many.shape[1]
    # Nothing is written across the gap between two cells.
    middle = many[:, many.shape[1] // 2 - 1 : many.shape[1] // 2 + 2]
    assert np.ptp(middle) < 60


def test_a_frame_with_a_gross_fault_is_told_by_its_words_colour_too() -> None:
    fine = ranking((0,), ("eyes shut",))
    faulty = Ranking((0,), (replace(fine.judged[0], faults=1),))
    pages = [drawn(contact_strip(frames(1), r, 0)).astype(int) for r in (fine, faulty)]
    below = [p[-30:].reshape(-1, 3) for p in pages]
    warm = [int((b[:, 0] - b[:, 2]).max()) for b in below]
    assert warm[0] < 40 < warm[1]


def test_of_many_the_best_are_shown_and_the_chosen_one_among_them() -> None:
    shown = frames(7)
    order = (3, 1, 5, 0, 2, 4, 6)
    every = drawn(contact_strip(shown, ranking(order), 3))
    few = drawn(contact_strip(shown, ranking(order), 6, most=3))
    assert few.shape[0] < every.shape[0]
    want = [0.25 + 0.5 * n / 6 for n in (3, 1, 6)]
    assert places(few) == pytest.approx(want, abs=0.05)


def test_frames_of_other_shapes_stand_on_one_line() -> None:
    tall = taken(Shot((Pose("b", scale=0.3),)), np.random.default_rng(0), (480, 270))
    page = drawn(contact_strip([*frames(1), tall], ranking((0, 1)), 0))
    green = (page[..., 1] > page[..., 0] + 25) & (page[..., 1] > page[..., 2] + 25)
    left, right = np.array_split(green, 2, axis=1)
    assert abs(int(np.flatnonzero(left.any(1))[-1]) - int(np.flatnonzero(right.any(1))[-1])) <= 2
