"""Who is who across the frames of a burst: by place and size, since nobody goes far in a second."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median

from stream.best.faces import SeenFace

_REACH = 1.2
"""A face goes no further than this many of its sides between two frames where it is seen."""
_SIZES = 1.8
"""It gets no larger or smaller by more than this."""
_OFTEN = 1 / 3
"""What is a face in fewer of the frames is a picture on a shirt, or somebody passing."""


@dataclass
class Person:
    """Somebody across the frames.

    Attributes:
        faces: by the frame's place in the burst.
    """

    faces: dict[int, SeenFace] = field(default_factory=dict)

    @property
    def middle(self) -> float:
        """Where they stand, from the left, in shares of the frame's longer side."""
        return median(f.x for f in self.faces.values())

    @property
    def latest(self) -> SeenFace:
        """Their face in the last frame that shows it."""
        return self.faces[max(self.faces)]

    def nearest(self, frame: int) -> SeenFace:
        """Their face in the frame that lies nearest to another."""
        return self.faces[min(self.faces, key=lambda n: (abs(n - frame), n))]


def _distance(one: SeenFace, other: SeenFace) -> float:
    """In sides of the larger face; infinite where the sizes do not fit."""
    larger, smaller = max(one.side, other.side), max(min(one.side, other.side), 1e-6)
    if larger / smaller > _SIZES:
        return math.inf
    return math.hypot(one.x - other.x, one.y - other.y) / larger


def match(seen: Mapping[int, Sequence[SeenFace]]) -> list[Person]:
    """Put the faces of one person together.

    Args:
        seen: the faces of frames by the frame's place, in the order in which they were taken;
            frames that were not looked at are left out.

    Returns:
        Those who are in enough of the frames, from left to right.
    """
    people: list[Person] = []
    for frame, faces in sorted(seen.items()):
        pairs = sorted(
            (_distance(face, last), n, m)
            for n, face in enumerate(faces)
            for m, person in enumerate(people)
            for last in [person.latest]
        )
        taken_faces: set[int] = set()
        taken_people: set[int] = set()
        for distance, n, m in pairs:
            if distance <= _REACH and n not in taken_faces and m not in taken_people:
                people[m].faces[frame] = faces[n]
                taken_faces.add(n)
                taken_people.add(m)
        for n, face in enumerate(faces):
            if n in taken_faces:
                continue
            # Who is nowhere else in this frame may have jumped.
            free = [m for m in range(len(people)) if m not in taken_people]
            same = [m for m in free if _distance(face, people[m].latest) < math.inf]
            if same:
                m = min(same, key=lambda m: _distance(face, people[m].latest))
                people[m].faces[frame] = face
                taken_people.add(m)
            else:
                taken_people.add(len(people))
                people.append(Person({frame: face}))
    often = max(2.0 if len(seen) > 2 else 1.0, _OFTEN * len(seen))
    return sorted((p for p in people if len(p.faces) >= often), key=lambda p: p.middle)


def called(people: Sequence[Person], n: int) -> str:
    """What a person is called, by their place in the picture; nothing where they are alone."""
    count = len(people)
    if count < 2:
        return ""
    if count <= 3:
        names = ("left", "right") if count == 2 else ("left", "middle", "right")
        return f"{names[n]} person"
    return f"person {n + 1} from the left"
