"""Mix scenes with known truth from photographs: `photomix.py SUBJECTS PHOTOS SCREENS SCORER OUT`.

A check that a gain in keying is not one for rendered pictures alone. Only the outline comes from
rendered subjects, from those that training leaves out; the colours of the subject and the surface
of the screen are photographs. Pictures that will do are the sample images that general-purpose
packages for image work and for drawing in three dimensions bring with them: materials, animals,
flowers for PHOTOS; walls, lawns, boards for SCREENS. OUT is opened by `make quality DATA=OUT`.

SCORER is a folder of scenes whose load.py and score.py are copied. A scene is a folder in
data/stills, its pictures sRGB:

    shot.png        what the camera saw, 8 bit
    alpha.png       coverage, 16 bit
    fg.png          straight foreground with the screen's light on it, 16 bit
    fg_neutral.png  the same before a grey screen of the same luminance, 16 bit
    screen.png      the screen with the subject's shadow, at half its light, 16 bit
    plate.png       the screen alone, likewise

shot = alpha fg + (1 - alpha) screen in linear light, of the stored values.
"""

from __future__ import annotations

import argparse
import shutil
import sys
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

import cv2
import numpy as np
from numpy.typing import NDArray

from models.errors import PosewallError
from models.training import subjects
from models.training.subjects import Picture, Random, Size, decode, encode, luminance, noise
from stream.errors import UserError

SIZE: Size = (960, 720)
SCENES = 10
BLUE_EVERY = 5
COPIED = ("load.py", "score.py")
ENDINGS = (".png", ".jpg", ".jpeg", ".tif", ".tiff")
# Reflectance of diffuse paint under white light; blue mirrors green.
_GREEN = np.array([0.03, 0.40, 0.07], np.float32)
_BLUE = np.array([0.03, 0.07, 0.40], np.float32)
LEAST_SPILL, MOST_SPILL = 0.05, 0.3
MOST_TEXTURE = 0.2


@dataclass(frozen=True)
class Scene:
    """One scene; linear light.

    Attributes:
        alpha: (H, W) coverage.
        lit: (H, W, 3) straight foreground with the screen's light on it.
        neutral: (H, W, 3) the same before a grey screen.
        screen: (H, W, 3) the screen with the subject's shadow.
        plate: (H, W, 3) the screen alone.
    """

    alpha: Picture
    lit: Picture
    neutral: Picture
    screen: Picture
    plate: Picture


def kept_out(folder: Path) -> list[str]:
    """The subjects of a folder that training leaves out, in order.

    Raises:
        PosewallError: there is no subject.
        UserError: none is kept out.
    """
    found = [n for n in subjects.names(folder) if subjects.held_out(n)]
    if not found:
        raise UserError(f"{folder}: training takes every subject in it; put more there")
    return found


def pictures(folder: Path) -> list[Path]:
    """The photographs of a folder, in order.

    Raises:
        UserError: there is none.
    """
    found = sorted(p for p in folder.glob("*") if p.suffix.lower() in ENDINGS)
    if not found:
        raise UserError(f"{folder}: there is no PNG, JPEG or TIFF picture in it; put some there")
    return found


def _read(path: Path) -> Picture:
    found = cv2.imread(str(path), cv2.IMREAD_COLOR)
    if found is None:
        raise UserError(f"{path}: this picture could not be read; replace it, or take it away")
    return decode(found[..., ::-1])


def laid(picture: Picture, size: Size, r: Random) -> Picture:
    """A photograph over a whole frame, about as large as it is, mirrored where it ends."""
    scale, angle = r.uniform(0.8, 1.5), r.uniform(-0.5, 0.5)
    turn = scale * np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    start = -turn @ (r.random(2) * picture.shape[1::-1])
    matrix = np.column_stack([turn, start]).astype(np.float32)
    how, edge = cv2.INTER_CUBIC, cv2.BORDER_REFLECT
    out = cv2.warpAffine(picture, matrix, (size[1], size[0]), flags=how, borderMode=edge)
    return np.clip(out, 0, 1).astype(np.float32)


