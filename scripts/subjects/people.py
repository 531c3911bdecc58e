"""People: hair, garments, poses, and a person standing in the scene."""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import Any

from scripts.subjects.chance import HELD, Array, Chance
from scripts.subjects.renderer import Renderer

Pose = dict[str, list[tuple[str, float]]]
"""Bone: rotations about an axis by degrees, in order."""

SKIN_VERTICES = 13380
"""Vertices of the body's skin, the first of the base mesh; what garments are cut from follows."""
_HAIR_COLORS = {"blonde": 32, "grey": 28, "brown": 12, "red": 10, "dark": 10, "black": 8}
# Degrees by which an arm moves in half a blurred picture (standard deviation).
_ARM_SWING_DEG = 18


@dataclass(frozen=True)
class Figure:
    """A person in the scene, and what the makers of kinds need to know.

    Attributes:
        draw: what draws.
        person: shape and hair.
        joints: (bones, 4, 4) transforms of the pose.
        at: (3,) where the person stands.
        top: height of the crown.
        hand: (3,) the left hand, which holds things up.
        other_hand: (3,)
        hand_way: (3,) what the left hand moves by in half a blurred picture.
        objects: body, garments, hair.
        blurred: whether the picture shows motion.
    """

    draw: Renderer
    person: Any
    joints: Array
    at: Array
    top: float
    hand: Array
    other_hand: Array
    hand_way: Array
    objects: list[Any]
    blurred: bool

    def transform(self, bone: str) -> tuple[Array, Array]:
        """(3, 3) rotation and (3,) translation of a bone from rest to pose."""
        joint = self.joints[self.draw.human.BI[bone]]
        return joint[:3, :3], joint[:3, 3]

    def joint(self, bone: str, moved_by: str = "") -> Array:
        """(3,) where a bone begins; as another bone moves it, where ``moved_by`` names one."""
        rotation, translation = self.transform(moved_by or bone)
        at: Array = rotation @ self.person.h.bh[self.draw.human.BI[bone]] + translation
        return at


def hair(chance: Chance, seed: int) -> dict[str, Any]:
    """Hair, as arguments of what grows it. Every style is drawn, so that later draws keep still."""
    style = chance.one_of("long", "long", "long", "short", "afro", "bun")
    color = chance.weighted(_HAIR_COLORS)[0]
    flying = chance.between(0.08, 0.35)
    short = {
        "n": chance.whole(7000, 11000),
        "length": chance.between(0.04, 0.11),
        "fly": flying,
        "curl": 0.002,
        "curlf": 10,
    }
    afro = {
        "n": chance.whole(10000, 15000),
        "radius": 0.00017,
        "length": chance.between(0.07, 0.16),
        "curl": chance.between(0.003, 0.012),
        "curlf": chance.between(12, 40),
        "clump": chance.between(0.4, 0.9),
        "fly": flying * 0.6,
    }
    bun = {"n": 8000, "length": 0.30, "fly": flying * 0.8, "clump": chance.between(0.1, 0.5)}
    long = {
        "n": chance.whole(6000, 11000),
        "length": chance.between(0.2, 0.5),
        "fly": flying,
        "curl": chance.one_of(0.0, 0.0, chance.between(0.003, 0.012)),
        "curlf": chance.between(15, 30),
        "clump": chance.between(0.2, 0.85),
    }
    styles = {"short": short, "afro": afro, "bun": bun, "long": long}
    return {**styles[style], "style": style, "color": color, "seed": seed}


