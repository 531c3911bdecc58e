"""What is heard in a film beside the take's own sound, as its template says it."""

from __future__ import annotations

from dataclasses import dataclass

from stream.film.poses import Parts
from stream.sound.loudness import TARGET_LUFS
from stream.sound.music import Music
from stream.template.film import Film


@dataclass(frozen=True)
class SoundPlan:
    """Music, loudness, and where the take lies.

    Attributes:
        music: what plays under the voice; None for none.
        target_lufs: integrated loudness of the whole film.
        take_from_s: second of the film at which the take begins.
        take_to_s: second of the film at which it ends.
    """

    music: Music | None = None
    target_lufs: float = TARGET_LUFS
    take_from_s: float = 0.0
    take_to_s: float = 0.0


def sound_plan(film: Film, parts: Parts) -> SoundPlan:
    """The plan of a film.

    Args:
        film: of the template.
        parts: of the film.
    """
    music = None
    said = film.music
    if said is not None and said.file in film.paths:
        music = Music(film.paths[said.file], said.plays)
    return SoundPlan(music, film.loudness, parts.opening_s, parts.end_s)