def texture(picture: Picture, size: Size, r: Random) -> Picture:
    """The luminance of a photograph as (H, W) gain about 1, at most `MOST_TEXTURE` away from it."""
    light = luminance(laid(picture, size, r))[..., 0]
    sharp = r.uniform(0.2, 0.7)
    soft = cv2.GaussianBlur(light, (0, 0), r.uniform(1.5, 5))
    both = sharp * light + (1 - sharp) * soft
    away = both - both.mean()
    depth = r.uniform(0.25, 1) * MOST_TEXTURE
    gain: Picture = 1 + depth * np.clip(away / max(2.5 * float(away.std()), 1e-6), -1, 1)
    return gain


def screen(surface: Picture, size: Size, blue: bool, r: Random) -> Picture:
    """Paint on a photographed surface, lit by a lamp from one side."""
    paint = (_BLUE if blue else _GREEN) * r.uniform(0.8, 1.25, 3).astype(np.float32)
    y, x = np.mgrid[0 : size[0], 0 : size[1]].astype(np.float32) / max(size)
    across, down, away = r.uniform(-0.3, 1.1), r.uniform(-0.3, 0.6), r.uniform(0.9, 2)
    # Lambert's law and the inverse square, at one distance from the wall.
    lamp = (1 + ((x - across) ** 2 + (y - down) ** 2) / away**2) ** -1.5
    light = r.uniform(0.6, 1.1) * lamp / lamp.max() * texture(surface, size, r)
    lit: Picture = (paint * light[..., None]).astype(np.float32)
    return lit


def dressed(first: Picture, second: Picture, size: Size, r: Random) -> Picture:
    """Colours of the subject: one photograph, in places another, neither at full light."""
    border = np.clip(8 * noise(r, size, 4) - 2, 0, 1)[..., None]
    levels = 2 ** r.uniform(-1.3, -0.33, 2)
    one, other = (g * laid(p, size, r) for g, p in zip(levels, (first, second), strict=True))
    out: Picture = ((1 - border) * one + border * other).astype(np.float32)
    return out


def spilled(colors: Picture, alpha: Picture, light: Picture, r: Random) -> tuple[Picture, Picture]:
    """Let a screen's light fall on a subject, most of it near the rim.

    Args:
        colors: (H, W, 3) the subject without it.
        alpha: (H, W) its coverage.
        light: (H, W, 3) what comes from the screen.
        r: how much, from `LEAST_SPILL` to `MOST_SPILL`.

    Returns:
        The colours with this light, and with grey light of its luminance.
    """
    base = r.uniform(LEAST_SPILL, 0.12)
    rim = r.uniform(0.03, MOST_SPILL - base)
    reach = r.uniform(0.008, 0.03) * alpha.shape[0]
    near = np.clip(2 * cv2.GaussianBlur(1 - alpha, (0, 0), reach), 0, 1)
    share = (base + rim * near)[..., None]
    grey = luminance(light)
    return (colors + share * light).astype(np.float32), (colors + share * grey).astype(np.float32)


def shadowed(plate: Picture, alpha: Picture, r: Random) -> Picture:
    """The screen behind a subject that stands in its lamp's light."""
    height, width = alpha.shape
    larger = r.uniform(1, 1.12)
    across, down = r.uniform(-0.12, 0.12) * width, r.uniform(0, 0.05) * height
    place = [across - (larger - 1) * width / 2, down - (larger - 1) * height / 2]
    matrix = np.array([[larger, 0, place[0]], [0, larger, place[1]]], np.float32)
    moved = cv2.warpAffine(alpha, matrix, (width, height), borderMode=cv2.BORDER_REPLICATE)
    soft = cv2.GaussianBlur(moved, (0, 0), r.uniform(0.008, 0.04) * height)
    out: Picture = (plate * (1 - r.uniform(0.1, 0.5) * soft)[..., None]).astype(np.float32)
    return out


def mixed(
    subject: subjects.Subject,
    photos: tuple[Picture, Picture],
    surface: Picture,
    size: Size,
    blue: bool,
    r: Random,
) -> Scene:
    """One scene; of the subject only its outline is used."""
    alpha = subjects.moved(subject, size, r).alpha
    plate = screen(surface, size, blue, r)
    light = cv2.GaussianBlur(plate, (0, 0), 0.1 * size[0]).astype(np.float32)
    lit, neutral = spilled(dressed(*photos, size, r), alpha, light, r)
    return Scene(alpha, lit, neutral, shadowed(plate, alpha, r), plate)


