"""Cutting, live compositing and printing, each measured by a plain key and by copying."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from demo_clips import scenario
from models.color import Matrix
from models.errors import PosewallError
from models.keyer import Grade, Keyer, KeySettings
from models.resample import Placement
from scripts.plainkey import Floats, Pixels, plain_key, plain_over, to_rgb
from scripts.timing import Work, alternately, copier, one_thread, row
from stream.batch.render import Renderer
from stream.capture.frame import Frame
from stream.capture.source import open_source
from stream.capture.stills import read_still
from stream.event import Event
from stream.live.scenes import preview_size
from stream.prints.about import About
from stream.prints.output import Output
from stream.prints.picture import picture_bytes
from stream.shot import Wanted, add_still, save_plate


def _arrays(frame: Frame) -> tuple[Pixels, Pixels, Pixels]:
    a, b, c = (np.ascontiguousarray(p.numpy()) for p in frame.planes)
    return a, b, c


def _i420(frame: Frame) -> tuple[Pixels, Pixels, Pixels]:
    """Planes as the plain key takes them."""
    a, b, c = _arrays(frame)
    if frame.encoding.matrix is not Matrix.RGB and b.shape == a.shape:
        half = (a.shape[1] // 2, a.shape[0] // 2)
        b, c = (
            np.asarray(cv2.resize(x, half, interpolation=cv2.INTER_AREA), np.uint8) for x in (b, c)
        )
    return a, b, c


def clip_frame(path: Path) -> Frame:
    """A frame of the clip with the subject in it."""
    source = open_source(str(path), paced=False)
    source.open()
    try:
        for _ in range(46):
            frame = source.read()
        assert frame is not None
        return frame
    finally:
        source.close()


def cutting(name: str, frame: Frame, plate: Frame, repeats: int) -> dict[str, Any]:
    """The final cut of a frame, by copying its bytes and by the plain key."""
    keyer = Keyer(Grade.FINAL)
    keyer.set_plate(plate.planes, plate.encoding, plate.quarter_turns)
    planes, rgb = _i420(frame), frame.encoding.matrix is Matrix.RGB
    height, width = frame.planes[0].shape
    moved = sum(p.numel() * p.element_size() for p in frame.planes) + height * width * 4 * 4
    works: dict[str, Work] = {
        "ours": lambda: keyer.cut(frame.planes, frame.encoding, frame.quarter_turns),
        "copy": copier(moved),
        "plain": lambda: plain_key(to_rgb(planes, rgb)),
    }
    cut = keyer.cut(frame.planes, frame.encoding, frame.quarter_turns)
    undecided = float(((cut.alpha > 0) & (cut.alpha < 1)).float().mean())
    with one_thread():
        times = alternately(works, repeats)
    return row(name, times, undecided=undecided, plate_fits=cut.plate_fits)


def compositing(frame: Frame, plate: Frame, event: Event, repeats: int) -> dict[str, Any]:
    """The live composite of a frame at preview size, without capture, JPEG and pages."""
    template = event.template(scenario.EVENING)
    size = preview_size(template.picture_size(), 720)
    person = event.roster.get("103")
    assert person is not None
    scene = template.scene(size, person.fields)
    placement = template.placement(frame.upright_size, size)
    keyer = Keyer(Grade.LIVE)
    keyer.set_plate(plate.planes, plate.encoding, plate.quarter_turns)
    planes, rgb = _i420(frame), frame.encoding.matrix is Matrix.RGB
    below = np.ascontiguousarray(scene.below[0].permute(1, 2, 0).numpy())

    def plain() -> Pixels:
        fg, alpha = plain_key(_placed(to_rgb(planes, rgb), placement, size))
        return plain_over(fg, alpha, below)

    moved = sum(p.numel() * p.element_size() for p in frame.planes) + size[0] * size[1] * (3 + 12)
    works: dict[str, Work] = {
        "ours": lambda: keyer.composite(
            frame.planes, frame.encoding, frame.quarter_turns, scene, placement
        ),
        "copy": copier(moved),
        "plain": plain,
    }
    name = f"live composite, 1280x720 into {size[1]}x{size[0]}"
    with one_thread():
        times = alternately(works, repeats)
    return row(name, times)


def _placed(rgb: Pixels, placement: Placement, size: tuple[int, int]) -> Pixels:
    """The frame cropped and scaled to the picture; only for frames that cover it."""
    scale = placement.scale
    left, top = round(-placement.dx / scale), round(-placement.dy / scale)
    width, height = round(size[1] / scale), round(size[0] / scale)
    part = rgb[max(0, top) : top + height, max(0, left) : left + width]
    return np.asarray(cv2.resize(part, (size[1], size[0]), interpolation=cv2.INTER_AREA), np.uint8)


def printing(made: Path, event: Event, repeats: int, templates: Sequence[str]) -> dict[str, Any]:
    """One shot of the 24 MP still as 8x10 by each template: from the shot to the files' bytes."""
    still = made / "stills" / "portrait_24mp.jpg"
    plate_file = made / "plates" / "portrait_24mp.jpg"
    plate = save_plate(event, read_still(plate_file), still=plate_file)
    first, *others = [event.template(name) for name in templates]
    settings = KeySettings.from_json(dict(event.config.key))
    shot, _ = add_still(
        event, still, people=["105"], template=first, plate=plate, settings=settings
    )
    also = tuple(Wanted(t.name, t.version, f"also-{t.name}.jpg") for t in others)
    shot = replace(shot, also=also)
    renderer = Renderer(event)
    frame = read_still(still)
    size = first.picture_size()
    placements = [t.placement(frame.upright_size, size) for t in (first, *others)]
    # The plain one gets its background for nothing; making ours from the layers is in our time.
    below: Floats = np.full((*size, 3), 0.2, np.float32)

    def ours() -> None:
        for _, picture in renderer.pictures(shot):
            if isinstance(picture, PosewallError):
                raise picture
            picture_bytes(picture.pixels, Output(), About(picture.ppi, picture.taken, "0" * 32))

    def plain() -> None:
        bgr = cv2.imread(str(still), cv2.IMREAD_COLOR)
        assert bgr is not None
        rgb = np.asarray(cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB), np.uint8)
        for placement in placements:
            fg, alpha = plain_key(_placed(rgb, placement, size))
            done = cv2.cvtColor(plain_over(fg, alpha, below), cv2.COLOR_RGB2BGR)
            cv2.imencode(".jpg", done, [cv2.IMWRITE_JPEG_QUALITY, 95])

    count = "one template" if not others else f"{len(templates)} templates"
    name = f"final pictures, 24 MP still into {size[1]}x{size[0]}, {count}, file to file"
    with one_thread():
        times = alternately({"ours": ours, "plain": plain}, repeats)
    return row(name, times, seconds_a_picture=times["ours"].usual / len(templates))
