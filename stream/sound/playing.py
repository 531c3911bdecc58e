"""How music plays under a film: how loud beside the voice, and when."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Playing:
    """How it plays.

    Attributes:
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

    under_lu: float = 18.0
    pause_lu: float = 12.0
    card_lu: float = 3.0
    fade_in_s: float = 0.8
    fade_out_s: float = 2.0
    loop: bool = True
    from_s: float = 0.0
    to_s: float | None = None
    begin_s: float = 0.0