def _save(path: Path, codes: NDArray[np.uint8] | NDArray[np.uint16]) -> None:
    bgr = codes[..., ::-1] if codes.ndim == 3 else codes
    ok, data = cv2.imencode(".png", bgr)
    assert ok
    path.write_bytes(data.tobytes())


def write(scene: Scene, folder: Path) -> None:
    """Write a scene; the shot is mixed of what the other files hold."""

    def stored(name: str, light: Picture, gain: float = 1) -> Picture:
        codes = np.round(encode(light / gain) * 257).astype(np.uint16)
        _save(folder / name, codes)
        return gain * decode(codes / 257)

    folder.mkdir(parents=True)
    coverage = np.round(scene.alpha * 65535).astype(np.uint16)
    _save(folder / "alpha.png", coverage)
    a: Picture = (coverage[..., None] / 65535).astype(np.float32)
    lit = stored("fg.png", scene.lit)
    stored("fg_neutral.png", scene.neutral)
    back = stored("screen.png", scene.screen, 2)
    stored("plate.png", scene.plate, 2)
    shot: Picture = a * lit + (1 - a) * back
    _save(folder / "shot.png", np.round(encode(shot)).astype(np.uint8))


def make(
    folders: tuple[Path, Path, Path],
    scorer: Path,
    out: Path,
    size: Size = SIZE,
    count: int = SCENES,
) -> list[str]:
    """Make the folder of scenes, the same for the same arguments.

    Args:
        folders: rendered subjects, photographs for their colours, photographs for screens.
        scorer: where load.py and score.py lie.
        out: the folder to make.
        size: (H, W) of the scenes; even, as 4:2:0 needs it.
        count: how many scenes.

    Returns:
        The names of the scenes.

    Raises:
        PosewallError: a folder lacks what is needed, or ``out`` holds something.
    """
    people = kept_out(folders[0])
    photos, surfaces = pictures(folders[1]), pictures(folders[2])
    lacking = [n for n in COPIED if not (scorer / n).is_file()]
    if lacking:
        raise UserError(
            f"{scorer}: there is no {lacking[0]} in it; SCORER must hold load.py and score.py"
        )
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise UserError(f"{out}: something is there already; name a new folder, or empty this one")
    made = []
    for number in range(count):
        r = np.random.default_rng([zlib.crc32(b"photomix"), number])
        person, surface = people[number % len(people)], surfaces[number % len(surfaces)]
        pair = photos[number % len(photos)], photos[int(r.integers(len(photos)))]
        blue = number % BLUE_EVERY == BLUE_EVERY - 1
        first, second = (_read(p) for p in pair)
        subject = subjects.load(folders[0], person)
        scene = mixed(subject, (first, second), _read(surface), size, blue, r)
        color = "blue" if blue else "green"
        name = f"p{number + 1:02}_{pair[0].stem}_{color}_{surface.stem}"
        write(scene, out / "data" / "stills" / name)
        made.append(name)
    for name in COPIED:
        shutil.copyfile(scorer / name, out / name)
    return made


def main(words: Sequence[str] | None = None) -> int:
    """Run, and say a mistake in one sentence."""
    p = argparse.ArgumentParser(description="Mix scenes with known truth from photographs.")
    p.add_argument("subjects", type=Path, help="rendered subjects: NAME_a.png, _f.jpg, _n.jpg")
    p.add_argument("photos", type=Path, help="photographs for the subjects' colours")
    p.add_argument("screens", type=Path, help="photographs for the screens' surfaces")
    p.add_argument("scorer", type=Path, help="folder whose load.py and score.py are copied")
    p.add_argument("out", type=Path, help="folder to make")
    args = p.parse_args(words)
    try:
        made = make((args.subjects, args.photos, args.screens), args.scorer, args.out)
    except (PosewallError, OSError) as e:
        print(f"photomix: {e}", file=sys.stderr)
        return 2
    print("\n".join(made))
    return 0


if __name__ == "__main__":
    sys.exit(main())
