"""Where compiled kernels are kept between runs: in the user's cache, a folder for each version.

The folder is named by all source that may have been compiled into them, and by what compiled it.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
import time
import uuid
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path

import models

_KEPT, _GOING = "kernels-", "going-"
_OLD_S = 30 * 24 * 3600.0
# chosen: a version or two to go back to, and a copy of the program beside; each takes 5 to 30 MB.
_MOST = 4
# chosen: longer than an evening. A program reads all its kernels when it begins, and says then that
# it uses its folder, so that nobody is at work in one that is older.
_IN_USE_S = 12 * 3600.0


def folder() -> Path:
    """The folder of this version; it need not exist yet."""
    digest = hashlib.sha256(version("numba").encode())
    for path in sorted(Path(models.__file__).parent.rglob("*.py")):
        digest.update(path.read_bytes())
    if sys.platform == "win32":
        root = Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local"))
    elif sys.platform == "darwin":
        root = Path.home() / "Library" / "Caches"
    else:
        root = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    return root / "posewall" / f"{_KEPT}{digest.hexdigest()[:16]}"


def keep() -> None:
    """Have numba and Triton keep what they compile; call it before either is imported.

    Folders of other versions go when they have not been used for a month, or sooner where there are
    many. A folder that the user chose by the libraries' own variables stays chosen; where no folder
    can be made, they look for a place by themselves.
    """
    here = folder()
    try:
        here.mkdir(parents=True, exist_ok=True)
        os.utime(here)
    except OSError:
        return
    _clear(here)
    os.environ.setdefault("NUMBA_CACHE_DIR", str(here))
    os.environ.setdefault("TRITON_CACHE_DIR", str(here / "triton"))


def _clear(here: Path) -> None:
    """Remove folders of other versions that nobody needs; leave what cannot be removed."""
    now = time.time()
    others = []
    for other in here.parent.glob(f"{_KEPT}*"):
        with suppress(OSError):  # another program clears as well
            if other != here:
                others.append((now - other.stat().st_mtime, other))
    for place, (age_s, other) in enumerate(sorted(others), 1):
        if age_s > (_OLD_S if place < _MOST else _IN_USE_S):
            # Renamed first: who begins meanwhile finds none, and not half of one.
            with suppress(OSError):
                other.rename(other.with_name(f"{_GOING}{uuid.uuid4().hex}"))
    for going in here.parent.glob(f"{_GOING}*"):
        shutil.rmtree(going, ignore_errors=True)
