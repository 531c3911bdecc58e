"""Who may talk to the pages, tried over real sockets."""

from __future__ import annotations

import json
import socket
import threading
from collections.abc import Iterator
from concurrent.futures import Future
from pathlib import Path
from typing import Any

import pytest
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect
from websockets.typing import Origin

from stream.errors import UserError
from stream.live.keeping import Keeper
from stream.pages import app
from stream.pages.app import STATIC_FOLDER
from stream.pages.feed import Feed, for_stage
from stream.pages.guard import TOKEN_HEADER
from stream.pages.serve import PageServer
from tests.stream.pages.asked import JSON, TOKEN, Desk, ask, own


@pytest.fixture(scope="module")
def served() -> Iterator[tuple[PageServer, Desk, Feed]]:
    desk, feed = Desk(), Feed()
    with PageServer(desk, feed, token=TOKEN, port=0) as running:
        yield running, desk, feed


@pytest.fixture
def server(served: tuple[PageServer, Desk, Feed]) -> PageServer:
    return served[0]


@pytest.fixture
def desk(served: tuple[PageServer, Desk, Feed]) -> Desk:
    served[1].asked.clear()
    return served[1]


@pytest.fixture
def feed() -> Feed:
    return Feed()


@pytest.fixture
def fed(desk: Desk, feed: Feed) -> Iterator[PageServer]:
    """A server whose feed is this test's alone."""
    with PageServer(desk, feed, token=TOKEN, port=0) as running:
        yield running


def test_pages_are_served_and_kept_to_themselves(server: PageServer) -> None:
    for path in ("/stage", "/desk"):
        status, text, headers = ask(server, "GET", path)
        assert status == 200
        assert "<canvas" in text
        assert TOKEN in text
        # W3C Content Security Policy Level 3: nothing from elsewhere, no framing
        assert "default-src 'none'" in headers["content-security-policy"]
        assert "frame-ancestors 'none'" in headers["content-security-policy"]
        assert headers["cache-control"] == "no-store"
        assert "access-control-allow-origin" not in headers
    assert ask(server, "GET", "/")[0] == 307
    assert ask(server, "GET", "/static/house.css")[0] == 200


def test_no_page_loads_anything_from_elsewhere(server: PageServer) -> None:
    for path in ("stage.html", "desk.html", "house.css", "stage.css", "desk.css"):
        _, text, _ = ask(server, "GET", f"/static/{path}")
        assert "//" not in text.replace("/*", "").replace("*/", "")
    scripts = sorted(p.name for p in STATIC_FOLDER.glob("*.js"))
    assert "desk.js" in scripts
    for path in scripts:
        _, text, _ = ask(server, "GET", f"/static/{path}")
        assert "http://" not in text
        assert "https://" not in text


def test_listens_on_loopback_only(server: PageServer) -> None:
    # RFC 1122 3.2.1.3: 127/8 never leaves the host
    assert server.address.startswith("http://127.0.0.1:")
    others = {
        info[4][0]
        for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        if not str(info[4][0]).startswith("127.")
    }
    for address in others:
        with socket.socket() as s:
            s.settimeout(2)
            assert s.connect_ex((str(address), server.port)) != 0


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1"]
)
@pytest.mark.parametrize("path", ["/stage", "/static/desk.js", "/state", "/grab"])
def test_other_hosts_are_refused(server: PageServer, desk: Desk, host: str, path: str) -> None:
    headers = {"Host": host.format(port=server.port), TOKEN_HEADER: TOKEN, **JSON}
    method = "POST" if path == "/grab" else "GET"
    status, text, _ = ask(server, method, path, headers, "{}" if method == "POST" else None)
    assert status == 403
    assert TOKEN not in text
    assert desk.asked == []


@pytest.mark.parametrize("origin", ["https://evil.example", "null", "http://127.0.0.1:1", ""])
def test_posts_of_other_pages_are_refused(server: PageServer, desk: Desk, origin: str) -> None:
    headers = own(server) | {"Origin": origin}
    assert ask(server, "POST", "/grab", headers, "{}")[0] == 403
    assert desk.asked == []