def clothes(chance: Chance, mirroring: bool) -> list[dict[str, Any]]:
    """What is worn below and above the waist; of ``mirroring`` cloth the upper, perhaps both."""
    top: dict[str, Any]
    if mirroring:
        top = {
            **chance.metal(),
            "sleeve": chance.one_of("long", "long", "short"),
            "bump": chance.between(0, 0.08),
            "bscale": chance.between(60, 400),
            "noise": 0.02,
            "spec": 0.5,
        }
    else:
        top = {"color": chance.color(), "sleeve": chance.one_of("short", "long", "none")}
        if chance.happens(0.2):
            top["sheen"] = 0.5
        if chance.happens(0.15):
            top |= {"pattern": chance.one_of("stripe", "check"), "pc": chance.color()}
    top |= {"kind": "top", "off": 0.010, "low": 0.82, "clouds": chance.between(0.01, 0.035)}
    below: dict[str, Any]
    if chance.happens(0.6):
        below = {"kind": "pants", "color": chance.color(), "off": 0.003}
    else:
        below = {"kind": "skirt", "color": chance.color(), "flare": chance.between(0.3, 0.9)}
        below |= {"off": 0.013, "low": 0.45, "clouds": 0.02}
    if mirroring and chance.happens(0.3):
        below |= {**chance.metal(), "bump": 0.03}
    return [below, top]


def posed(chance: Chance, holding: bool) -> Pose:
    """A pose; ``holding`` brings the left hand up before the body."""
    if holding:
        arm = [("y", chance.between(15, 42))]
        forearm = [("y", chance.between(-135, -80)), ("x", chance.between(-55, -10))]
    else:
        arm = [("y", chance.between(-75, 38))]
        forearm = [("y", chance.between(-90, 5)), ("x", chance.between(-50, 0))]
    return {
        "LeftArm": arm,
        "LeftForeArm": forearm,
        "RightArm": [("y", chance.between(-38, 60))],
        "RightForeArm": [("y", chance.between(-5, 100)), ("x", chance.between(-50, 0))],
        "Head": [("z", chance.between(-30, 30)), ("y", chance.between(-10, 10))],
        "Spine": [("z", chance.between(-12, 12))],
    }


def described(chance: Chance, seed: int, kinds: AbstractSet[str]) -> tuple[dict[str, Any], Pose]:
    """A person as arguments of what builds one, and the pose."""
    grown = hair(chance, seed)
    worn = clothes(chance, "mirror" in kinds)
    body = {
        "gender": chance.one_of("female", "male"),
        "race": chance.one_of("caucasian", "african", "asian"),
        "age": chance.one_of("young", "young", "old"),
        "seed": seed,
    }
    skin = chance.one_of("fair", "mid", "dark", "tan")
    person = {"human": body, "seed": seed, "hair": grown, "skin": skin, "clothes": worn}
    return person, posed(chance, bool(kinds & (HELD | {"metal"})))


def _hands(draw: Renderer, vertices: Array) -> tuple[Array, Array]:
    """(3,) the middle of the left and of the right hand, of posed (n, 3) vertices."""
    weights, skin = draw.human.W[:SKIN_VERTICES], vertices[:SKIN_VERTICES]
    left, right = (weights[:, draw.human.BI[f"{side}Hand"]] > 0.5 for side in ("Left", "Right"))
    return skin[left].mean(0), skin[right].mean(0)


def stand(
    draw: Renderer,
    chance: Chance,
    described_as: tuple[dict[str, Any], Pose],
    at: Array,
    blurred: bool,
    still: bool,
) -> Figure:
    """Put a person into the scene.

    Args:
        draw: what draws.
        chance: which way the person faces, and how the arms move.
        described_as: by `described`.
        at: (3,) where.
        blurred: whether the picture shows motion.
        still: whether the arms keep still even so.
    """
    person, pose = draw.scene.Person(described_as[0]), described_as[1]
    turn_deg = chance.between(-35, 35)
    joints = person.h.xform(pose, root=tuple(at), rootz=turn_deg)
    later = None
    if blurred and not still and chance.happens(0.8):
        swung = {
            bone: [(a, v + float(chance.generator.normal() * _ARM_SWING_DEG)) for a, v in turns]
            for bone, turns in pose.items()
            if "Arm" in bone
        }
        later = person.h.xform({**pose, **swung}, root=tuple(at), rootz=turn_deg)
    objects = person.build(joints, later)
    before = after = _hands(draw, person.v)
    if later is not None:
        after = _hands(draw, person.h.posed(later))
    hand, other = ((a + b) / 2 for a, b in zip(before, after, strict=True))
    top = float(person.v[:SKIN_VERTICES, 2].max())
    way = (after[0] - before[0]) / 2
    return Figure(draw, person, joints, at, top, hand, other, way, objects, blurred)
