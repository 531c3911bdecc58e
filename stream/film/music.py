"""Music of a greeting: which file, how loud beside the voice, where it comes and goes.

The levels are common practice for music under speech, and by ear: 15 to 20 LU under a voice it is
heard and every word is understood. Standards only ask that speech stays clear (EBU R 128 s1,
BBC guidance on background music name no figure).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stream.film.errors import SoundError
from stream.film.samples import RATE, Blocks, Spool
from stream.film.sound_file import read_sound
from stream.film.timeline import place

# chosen: what is looped is laid over its own beginning for so long, so that no gap or click is
# heard; a piece shorter than twice that is repeated end to end.
_CROSS_S = 0.05


@dataclass(frozen=True)
class Music:
    """What plays under a film.

    Attributes:
        path: a file with sound.
        under_lu: how far below the voice while somebody speaks, LU.
        pause_lu: how far below the voice while the take is seen and nobody speaks, LU.
        card_lu: how far below the voice's level where only a card is seen, LU.
        fade_in_s: seconds in which it comes.
        fade_out_s: seconds in which it goes, at its end.
        loop: whether it begins again where it is shorter than the film.
        from_s: second of the film at which it begins.
        to_s: second of the film at which it has ended; None is the film's end.
        begin_s: second of the file from which it is played.
    """

    path: Path
    under_lu: float = 18.0
    pause_lu: float = 12.0
    card_lu: float = 3.0
    fade_in_s: float = 0.8
    fade_out_s: float = 2.0
    loop: bool = True
    from_s: float = 0.0
    to_s: float | None = None
    begin_s: float = 0.0
