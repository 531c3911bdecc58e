"""Feathers and hats."""

from __future__ import annotations

from typing import Any

import numpy as np

from scripts.subjects.chance import WHOLE, Chance
from scripts.subjects.people import SKIN_VERTICES, Figure
from scripts.subjects.shapes import lathe, line, strands, turned
from scripts.subjects.things import in_hand


def _boa(chance: Chance, figure: Figure, material: Any) -> Any:
    """Down round the neck, its ends hanging before the chest."""
    generator = chance.generator
    neck = figure.joint("Neck", moved_by="Spine2")
    count = chance.whole(5000, 9000)
    t = generator.uniform(-1, 1, count)
    angle = t * np.pi * 0.8
    down = -0.05 - 0.25 * np.clip(np.abs(t) - 0.75, 0, 1) * 4
    line_of = np.stack([0.13 * np.sin(angle), 0.12 * np.cos(angle) - 0.01, down], -1)
    roots = neck + line_of + generator.normal(0, 0.008, (count, 3))
    ways, length = generator.normal(size=(count, 3)), chance.between(0.05, 0.12)
    hairs = strands(generator, roots, ways, length, 0.4)
    return figure.draw.scene.curves("boa", hairs, material, 0.00018, 0.00005)


def feather(chance: Chance, figure: Figure) -> list[Any]:
    """A boa, or one to four feathers in the hand."""
    draw, scene, generator = figure.draw, figure.draw.scene, chance.generator
    grey = WHOLE, (0.0, 0.1), (0.5, 0.8)
    color = chance.color() if chance.happens(0.5) else chance.hsv(*grey)
    material = scene.hairmat(color, "feather")
    if chance.happens(0.4):
        return [_boa(chance, figure, material)]
    out = []
    for _ in range(chance.whole(1, 5)):
        length = chance.between(0.25, 0.5)
        place = in_hand(figure, turned(draw, chance, 45), 0.03)
        bend = chance.between(-0.12, 0.12)
        t = np.linspace(0, 1, 40)
        shaft = place(np.stack([bend * t * t, 0 * t, length * t], -1))
        horn = scene.mat("shaft", (0.6, 0.55, 0.45), 0.5)
        out.append(line(draw, "shaft", shaft, horn, 0.0016, 0.0004))
        count = chance.whole(700, 1600)
        t = generator.uniform(0.15, 1, count)
        side = generator.choice([-1, 1], count)
        away = side * 1.0, generator.normal(0, 0.2, count), 0.6 + 0.2 * generator.normal(size=count)
        roots = np.stack([bend * t * t, 0 * t, length * t], -1)
        long, gravity = chance.between(0.04, 0.09), chance.between(-0.2, 0.3)
        wobble = chance.between(0.03, 0.14)
        barbs = strands(generator, roots, np.stack(away, -1), long, gravity, wobble=wobble)
        out.append(scene.curves("barbs", place(barbs), material, 0.00022, 0.00006))
    return out


def hat(chance: Chance, figure: Figure) -> list[Any]:
    """A hat with a brim, of cloth, metal, sheer cloth or with a net; perhaps a tuft on it."""
    draw, scene, human = figure.draw, figure.draw.scene, figure.draw.human
    body = figure.person.h
    rotation, translation = figure.transform("Head")
    crown = np.array([0, body.bh[human.BI["Head"]][1], body.v[:SKIN_VERTICES, 2].max()])
    at = rotation @ crown + translation
    brim, high = chance.between(0.12, 0.26), chance.between(0.05, 0.15)
    bent = chance.between(-0.03, 0.03)
    kind = chance.one_of("cloth", "metal", "sheer", "net")
    if kind == "cloth":
        material = scene.mat("hat", chance.color(), 0.9, bump=0.3)
    elif kind == "metal":
        material = scene.mat("hat", **chance.metal())
    elif kind == "sheer":
        material = scene.mat_alpha("hat", chance.color(), chance.between(0.25, 0.7))
    else:
        material = scene.mat("hat", chance.color(), 0.9)
    profile = [
        [brim, -0.065 + bent], [0.100, -0.06], [0.096, high * 0.6], [0.085, high],
        [0.001, high + 0.01],
    ]  # fmt: skip
    turn = rotation @ human.rot("x", -6)
    out = [lathe(draw, "hat", profile, at, material, turn, deep=1.15)]
    if kind == "net":
        color = chance.color()
        pattern = {"scale": chance.between(20, 60), "width": chance.between(0.06, 0.18)}
        netting = scene.mat_alpha("hat net", color, 1, "net", **pattern)
        shape = {"span": 178, "zlen": chance.between(0.25, 0.4), "uvs": (2.0, 0.6)}
        shape["prof"] = ((0, 0.02), (0.2, 0.13), (1, 0.16))
        out.append(draw.props.drape("hat net", figure.person, figure.joints, netting, **shape))
    if chance.happens(0.25):
        count, generator = 900, chance.generator
        roots = np.tile(at + turn @ np.array([0, 0, high + 0.02]), (count, 1))
        tuft = strands(generator, roots, generator.normal(size=(count, 3)), 0.05, 0.1)
        out.append(scene.curves("tuft", tuft, scene.hairmat(chance.color()), 0.0003, 0.0001))
    return out
