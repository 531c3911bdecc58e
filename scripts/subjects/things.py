"""Things held or beside: of metal, wheels, rackets, fans, balls, sticks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from scripts.subjects.chance import WHOLE, Array, Chance
from scripts.subjects.people import Figure
from scripts.subjects.shapes import lathe, line, move, turned

Place = Callable[[ArrayLike], Array]

_TRAY = ((0.001, 0), (0.13, 0), (0.15, 0.012), (0.155, 0.012), (0.132, -0.004), (0.001, -0.004))
_CYMBAL = (
    (0.001, 0.03), (0.03, 0.022), (0.04, 0.012), (0.17, -0.01), (0.17, -0.012), (0.001, 0.02),
)  # fmt: skip
_TROPHY = (
    (0.001, 0), (0.06, 0), (0.06, 0.03), (0.02, 0.05), (0.015, 0.10), (0.03, 0.12), (0.075, 0.17),
    (0.09, 0.25), (0.085, 0.30), (0.08, 0.30), (0.083, 0.25), (0.001, 0.14),
)  # fmt: skip


def in_hand(figure: Figure, turn: Array, before: float) -> Place:
    """What puts (..., 3) points into the hand: the origin lies ``before`` it by so much."""
    at = figure.hand + np.array([0, -before, 0])
    return lambda points: np.asarray(points) @ turn.T + at


def _rings(chance: Chance, figure: Figure, material: Any, radii: tuple[float, float]) -> list[Any]:
    """Rings on both forearms."""
    out = []
    for side in ("Left", "Right"):
        elbow, wrist = figure.joint(f"{side}ForeArm"), figure.joint(f"{side}Hand")
        along = (wrist - elbow) / np.linalg.norm(wrist - elbow)
        across = np.cross(along, [0, 1, 0.3])
        across /= np.linalg.norm(across)
        turn = np.stack([across, np.cross(along, across), along], 1)
        for _ in range(chance.whole(1, 5)):
            t, r = chance.between(0.45, 0.95), chance.between(*radii)
            h = chance.between(0.008, 0.03)
            profile = [[r, -h], [r + 0.006, -h], [r + 0.009, 0], [r + 0.006, h], [r, h], [r, -h]]
            at = elbow + (wrist - elbow) * t
            out.append(lathe(figure.draw, "bracelet", profile, at, material, turn))
    return out


def metal(chance: Chance, figure: Figure) -> list[Any]:
    """Something polished, on the arms or in the hands."""
    draw, rot = figure.draw, figure.draw.human.rot
    material = draw.scene.mat("metal", spec=0.5, **chance.metal())
    kind = chance.one_of("bracelets", "tray", "trophy", "cymbals", "horn", "hoops")
    if kind == "bracelets":
        return _rings(chance, figure, material, (0.045, 0.06))
    if kind == "hoops":
        return _rings(chance, figure, material, (0.055, 0.075))
    if kind == "tray":
        profile = np.array(_TRAY) * chance.between(0.8, 1.3)
        at = figure.hand + np.array([chance.between(-0.05, 0.05), -0.07, 0.04])
        turn = turned(draw, chance, 30) @ rot("x", chance.between(10, 90))
        return [lathe(draw, "tray", profile, at, material, turn)]
    if kind == "cymbals":
        out = []
        for hand, sign in ((figure.hand, 1), (figure.other_hand, -1)):
            profile = np.array(_CYMBAL) * chance.between(0.8, 1.1)
            turn = rot("z", sign * chance.between(20, 70)) @ rot("x", 90)
            at = hand + np.array([0, -0.06, 0])
            out.append(lathe(draw, "cymbal", profile, at, material, turn))
        return out
    if kind == "trophy":
        profile = np.array(_TROPHY) * chance.between(0.8, 1.3)
        at = figure.hand + np.array([0, -0.06, -0.06])
        return [lathe(draw, "trophy", profile, at, material, turned(draw, chance, 20))]
    t = np.linspace(0, 1, 24)[:, None]
    profile = np.concatenate([0.008 + 0.01 * t + 0.09 * t**7, 0.55 * t], 1)
    at = figure.hand + np.array([0, -0.05, -0.25])
    return [lathe(draw, "horn", profile, at, material, turned(draw, chance, 60))]


def wheel(chance: Chance, figure: Figure) -> list[Any]:
    """A spoked wheel beside, which turns where the picture shows motion."""
    across = figure.at[0] + chance.one_of(-1, 1) * chance.between(0.22, 0.45)
    at = across, chance.between(-0.42, -0.2), chance.between(1, 1.35)
    radius, spokes = chance.between(0.2, 0.34), chance.whole(12, 30) * 2
    tilt = chance.between(-50, 50)
    out: list[Any] = figure.draw.props.wheel(at, R=radius, spokes=spokes, tilt=tilt)
    if figure.blurred:
        move(figure.draw, out, (0, 0, 0), chance.between(-9, 9), at)
    return out


def racket(chance: Chance, figure: Figure) -> list[Any]:
    """A racket with strings."""
    draw, scene = figure.draw, figure.draw.scene
    place = in_hand(figure, turned(draw, chance, 40), 0.03)
    larger = chance.between(0.85, 1.2)
    angle = np.linspace(0, 2 * np.pi, 97)
    wide, high, low = 0.125 * larger, 0.165 * larger, chance.between(0.22, 0.36)
    oval = np.stack([wide * np.cos(angle), 0 * angle, low + high * (1 + np.sin(angle))], -1)
    frame = scene.mat("frame", chance.color(), 0.3, spec=0.5)
    grip = scene.mat("grip", chance.color(), 0.6)
    shaft = [[0, 0, -0.1], [0, 0, 0.06], [0, 0, low]]
    out = [
        line(draw, "frame", place(oval), frame, 0.006),
        line(draw, "handle", place(shaft), grip, 0.014, 0.008),
    ]
    count = chance.whole(9, 22)
    at = np.linspace(-1, 1, count + 2)[1:-1]
    half = np.sqrt(1 - at * at)
    upright = [
        place([[wide * q, 0, low + high * (1 - w)], [wide * q, 0, low + high * (1 + w)]])
        for q, w in zip(at, half, strict=True)
    ]
    level = [
        place([[-wide * w, 0.001, low + high * (1 + q)], [wide * w, 0.001, low + high * (1 + q)]])
        for q, w in zip(at, half, strict=True)
    ]
    strings = scene.mat("string", chance.hsv(WHOLE, (0, 0.3), (0.1, 0.8)), 0.5)
    thin = chance.between(0.0005, 0.0013)
    return [*out, scene.curves("strings", np.array(upright + level), strings, thin, thin)]


def fan(chance: Chance, figure: Figure) -> list[Any]:
    """A folding fan: ribs, mostly with a sheer or a lace leaf."""
    draw, scene = figure.draw, figure.draw.scene
    place = in_hand(figure, turned(draw, chance, 35), 0.04)
    count, length = chance.whole(12, 24), chance.between(0.2, 0.33)
    half = np.radians(chance.between(50, 80))

    def ray(angle: Array, far: float, y: Array | float) -> Array:
        return np.stack([far * np.sin(angle), y + 0 * angle, far * np.cos(angle)], -1)

    angle = np.linspace(-half, half, count)
    ribs = np.stack([place(ray(angle, far, 0)) for far in (0.0, length * 0.5, length)], 1)
    out = [scene.curves("ribs", ribs, scene.mat("rib", chance.color(), 0.5), 0.003, 0.0012)]
    if not chance.happens(0.85):
        return out
    columns, rows = 6 * count, 24
    angle = np.linspace(-half, half, columns)
    pleats = 0.008 * np.sin(np.arange(columns) * np.pi / 3)
    reach = np.linspace(length * chance.between(0.3, 0.6), length * 1.02, rows)
    vertices = np.concatenate([place(ray(angle, far, pleats)) for far in reach])
    spread = np.meshgrid(np.linspace(0, 2, columns), np.linspace(0, 0.6, rows))
    uv = np.stack(spread, -1).reshape(-1, 2)
    if chance.happens(0.6):
        material = scene.mat_alpha("leaf", chance.color(), chance.between(0.1, 0.95))
    else:
        color, scale = chance.color(), chance.between(20, 60)
        material = scene.mat_alpha("leaf", color, 1, "lace", scale=scale, width=0.25)
    faces = draw.props.grid_faces(rows, columns)
    return [*out, scene.mesh("leaf", vertices, faces, material, uv=uv)]


def ball(chance: Chance, figure: Figure) -> list[Any]:
    """One to three balls in the air: dull, of metal, or bubbles."""
    draw, scene = figure.draw, figure.draw.scene
    out = []
    for _ in range(chance.whole(1, 4)):
        across = figure.at[0] + chance.between(-0.45, 0.45)
        at = across, chance.between(-0.5, 0.1), chance.between(0.95, 1.9)
        if chance.happens(0.5):
            material = scene.mat("ball", chance.color(), chance.between(0.15, 0.6))
        elif chance.happens(0.5):
            material = scene.mat("ball", **chance.metal())
        else:
            material = scene.mat_alpha("bubble", chance.color(), chance.between(0.1, 0.4))
        out.append(draw.props.sphere(at, chance.between(0.04, 0.12), material))
        if figure.blurred:
            move(draw, out[-1:], chance.generator.normal(0, 0.05, 3))
    return out


def stick(chance: Chance, figure: Figure) -> list[Any]:
    """A stick, perhaps with wires, a hoop or a spring."""
    draw, scene = figure.draw, figure.draw.scene
    turn, length = turned(draw, chance, 70), chance.between(0.4, 1)
    place = in_hand(figure, turn, 0.03)
    if chance.happens(0.4):
        material = scene.mat("stick", **chance.metal())
    else:
        material = scene.mat("stick", chance.color(), 0.6)
    ends = place([[0, 0, -length * 0.4], [0, 0, length * 0.6]])
    out = [line(draw, "stick", ends, material, chance.between(0.003, 0.012))]
    kind = chance.one_of("", "wires", "hoop", "spring")
    if kind == "wires":
        s = np.linspace(0, 1, 60)
        ways = chance.generator.uniform(-0.25, 0.35, (chance.whole(8, 40), 3))
        wires = [
            place(np.stack([a * s * s, b * s * s, length * 0.55 + c * s - 0.15 * s * s], -1))
            for a, b, c in ways
        ]
        thin = chance.between(0.0004, 0.0014)
        out.append(scene.curves("wires", np.stack(wires), material, thin, 0.0004))
    if kind == "hoop":
        angle, radius = np.linspace(0, 6.284, 97), chance.between(0.15, 0.3)
        x, z = radius * np.cos(angle), radius * np.sin(angle) + length * 0.3
        ring = place(np.stack([x, 0 * angle, z], -1))
        out.append(line(draw, "hoop", ring, material, chance.between(0.001, 0.006)))
    if kind == "spring":
        s = np.linspace(0, 1, 300)
        coil = np.stack([0.04 * np.cos(90 * s), 0.04 * np.sin(90 * s), length * (s - 0.2)], -1)
        out.append(line(draw, "spring", place(coil), material, chance.between(0.0006, 0.002)))
    return out
