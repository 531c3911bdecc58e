"""How another process finds the running live program: a small file in the event folder.

The file holds process id, port and token, and only its owner can read it. That keeps the token out
of copies and shares of the folder; it does not keep out other accounts of this machine, since the
pages, which any of them can load, hold the token too.
"""

from __future__ import annotations

import http.client
import json
import os
import shlex
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stream.errors import UserError
from stream.layout import EventPaths
from stream.pages.guard import LOOPBACK, TOKEN_HEADER


class LinkError(UserError):
    """The running program cannot be reached, or it refused; the sentence says why."""


class NotAnsweredError(LinkError):
    """Nothing answers any more where the running program was."""


@dataclass(frozen=True)
class Link:
    """Where a live program of an event answers."""

    pid: int
    port: int
    token: str

    def write(self, event_folder: Path) -> None:
        """Put the file there whole, for its owner only (mode 0600)."""
        final = EventPaths(event_folder).live
        partial = final.with_name(f".{final.name}-{self.pid}")
        partial.unlink(missing_ok=True)
        fd = os.open(partial, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(fd, "w", encoding="utf-8") as file:
            json.dump({"pid": self.pid, "port": self.port, "token": self.token}, file)
        partial.replace(final)

    def remove(self, event_folder: Path) -> None:
        """Take the file away, unless another program has put its own there since."""
        if read_link(event_folder) == self:
            EventPaths(event_folder).live.unlink(missing_ok=True)

    def alive(self) -> bool:
        """True while a process of that id runs."""
        if os.name == "nt":
            return True  # signal 0 would end the process there; the request itself will tell
        try:
            os.kill(self.pid, 0)
        except ProcessLookupError:
            return False
        except PermissionError:
            return True
        return True


def read_link(event_folder: Path) -> Link | None:
    """The file's content; None when there is none or it is not one of ours."""
    try:
        data = json.loads(EventPaths(event_folder).live.read_text("utf-8"))
        return Link(int(data["pid"]), int(data["port"]), str(data["token"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def find_link(event_folder: Path) -> Link:
    """The running program of an event.

    Raises:
        LinkError: none runs, or the one that did has died.
    """
    if not event_folder.is_dir():
        raise LinkError(f"--event {event_folder}: there is no such folder; check the path.")
    link = read_link(event_folder)
    start = f"posewall live --event {shlex.quote(str(event_folder))} --source ..."
    if link is None:
        raise LinkError(f"No live program runs for {event_folder}; start one with: {start}")
    if not link.alive():
        raise LinkError(
            f"The live program of {event_folder} (process {link.pid}) has died; "
            f"start it again with: {start}"
        )
    return link


def refuse_a_second(event_folder: Path) -> None:
    """See to it that no other live program runs for an event.

    Raises:
        UserError: one does.
    """
    link = read_link(event_folder)
    if link is None or not link.alive() or link.pid == os.getpid():
        return
    try:
        ask(link, "/state", timeout_s=3.0)
    except LinkError as error:
        if not isinstance(error.__cause__, TimeoutError):
            return  # left behind by one that died; its number is another program's by now
    raise UserError(
        f"A live program for this event runs already (process {link.pid}, "
        f"http://{LOOPBACK}:{link.port}/desk); end it first, or use it."
    )


def ask(
    link: Link, path: str, words: dict[str, Any] | None = None, *, timeout_s: float = 70.0
) -> dict[str, Any]:
    """Send a request to the running program and wait for its answer.

    Args:
        link: where it answers.
        path: such as "/grab".
        words: the JSON object to post; None for a GET.
        timeout_s: how long to wait. Seconds.

    Raises:
        LinkError: it refused (with its own sentence), or did not answer.
    """
    connection = http.client.HTTPConnection(LOOPBACK, link.port, timeout=timeout_s)
    headers = {TOKEN_HEADER: link.token, "Content-Type": "application/json"}
    try:
        connection.request(
            "GET" if words is None else "POST",
            path,
            None if words is None else json.dumps(words),
            headers,
        )
        response = connection.getresponse()
        answer = json.loads(response.read())
    except ConnectionRefusedError as e:
        raise NotAnsweredError(
            f"Nothing answers at port {link.port}: the live program has ended without cleaning up; "
            "start it again."
        ) from e
    except (OSError, http.client.HTTPException, ValueError) as e:
        late = isinstance(e, TimeoutError)
        what = f"did not answer within {timeout_s:.0f} s" if late else "broke off its answer"
        raise LinkError(
            f"The live program {what}; look at its terminal before you try again."
        ) from e
    finally:
        connection.close()
    if response.status != 200 or not isinstance(answer, dict):
        raise LinkError(str(answer.get("sentence", f"refused with status {response.status}")))
    return answer


def started_ago_s() -> float:
    """Seconds since this process began, 0 where the system does not tell.

    The press was when the user hit Enter, not when Python had loaded its libraries.
    """
    try:
        # proc(5): field 22 of stat, counted in clock ticks since boot; the name in field 2 may
        # hold spaces, so count from its closing bracket.
        fields = Path("/proc/self/stat").read_text("utf-8").rpartition(")")[2].split()
        begun = int(fields[19]) / os.sysconf("SC_CLK_TCK")
        return max(0.0, time.clock_gettime(time.CLOCK_BOOTTIME) - begun)
    except (OSError, AttributeError, ValueError, IndexError):
        return 0.0