@pytest.mark.parametrize("token", [None, "", "token of this ru", "token of this run2", "ü"])
@pytest.mark.parametrize(
    "path", ["/grab", "/plate", "/next", "/take", "/state", "/people", "/best"]
)
def test_acting_needs_the_token(
    server: PageServer, desk: Desk, token: str | None, path: str
) -> None:
    headers = {**JSON} if token is None else {TOKEN_HEADER: token, **JSON}
    method = "GET" if path in ("/state", "/people", "/best") else "POST"
    assert ask(server, method, path, headers, "{}")[0] == 403
    assert ask(server, "POST", path, headers, "{}")[0] in (403, 405)
    assert desk.asked == []


def test_a_form_post_is_refused(server: PageServer, desk: Desk) -> None:
    headers = own(server) | {"Content-Type": "text/plain"}
    assert ask(server, "POST", "/grab", headers, "{}")[0] == 403
    assert desk.asked == []


def test_own_page_and_command_may_act(server: PageServer, desk: Desk) -> None:
    status, text, _ = ask(server, "POST", "/grab", own(server), '{"age_s": 1.5}')
    assert (status, json.loads(text)) == (200, {"shot": "0001-abcdef"})
    command = {TOKEN_HEADER: TOKEN, **JSON}
    assert ask(server, "POST", "/next", command, '{"people": ["7", " "]}')[0] == 200
    assert ask(server, "POST", "/plate", command, '{"drop": true}')[0] == 200
    assert ask(server, "POST", "/template", command, '{"template": "dusk"}')[0] == 200
    assert ask(server, "POST", "/move", command, '{"down": -2}')[0] == 200
    assert ask(server, "POST", "/move", command, '{"down": "far"}')[0] == 409
    assert ask(server, "POST", "/template", command, "{}")[0] == 409
    assert [a[0] for a in desk.asked] == ["grab", "next", "drop", "template", "move"]
    assert desk.asked[4][1] == (0.0, -2.0, 1.0)
    assert 1.5 <= desk.asked[0][1] < 3
    assert desk.asked[1][1] == ["7"]
    status, text, _ = ask(server, "GET", "/people?find=Ada", command)
    assert json.loads(text)["people"][0]["name"] == "Ada"


def test_trouble_is_told_in_its_own_sentence(server: PageServer) -> None:
    status, text, _ = ask(server, "POST", "/grab", own(server), '{"age_s": 9}')
    assert status == 409
    assert json.loads(text)["sentence"] == "The disk is full."


@pytest.mark.parametrize(
    "body",
    [
        "not json",
        "[]",
        '{"age_s": "now"}',
        '{"age_s": NaN}',
        '{"age_s": true}',
        '{"people": "Ada"}',
        '{"people": [1]}',
        '{"x": "' + "y" * 5000 + '"}',
    ],
)
def test_nonsense_gets_a_sentence(server: PageServer, desk: Desk, body: str) -> None:
    path = "/next" if "people" in body else "/grab"
    status, text, _ = ask(server, "POST", path, own(server), body)
    assert status == 409
    assert json.loads(text)["sentence"].endswith((".", "seconds.", "numbers."))
    assert desk.asked == []


def test_a_port_in_use_is_one_sentence(server: PageServer, desk: Desk, feed: Feed) -> None:
    with pytest.raises(UserError, match=f"--port {server.port}: this port cannot be used"):
        PageServer(desk, feed, token=TOKEN, port=server.port)


@pytest.mark.parametrize(
    ("origin", "token", "host"),
    [
        ("https://evil.example", TOKEN, None),
        (None, "wrong", None),
        (None, "", None),
        (None, TOKEN, "evil.example"),
    ],
)
def test_foreign_sockets_are_refused(
    server: PageServer, origin: str | None, token: str, host: str | None
) -> None:
    address = f"ws://{host or '127.0.0.1'}:{server.port}/stream?token={token.replace(' ', '%20')}"
    raw = socket.create_connection(("127.0.0.1", server.port))
    claimed = None if origin is None else Origin(origin)
    with (
        pytest.raises((InvalidStatus, ConnectionClosed)),
        connect(address, sock=raw, origin=claimed) as page,
    ):
        page.recv(timeout=5)
    raw.close()


