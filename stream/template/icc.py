"""Bring a layer's colours from its embedded ICC profile to sRGB, at the depth that they have.

Little CMS does the work: through Pillow for 8 bit a channel, and through imagecodecs for 16 bit,
which Pillow would cut to 8. Intent: relative colorimetric with black-point compensation, since a
layer is to look on the print as its designer saw it, and no layer's white may turn yellow.

Source: ICC.1:2022 for what a profile is; the transform is the library's.
"""

from __future__ import annotations

import functools
import io

import imagecodecs
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

INTENT = ImageCms.Intent.RELATIVE_COLORIMETRIC
FLAGS = ImageCms.Flags.BLACKPOINTCOMPENSATION
# A profile that moves none of the sampled colours by more than this many 8 bit codes is sRGB.
SAME = 1


class ProfileError(Exception):
    """A profile that cannot be used, and why."""


def _opened(profile: bytes) -> tuple[ImageCms.ImageCmsProfile, str]:
    try:
        opened = ImageCms.ImageCmsProfile(io.BytesIO(profile))
        space = opened.profile.xcolor_space.strip()
    except (OSError, ImageCms.PyCMSError, ValueError) as e:
        raise ProfileError("it is damaged") from e
    if space not in ("RGB", "GRAY"):
        raise ProfileError(f"it is for {space} colours")
    return opened, "L" if space == "GRAY" else "RGB"


@functools.lru_cache(maxsize=4)
def srgb_profile() -> bytes:
    """The sRGB profile (IEC 61966-2-1) as a file's content."""
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()


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
        opened, self.mode = _opened(profile)
        try:
            self._transform = ImageCms.buildTransform(
                opened,
                ImageCms.createProfile("sRGB"),
                self.mode,
                "RGB",
                renderingIntent=INTENT,
                flags=FLAGS,
            )
        except (OSError, ImageCms.PyCMSError, ValueError) as e:
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
        try:
            done: NDArray[np.uint16] = imagecodecs.cms_transform(
                np.ascontiguousarray(pixels),
                self._profile,
                srgb_profile(),
                colorspace="rgb" if self.mode == "RGB" else "gray",
                outcolorspace="rgb",
                outdtype="uint16",
                intent=int(INTENT),
                flags=int(FLAGS | ImageCms.Flags.NOOPTIMIZE),
            )
        except (RuntimeError, ValueError, TypeError) as e:
            raise ProfileError(f"it leads nowhere ({e})") from e
        return done


@functools.lru_cache(maxsize=16)
def to_srgb(profile: bytes) -> ToSrgb:
    """The way from a profile to sRGB; kept, since the layers of a document mostly share one."""
    return ToSrgb(profile)
