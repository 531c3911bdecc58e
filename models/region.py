"""A turned square of a picture: cut out at a network's size, and its points brought back."""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from models.color import planes_to_rgb, turn
from models.planes import crop, unturned
from models.pyramid import pool
from models.upright import Upright


@dataclass(frozen=True)
class Region:
    """A square of a picture, which may reach beyond it.

    Attributes:
        x: its middle, in pixels of the picture; 0 is the left edge.
        y: likewise; 0 is the upper edge.
        side: its side in pixels.
        angle: how far it is turned clockwise, in radians.
        mirrored: seen in a mirror.
    """

    x: float
    y: float
    side: float
    angle: float = 0.0
    mirrored: bool = False

    def scaled(self, scale: float) -> Region:
        """The same square in a picture that is ``scale`` times as large."""
        return Region(self.x * scale, self.y * scale, self.side * scale, self.angle, self.mirrored)

    def moved(self, right: float, down: float) -> Region:
        """The same square counted from another origin."""
        return Region(self.x + right, self.y + down, self.side, self.angle, self.mirrored)

    def window(self, size: tuple[int, int]) -> tuple[slice, slice]:
        """Rows and columns of the picture that hold what of the square lies in it.

        Args:
            size: (H, W) of the picture.
        """
        reach = self.side / 2 * (abs(math.cos(self.angle)) + abs(math.sin(self.angle))) + 2
        spans = []
        for middle, have in ((self.y, size[0]), (self.x, size[1])):
            start = min(max(math.floor(middle - reach), 0), have)
            spans.append(slice(start, max(start, min(math.ceil(middle + reach), have))))
        return spans[0], spans[1]

    def to_picture(self, points: Tensor) -> Tensor:
        """Points of the square as points of the picture.

        Args:
            points: (N, 2) float, x and y in shares of the side, 0 at left and top.

        Returns:
            (N, 2) float, in pixels of the picture.
        """
        x, y = (points.float() - 0.5).unbind(-1)
        if self.mirrored:
            x = -x
        cos, sin = math.cos(self.angle) * self.side, math.sin(self.angle) * self.side
        return torch.stack([self.x + x * cos - y * sin, self.y + x * sin + y * cos], -1)

    def cut(self, picture: Tensor, side: int) -> Tensor:
        """The square at another size; black beyond the picture.

        Args:
            picture: (1, C, H, W) float.
            side: pixels a side.

        Returns:
            (1, C, side, side) float.
        """
        factor = max(1, int(self.side / side))
        rows, columns = self.window((picture.shape[-2], picture.shape[-1]))
        if rows.start == rows.stop or columns.start == columns.stop:
            return picture.new_zeros(1, picture.shape[1], side, side)
        # Averaged first: single samples of a finer picture would flicker.
        part = pool(picture[..., rows, columns], factor)
        at = (torch.arange(side) + 0.5) / side
        down, right = torch.meshgrid(at, at, indexing="ij")
        wanted = self.to_picture(torch.stack([right, down], -1).view(-1, 2))
        wanted -= torch.tensor([columns.start, rows.start])
        extent = torch.tensor([part.shape[-1] * factor, part.shape[-2] * factor])
        grid = (wanted / extent * 2 - 1).view(1, side, side, 2)
        return functional.grid_sample(part, grid, padding_mode="zeros", align_corners=False)

    def cut_frame(self, frame: Upright, side: int) -> Tensor:
        """The square out of a frame, of which no more is converted than is needed.

        Args:
            frame: on the CPU; the square is in pixels of it, upright.
            side: pixels a side.

        Returns:
            (1, 3, side, side) float in [0, 1], R'G'B' as the source encodes it.
        """
        rows, columns = self.window(frame.size)
        if rows.start == rows.stop or columns.start == columns.stop:
            return torch.zeros(1, 3, side, side)
        across = unturned(rows, columns, frame.size, frame.quarter_turns)
        planes, top, left = crop(frame.planes, *across)
        shown = turn(planes_to_rgb(planes, frame.encoding)[..., top, left], frame.quarter_turns)
        return self.moved(-columns.start, -rows.start).cut(shown, side)
