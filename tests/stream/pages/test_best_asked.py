"""Best frames and takes, asked for over a real socket."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest

from stream.pages.feed import Feed
from stream.pages.guard import TOKEN_HEADER
from stream.pages.serve import PageServer
from tests.stream.pages.asked import JSON, TOKEN, Desk, ask, own


@pytest.fixture
def desk() -> Desk:
    return Desk()


@pytest.fixture
def server(desk: Desk) -> Iterator[PageServer]:
    with PageServer(desk, Feed(), token=TOKEN, port=0) as running:
        yield running


def test_best_frames_and_takes_may_be_asked_for(server: PageServer, desk: Desk) -> None:
    command = {TOKEN_HEADER: TOKEN, **JSON}
    for path, words in (
        ("/grab", {"best_s": 2.5}),
        ("/grab", {"best_s": 0}),
        ("/best", {"shot": "3", "place": 2}),
        ("/take", {"do": "start", "count_s": 3, "most_s": 20, "before_s": 1.5, "age_s": 2}),
        ("/take", {"do": "start"}),
        ("/take", {"do": "stop"}),
    ):
        status, text, _ = ask(server, "POST", path, command, json.dumps(words))
        assert status == 200, text
    assert desk.asked[:4] == [
        ("best", 2.5),
        ("best", 0.0),
        ("use", ("3", 2)),
        ("start", (3.0, 20.0, 1.5)),
    ]
    kind, (count_s, most_s, before_s) = desk.asked[4]
    assert (kind, count_s, most_s) == ("start", 0.0, None)
    assert 0 <= before_s < 2  # from the press on, not from its arrival
    assert desk.asked[5] == ("stop", None)
    status, text, _ = ask(server, "GET", "/best?shot=3&views=1", command)
    assert json.loads(text) == {"shot": "3", "frames": [], "views": True}


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("/best", {"place": 1}),
        ("/best", {"shot": "3"}),
        ("/best", {"shot": "3", "place": True}),
        ("/best", {"shot": "3", "place": 1.5}),
        ("/take", {}),
        ("/take", {"do": "pause"}),
        ("/take", {"do": "start", "count_s": "soon"}),
        ("/take", {"do": "start", "most_s": "long"}),
        ("/grab", {"best_s": "all"}),
    ],
)
def test_what_cannot_be_meant_is_refused(
    server: PageServer, desk: Desk, path: str, words: dict[str, Any]
) -> None:
    status, text, _ = ask(server, "POST", path, own(server), json.dumps(words))
    assert status == 409
    assert json.loads(text)["sentence"].endswith(".")
    assert desk.asked == []
