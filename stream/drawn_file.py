"""A picture that a command draws for people to look at: where it may go, and how it gets there."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

from PIL import Image

from stream.durable import renamed_to, storing, write_synced
from stream.errors import UserError


def drawn_target(
    target: Path, what: str, ending: str, never: Sequence[tuple[Path, str]] = ()
) -> Path:
    """Where a drawn picture may go; over nothing but an earlier one.

    Args:
        target: what is wanted.
        what: it is, for messages.
        ending: of names that may be replaced.
        never: files that exist and must not be written over, and what each is.

    Raises:
        UserError: it cannot go there.
    """
    if target.suffix.lower() not in (".jpg", ".jpeg", ".png"):
        raise UserError(f"{target}: the {what} is a JPEG or PNG; give --out a name ending in .jpg")
    if target.is_dir() or not target.parent.is_dir():
        raise UserError(f"{target}: it cannot go there; give --out a file name in a folder that is")
    if not target.exists():
        return target
    for path, said in never:
        if target.samefile(path):
            raise UserError(f"{target}: this is {said}; give --out another name")
    if not target.name.lower().endswith(ending):
        raise UserError(
            f"{target}: this file is there already; give --out a new name, or one that ends in "
            f"{ending}, which may be replaced"
        )
    return target


def save_drawn(sheet: Image.Image, target: Path, what: str) -> None:
    """Write a drawn picture, whole or not at all.

    Raises:
        StorageError: the disk did not take it.
    """
    data = io.BytesIO()
    if target.suffix.lower() == ".png":
        sheet.save(data, "PNG")
    else:
        sheet.save(data, "JPEG", quality=92, subsampling=0)
    with storing(f"the {what} {target.name}", target.parent), renamed_to(target) as partial:
        write_synced(partial, data.getvalue())
