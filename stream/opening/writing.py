"""`open_up`: a shot's picture as one document in which its matte can be painted."""

from __future__ import annotations

import uuid
from pathlib import Path

import numpy as np
import torch
from PIL import Image
from torch import Tensor

from models.keyer import Placed
from models.mapping import as_layers, frame_in_picture, painted_over, straight_codes
from models.upright import Upright
from stream.batch.render import Renderer, text_fields
from stream.durable import storing
from stream.errors import UserError
from stream.event import Event
from stream.opening.document import document_layers, subject_group
from stream.opening.names import subject_name
from stream.opening.openings import Opening, Paper, keep_opening
from stream.shot import Shot, Wanted, load_shot
from stream.template import OraGroup, write_ora

PACK = 1  # chosen: 8x10 in seconds instead of half a minute, for a third more bytes


def _whole(part: Tensor, rows: slice, columns: slice, size: tuple[int, int]) -> Tensor:
    out = part.new_zeros(1, part.shape[1], *size)
    out[..., rows, columns] = part
    return out


def wanted_picture(shot: Shot, template: str | None) -> Wanted:
    """The picture of a shot that is meant.

    Raises:
        UserError: the shot has none by that template.
    """
    if template is None:
        return shot.wanted[0]
    for wanted in shot.wanted:
        if wanted.template == template:
            return wanted
    there = ", ".join(dict.fromkeys(w.template for w in shot.wanted))
    raise UserError(
        f"shot {shot.number:04d} has no picture by the template '{template}'; it has {there}."
    )


def open_up(event: Event, shot: Shot, out: Path, template: str | None = None) -> tuple[str, ...]:
    """Write a picture of a shot as an OpenRaster document.

    Args:
        event: the event.
        shot: the shot.
        out: the new document; its name ends in ``.ora``.
        template: which of its pictures; None for the one that people posed for.

    Returns:
        What to know of the picture, a sentence each.

    Raises:
        UserError: the document is there already, a file of the shot cannot be used, or the disk
            did not take it.
    """
    if out.suffix.lower() != ".ora":
        raise UserError(f"{out} is no name of an OpenRaster document; let it end in .ora.")
    if out.exists():
        raise UserError(f"{out} is there already and is left as it is; choose another name.")
    if not out.parent.is_dir():
        raise UserError(f"there is no folder {out.parent}; make it first or choose another.")
    wanted = wanted_picture(shot, template)
    beside = [load_shot(event, b) for b in shot.beside]
    fields = text_fields(event, shot, *beside)
    renderer = Renderer(event)
    staged = renderer.staged(shot, beside, wanted, fields)
    subjects: list[OraGroup | None] = []
    out = out.resolve()
    with storing(f"the document {out.name}", out.parent):
        for stand in staged.stands:
            if stand is None:
                subjects.append(None)
                continue
            subjects.append(_subject(event, renderer, shot, *stand, staged.made.size, out))
        done = renderer.lay(shot, staged)
        layers = document_layers(staged.template, staged.made.size, fields, subjects)
        merged = Image.fromarray(np.ascontiguousarray(done.picture.cpu().numpy()))
        write_ora(out, staged.made.size, layers, round(staged.template.ppi), merged, PACK)
    return tuple(dict.fromkeys(staged.notes))


def _subject(
    event: Event,
    renderer: Renderer,
    main: Shot,
    shot: Shot,
    placed: Placed,
    size: tuple[int, int],
    out: Path,
) -> OraGroup:
    frame = renderer.frame(shot)
    upright = Upright(frame.planes, frame.encoding, frame.quarter_turns)
    frame_pm = frame_in_picture(upright, placed.placement, size)
    subject_pm = torch.zeros(1, 4, *size)
    if placed.subject_pm is not None:
        subject_pm = _whole(placed.subject_pm.cpu(), placed.rows, placed.columns, size)
    colour, matte = as_layers(subject_pm, frame_pm)
    shade = None
    if placed.shade is not None:
        left = torch.ones(size)
        left[placed.shade.rows, placed.shade.columns] = placed.shade.left[0, 0].cpu()
        shade = left.mul(255).round().to(torch.uint8)
    paper = Paper(size, frame.upright_size, placed.placement)
    opening = Opening(
        uuid.uuid4().hex[:8],
        out,
        main.id,
        (shot.frame, shot.sha256 or ""),
        frame.quarter_turns,
        (shot.matte, shot.matte_turns),
        paper,
        shot.retouch,
    )
    retouch = _earlier_retouch(renderer, shot, paper)
    keep_opening(event, shot.id, opening, matte, retouch)
    return subject_group(
        subject_name(shot.id, opening.name),
        colour,
        matte,
        straight_codes(frame_pm),
        retouch,
        shade,
    )


def _earlier_retouch(renderer: Renderer, shot: Shot, paper: Paper) -> Tensor | None:
    """What was painted over the subject before, at its place in this picture."""
    found = renderer.retouch(shot)
    if found is None:
        return None
    codes, was = found
    step = painted_over(codes, was.placement, paper.placement, paper.size, paper.frame_size[1])
    assert step.rgb_enc is not None
    assert step.alpha is not None
    both = torch.cat([step.rgb_enc, step.alpha], 1)[0]
    return both.mul(255).round().to(torch.uint8)
