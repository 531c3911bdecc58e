"""`cut`: for stills and clips, the matte, the despilled foreground and the cut-out as files."""

from __future__ import annotations

import argparse
import sys
from collections import deque
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from models.color import Encoding, Planes, to_codes
from models.errors import PosewallError
from models.keyer import Cut, Grade, Keyer, KeySettings
from models.transfer import Transfer, encode
from stream.capture.frame import Frame
from stream.capture.source import open_source
from stream.capture.still_file import OWN_ENDINGS
from stream.capture.stills import STILL_SUFFIXES, read_still
from stream.device import pick_device
from stream.durable import StorageError, renamed_to
from stream.errors import UserError
from stream.key_options import add_key_options, given_settings
from stream.opencv import cv2
from stream.painted import read_mask

Pixels = NDArray[np.uint8] | NDArray[np.uint16]

TURNS = (0, 90, 180, 270)
# chosen: less of a frame than this is the screen's own edge.
LEAST_GARBAGE = 0.02


def add_commands(sub: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Offer cut."""
    cut = sub.add_parser(
        "cut",
        help="cut people out of stills or clips, as files",
        description="For each still writes NAME.matte.png (16-bit matte), NAME.fg.png (16-bit "
        "colour without the screen's light) and NAME.cutout.png (ready to lay over anything), with "
        "--shadow keep also NAME.shadow.png (a layer to multiply below the cut-out); for a clip "
        "the same for every frame, numbered.",
    )
    cut.add_argument("files", nargs="+", type=Path, metavar="FILE", help="stills or clips")
    cut.add_argument("--plate", type=Path, help="still of the empty screen, same camera and size")
    cut.add_argument(
        "--grade",
        choices=[g.value for g in Grade],
        default=Grade.FINAL.value,
        help="final for prints (usual), live as the live picture has it",
    )
    cut.add_argument("--out", type=Path, help="folder for the files; usual: beside each original")
    cut.add_argument(
        "--turn", type=int, choices=TURNS, help="turn clockwise by so many degrees to stand upright"
    )
    cut.add_argument(
        "--mask",
        type=Path,
        help="PNG of the upright picture's size, painted by hand: white is kept, black cut away",
    )
    add_key_options(cut)
    cut.add_argument("--device", default="auto", help="auto (usual), cpu or cuda")
    cut.set_defaults(run=run)


def write_png(path: Path, pixels: Pixels) -> None:
    """Write a PNG whole or not at all; fast compression, since the files are working files.

    Args:
        path: where.
        pixels: (H, W) or (H, W, C), blue first.

    Raises:
        StorageError: the disk did not take it.
    """
    done, data = cv2.imencode(".png", pixels, [cv2.IMWRITE_PNG_COMPRESSION, 1])
    if not done:
        raise StorageError(f"{path}: the picture could not be coded as PNG")
    try:
        with renamed_to(path) as partial:
            partial.write_bytes(data.tobytes())
    except OSError as e:
        raise StorageError(
            f"{path}: it could not be written ({e.strerror}); free some space or choose another "
            "folder with --out"
        ) from e


def write_cut(cut: Cut, folder: Path, name: str) -> list[Path]:
    """Write the files of one cut: three, and a fourth where there is a shadow layer.

    Args:
        cut: as the Keyer gives it.
        folder: must exist.
        name: what the files' names begin with.

    Returns:
        The paths written.

    Raises:
        StorageError: the disk did not take them.
    """
    colour = encode(cut.fg, Transfer.SRGB)

    bgr = colour[:, [2, 1, 0]]

    def codes(x: Tensor, depth: int) -> Pixels:
        plain = to_codes(x, depth).cpu().numpy()
        return plain.astype(np.uint8) if depth == 8 else plain.astype(np.uint16)

    pictures = {
        "matte": codes(cut.alpha, 16),
        "fg": codes(bgr, 16),
        "cutout": codes(torch.cat([bgr, cut.alpha], 1), 8),
    }
    if cut.shadow is not None:
        # Encoded as the colour is, so that an editor's multiply comes near that of light.
        pictures["shadow"] = codes(encode(cut.shadow, Transfer.SRGB), 16)
    paths = []
    for kind, pixels in pictures.items():
        path = folder / f"{name}.{kind}.png"
        write_png(path, pixels)
        paths.append(path)
    return paths


def _frames(path: Path, turns: int | None) -> Iterator[tuple[str, Frame]]:
    """A still as one frame under its own name, a clip as numbered ones."""
    if path.is_file() and path.suffix.lower() in STILL_SUFFIXES:
        yield path.stem, read_still(path, quarter_turns=turns)
        return
    if path.is_dir():
        raise UserError(f"{path}: this is a folder; name the files in it, like {path}/*.jpg")
    if not path.exists():
        raise UserError(f"{path}: there is no such file; check the name")
    source = open_source(str(path), quarter_turns=turns, paced=False)
    source.open()
    try:
        while (frame := source.read()) is not None:
            yield f"{path.stem}-{frame.index:05d}", frame
    finally:
        source.close()


def _named(
    frames: Iterator[tuple[str, Frame]],
    path: Path,
    folder: Path,
    written: set[Path],
    waiting: deque[str],
) -> Iterator[tuple[Planes, Encoding, int]]:
    """What the Keyer wants of each frame; the names go to ``waiting``, in the same order."""
    for name, frame in frames:
        if folder / name in written:
            raise UserError(
                f"{path}: another file of this call is named {name}, too, and would be "
                "overwritten; cut it by itself with another --out"
            )
        written.add(folder / name)
        waiting.append(name)
        yield frame.planes, frame.encoding, frame.quarter_turns


def _trouble(cut: Cut) -> str | None:
    if not cut.screen_found:
        return "no green or blue screen is to be seen in it, so all of it was kept"
    if cut.plate_fits is False:
        return "the plate does not show this screen, so it was cut without the plate"
    if cut.garbage is not None and float(cut.garbage.mean()) > LEAST_GARBAGE:
        return (
            "what lies beside or below the screen was kept, since somebody may stand before it; "
            "a clean plate (--plate) takes walls and stands away"
        )
    return None


def run(args: argparse.Namespace) -> int:
    """Cut every file; a bad one is reported and the others go on."""
    settings = KeySettings.from_json(dict(given_settings(args)))
    keyer = Keyer(Grade(args.grade), settings, pick_device(args.device))
    turns = None if args.turn is None else args.turn // 90
    if args.plate:
        if any(f.exists() and args.plate.exists() and f.samefile(args.plate) for f in args.files):
            raise UserError(
                f"{args.plate}: this is given as picture and as plate; the plate is a still of the "
                "empty screen"
            )
        plate = read_still(args.plate, quarter_turns=turns)
        keyer.set_plate(plate.planes, plate.encoding, plate.quarter_turns)
    if args.mask:
        keyer.set_mask(read_mask(args.mask))
    if args.out:
        try:
            args.out.mkdir(parents=True, exist_ok=True)
        except OSError as e:
            raise UserError(
                f"{args.out}: this folder could not be made ({e.strerror}); choose another with "
                "--out"
            ) from e
    written: set[Path] = set()
    failed = 0
    shown = sys.stderr.isatty()
    start = "\r" if shown else ""
    for path in args.files:
        if path.name.lower().endswith(OWN_ENDINGS):
            # `cut *.png` a second time in one folder names what the first time wrote.
            print(f"{path.name}: passed over, since Posewall itself makes files of this name")
            continue
        folder = args.out or path.parent
        count = 0
        said: set[str] = set()
        waiting: deque[str] = deque()
        try:
            named = _named(_frames(path, turns), path, folder, written, waiting)
            one = path.suffix.lower() in STILL_SUFFIXES
            cuts = (keyer.cut(*frame) for frame in named) if one else keyer.cut_sequence(named)
            for cut in cuts:
                name = waiting.popleft()
                write_cut(cut, folder, name)
                count += 1
                trouble = _trouble(cut)
                if trouble and trouble not in said:
                    said.add(trouble)
                    print(f"{start}{name}: {trouble}", file=sys.stderr)
                if shown:
                    print(f"\r{path.name}: {count}", end="", file=sys.stderr, flush=True)
        except PosewallError as e:
            failed += 1
            print(f"{start}posewall: {e}", file=sys.stderr)
            continue
        pictures = "1 picture" if count == 1 else f"{count} pictures"
        print(f"{start}{path.name}: {pictures} cut, in {folder}")
    return 2 if failed else 0
