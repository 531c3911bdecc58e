"""Bring a layer's colours from its embedded ICC profile to sRGB, at the depth that they have.

Through Pillow for 8 bit a channel, and through `stream.color_profile` for 16. Intent: relative
colorimetric with black-point compensation, since a layer is to look on the print as its designer
saw it, and no layer's white may turn yellow.

Source: ICC.1:2022 for what a profile is; the transform is the library's.
"""

from __future__ import annotations

import functools

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from stream.color_profile import DAMAGE, ProfileError, converted, opened, srgb_profile

INTENT = ImageCms.Intent.RELATIVE_COLORIMETRIC
FLAGS = ImageCms.Flags.BLACKPOINTCOMPENSATION
# A profile that moves none of the sampled colours by more than this many 8 bit codes is sRGB.
SAME = 1


def _opened(profile: bytes) -> tuple[ImageCms.ImageCmsProfile, str]:
    try:
        found = opened(profile)
        space = found.profile.xcolor_space.strip()
    except (ProfileError, *DAMAGE) as e:
        raise ProfileError("it is damaged") from e
    if space not in ("RGB", "GRAY"):
        raise ProfileError(f"it is for {space} colours")
    return found, "L" if space == "GRAY" else "RGB"


class ToSrgb:
    """The way from one profile to sRGB.

    Attributes:
        mode: "RGB", or "L" for a grey profile: what the profile describes.
        changes: False where the profile is sRGB's own, so that nothing has to be done.
    """

    def __init__(self, profile: bytes) -> None:
        """Read a profile.

        Raises:
            ProfileError: damaged, or for colours that no PNG has.
        """
        self._profile = profile
        found, self.mode = _opened(profile)
        try:
            self._transform = ImageCms.buildTransform(
                found,
                ImageCms.createProfile("sRGB"),
                self.mode,
                "RGB",
                renderingIntent=INTENT,
                flags=FLAGS,
            )
        except DAMAGE as e:
            raise ProfileError(f"it leads nowhere ({e})") from e
        self.changes = self._differs()

    def _differs(self) -> bool:
        # By its effect and not by its name: a linear profile may be called sRGB, too.
        steps = np.linspace(0, 255, 9).round().astype(np.uint8)
        red, green, blue = np.meshgrid(steps, steps, steps)
        cube = np.ascontiguousarray(np.stack([red, green, blue], -1).reshape(9, 81, 3))
        colors = Image.fromarray(cube).convert(self.mode)
        there = np.asarray(self.eight(colors)).astype(np.int16)
        return bool(np.abs(there - np.asarray(colors.convert("RGB"))).max() > SAME)

    def eight(self, image: Image.Image) -> Image.Image:
        """An image of `mode` as sRGB, 8 bit a channel."""
        done = ImageCms.applyTransform(image, self._transform)
        if done is None:
            raise ProfileError("it could not be applied")
        return done

    def sixteen(self, pixels: NDArray[np.uint16]) -> NDArray[np.uint16]:
        """Pixels as sRGB at 16 bit.

        Args:
            pixels: (H, W, 3) R, G, B, or (H, W, 1) for a grey profile.

        Returns:
            (H, W, 3) R, G, B.
        """
        # chosen: with the library's precomputed table instead, dark channels beside bright ones are
        # off by up to 2.9 of 255 (Display P3, 17 steps a channel), without it by .22, no slower.
        space = "rgb" if self.mode == "RGB" else "gray"
        try:
            done = converted(pixels, (self._profile, space), (srgb_profile(), "rgb"), exact=True)
        except ProfileError as e:
            raise ProfileError(f"it leads nowhere ({e})") from e
        return done.astype(np.uint16, copy=False)


@functools.lru_cache(maxsize=16)
def to_srgb(profile: bytes) -> ToSrgb:
    """The way from a profile to sRGB; kept, since the layers of a document mostly share one."""
    return ToSrgb(profile)
