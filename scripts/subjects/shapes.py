"""Shapes that things are made of: turned solids, strands, sheets; and how things move.

Objects are Blender's, typed Any.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from scripts.subjects.chance import Array, Chance
from scripts.subjects.renderer import Renderer

# Rows and columns of vertices of a hanging sheet.
SHEET = (120, 160)


def turned(draw: Renderer, chance: Chance, most: float = 35) -> Array:
    """A random rotation, (3, 3); at most ``most`` degrees about z and y, less about x."""
    rot = draw.human.rot
    about_z = rot("z", chance.between(-most, most))
    about_y = rot("y", chance.between(-most, most))
    out: Array = about_z @ about_y @ rot("x", chance.between(-most * 0.6, most * 0.6))
    return out


def revolved(profile: ArrayLike, sides: int = 72, deep: float = 1) -> tuple[Array, list[list[int]]]:
    """A profile turned about z.

    Args:
        profile: (n, 2) radius and height.
        sides: how many vertices go round.
        deep: the radius along y over that along x.

    Returns:
        (n * sides, 3) vertices, ring by ring, and faces of four.
    """
    rings = np.asarray(profile, float)
    angle = np.linspace(0, 2 * np.pi, sides + 1)[:-1]
    radius = rings[:, :1]
    x, y = radius * np.cos(angle), radius * deep * np.sin(angle)
    z = np.broadcast_to(rings[:, 1:], x.shape)
    faces = [
        [i * sides + j, i * sides + k, (i + 1) * sides + k, (i + 1) * sides + j]
        for i in range(len(rings) - 1)
        for j, k in zip(range(sides), [*range(1, sides), 0], strict=True)
    ]
    return np.stack([x, y, z], -1).reshape(-1, 3), faces


def lathe(
    draw: Renderer,
    name: str,
    profile: ArrayLike,
    at: ArrayLike,
    material: Any,
    turn: Array | None = None,
    deep: float = 1,
) -> Any:
    """An object of a profile turned about z (`revolved`), turned by ``turn`` and put at ``at``."""
    vertices, faces = revolved(profile, deep=deep)
    vertices = (vertices if turn is None else vertices @ turn.T) + np.asarray(at)
    return draw.scene.mesh(name, vertices, faces, material)


def line(
    draw: Renderer, name: str, points: ArrayLike, material: Any, start: float, end: float = 0
) -> Any:
    """A round line through (n, 3) points; its radius at both ends (``end`` 0: as at the start)."""
    path = np.asarray(points, float)[None]
    return draw.scene.curves(name, path, material, start, end or start)


def strands(
    generator: np.random.Generator,
    roots: Array,
    directions: Array,
    length: float,
    gravity: float = 0.5,
    steps: int = 8,
    wobble: float = 0.12,
) -> Array:
    """Strands that grow from their roots.

    Args:
        generator: their lengths (.5 to 1.1 of ``length``) and their wobble.
        roots: (n, 3).
        directions: (n, 3) at the root, of any length.
        length: metres.
        gravity: how far they bend down over their length; negative: up.
        steps: pieces of each.
        wobble: deviation of the direction at every step.

    Returns:
        (n, steps + 1, 3) points.
    """
    count = len(roots)
    at, points = roots, [roots]
    way = directions / np.linalg.norm(directions, axis=1, keepdims=True)
    step = (length * generator.uniform(0.5, 1.1, count) / steps)[:, None]
    down = np.array([0, 0, -gravity / steps * 2])
    for _ in range(steps):
        way = way + down + generator.normal(0, wobble, (count, 3))
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        at = at + way * step
        points.append(at)
    return np.stack(points, 1)


def sheet(
    draw: Renderer,
    name: str,
    size: tuple[float, float],
    material: Any,
    chance: Chance,
    at: Array,
    turn: Array,
    folds: tuple[int, float],
    repeats: tuple[float, float] = (1, 1),
) -> Any:
    """Cloth that hangs from its upper edge, folded upright.

    Args:
        draw: what draws.
        name: of the object.
        size: width and height.
        material: of the object.
        chance: where the folds begin.
        at: (3,) the middle of the upper edge.
        turn: (3, 3) about that.
        folds: how many, and how deep they are at the lower edge.
        repeats: of the texture along width and height.
    """
    rows, columns = SHEET
    (width, height), (count, depth) = size, folds
    x, t = np.meshgrid(np.linspace(-0.5, 0.5, columns), np.linspace(0, 1, rows))
    phase = chance.between(0, 6)
    y = depth * (0.4 + 0.6 * t) * np.sin(count * 6.28 * (x + 0.03 * np.sin(5 * t + phase)) + phase)
    y = y + 0.03 * np.sin(3 * t + phase)
    across = x * width * (1 - 0.25 * np.sin(2.5 * t + phase) * 0.5)
    down = -t * height + 0.03 * np.sin(6 * x + phase)
    vertices = np.stack([across, y, down], -1).reshape(-1, 3) @ turn.T + at
    uv = np.stack([(x + 0.5) * repeats[0], t * repeats[1]], -1).reshape(-1, 2)
    faces = draw.props.grid_faces(rows, columns)
    return draw.scene.mesh(name, vertices, faces, material, uv=uv)


def move(
    draw: Renderer,
    objects: Iterable[Any],
    way: Sequence[float] | Array,
    turn_deg: float = 0,
    about: ArrayLike = (0, 0, 0),
) -> None:
    """Let objects move while the shutter is open.

    Frame 1, which is rendered, has them where they are; they come from half the way back (frame 0).

    Args:
        draw: what draws.
        objects: they move as one.
        way: (3,) from frame 1 to frame 2.
        turn_deg: rotation about y meanwhile.
        about: (3,) the centre of that rotation.
    """
    centre, path = np.array(about, float), np.array(way)
    for thing in objects:
        for frame, sign in ((0, -1), (2, 1)):
            rotation = draw.human.rot("y", turn_deg * sign)
            place = centre - rotation @ centre + path * sign
            thing.location = [float(x) for x in place]
            thing.rotation_euler = (0, np.radians(turn_deg) * sign, 0)
            thing.keyframe_insert("location", frame=frame)
            thing.keyframe_insert("rotation_euler", frame=frame)
        for course in thing.animation_data.action.fcurves:
            for key in course.keyframe_points:
                key.interpolation = "LINEAR"