def test_acknowledgement_holds_the_flood_back(fed: PageServer, feed: Feed) -> None:
    drawn: list[int] = []
    feed.on_drawn = lambda view: drawn.append(view.number)
    address = f"ws://127.0.0.1:{fed.port}/stream?token={TOKEN.replace(' ', '%20')}"
    with connect(address, origin=Origin(fed.address)) as page:
        feed.publish(b"1", 0.0)
        first = page.recv(timeout=10)
        assert isinstance(first, bytes)
        assert (int.from_bytes(first[:8], "big"), first[8:]) == (1, b"1")
        for n in range(2, 60):
            feed.publish(str(n).encode(), 0.0)
        with pytest.raises(TimeoutError):
            page.recv(timeout=0.3)  # nothing while the first is not acknowledged
        page.send(json.dumps({"drawn": 77}))  # not what was sent
        with pytest.raises(TimeoutError):
            page.recv(timeout=0.3)
        page.send(json.dumps({"drawn": 1}))
        newest = page.recv(timeout=10)
        assert isinstance(newest, bytes)
        assert newest[8:] == b"59"  # the newest alone, 57 were passed over
        page.send(json.dumps({"drawn": 59}))
        feed.say({"kept": 1})
        assert json.loads(page.recv(timeout=10)) == {"state": {"kept": 1}}
        assert feed.watchers == 1
    assert drawn == [1, 59]


def test_the_stage_is_told_nobodys_name(fed: PageServer, feed: Feed) -> None:
    state = {
        "kept": 1,
        "mirror": False,
        "source": {"state": "live", "sentence": "Zora's camera: live"},
        "next": [{"number": "3", "name": "Zora Quill"}],
        "shots": [{"id": "0001-a", "who": "Zora Quill"}],
        "troubles": ["Zora Quill: the name is set smaller."],
        "take": {"state": "recording", "id": "t0001-a", "left_s": 9.0, "sound": "Zora's phone"},
        "takes": [{"id": "t0001-a", "who": "Zora Quill"}],
        "something": "that will be told one day of Zora",
    }
    feed.say(state)
    told = {}
    for page in ("stage", "desk"):
        address = f"ws://127.0.0.1:{fed.port}/stream?page={page}&token={TOKEN.replace(' ', '%20')}"
        with connect(address, origin=Origin(fed.address)) as socket:
            told[page] = json.loads(socket.recv(timeout=10))["state"]
    assert told["desk"] == state
    assert "Zora" not in str(told["stage"])
    take = told["stage"].pop("take")
    assert {k: v for k, v in take.items() if v is not None} == {"state": "recording", "left_s": 9.0}
    assert told["stage"] == {"kept": 1, "mirror": False, "source": {"state": "live"}}


def test_nonsense_on_the_socket_ends_it(server: PageServer) -> None:
    address = f"ws://127.0.0.1:{server.port}/stream?token={TOKEN.replace(' ', '%20')}"
    with connect(address, origin=Origin(server.address)) as page:
        page.send("[]")
        with pytest.raises(ConnectionClosed):
            page.recv(timeout=10)


class SlowDesk(Desk):
    """Presses go through the real keeper, behind a disk that takes its time."""

    def __init__(self, keeper: Keeper, disk: threading.Event) -> None:
        super().__init__()
        self.keeper, self.disk, self.kept = keeper, disk, list[float]()

    def grab(
        self, age_s: float, after_s: float = 0.0, best_s: float | None = None
    ) -> Future[dict[str, Any]]:
        def store() -> dict[str, Any]:
            self.disk.wait(10)
            self.kept.append(age_s)
            return {"shot": str(len(self.kept))}

        return self.keeper.do(store)


