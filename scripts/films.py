"""Frames a second of a film at 1080p, by the real renderer, and where their time goes.

Stages run beside each other in several threads, so their shares are of all threads' time together,
and add up to more than the clock on the wall. What the encoder waits for pictures is not the
encoder's.
"""

from __future__ import annotations

import shutil
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import torch

from models.analysis import Analysis
from models.keyer import KeySettings
from models.laying import Laying
from models.placing import Placer
from models.sequence import KeyedClip
from models.video_planes import VideoPlanes
from scripts.cards import card_name
from scripts.clocks import Clocks, Place
from scripts.timing import met
from stream.event import Event
from stream.film import finishing, piece_encoder
from stream.film.design import Design
from stream.film.keying import Sources
from stream.film.progress import Progress
from stream.film.render import FilmRenderer
from stream.take.adding import add_clip

LEAST_ON_A_CARD = 30.0
"""Frames a second: real time."""
BEGIN_S = 2.0
"""In the demo's clip somebody stands before the screen from here on."""
SIZE = (1080, 1920)

PLACES: tuple[Place, ...] = (
    (Sources, "at", "decode"),
    (KeyedClip, "next", "average"),
    (Analysis, "__call__", "analyse"),
    (Placer, "__call__", "key"),
    (Design, "scene", "design"),
    (Laying, "__call__", "lay"),
    (VideoPlanes, "__call__", "convert"),
    (finishing, "make_sound", "sound"),
    (finishing, "mux", "mux"),
)


class FilmClocks(Clocks):
    """Clocks around the stages of films, the encoder's among them."""

    def __init__(self) -> None:
        super().__init__(PLACES)

    @contextmanager
    def running(self) -> Iterator[None]:
        """Clocks around every stage, for as long as the block lasts."""
        write = piece_encoder.write_piece
        try:
            piece_encoder.write_piece = self._coding(write)
            with super().running():
                yield
        finally:
            piece_encoder.write_piece = write

    def _coding(self, write: Callable[..., int]) -> Callable[..., int]:
        """An encoder whose waiting for pictures does not count."""

        def timed(*args: Any) -> int:
            waited = 0.0

            def seen(pictures: Iterable[Any]) -> Iterator[Any]:
                nonlocal waited
                rest = iter(pictures)
                while True:
                    start = time.perf_counter()
                    picture = next(rest, None)
                    waited += time.perf_counter() - start
                    if picture is None:
                        return
                    yield picture

            start = time.perf_counter()
            count = write(*args[:-1], seen(args[-1]))
            took = time.perf_counter() - start
            self.add("encode", took - waited, took)
            return count

        return timed


def enlarged(clip: Path, out: Path, seconds: float) -> Path:
    """A part of a clip at 1080p, coded so well that it looks like a camera's."""
    with av.open(str(clip)) as source, av.open(str(out), "w", format="matroska") as to:
        stream = to.add_stream("libx264", rate=30)
        stream.height, stream.width = SIZE
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": "14", "preset": "veryfast"}
        context = stream.codec_context
        context.colorspace = context.color_primaries = context.color_trc = 1
        context.color_range = 1
        count = 0
        for frame in source.decode(video=0):
            if frame.time < BEGIN_S:
                continue
            if count >= seconds * 30:
                break
            large = frame.reformat(width=SIZE[1], height=SIZE[0], threads=1)
            large.pts, large.time_base = count, Fraction(1, 30)
            to.mux(stream.encode(large))
            count += 1
        to.mux(stream.encode(None))
    return out


def _film(event: Event, clip: Path, shapes: tuple[str, ...], device: str) -> dict[str, Any]:
    """One row: a take of the clip, made by the renderer."""
    people = [event.roster.people[0].number]
    take = add_clip(event, clip, settings=KeySettings(), shapes=shapes, people=people)
    clocks = FilmClocks()
    told: list[tuple[float, Progress]] = []
    renderer = FilmRenderer(event, device, encoder="libx264")
    with clocks.running():
        start = time.perf_counter()
        renderer.make(take, lambda progress: told.append((time.perf_counter(), progress)))
        took = time.perf_counter() - start
    made = [(at, p) for at, p in told if p.stage == "keying"]
    # From the first frame on: what comes before it, and after the last, is the same for any length.
    frames = made[-1][1].done - made[0][1].done
    pace = frames / (made[-1][0] - made[0][0])
    where = card_name() if device != "cpu" else f"{torch.get_num_threads()} threads"
    row: dict[str, Any] = {
        "row": f"films, {' and '.join(shapes)}, 1080p take, {where}",
        "frames_a_second": pace,
        "frames": made[-1][1].total,
        "before_and_after_s": took - (made[-1][0] - made[0][0]),
        **{f"{name}_share": share for name, share in clocks.shares().items()},
        "seconds": {"all": took, **clocks.seconds},
    }
    if device != "cpu":
        row["real_time"] = met(pace / len(shapes), LEAST_ON_A_CARD, most=False)
    return row


def films(made: Path, template: Path, seconds: float) -> Iterator[dict[str, Any]]:
    """Films of so many seconds of the demo's clip.

    Args:
        made: the demo's files.
        template: folder of the template.
        seconds: of the clip, 11 at most.

    Yields:
        A row each: one shape and both at once on the processor; on a card as well where one is.
    """
    folder = Path(tempfile.mkdtemp(prefix="posewall-films-"))
    try:
        roster = made / "event" / "roster.csv"
        event = Event.create(folder / "event", "Films", roster=roster, templates=[template])
        clip = enlarged(made / "clip.mp4", folder / "clip.mkv", seconds)
        devices = ["cpu", *(["cuda"] if torch.cuda.is_available() else [])]
        for device in devices:
            for shapes in (("wide",), ("wide", "tall")):
                yield _film(event, clip, shapes, device)
    finally:
        shutil.rmtree(folder, ignore_errors=True)
