"""What a person painted into an opened-up document: the matte and the retouch."""

from __future__ import annotations

from dataclasses import dataclass

import torch
from torch import Tensor

from models.blend import Mode
from models.mapping import layer_matte
from stream.errors import UserError
from stream.opening.names import COLOUR, FRAME, MATTE, RETOUCH, read_subject_name
from stream.template.layers import Document, Layer, LayerGroup, walk
from stream.template.ora import read_ora


class DocumentError(UserError):
    """A document that comes back cannot be used."""


@dataclass(frozen=True)
class Returned:
    """One subject of a document that came back.

    Attributes:
        shot_id: whose.
        opening: which document of that shot it is.
        size: (H, W) of the canvas.
        matte: (H, W) float32 in [0, 1], as it is now.
        retouch: (4, H, W) uint8 or int32, straight sRGB-encoded; None where nothing is painted.
        ignored: names of layers beside and inside the subject that are not read back.
    """

    shot_id: str
    opening: str
    size: tuple[int, int]
    matte: Tensor
    retouch: Tensor | None
    ignored: tuple[str, ...]


def _on_canvas(layer: Layer, size: tuple[int, int]) -> Tensor:
    """(4, H, W) codes of a layer, empty where it does not reach: editors crop what they save."""
    pixels = layer.pixels()
    out = torch.zeros((4, *size), dtype=pixels.dtype)
    top, left = max(layer.y, 0), max(layer.x, 0)
    bottom = min(layer.y + pixels.shape[1], size[0])
    right = min(layer.x + pixels.shape[2], size[1])
    if bottom > top and right > left:
        out[:, top:bottom, left:right] = pixels[
            :, top - layer.y : bottom - layer.y, left - layer.x : right - layer.x
        ]
    return out


def _retouch(layer: Layer, size: tuple[int, int]) -> Tensor | None:
    codes = _on_canvas(layer, size)
    if layer.opacity < 1:
        codes[3] = (codes[3].float() * layer.opacity).round().to(codes.dtype)
    return codes if bool(codes[3].any()) else None


def _only(group: LayerGroup, name: str, file: str) -> Layer | None:
    found = [c for c in walk(group.children) if isinstance(c, Layer) and c.name.strip() == name]
    if len(found) > 1:
        raise DocumentError(
            f'{file}: the group "{group.name}" has {len(found)} layers called "{name}"; merge '
            "them into one of that name and save it again"
        )
    if found and (not found[0].visible or not group.visible):
        raise DocumentError(
            f'{file}: the layer "{name}" of "{group.name}" is hidden; show it, or erase what you '
            "do not want of it, and save it again"
        )
    return found[0] if found else None


def _inner(group: LayerGroup) -> LayerGroup | None:
    """The group that holds colour and matte."""
    for part in (group, *walk(group.children)):
        if isinstance(part, LayerGroup) and any(
            isinstance(c, Layer) and c.name.strip() == MATTE for c in part.children
        ):
            return part
    return None


def read_returned(data: bytes, file: str) -> tuple[Returned, ...]:
    """Read a document that comes back from an editor.

    Args:
        data: the file.
        file: its name, for messages.

    Raises:
        DocumentError: it is damaged, or no document that was opened up.
    """
    problems: list[str] = []
    document = read_ora(data, file, problems)
    if document is None:
        raise DocumentError(f"{'; '.join(problems)}.")
    return tuple(_subjects(document, file))


def _subjects(document: Document, file: str) -> list[Returned]:
    found: list[Returned] = []
    for part in walk(document.layers):
        told = read_subject_name(part.name)
        if told is None:
            continue
        if not isinstance(part, LayerGroup):
            raise DocumentError(
                f'{file}: "{part.name}" is one layer now and was a group; undo the merging, so '
                "that its matte can be read, and save it again"
            )
        if any((r.shot_id, r.opening) == told for r in found):
            raise DocumentError(
                f'{file}: there are two groups called "{part.name}"; delete the one that does not '
                "count and save it again"
            )
        inner = _inner(part)
        matte = None if inner is None else _only(inner, MATTE, file)
        if inner is None or matte is None:
            raise DocumentError(
                f'{file}: the group "{part.name}" has no layer called "{MATTE}"; give the painted '
                "matte that name again, inside that group, and save it as OpenRaster"
            )
        retouch = _only(part, RETOUCH, file)
        known = {COLOUR, MATTE, RETOUCH, FRAME}
        extra = [
            c.name
            for c in walk(part.children)
            if isinstance(c, Layer) and c.visible and c.name.strip() not in known
        ]
        if retouch is not None and retouch.mode is not Mode.NORMAL:
            extra.append(f"{RETOUCH}'s way of blending")
        found.append(
            Returned(
                *told,
                size=document.size,
                matte=layer_matte(_on_canvas(matte, document.size), matte.opacity),
                retouch=None if retouch is None else _retouch(retouch, document.size),
                ignored=tuple(extra),
            )
        )
    if not found:
        raise DocumentError(
            f"{file}: is not a document that 'posewall open-up' wrote, or its groups were renamed; "
            "give one whose subject's group still has its name"
        )
    return found
