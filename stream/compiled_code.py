"""Where compiled kernels are kept between runs: in the user's cache, a folder for each version.

The folder is named by all source that may have been compiled into them, and by what compiled it.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sys
import time
from importlib.metadata import version
from pathlib import Path

import models

_KEPT = "kernels-"
_OLD_S = 30 * 24 * 3600.0


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

    Folders of other versions go when they have not been used for a month. A folder that the user
    chose by the libraries' own variables stays chosen; where no folder can be made, they look for
    a place by themselves.
    """
    here = folder()
    try:
        here.mkdir(parents=True, exist_ok=True)
        os.utime(here)
        for other in here.parent.glob(f"{_KEPT}*"):
            if other != here and time.time() - other.stat().st_mtime > _OLD_S:
                shutil.rmtree(other, ignore_errors=True)
    except OSError:
        return
    os.environ.setdefault("NUMBA_CACHE_DIR", str(here))
    os.environ.setdefault("TRITON_CACHE_DIR", str(here / "triton"))
