"""Thin glass, and what is drunk from it."""

from __future__ import annotations

from typing import Any

import numpy as np

from scripts.subjects.chance import WHOLE, Chance
from scripts.subjects.people import Figure
from scripts.subjects.renderer import Renderer
from scripts.subjects.shapes import lathe, turned

Profile = tuple[tuple[float, float], ...]

# Radius and height, from the middle of the foot up and back inside.
_VESSELS: dict[str, Profile] = {
    "wine": (
        (0.001, 0), (0.034, 0.001), (0.034, 0.004), (0.006, 0.008), (0.004, 0.02), (0.004, 0.085),
        (0.02, 0.098), (0.036, 0.12), (0.040, 0.15), (0.036, 0.19), (0.031, 0.21), (0.030, 0.21),
        (0.0348, 0.19), (0.0385, 0.15), (0.0345, 0.122), (0.018, 0.101), (0.0005, 0.096),
    ),
    "tumbler": (
        (0.001, 0), (0.034, 0), (0.040, 0.13), (0.038, 0.13), (0.033, 0.012), (0.001, 0.012),
    ),
    "flute": (
        (0.001, 0), (0.03, 0.001), (0.004, 0.008), (0.0035, 0.10), (0.015, 0.12), (0.024, 0.18),
        (0.023, 0.25), (0.0222, 0.25), (0.0232, 0.18), (0.014, 0.122), (0.001, 0.115),
    ),
    "bowl": (
        (0.001, 0), (0.03, 0), (0.07, 0.03), (0.10, 0.08), (0.105, 0.12), (0.103, 0.12),
        (0.098, 0.08), (0.068, 0.033), (0.001, 0.005),
    ),
    "bottle": (
        (0.001, 0), (0.037, 0.003), (0.038, 0.19), (0.03, 0.225), (0.014, 0.25), (0.0135, 0.31),
        (0.015, 0.315), (0.012, 0.31), (0.0125, 0.25), (0.028, 0.222), (0.036, 0.188),
        (0.035, 0.006), (0.001, 0.005),
    ),
}  # fmt: skip
_DRINKS: dict[str, Profile] = {
    "wine": ((0.0005, 0.097), (0.018, 0.102), (0.0343, 0.1225), (0.038, 0.148), (0.0005, 0.148)),
    "tumbler": ((0.001, 0.0125), (0.0328, 0.0125), (0.036, 0.08), (0.001, 0.08)),
    "flute": ((0.001, 0.116), (0.0138, 0.123), (0.023, 0.18), (0.001, 0.2)),
    "bowl": ((0.001, 0.006), (0.067, 0.034), (0.085, 0.06), (0.001, 0.06)),
    "bottle": ((0.001, 0.006), (0.0348, 0.007), (0.0355, 0.15), (0.001, 0.15)),
}
_PANE: Profile = ((0.001, 0), (0.14, 0.0), (0.145, 0.004), (0.15, 0.02))
_DRINK_COLORS = (
    (0.25, 0.01, 0.02),
    (0.7, 0.5, 0.1),
    (0.8, 0.6, 0.3),
    (0.3, 0.6, 0.2),
    (0.9, 0.9, 0.9),
    (0.6, 0.2, 0.05),
)


def glass_material(draw: Renderer, chance: Chance) -> Any:
    """Glass so thin that what shines through goes straight: alpha then mixes as in any picture.

    The share of gloss depends on the angle alone, so front and back of a wall are alike.
    """
    material = draw.scene.mat_alpha("glass", (1, 1, 1), 0)
    tree = material.node_tree
    mix = tree.nodes["Material Output"].inputs[0].links[0].from_node
    gloss = tree.nodes.new("ShaderNodeBsdfGlossy")
    gloss.inputs["Roughness"].default_value = chance.between(0.02, 0.12)
    color = (0.95, 0.95, 0.95)
    if chance.happens(0.3):
        color = chance.hsv(WHOLE, (0, 0.3), (0.7, 0.95))
    gloss.inputs[0].default_value = (*color, 1)
    tree.links.new(gloss.outputs[0], mix.inputs[2])
    angle = tree.nodes.new("ShaderNodeLayerWeight")
    angle.inputs[0].default_value = 0.5
    power = tree.nodes.new("ShaderNodeMath")
    power.operation = "POWER"
    power.inputs[1].default_value = chance.between(2.5, 5)
    scaled = tree.nodes.new("ShaderNodeMath")
    scaled.operation, scaled.use_clamp = "MULTIPLY_ADD", True
    scaled.inputs[1].default_value = chance.between(0.6, 0.95)
    scaled.inputs[2].default_value = chance.between(0.02, 0.10)
    tree.links.new(angle.outputs["Facing"], power.inputs[0])
    tree.links.new(power.outputs[0], scaled.inputs[0])
    tree.links.new(scaled.outputs[0], mix.inputs[0])
    return material


def glass(chance: Chance, figure: Figure) -> list[Any]:
    """A vessel in the hand, perhaps filled; perhaps a pane beside."""
    draw = figure.draw
    larger, turn = chance.between(1, 1.35), turned(draw, chance, 18)
    material = glass_material(draw, chance)
    kind = chance.one_of("wine", "wine", "tumbler", "flute", "bowl", "bottle")
    profile = np.array(_VESSELS[kind]) * larger
    gripped = profile[:, 1].max() * chance.between(0.3, 0.5)
    at = figure.hand + np.array([0, -0.035, -gripped])
    out = [lathe(draw, "glass", profile, at, material, turn)]
    if chance.happens(0.5):
        color, cover = chance.one_of(*_DRINK_COLORS), chance.between(0.15, 0.8)
        drink = draw.scene.mat_alpha("drink", color, cover)
        out.append(lathe(draw, "drink", np.array(_DRINKS[kind]) * larger, at, drink, turn))
    if chance.happens(0.2):
        across = chance.between(-0.3, 0.3)
        at = figure.at + np.array([across, -0.4, figure.top - chance.between(0.1, 0.5)])
        upright = turned(draw, chance, 50) @ draw.human.rot("x", 70)
        out.append(lathe(draw, "pane", _PANE, at, material, upright))
    return out
