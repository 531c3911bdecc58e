"""What the [film] part of template.toml says: how a template shows a take as a film.

A template without that part serves films as well: `Film()` is the usual behaviour.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from models.blend import Mode
from stream.sound.loudness import TARGET_LUFS
from stream.sound.playing import Playing
from stream.template.clip_file import ClipFacts
from stream.template.layers import Layer
from stream.template.reading import Box
from stream.template.slots import Slot
from stream.template.wording import Text

PARTS = ("in", "take", "out")
"""The parts of a film: the card before the take, the take, the card after it."""
SINCE = ("start", "take", "take end", "end")
"""What times of key times count from."""
PLACES = ("above", "below", "instead")
TOP = "top"
ENDS = ("loop", "hold", "stop")
FITS = ("cover", "contain", "stretch")
# chosen: long enough to be seen as a fade, short enough that no word is lost in it.
FADE_S = 0.4


@dataclass(frozen=True)
class Key:
    """How a layer stands at one time, against how it was designed.

    Attributes:
        at_s: seconds since what the move counts from; less than 0 is before it.
        opacity: of its own opacity, in [0, 1].
        x: canvas pixels to the right.
        y: canvas pixels down.
        scale: about its middle.
        smooth: the way here begins and ends gently; False: at one speed.
    """

    at_s: float
    opacity: float = 1.0
    x: float = 0.0
    y: float = 0.0
    scale: float = 1.0
    smooth: bool = True


@dataclass(frozen=True)
class Move:
    """What a layer or words do over time.

    Attributes:
        of: their name; words are called by their value.
        since: one of `SINCE`.
        keys: in the order of their times.
        only: the one shape that it is for; None for all.
    """

    of: str
    since: str
    keys: tuple[Key, ...]
    only: str | None = None


@dataclass(frozen=True)
class Card:
    """What is shown before or after the take.

    Attributes:
        seconds: how long; 0: there is none.
        fade_s: seconds of the take in which card and take fade into each other.
        show: names of the still's layers and words that are seen on it; None: all of them.
    """

    seconds: float = 0.0
    fade_s: float = FADE_S
    show: tuple[str, ...] | None = None


@dataclass(frozen=True)
class FilmLayer:
    """A clip or a picture that is seen in films alone.

    Attributes:
        name: what moves call it.
        file: inside the template's folder.
        place: one of `PLACES`, or `TOP`: over everything.
        of: the layer that the place is about; empty for `TOP`.
        mode: how it meets what lies below.
        opacity: in [0, 1].
        box: x, y, width, height in canvas pixels; None: all that the film shows of the canvas.
        fit: one of `FITS`.
        ends: what a clip does at its end, one of `ENDS`.
        since: what its time counts from, one of `SINCE`.
        at_s: seconds after that; before, its first frame stands.
        alpha: "straight", "premultiplied", "none", or None: straight where the file has alpha.
        during: parts of the film in which it is seen.
        only: the one shape that it is for; None for all.
    """

    name: str
    file: str
    place: str
    of: str
    mode: Mode = Mode.NORMAL
    opacity: float = 1.0
    box: Box | None = None
    fit: str = "cover"
    ends: str = "loop"
    since: str = "start"
    at_s: float = 0.0
    alpha: str | None = None
    during: tuple[str, ...] = PARTS
    only: str | None = None

    @property
    def label(self) -> str:
        """How a person finds it in template.toml."""
        return f'[[film.layer]] "{self.name}"'


@dataclass(frozen=True)
class FilmText:
    """Words that are written in films alone.

    Attributes:
        text: what and where.
        during: parts of the film in which they are seen.
        only: the one shape that they are for; None for all.
    """

    text: Text
    during: tuple[str, ...] = PARTS
    only: str | None = None


@dataclass(frozen=True)
class View:
    """What one shape shows of the canvas.

    Attributes:
        window: x, y, width, height in canvas pixels; None: the canvas without its bleed.
        sides: colour of what lies beside the window, sRGB in [0, 1]; None: the background again,
            enlarged, blurred and darkened.
        slots: where subjects stand in this shape; None: as in the still.
    """

    window: Box | None = None
    sides: tuple[float, float, float] | None = None
    slots: tuple[Slot, ...] | None = None


@dataclass(frozen=True)
class FilmMusic:
    """Music under the voice.

    Attributes:
        file: inside the template's folder.
        plays: how and when.
    """

    file: str
    plays: Playing


@dataclass(frozen=True)
class Film:
    """How a template shows a take as a film.

    Attributes:
        views: by the shape's name; a shape that is missing is shown as usual.
        opening: the card before the take.
        closing: the card after it.
        layers: clips and pictures.
        texts: words.
        moves: what moves.
        music: what plays; None for none.
        loudness: target of the whole film, LUFS.
        clips: facts of the layers' clips, by file.
        stills: the layers' pictures, by file.
        paths: where the files lie, by file.
    """

    views: Mapping[str, View] = field(default_factory=dict)
    opening: Card = Card()
    closing: Card = Card()
    layers: tuple[FilmLayer, ...] = ()
    texts: tuple[FilmText, ...] = ()
    moves: tuple[Move, ...] = ()
    music: FilmMusic | None = None
    loudness: float = TARGET_LUFS
    clips: Mapping[str, ClipFacts] = field(default_factory=dict)
    stills: Mapping[str, Layer] = field(default_factory=dict)
    paths: Mapping[str, Path] = field(default_factory=dict)

    @property
    def columns(self) -> tuple[str, ...]:
        """The roster columns that its own words show, each once."""
        return tuple(dict.fromkeys(c for t in self.texts for c in t.text.columns))

    def view(self, shape: str) -> View:
        """What a shape shows."""
        return self.views.get(shape, View())
