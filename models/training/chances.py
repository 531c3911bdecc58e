"""How often each thing befalls a training shot, and the dice that decide it."""

from __future__ import annotations

import zlib
from dataclasses import dataclass, fields, replace

import numpy as np

from models.errors import PosewallError
from models.training.subjects import Random


@dataclass(frozen=True)
class Chances:
    """Probabilities, each from 0 to 1.

    Attributes:
        drawn: a drawing of discs and strands takes the rendered subject's place.
        beside: a second subject beside, before or behind the first.
        nobody: the screen alone, perhaps with the shadow of somebody out of sight.
        everybody: a close-up that is larger than the frame.
        dyed: parts in a colour near the screen's, or white or grey.
        matched: a garment has the colour of the sheer cloth beside it.
        patterned: a print on the whole or a part, over its partial pixels too.
        unspilled: a rendered subject has no spill.
        mirroring: solid parts reflect the screen.
        strands: hair and spokes over the subject's outline.
        veiled: a sheer layer over, behind and beyond a part of the subject.
        blurred: by motion, or a lens out of focus.
        shadow: the subject darkens the screen, and the floor where one is seen.
        wrinkles: drapes, creases or crumples.
        seams: lines where two lengths of cloth meet.
        marks: tape and crosses on the screen.
        floor: the screen goes on below as a floor of another brightness.
        ending: the screen ends inside the frame, before a wall or a stand.
        plate: there is a clean plate.
        wrong_plate: of the plates, those of another level, evenness, tint or place.
        noise: of photons and of the sensor.
        curve: another white balance and tone curve.
        sharpened: as cameras do.
        jpeg: coded so; as are the next three, of which one shot has at most one.
        subsampled: Y'CbCr 4:2:0 of 8 bits.
        subsampled_10bit: Y'CbCr 4:2:0 of 10 bits.
        h264: a video's second frame.
    """

    drawn: float = 0.12
    beside: float = 0.12
    nobody: float = 0.04
    everybody: float = 0.06
    dyed: float = 0.25
    matched: float = 0.3
    patterned: float = 0.35
    unspilled: float = 0.12
    mirroring: float = 0.25
    strands: float = 0.15
    veiled: float = 0.2
    blurred: float = 0.2
    shadow: float = 0.5
    wrinkles: float = 0.3
    seams: float = 0.1
    marks: float = 0.1
    floor: float = 0.12
    ending: float = 0.1
    plate: float = 0.5
    wrong_plate: float = 0.5
    noise: float = 0.4
    curve: float = 0.2
    sharpened: float = 0.3
    jpeg: float = 0.25
    subsampled: float = 0.2
    subsampled_10bit: float = 0.12
    h264: float = 0.2

    def __post_init__(self) -> None:
        for name in names():
            if not 0 <= getattr(self, name) <= 1:
                raise PosewallError(f"chance {name}: got {getattr(self, name)}; need 0 to 1")

    def without(self, *left_out: str) -> Chances:
        """The same with some at 0.

        Raises:
            PosewallError: one of these names is no chance.
        """
        for name in left_out:
            if name not in names():
                raise PosewallError(f"{name}: no such chance; there are {', '.join(names())}")
        return replace(self, **dict.fromkeys(left_out, 0.0))

    def having(self, *others: str) -> Chances:
        """The same with some at another share.

        Args:
            others: NAME=SHARE of each.

        Raises:
            PosewallError: one of them is none, or no share.
        """
        shares = {}
        for told in others:
            name, _, share = told.partition("=")
            try:
                shares[name] = float(share)
            except ValueError as e:
                raise PosewallError(f"chance {told}: need NAME=SHARE, such as noise=0.2") from e
        self.without(*shares)  # refuses unknown names
        return replace(self, **shares)


def names() -> list[str]:
    """What may befall a shot."""
    return [f.name for f in fields(Chances)]


USUAL = Chances()
"""What training takes."""


@dataclass(frozen=True)
class Dice:
    """Randomness of one shot: each purpose has its own, so that one chance more or less leaves
    everything else as it was.

    Attributes:
        seed: of the shot, 0 or more.
        chances: how often each thing comes.
    """

    seed: int
    chances: Chances

    def of(self, purpose: str) -> Random:
        """Random numbers for a purpose, the same each time they are asked for."""
        return np.random.default_rng([self.seed, zlib.crc32(purpose.encode())])

    def fall(self, name: str) -> Random | None:
        """Random numbers for what a chance brings; None where it does not come."""
        r = self.of(name)
        return r if r.random() < getattr(self.chances, name) else None

    def one_of(self, *exclusive: str) -> str | None:
        """Which of some chances comes, of which only one can."""
        share = np.array([getattr(self.chances, n) for n in exclusive], np.float64)
        share /= max(1.0, share.sum())
        at = int(np.searchsorted(np.cumsum(share), self.of(" ".join(exclusive)).random(), "right"))
        return exclusive[at] if at < len(exclusive) else None
