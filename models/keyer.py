"""Keyer: planes in; matte, foreground and finished picture out. Live and final grade are one.

A frame is analysed small (the screen's colour, the subject's colour and core change slowly), then
every pixel that is neither surely screen nor surely subject is solved at full size.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from enum import Enum
from typing import Any

import torch
from torch import Tensor

from models import matte, screen
from models.color import (
    Encoding,
    Planes,
    crop,
    planes_to_rgb,
    pooled_planes,
    to_codes,
    turn,
    unturned,
)
from models.composite import Scene, apply_overlays, over
from models.despill import despill, unmix
from models.errors import PosewallError, ShapeError
from models.pyramid import enlarge_part, soften
from models.resample import Placement, place, resize, visible
from models.screen import Hue, Screen
from models.transfer import Transfer, decode, encode


class Grade(Enum):
    """How much work a picture gets: ``LIVE`` is a subset of ``FINAL``."""

    LIVE = "live"
    FINAL = "final"


_ANALYSIS_SIDE = {Grade.LIVE: 320, Grade.FINAL: 1280}
"""chosen: longest side of the analysis in pixels; finer was no better on rendered scenes."""
_FOLLOW = {Grade.LIVE: 6, Grade.FINAL: 24}
_ROUNDS = {Grade.LIVE: 1, Grade.FINAL: 2}

_MISFIT_STOPS = 0.35
"""chosen: a plate moved by a few pixels or brighter by .15 stop stays under .05 on rendered
scenes; a plate of another screen or a turned one lies above .4."""


@dataclass(frozen=True)
class KeySettings:
    """What a person may set; the defaults suit an ordinary screen.

    Attributes:
        screen: "auto", "green" or "blue".
        clip_black: alpha up to here counts as bare screen; raised by itself with noise.
        clip_white: alpha from here on counts as solid.
        despill: 0 leaves the screen's light on the subject, 1 takes all of it away.
    """

    screen: str = "auto"
    clip_black: float = 0.02
    clip_white: float = 0.98
    despill: float = 1.0

    def __post_init__(self) -> None:
        if self.screen not in ("auto", "green", "blue"):
            raise PosewallError(
                f'key settings: screen is "{self.screen}"; it must be auto, green or blue'
            )
        if not 0 <= self.clip_black < self.clip_white <= 1 or not 0 <= self.despill <= 1:
            raise PosewallError(
                f"key settings: clip_black {self.clip_black}, clip_white {self.clip_white}, "
                f"despill {self.despill}; they must lie between 0 and 1, black below white"
            )

    def to_json(self) -> dict[str, Any]:
        """Plain values, readable in a file."""
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict[str, Any]) -> KeySettings:
        """The reverse of `to_json`; settings left out keep their defaults."""
        known = {f.name for f in fields(cls)}
        if unknown := sorted(set(data) - known):
            raise PosewallError(
                f"key settings: got {', '.join(unknown)}; known are {', '.join(sorted(known))}"
            )
        return cls(**data)


@dataclass(frozen=True)
class Cut:
    """A subject cut out of its frame, upright.

    Attributes:
        alpha: (1, 1, H, W) float32, coverage.
        fg: (1, 3, H, W) float32, linear Rec.709, straight, despilled.
        screen_found: False where the frame shows no screen: then everything is subject.
        plate_fits: None without a plate; False where the plate is not of this screen, and the
            frame was keyed from itself alone.
    """

    alpha: Tensor
    fg: Tensor
    screen_found: bool
    plate_fits: bool | None


@dataclass(frozen=True)
class Composite:
    """A finished picture.

    Attributes:
        picture: (H, W, 3) uint8, sRGB.
        alpha: (1, 1, H, W) float32, coverage of the subject in the picture.
        screen_found: as in `Cut`.
        plate_fits: as in `Cut`.
    """

    picture: Tensor
    alpha: Tensor
    screen_found: bool
    plate_fits: bool | None


class _Upright:
    """A frame on the device, converted only where it is looked at."""

    def __init__(self, planes: Planes, encoding: Encoding, quarter_turns: int) -> None:
        self._planes, self._encoding, self._turns = planes, encoding, quarter_turns % 4
        height, width = planes[0].shape
        self.size = (width, height) if self._turns % 2 else (height, width)

    def linear(self, rows: slice, columns: slice) -> Tensor:
        """A window at full size: (1, 3, rows, columns), linear Rec.709."""
        across = unturned(rows, columns, self.size, self._turns)
        planes, top, left = crop(self._planes, *across)
        encoded = planes_to_rgb(planes, self._encoding)[..., top, left]
        return turn(decode(encoded, self._encoding.transfer), self._turns)

    def reduced(self, factor: int) -> Tensor:
        """The whole frame pooled: (1, 3, ceil(H / factor), ceil(W / factor)), linear Rec.709.

        Pooled before it is decoded: the analysis looks for flat places, where that is the same.
        """
        planes = self._planes
        if factor > 1:
            planes = pooled_planes(planes, factor)
        encoded = planes_to_rgb(planes, self._encoding)
        return turn(decode(encoded, self._encoding.transfer), self._turns)


@dataclass(frozen=True)
class _Known:
    """What the analysis of a whole frame told."""

    bare: Screen | None
    subject: matte.Subject | None
    plate_fits: bool | None


class Keyer:
    """Cuts subjects out and lays them into pictures; keeps a clean plate between frames.

    One Keyer serves one source. It is not for several threads at once.
    """

    def __init__(
        self,
        grade: Grade = Grade.FINAL,
        settings: KeySettings | None = None,
        device: str | torch.device = "cpu",
    ) -> None:
        self.grade = grade
        self.settings = settings or KeySettings()
        self.device = torch.device(device)
        self._plate: _Upright | None = None
        self._plate_small: Tensor | None = None

    def set_plate(
        self, planes: Planes | None, encoding: Encoding | None = None, quarter_turns: int = 0
    ) -> None:
        """Keep the picture of the bare screen, or drop it.

        Args:
            planes: three (H, W) integer tensors as in `cut`; None drops the plate.
            encoding: how to read them.
            quarter_turns: clockwise turns that make the plate upright.
        """
        self._plate = self._plate_small = None
        if planes is not None:
            self._plate = self._upload(planes, encoding or Encoding(), quarter_turns)

    def cut(self, planes: Planes, encoding: Encoding, quarter_turns: int = 0) -> Cut:
        """Cut the subject out of a frame at full size.

        Args:
            planes: three (H, W) integer tensors: Y', Cb, Cr (chroma full or half) or R', G', B'.
            encoding: how to read them.
            quarter_turns: clockwise turns that make the frame upright.

        Raises:
            ShapeError: planes that do not belong together, or a plate of another size.
        """
        frame = self._upload(planes, encoding, quarter_turns)
        known = self._analyse(frame)
        everywhere = slice(0, frame.size[0]), slice(0, frame.size[1])
        return self._cut(frame.linear(*everywhere), known, frame.size, *everywhere)

    def composite(
        self,
        planes: Planes,
        encoding: Encoding,
        quarter_turns: int,
        scene: Scene,
        placement: Placement,
    ) -> Composite:
        """Lay the subject of a frame into a template.

        A frame that gets smaller is scaled before it is keyed: mixing is linear, so the matte of
        the smaller frame is as exact, and less noisy.

        Args:
            planes, encoding, quarter_turns: as in `cut`.
            scene: the template at the picture's size, on this Keyer's device.
            placement: where the upright frame lies in the picture.

        Raises:
            ShapeError: as in `cut`.
        """
        frame = self._upload(planes, encoding, quarter_turns)
        known = self._analyse(frame)
        seen = visible(frame.size, placement, scene.size)
        rows, columns, part = seen or (slice(0, 1), slice(0, 1), placement)
        rgb = frame.linear(rows, columns)
        size = frame.size
        if part.scale < 1:
            # The window of the scaled frame, in whole pixels of it.
            size = (max(1, round(size[0] * part.scale)), max(1, round(size[1] * part.scale)))
            top, left = round(rows.start * part.scale), round(columns.start * part.scale)
            height = max(1, min(round(rgb.shape[-2] * part.scale), size[0] - top))
            width = max(1, min(round(rgb.shape[-1] * part.scale), size[1] - left))
            rgb = resize(rgb, (height, width))
            rows, columns = slice(top, top + height), slice(left, left + width)
            part = Placement(1.0, float(round(part.dx)), float(round(part.dy)), part.mirror)
        cut = self._cut(rgb, known, size, rows, columns)
        whole = torch.cat([cut.fg * cut.alpha, cut.alpha], 1)
        laid = place(whole, part, scene.size, smooth=self.grade is Grade.FINAL)
        alpha = laid[:, 3:4].clamp_(0, 1)
        picture = encode(over(laid[:, 0:3].clamp_min_(0), alpha, scene.below), Transfer.SRGB)
        picture = apply_overlays(picture, scene.overlays)
        return Composite(to_codes(picture, 8), alpha, cut.screen_found, cut.plate_fits)

    def _upload(self, planes: Planes, encoding: Encoding, quarter_turns: int) -> _Upright:
        y, cb, cr = (p.to(self.device, non_blocking=True) for p in planes)
        return _Upright((y, cb, cr), encoding, quarter_turns)

    def _plate_at(self, size: tuple[int, int], frame_size: tuple[int, int]) -> Tensor | None:
        """The plate scaled to the analysis, made once per size."""
        if self._plate is None:
            return None
        have = self._plate.size
        if have != frame_size:
            raise ShapeError(
                f"clean plate: it is {have[1]}x{have[0]} and the frame is "
                f"{frame_size[1]}x{frame_size[0]} (width x height, upright); take a new plate "
                "with this camera standing as it does now"
            )
        if self._plate_small is None or self._plate_small.shape[-2:] != size:
            self._plate_small = soften(soften(self._plate.reduced(self._factor(have))))
        return self._plate_small

    def _factor(self, size: tuple[int, int]) -> int:
        return max(1, round(max(size) / _ANALYSIS_SIDE[self.grade]))

    def _analyse(self, frame: _Upright) -> _Known:
        """What the whole frame tells of its screen and its subject."""
        small = frame.reduced(self._factor(frame.size))
        plate = self._plate_at((small.shape[-2], small.shape[-1]), frame.size)
        wanted = None if self.settings.screen == "auto" else Hue[self.settings.screen.upper()]
        found = screen.find(small, wanted)
        if found is None:
            return _Known(None, None, None)
        hue, color = found
        fits = None if plate is None else screen.plate_misfit(small, plate, hue) < _MISFIT_STOPS
        guess = plate if plate is not None and fits else color
        bare = screen.fit(small, guess, hue, from_plate=bool(fits))
        final = self.grade is Grade.FINAL
        subject = matte.find_subject(small, bare, _FOLLOW[self.grade], close=final)
        return _Known(bare, subject, fits)

    def _cut(
        self, shown: Tensor, known: _Known, size: tuple[int, int], rows: slice, columns: slice
    ) -> Cut:
        """Solve a window of a frame of ``size`` by what the whole frame told."""
        bare, subject = known.bare, known.subject
        if bare is None or subject is None:
            return Cut(torch.ones_like(shown[:, 0:1]), shown.clone(), False, known.plate_fits)
        small = torch.cat([bare.color, subject.color, subject.core, bare.sure, subject.own_key], 1)
        wide = enlarge_part(small, rows, columns, size)
        back, front, core, sure = wide[:, 0:3], wide[:, 3:6], wide[:, 6:7], wide[:, 7:8]
        own_key = wide[:, 8:9]
        rough = matte.normalised_difference(shown, back, bare.hue)
        black = self._black(rough, sure)
        alpha, fg = self._solve(shown, back, front, core, rough, bare.hue, black)
        fg = despill(fg, back, own_key, bare.hue, self.settings.despill)
        return Cut(alpha, fg, True, known.plate_fits)

    def _black(self, rough: Tensor, sure: Tensor) -> Tensor:
        """Where alpha begins: above the noise that the bare screen shows."""
        seen = sure.sum().clamp_min(1)
        noise = ((rough.square() * sure).sum() / seen).sqrt()
        # chosen: three deviations; a fifth at the most, or hair would go with the noise.
        return (3 * noise).clamp(self.settings.clip_black, 0.2)

    def _solve(
        self,
        rgb: Tensor,
        back: Tensor,
        front: Tensor,
        core: Tensor,
        rough: Tensor,
        hue: Hue,
        black: Tensor,
    ) -> tuple[Tensor, Tensor]:
        """Alpha and unmixed foreground of pixels whose two colours are known."""
        # The core was found small: a pixel that is plainly screen by itself is not forced.
        core = matte.step(core, 0.2, 0.9) * matte.step(rough, 0.1, 0.3)
        undecided = (core < 1) & (rough > black * 0.5)
        alpha, fg = core.clone(), rgb.clone()
        if self.device.type == "cpu":
            # Few pixels are undecided: on a CPU gathering them costs less than solving all.
            index = undecided.flatten().nonzero().flatten()
            pixels, behind, before = (x.flatten(2)[..., index] for x in (rgb, back, front))
            solved = matte.solve(pixels, behind, before, hue, _ROUNDS[self.grade])
            alpha.view(-1)[index] = torch.maximum(solved[0, 0], core.view(-1)[index])
            fg.view(1, 3, -1)[..., index] = unmix(pixels, solved, behind, before)
        else:
            solved = matte.solve(rgb, back, front, hue, _ROUNDS[self.grade])
            alpha = torch.where(undecided, torch.maximum(solved, core), alpha)
            fg = torch.where(undecided, unmix(rgb, solved, back, front), fg)
        white = max(self.settings.clip_white, self.settings.clip_black + 0.01)
        alpha = ((alpha - black) / (white - black)).clamp_(0, 1)
        return alpha, fg
