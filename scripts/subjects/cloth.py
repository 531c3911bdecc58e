"""Cloth that lets something through: veils, lace, nets, tutus; fringes and furs."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

from scripts.subjects.chance import WHOLE, Array, Chance
from scripts.subjects.people import Figure
from scripts.subjects.shapes import sheet, strands, turned

# Shares of all veils: those over the head, and of these the ones in layers, as real ones often are:
# cloth that is sheer, nearly solid where it lies upon itself, and a sharp hem between.
DRAPED, LAYERED = 0.65, 0.4
# A drape that starts at the neck, as arguments: how far round in degrees, radius by height.
_FROM_NECK = {"span": 172, "fromneck": True, "uvs": (2.2, 0.9)}
_SHOULDERS = ((0, 0.075), (0.2, 0.17), (0.4, 0.25))


def veil(chance: Chance, figure: Figure) -> list[Any]:
    """Plain sheer cloth: over the head, in layers or not, or hanging before the body."""
    scene, props = figure.draw.scene, figure.draw.props
    # Most veils are white. White cloth also sends on the most of the screen's light, which makes it
    # the hardest: drawn as often as others it was taken for thinner than it is.
    white = WHOLE, (0.0, 0.08), (0.55, 0.9)
    color = chance.hsv(*white) if chance.happens(0.75) else chance.color()
    cover, through = chance.between(0.08, 0.6), chance.between(0.3, 0.7)
    material = scene.mat_alpha("veil", color, cover, "uniform", trans=through)
    layers = chance.whole(2, 4) if chance.happens(LAYERED) else 1
    if layers > 1 or chance.happens((DRAPED - LAYERED) / (1 - LAYERED)):
        out = []
        for _ in range(layers):
            # The shorter flares sooner, and so lies outside.
            span, long = chance.between(100, 170), chance.between(0.4, 1)
            count, fold = chance.whole(7, 24), chance.between(0.04, 0.12)
            shape = {"span": span, "zlen": long, "nf": count, "fold": fold}
            out.append(props.drape("veil", figure.person, figure.joints, material, **shape))
        return out
    across, near = chance.between(-0.3, 0.3), chance.between(-0.4, -0.2)
    at = figure.at + np.array([across, near, figure.top - chance.between(0, 0.35)])
    size = chance.between(0.3, 0.7), chance.between(0.6, 1.1)
    folds = chance.whole(3, 9), chance.between(0.015, 0.05)
    turn = turned(figure.draw, chance, 20)
    return [sheet(figure.draw, "sheer", size, material, chance, at, turn, folds)]


def lace(chance: Chance, figure: Figure) -> list[Any]:
    """Lace round the shoulders, or over the head."""
    scene, props = figure.draw.scene, figure.draw.props
    color, cover = chance.color(), chance.between(0.6, 1)
    pattern = {"scale": chance.between(35, 130), "width": chance.between(0.12, 0.32)}
    material = scene.mat_alpha("lace", color, cover, "lace", **pattern)
    shape: dict[str, Any]
    if chance.happens(0.6):
        shape = {**_FROM_NECK, "zlen": chance.between(0.4, 0.6), "fold": chance.between(0.03, 0.08)}
        shape["prof"] = (*_SHOULDERS, (1, 0.37))
    else:
        shape = {"span": chance.between(110, 165), "zlen": chance.between(0.4, 0.8)}
        shape |= {"uvs": (2.0, 1.0), "nf": chance.whole(8, 20)}
    return [props.drape("lace", figure.person, figure.joints, material, **shape)]


def net(chance: Chance, figure: Figure) -> list[Any]:
    """A net, fine or coarse: over the head, round the shoulders, or before the body."""
    scene, props = figure.draw.scene, figure.draw.props
    scale = float(np.exp(chance.between(np.log(8), np.log(70))))
    color, width = chance.color(), chance.between(0.05, 0.2)
    material = scene.mat_alpha("net", color, 1, "net", scale=scale, width=width)
    where = chance.between()
    shape: dict[str, Any]
    if where < 0.6:
        if where < 0.35:
            shape = {"span": chance.between(120, 175), "zlen": chance.between(0.5, 0.9)}
            shape |= {"uvs": (2.0, 1.0), "nf": chance.whole(6, 16)}
        else:
            shape = {**_FROM_NECK, "zlen": 0.55, "fold": 0.06, "prof": (*_SHOULDERS, (1, 0.40))}
        return [props.drape("net", figure.person, figure.joints, material, **shape)]
    across, near = chance.between(-0.35, 0.35), chance.between(-0.45, -0.22)
    at = figure.at + np.array([across, near, figure.top - chance.between(-0.05, 0.4)])
    size = chance.between(0.5, 0.9), chance.between(0.6, 1)
    folds = chance.whole(2, 5), chance.between(0.02, 0.06)
    turn = turned(figure.draw, chance, 20)
    return [sheet(figure.draw, "net", size, material, chance, at, turn, folds, (1, 1.1))]


def tutu(chance: Chance, figure: Figure) -> list[Any]:
    """Layers of tulle that stand out from the hips."""
    scene, props = figure.draw.scene, figure.draw.props
    at = figure.joint("Hips") + np.array([0, 0, 0.05])
    columns, rows = 240, 24
    angle, t = np.linspace(0, 2 * np.pi, columns), np.linspace(0, 1, rows)[:, None]
    reach, drop = chance.between(0.32, 0.5), chance.between(0, 0.35)
    color, cover, netted = chance.color(), chance.between(0.08, 0.4), chance.happens(0.25)
    spread = np.broadcast_arrays(np.linspace(0, 4, columns)[None], t)
    uv = np.stack(spread, -1).reshape(-1, 2)
    out = []
    for layer in range(chance.whole(2, 6)):
        waves, phase = chance.whole(8, 22), chance.between(0, 6)
        radius = 0.13 + (reach - 0.13) * t * (1 - 0.08 * layer)
        radius = radius * (1 + 0.05 * t * np.sin(waves * angle + phase + 1.5)[None])
        z = -0.03 * layer - (drop + 0.05 * layer) * t**1.6
        z = z + 0.03 * t * np.sin(waves * angle + phase)[None]
        x, y = radius * np.cos(angle)[None], radius * 0.85 * np.sin(angle)[None]
        vertices = np.stack([x, y, z], -1).reshape(-1, 3) + at
        if netted:
            own = color if chance.happens(0.7) else chance.color()
            pattern = {"scale": chance.between(25, 60), "width": chance.between(0.1, 0.25)}
            material = scene.mat_alpha("tulle", own, 1, "net", **pattern)
        else:
            material = scene.mat_alpha("tulle", color, cover, trans=chance.between(0.3, 0.7))
        faces = props.grid_faces(rows, columns)
        out.append(scene.mesh("tutu", vertices, faces, material, uv=uv))
    return out


def edges(faces: list[list[int]]) -> list[tuple[int, int]]:
    """The edges of a mesh that only one face has: its hems."""
    sides = Counter(
        (min(a, b), max(a, b))
        for face in faces
        for a, b in zip(face, face[1:] + face[:1], strict=True)
    )
    return [side for side, count in sides.items() if count == 1]


def _worn(figure: Figure) -> tuple[Array, list[list[int]]]:
    """(n, 3) vertices and faces of the garment that was put on last."""
    mesh = [x for x in figure.objects if x.name.startswith("cloth")][-1].data
    flat = np.zeros(len(mesh.vertices) * 3, np.float32)
    mesh.vertices.foreach_get("co", flat)
    return flat.reshape(-1, 3).astype(float), [list(f.vertices) for f in mesh.polygons]


def fringe(chance: Chance, figure: Figure) -> list[Any]:
    """Threads along the hems of the upper garment, or fur all over it."""
    scene, generator = figure.draw.scene, chance.generator
    vertices, faces = _worn(figure)
    normals = figure.draw.human.vnormals(vertices, faces)
    grey = WHOLE, (0.0, 0.1), (0.4, 0.8)
    material = scene.hairmat(chance.color() if chance.happens(0.6) else chance.hsv(*grey), "fur")
    if chance.happens(0.5):
        hems = np.array(edges(faces))
        count = chance.whole(1200, 4000)
        first, second = hems[generator.integers(0, len(hems), count)].T
        t = generator.random((count, 1))
        roots = vertices[first] * t + vertices[second] * (1 - t) + normals[first] * 0.004
        ways = normals[first] * 0.3 + np.array([0, 0, -0.7])
        length = chance.between(0.06, 0.25)
        threads = strands(generator, roots, ways, length, 1.2, wobble=0.08)
        radius = chance.between(0.0003, 0.0012)
        return [scene.curves("fringe", threads, material, radius, 0.0002)]
    fours = np.array([f for f in faces if len(f) == 4])
    count = chance.whole(12000, 22000)
    a, b, c, d = fours[generator.integers(0, len(fours), count)].T
    u, v = generator.random((2, count, 1))

    def within(x: Array) -> Array:
        near, far = x[a] * (1 - u) * (1 - v) + x[b] * u * (1 - v), x[d] * (1 - u) * v
        out: Array = near + x[c] * u * v + far
        return out

    ways = within(normals) + generator.normal(0, 0.25, (count, 3))
    length = chance.between(0.02, 0.06)
    hairs = strands(generator, within(vertices), ways, length, 0.7, steps=5)
    return [scene.curves("fur", hairs, material, 0.0002, 0.00005)]
