"""A browser, and pages to look at in it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from stream.pages.feed import Feed
from stream.pages.serve import PageServer
from tests.stream.pages.chromium import Chromium, Tab
from tests.stream.pages.evening import Evening


@pytest.fixture(scope="module")
def chromium() -> Iterator[Chromium]:
    with Chromium() as browser:
        yield browser


@pytest.fixture
def evening() -> Evening:
    return Evening(Feed())


@pytest.fixture
def pages(evening: Evening) -> Iterator[PageServer]:
    with PageServer(evening, evening.feed, token="t", port=0) as server:
        evening.say()
        yield server


@pytest.fixture
def tab(chromium: Chromium) -> Iterator[Tab]:
    tab = chromium.tab()
    tab.size(1280, 800)
    yield tab
    tab.call("Page.close")
