"""Write the two templates: layers, description and fonts, each in a folder of its own."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from demo_clips import harvest, lantern, meadow, shore
from demo_clips.cutout import Paper
from demo_clips.paint import HEIGHT, PPI, WIDTH, Canvas, Sheet
from demo_clips.scenario import FONTS
from demo_clips.sound import write_music
from models.composite import Mode
from stream.template.ora_write import OraLayer, write_ora

SEED = 20
SLOT_FOOT = 3400  # chosen by eye for frames of 2:3, 9:16 and 16:9


def _rng(part: int) -> np.random.Generator:
    return np.random.default_rng([SEED, part])


def _cropped(pixels: NDArray[np.uint8]) -> tuple[Image.Image, int, int]:
    """A layer without its empty margins, RGB where it is opaque, and its upper left corner."""
    alpha = pixels[..., 3]
    if int(alpha.min()) == 255:
        return Image.fromarray(np.ascontiguousarray(pixels[..., :3]), "RGB"), 0, 0
    rows, columns = np.flatnonzero(alpha.any(1)), np.flatnonzero(alpha.any(0))
    part = pixels[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    return Image.fromarray(np.ascontiguousarray(part), "RGBA"), int(columns[0]), int(rows[0])


def _description(
    scale: float, above: str, texts: Iterable[dict[str, object]], notes: dict[str, Mode]
) -> str:
    """template.toml; lengths of ``texts`` are design pixels."""

    def value(key: str, item: object) -> str:
        if isinstance(item, str):
            return f'"{item}"'
        if isinstance(item, (list, tuple)):
            return "[" + ", ".join(f"{v * scale:g}" for v in item) + "]"
        if isinstance(item, dict):
            return "{ " + ", ".join(f"{k} = {value(k, v)}" for k, v in item.items()) + " }"
        assert isinstance(item, (int, float))
        return f"{item if key == 'opacity' else item * scale:g}"

    lines = [
        "[picture]",
        f"width_in = {WIDTH / PPI:g}",
        f"height_in = {HEIGHT / PPI:g}",
        f"ppi = {PPI * scale:g}",
        "",
        "# The box covers the picture and ends below it, so that no edge of a frame shows inside",
        "# and heads stand clear of the title.",
        "[slot]",
        f'above = "{above}"',
        f"box = {value('box', [0, 0, WIDTH, SLOT_FOOT])}",
        'fit = "cover"',
        'anchor = "bottom"',
    ]
    for text in texts:
        lines += ["", "[[text]]", *(f"{k} = {value(k, v)}" for k, v in text.items())]
    for name, mode in notes.items():
        lines += ["", "[[layer]]", f'name = "{name}"', f'mode = "{mode.value}"']
    return "\n".join(lines) + "\n"


# In design pixels and seconds. A wide film shows the lake with the ribbon, without the title high
# above it; so the card before the take says whose evening it is.
FILM = """
# As a greeting: a card, then the take with the ribbon coming up; music under the voice.
[film]
music = {{ file = "music.wav" }}

[film.in]
seconds = 0.8
show = ["night", "mist", "lanterns", "glow", "shade", "reeds"]

[film.wide]
window = {window}

[film.wide.slot]
box = {slot}
fit = "cover"
anchor = "bottom"

[[film.text]]
value = "Lantern Night"
above = "reeds"
box = {words}
font = "fonts/EBGaramond12-Italic.ttf"
size = {size}
color = "#ffeccb"
align = "center"
during = ["in"]
only = "wide"

[[film.move]]
of = "ribbon"
from = "take"
keys = [{{ at = 0, opacity = 0, y = {up} }}, {{ at = 0.5 }}]

[[film.move]]
of = "{{name}}"
from = "take"
keys = [{{ at = 0.3, opacity = 0 }}, {{ at = 0.7 }}]