def test_an_answer_that_comes_too_late_loses_no_press(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(app, "ANSWER_S", 0.1)
    keeper, disk = Keeper(lambda _: None), threading.Event()
    keeper.start()
    desk = SlowDesk(keeper, disk)
    with PageServer(desk, Feed(), token=TOKEN, port=0) as server:
        for _ in range(2):  # the first in work, the second waiting for its turn
            status, text, _ = ask(server, "POST", "/grab", own(server), "{}")
            assert status == 504
            assert "goes on" in json.loads(text)["sentence"]
        monkeypatch.setattr(app, "ANSWER_S", 10.0)
        disk.set()
        status, text, _ = ask(server, "POST", "/grab", own(server), "{}")
        assert (status, json.loads(text)) == (200, {"shot": "3"})
    assert len(desk.kept) == 3
    assert keeper.close(10)


def test_a_film_is_given_whole_and_in_parts(server: PageServer, desk: Desk, tmp_path: Path) -> None:
    desk.film = tmp_path / "1-Somebody's name-wide.mp4"
    data = bytes(range(48, 112)) * 20
    desk.film.write_bytes(data)
    token = TOKEN.replace(" ", "%20")
    path = f"/greeting/t0001-abcdef/wide.mp4?making=2&token={token}"
    status, text, headers = ask(server, "GET", path)
    assert (status, text.encode()) == (200, data)
    assert desk.asked == [("greeting", ("t0001-abcdef", "wide.mp4"))]
    assert headers["content-type"] == "video/mp4"
    assert headers["accept-ranges"] == "bytes"
    # Nobody else's cache keeps it, and no header tells whose it is.
    assert headers["cache-control"] == "no-store"
    assert "name" not in str(headers)
    # RFC 9110, 14.2 and 14.4: one range, the last bytes, and one that cannot be
    status, text, headers = ask(server, "GET", path, {"Range": "bytes=10-19"})
    assert (status, text.encode()) == (206, data[10:20])
    assert headers["content-range"] == f"bytes 10-19/{len(data)}"
    status, text, _ = ask(server, "GET", path, {"Range": "bytes=-5"})
    assert (status, text.encode()) == (206, data[-5:])
    assert ask(server, "GET", path, {"Range": f"bytes={len(data)}-"})[0] == 416
    status, text, headers = ask(server, "HEAD", path)
    assert (status, text, headers["content-length"]) == (200, "", str(len(data)))


def test_films_are_for_whoever_has_the_token_alone(
    server: PageServer, desk: Desk, tmp_path: Path
) -> None:
    desk.film = tmp_path / "film.mp4"
    desk.film.write_bytes(b"film")
    path, token = "/greeting/t0001-abcdef/wide.mp4", TOKEN.replace(" ", "%20")
    for given in ("", "?token=", "?token=t", f"?token={token}x", "?page=desk"):
        assert ask(server, "GET", path + given)[0] == 403
    own_words = {TOKEN_HEADER: TOKEN}
    assert ask(server, "GET", path, own_words)[0] == 403, "the address carries it, as for a socket"
    asked = f"{path}?token={token}"
    assert ask(server, "GET", asked, {"Host": "evil.example"})[0] == 403
    assert ask(server, "GET", asked, {"Origin": "https://evil.example"})[0] == 403
    assert ask(server, "POST", asked, JSON, "{}")[0] in (403, 405)
    # Nowhere else does an address carry it.
    assert ask(server, "GET", f"/state?token={token}")[0] == 403
    assert ask(server, "POST", f"/grab?token={token}", JSON, "{}")[0] == 403
    assert desk.asked == []
    status, text, _ = ask(server, "GET", asked.replace("wide.mp4", "wide.jpg"))
    assert (status, json.loads(text)["sentence"]) == (
        409,
        "There is no wide.jpg of take t0001-abcdef.",
    )
    for odd in ("/greeting/..%2f..%2fetc/passwd", "/greeting/t0001-abcdef", "/greeting/a/b/c"):
        assert ask(server, "GET", f"{odd}?token={token}")[0] in (404, 409)


def test_the_stage_holds_nothing_of_greetings(server: PageServer) -> None:
    for name in ("stage.js", "recording.js", "link.js", "stage.html"):
        assert "greeting" not in (STATIC_FOLDER / name).read_text("utf-8")
    state = {"takes": [{"id": "t0001-abcdef", "who": "Ada"}], "kept": 1}
    assert "takes" not in for_stage(state)
