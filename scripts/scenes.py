"""A folder of scenes with known truth: its own loader and scorer, checked for their form.

Such a folder holds ``load.py`` (stills and clips with true alpha and foreground, and the versions
that a camera would give of them), ``score.py`` (the figures) and the scenes under ``data``.
"""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

from stream.errors import UserError

FORM = "a folder of scenes with load.py, score.py and data/stills"
NEEDED = {
    "score": ("score", "dtssd", "srgb_dec"),
    "load": ("VARIANTS", "stills", "still", "variant", "plate", "videos", "video"),
}
CODED = "shot_h264_"


@dataclass(frozen=True)
class Scenes:
    """The folder, and its two modules."""

    folder: Path
    load: ModuleType
    score: ModuleType

    def clip(self, name: str, coded: str) -> Path:
        """The file of a clip as it was coded."""
        return self.folder / "data" / "video" / name / f"{CODED}{coded}.mp4"

    def codings(self) -> list[str]:
        """How the clips were coded: crf10, crf23."""
        found = (self.folder / "data" / "video").glob(f"*/{CODED}*.mp4")
        return sorted({p.stem.removeprefix(CODED) for p in found})


def _module(folder: Path, name: str) -> ModuleType:
    path = folder / f"{name}.py"
    if not path.is_file():
        raise UserError(f"{folder}: there is no {name}.py in it; DATA must name {FORM}")
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise UserError(f"{path}: this is no Python file that can be loaded; DATA must name {FORM}")
    module = importlib.util.module_from_spec(spec)
    # load.py imports score.py by its bare name.
    sys.modules[name] = module
    try:
        spec.loader.exec_module(module)
    except Exception as e:
        raise UserError(
            f"{path}: it could not be loaded ({type(e).__name__}: {e}); mend it, or name another "
            "folder with DATA"
        ) from e
    lacking = [x for x in NEEDED[name] if not hasattr(module, x)]
    if lacking:
        raise UserError(f"{path}: it lacks {', '.join(lacking)}; DATA must name {FORM}")
    return module


def open_scenes(folder: Path) -> Scenes:
    """Load a folder's loader and scorer.

    Raises:
        UserError: the folder is not there, or not of the form.
    """
    if not folder.is_dir():
        raise UserError(f"{folder}: there is no such folder; DATA must name {FORM}")
    folder = folder.resolve()
    score = _module(folder, "score")
    scenes = Scenes(folder, _module(folder, "load"), score)
    if not scenes.load.stills():
        raise UserError(f"{folder}: there are no scenes in data/stills; DATA must name {FORM}")
    return scenes
