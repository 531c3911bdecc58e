"""Colours into a printer's or paper's own profile, at 8 or 16 bits a channel.

Source: ISO 15076-1 (ICC.1:2022: header fields, device classes, rendering intents).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path

import numpy as np
from PIL import ImageCms

from stream.color_profile import DAMAGE, Pixels, ProfileError, converted, opened, srgb_profile
from stream.errors import UserError

SPACES = {b"RGB ": "rgb", b"CMYK": "cmyk"}
# Input, display, output and colour space: those that say how a colour becomes device values.
_CLASSES = (b"scnr", b"mntr", b"prtr", b"spac")
# chosen: profiles of printers are 1 to 4 MB.
LARGEST_BYTES = 32_000_000
_TRIAL = np.linspace(0, 255, 8 * 8 * 3).astype(np.uint8).reshape(8, 8, 3)


@dataclass(frozen=True)
class Profile:
    """An output profile that was tried.

    Attributes:
        data: the whole file.
        space: "rgb" or "cmyk".
        name: of its file, for people.
        srgb: nothing has to be converted.
    """

    data: bytes
    space: str
    name: str
    srgb: bool = False

    @property
    def channels(self) -> int:
        return 4 if self.space == "cmyk" else 3

    def convert(self, pixels: Pixels, intent: str, black_point: bool) -> Pixels:
        """sRGB pixels in the colours of this profile.

        Args:
            pixels: (H, W, 3) uint8 or uint16, sRGB.
            intent: one of `INTENTS`.
            black_point: map the darkest colour of one onto that of the other.

        Returns:
            (H, W, 3 or 4), of the same type; of ink 0 is none and full is all.

        Raises:
            UserError: the profile is damaged in a part that only now was asked for.
        """
        if self.srgb:
            return pixels
        try:
            return converted(
                pixels,
                (srgb_profile(), "rgb"),
                (self.data, self.space),
                intent=intent,
                black_point=black_point,
            )
        except ProfileError as e:
            raise UserError(
                f"the colour profile {self.name} cannot be used for intent {intent} ({e}); choose "
                "another intent, or get the profile again from whoever made it"
            ) from e


@cache
def srgb() -> Profile:
    """What pictures are made in."""
    return Profile(srgb_profile(), "rgb", "sRGB", True)


def checked(data: bytes, name: str) -> Profile:
    """A profile of a file's bytes.

    Raises:
        UserError: no profile, not one for RGB or CMYK output, or a damaged one.
    """
    if len(data) < 132 or data[36:40] != b"acsp":
        raise UserError(f"{name} is no ICC profile; give the .icc or .icm file of paper or printer")
    kind, space = data[12:16], data[16:20]
    if kind not in _CLASSES or space not in SPACES:
        said = "".join(chr(c) for c in space if 32 < c < 127) or "unknown colours"
        raise UserError(
            f"the colour profile {name} is of class '{_plain(kind)}' for {said}; give the output "
            "profile of an RGB or CMYK printer"
        )
    try:
        found = opened(data)
        usable = any(
            ImageCms.isIntentSupported(found, ImageCms.Intent(i), ImageCms.Direction.OUTPUT) == 1
            for i in range(4)
        )
    except (ProfileError, *DAMAGE) as e:
        raise UserError(
            f"the colour profile {name} is damaged ({e}); get it again from whoever made it"
        ) from e
    if not usable:
        raise UserError(
            f"the colour profile {name} can only be read from, not printed to; give the output "
            "profile of the printer"
        )
    profile = Profile(data, SPACES[space], name)
    profile.convert(_TRIAL, "relative", True)
    return profile


def _plain(code: bytes) -> str:
    return "".join(chr(c) for c in code if 32 < c < 127)


@lru_cache(maxsize=4)
def _kept(path: Path, mark: tuple[int, int]) -> Profile:
    return checked(path.read_bytes(), path.name)


def read_profile(path: Path) -> Profile:
    """The profile in a file; read again only when the file changed.

    Raises:
        UserError: it cannot be read or used.
    """
    try:
        state = path.stat()
        if state.st_size > LARGEST_BYTES:
            raise UserError(f"{path.name} is far too large for an ICC profile; give the .icc file")
        return _kept(path, (state.st_mtime_ns, state.st_size))
    except OSError as e:
        raise UserError(
            f"the colour profile {path} cannot be opened ({e.strerror}); check name and place"
        ) from e
