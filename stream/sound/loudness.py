"""How loud sound is, by the standards' meter, and what a film's sound came to.

Sources: ITU-R BS.1770-5 (loudness: K-weighting, blocks of .4 s, gates at -70 LUFS and 10 LU below
the mean of the rest; true peak by four-fold oversampling), EBU R 128 and EBU Tech 3341 (momentary,
short-term and integrated loudness). The media library's meter follows them; tests hold it to the
signals of Tech 3341. -16 LUFS for phones and a true peak of at most -1 dBTP: AES TD1008 (2021) for
sound that is heard over the network; common practice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from stream.sound.filters import Filters
from stream.sound.placing import place
from stream.sound.samples import RATE, Block, Spool
from stream.sound.sound_file import read_sound
from stream.sound.timeline import end_s

TARGET_LUFS = -16.0
CEILING_DBTP = -1.0
# The meter looks ten times a second, Tech 3341; below its first gate all is silence.
STEP_S = 0.1
SILENT_LUFS = -70.0


@dataclass(frozen=True)
class Loudness:
    """What a film's sound came to.

    Attributes:
        integrated_lufs: of the whole; None where nothing is to be heard.
        true_peak_dbtp: of the whole; None where nothing is to be heard.
        raised_db: by how much the take's own sound was raised in the mean, negative where it was
            lowered; None without one.
        notes: for people, a sentence each.
    """

    integrated_lufs: float | None
    true_peak_dbtp: float | None
    raised_db: float | None = None
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Reading:
    """What a meter showed.

    Attributes:
        integrated_lufs: of the whole, gated; None where all of it is silence.
        true_peak_dbtp: None where it was not asked for, or nothing is to be heard.
        momentary_lufs: (N,) of the .4 s around each tenth of a second, its middle the tenth's end
            less .2 s; -inf for nothing.
    """

    integrated_lufs: float | None
    true_peak_dbtp: float | None
    momentary_lufs: NDArray[np.float64]


class Meter:
    """A meter that samples are shown to, in order."""

    def __init__(self, true_peak: bool = True) -> None:
        """Make one; ``true_peak`` costs four times as much."""
        peak = "true" if true_peak else "none"
        self._filters = Filters([("ebur128", f"metadata=1:framelog=quiet:peak={peak}")])
        self._samples = 0
        self._momentary: list[float] = []
        self._last: dict[str, str] = {}

    def add(self, block: Block) -> None:
        """Show samples, (2, N) float32."""
        self._samples += block.shape[1]
        for _, said in self._filters.push(block):
            self._note(said)

    def _note(self, said: dict[str, str]) -> None:
        if "lavfi.r128.M" in said:
            self._last = said
            value = float(said["lavfi.r128.M"])
            self._momentary.append(value if value > -120.0 else -math.inf)

    def _value(self, name: str) -> float:
        value = float(self._last.get(f"lavfi.r128.{name}", "-inf"))
        return -math.inf if math.isnan(value) else value

    def close(self) -> Reading:
        """What it showed in the end. Sound of less than .4 s is measured as if silence followed."""
        step = round(STEP_S * RATE)
        # Whole tenths, so that the last samples count.
        least = 4 * step if self._samples else 0
        rest = max(least - self._samples, -self._samples % step)
        if rest:
            self.add(np.zeros((2, rest), np.float32))
        for _, said in self._filters.close():
            self._note(said)
        loud, peak = self._value("I"), self._value("true_peak")
        return Reading(
            loud if loud > SILENT_LUFS else None,
            20.0 * math.log10(peak) if peak > 0.0 else None,
            np.array(self._momentary),
        )


def measure(path: Path, folder: Path | None = None) -> Reading:
    """Loudness and true peak of a file's sound.

    Args:
        path: any file with sound.
        folder: on whose disk the samples may lie meanwhile; None is the file's own.

    Raises:
        SoundError: it cannot be read or holds no sound.
    """
    with Spool(folder or path.parent) as heard, Spool(folder or path.parent) as placed:
        marks = read_sound(path, heard)
        place(heard, marks, 0.0, end_s(marks), placed)
        meter = Meter()
        for block in placed.blocks():
            meter.add(block)
        return meter.close()