[[film.move]]
of = "{{group}}"
from = "take"
keys = [{{ at = 0.5, opacity = 0 }}, {{ at = 0.9 }}]
"""


def _film(scale: float) -> str:
    """The part of the evening template that films alone have."""

    def box(*design: float) -> str:
        return "[" + ", ".join(f"{v * scale:g}" for v in design) + "]"

    return FILM.format(
        window=box(0, 1620, WIDTH, 1350),
        slot=box(-360, 1540, WIDTH + 720, 1755),
        words=box(300, 2000, 1800, 400),
        size=f"{300 * scale:g}",
        up=f"{200 * scale:g}",
    )


def _finish(folder: Path, description: str, fonts: Iterable[str]) -> None:
    (folder / "template.toml").write_text(description, encoding="utf-8")
    (folder / "fonts").mkdir(exist_ok=True)
    for name in fonts:
        shutil.copyfile(FONTS / name, folder / "fonts" / name)


def write_evening(folder: Path, scale: float = 1.0) -> None:
    """The lantern template: one OpenRaster document at print size, and how it shows a take.

    Args:
        folder: is made.
        scale: 1 for print size; less for a quick look.
    """
    folder.mkdir(parents=True, exist_ok=True)
    canvas = Canvas(scale)
    size = (canvas.h, canvas.w)
    ground = Sheet(canvas)
    ground.lay(lantern.night(canvas, _rng(0)), np.ones(size, np.float32))
    plan: list[tuple[str, Sheet, Mode]] = [
        ("night", ground, Mode.NORMAL),
        ("title", lantern.title(canvas), Mode.NORMAL),
        ("mist", lantern.mist(canvas, _rng(1)), Mode.NORMAL),
        ("lanterns", lantern.near_lanterns(canvas), Mode.NORMAL),
        ("glow", lantern.glow(canvas, _rng(2)), Mode.SCREEN),
        ("shade", shore.shade(canvas), Mode.MULTIPLY),
        ("reeds", shore.reeds(canvas, _rng(3)), Mode.NORMAL),
        ("ribbon", shore.ribbon(canvas, _rng(4)), Mode.NORMAL),
    ]
    layers = []
    for number, (name, sheet, mode) in enumerate(plan):
        image, x, y = _cropped(sheet.pixels(_rng(50 + number)))
        layers.append(OraLayer(name, image, x, y, mode))
    plan.clear()
    write_ora(folder / "layers.ora", size, layers, round(PPI * scale))
    write_music(folder / "music.wav")
    texts: list[dict[str, object]] = [
        {
            "value": "{name}", "above": "ribbon", "box": [440, 2512, 1520, 208],
            "font": "fonts/EBGaramond12-Italic.ttf", "size": 148, "least": 84,
            "color": "#ffeccb", "align": "center",
            "shadow": {"dx": 0, "dy": 5, "blur": 9, "color": "#2a0718", "opacity": 0.8},
        },
        {
            "value": "{group}", "above": "ribbon", "box": [500, 2806, 1400, 100],
            "font": "fonts/EBGaramondSC12-Regular.ttf", "size": 80, "least": 48,
            "color": "#f2c583", "align": "center",
        },
    ]  # fmt: skip
    _finish(
        folder,
        _description(scale, "title", texts, {}) + _film(scale),
        ("EBGaramond12-Italic.ttf", "EBGaramondSC12-Regular.ttf", "OFL-EBGaramond.txt"),
    )


def write_daylight(folder: Path, scale: float = 1.0) -> None:
    """The cut-paper template: numbered PNG layers at print size.

    Args:
        folder: is made.
        scale: 1 for print size; less for a quick look.
    """
    folder.mkdir(parents=True, exist_ok=True)
    canvas = Canvas(scale)
    paper = Paper(canvas, _rng(10))
    plan: tuple[tuple[str, Callable[[], Sheet]], ...] = (
        ("10-sky", lambda: harvest.sky(canvas, paper)),
        ("20-hills", lambda: harvest.hills(canvas, paper, _rng(12))),
        ("30-title", lambda: harvest.title(canvas, paper)),
        ("40-branches", lambda: meadow.branch(canvas, paper, _rng(13))),
        ("50-meadow", lambda: meadow.meadow(canvas, paper, _rng(14))),
        ("60-label", lambda: meadow.label(canvas, paper)),
        ("70-sunlight", lambda: meadow.sunlight(canvas)),
        ("80-grain", lambda: meadow.grain(canvas, paper)),
    )
    for number, (name, painted) in enumerate(plan):
        pixels = painted().pixels(_rng(70 + number))
        opaque = int(pixels[..., 3].min()) == 255
        image = Image.fromarray(np.ascontiguousarray(pixels[..., :3] if opaque else pixels))
        dots = PPI * scale
        image.save(folder / f"{name}.png", compress_level=1, dpi=(dots, dots))
    texts: list[dict[str, object]] = [
        {
            "value": "{name}", "above": "label", "box": [500, 2530, 1400, 176],
            "font": "fonts/Vollkorn-Black.ttf", "size": 132, "least": 72,
            "color": "#5a2a16", "align": "center",
        },
        {
            "value": "{group}", "above": "label", "box": [560, 2714, 1280, 92],
            "font": "fonts/Vollkorn-SemiBoldItalic.ttf", "size": 76, "least": 48,
            "color": "#7c4a2a", "align": "center",
        },
    ]  # fmt: skip
    notes = {"sunlight": Mode.SCREEN, "grain": Mode.MULTIPLY}
    _finish(
        folder,
        _description(scale, "title", texts, notes),
        ("Vollkorn-Black.ttf", "Vollkorn-SemiBoldItalic.ttf", "OFL-Vollkorn.txt"),
    )
