"""Play the demo event once: ``python -m demo_clips.play``.

What an evening does, in a minute or two: the clip runs through the live loop with its pages
served, two shots are grabbed for two people, two stills are added by hand, every picture is made,
and a greeting of a few seconds.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
import webbrowser
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from demo_clips import make, scenario
from stream.errors import UserError
from stream.event import Event
from stream.live.link import Link, LinkError, ask, find_link
from stream.shot import shots

GRABS = ((4.5, "103"), (9.0, "111"))
"""Seconds into the clip, and whose shot it is."""

STILLS = (("portrait_24mp.jpg", "104"), ("portrait_6mp.jpg", "105"))
"""Files, and whose they are; their orders on the roster say by which templates they are made."""

GREETING = ("4", "5.4", "103")
"""From and to which second of the clip, and whose greeting it is."""


def _posewall(*words: str | Path) -> list[str]:
    return [sys.executable, "-m", "stream.cli", *map(str, words)]


def _run(*words: str | Path) -> None:
    done = subprocess.run(_posewall(*words), check=False)
    if done.returncode:
        raise UserError(f"the demo stopped at: posewall {' '.join(map(str, words))}")


def _somebody_watches() -> bool:
    """A desktop, and a person at a terminal who asked for this."""
    desktop = sys.platform in ("darwin", "win32") or any(
        os.environ.get(name) for name in ("DISPLAY", "WAYLAND_DISPLAY")
    )
    return desktop and sys.stdout.isatty() and not os.environ.get("CI")


def _connect(folder: Path, live: subprocess.Popen[bytes]) -> Link:
    """Wait until the live program answers."""
    for _ in range(600):
        if live.poll() is not None:
            break
        try:
            return find_link(folder)
        except (LinkError, UserError):
            time.sleep(0.1)
    raise UserError("the live program did not start; what it said stands above")


def _state(link: Link) -> dict[str, Any]:
    return ask(link, "/state")


def _play(folder: Path, made: Path) -> None:
    """The clip through the live loop, with two grabs."""
    live = subprocess.Popen(
        _posewall(
            "live", "--event", folder, "--source", made / "clip.mp4", "--once", "--port", "0",
            "--plate", made / "plates" / "clip.png",
        )
    )  # fmt: skip
    try:
        link = _connect(folder, live)
        if _somebody_watches():
            webbrowser.open(f"http://127.0.0.1:{link.port}/stage")
        begun = time.monotonic()  # the clip plays from now on, also while the first picture waits
        while not _state(link)["pictures"]:
            time.sleep(0.05)
        for at_s, person in GRABS:
            ask(link, "/next", {"people": [person]})
            time.sleep(max(0.0, begun + at_s - time.monotonic()))
            print(ask(link, "/grab", {"age_s": 0.0})["sentence"], flush=True)
        if live.wait(timeout=120):
            raise UserError(f"the live program ended with {live.returncode}; see above")
    except subprocess.TimeoutExpired as error:
        raise UserError("the live program did not end with its clip; see above") from error
    finally:
        if live.poll() is None:
            live.terminate()
            live.wait(timeout=30)


def main(words: Sequence[str] | None = None) -> int:
    """Make, play, finish, and say what to do next."""
    parser = argparse.ArgumentParser(prog="python -m demo_clips.play", description=__doc__)
    parser.add_argument("--event", type=Path, help="the event's new folder; usual: in made/")
    folder: Path | None = parser.parse_args(words).event
    try:
        return _demo(folder or make.MADE / f"played-{datetime.now().astimezone():%Y%m%d-%H%M%S}")
    except UserError as error:
        print(f"demo: {error}", file=sys.stderr)
        return 2


def _demo(folder: Path) -> int:
    begun = time.monotonic()
    made = make.MADE
    make.make(made)
    templates = made / "event" / "templates"
    Event.create(
        folder,
        scenario.EVENT_NAME,
        roster=made / "event" / "roster.csv",
        templates=[templates / scenario.EVENING, templates / scenario.DAYLIGHT],
    )
    print(f"\n1. The clip runs through the live loop; two shots are grabbed.\n   Event: {folder}\n")
    _play(folder, made)
    print("\n2. Two stills are added by hand.\n")
    for still, person in STILLS:
        _run(
            "batch", "add", made / "stills" / still, "--event", folder, "--person", person,
            "--plate", made / "plates" / still,
        )  # fmt: skip
    print("\n3. The pictures that are still waiting are made.\n")
    _run("batch", "run", "--event", folder)
    pictures = sorted((folder / "pictures").glob("*.jpg"))
    wanted = [w.picture for shot in shots(Event.open(folder)) for w in shot.wanted]
    if sorted(wanted) != [p.name for p in pictures]:
        raise UserError(f"{len(pictures)} pictures were made, not {len(wanted)}; see above")
    print("\n4. A greeting is made of a part of the clip, with a card and music.\n")
    begin_s, end_s, person = GREETING
    _run(
        "greet", made / "clip.mp4", "--event", folder, "--person", person, "--from", begin_s,
        "--to", end_s, "--plate", made / "plates" / "clip.png",
    )  # fmt: skip
    films = sorted((folder / "films").glob("*.mp4"))
    if len(films) != 1:
        raise UserError(f"{len(films)} greetings were made, not one; see above")
    print(f"\nFinished in {time.monotonic() - begun:.0f} s. Open these and look at them:\n")
    for path in (*pictures, *films):
        print(f"  {path}")
    clip = made / "clip.mp4"
    print(
        "\nNext, watch it live (open the address that it prints, then press Ctrl-C to end):\n\n"
        f"  {Path(sys.executable).parent / 'posewall'} live --event {folder} --source {clip}\n\n"
        "Then your own event: the README shows how, under 'Your own event'."
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
