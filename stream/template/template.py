"""A template: layers, slots for subjects, words; and the scene that they make.

`stream.template.loader` reads one from its folder.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from models.composite import Scene
from models.figure import Figure
from models.flatten import Ink
from models.keyer import Placing
from models.resample import Placement
from stream.durable import commit_folder, partial_path, sync_folder
from stream.errors import UserError
from stream.template.arrange import Arrangement
from stream.template.codes import Code, CodeSetting, draw_code, set_code
from stream.template.files import TemplateFile as TemplateFile
from stream.template.files import copy_file
from stream.template.film import Film
from stream.template.inking import draw
from stream.template.kept import Parts, Store
from stream.template.layers import Layer, LayerGroup
from stream.template.nudge import Nudge
from stream.template.paper import PAPERS
from stream.template.scene import make_scene
from stream.template.slots import Slot
from stream.template.standing import Stand, cut_off_note, stand_notes
from stream.template.stripped import Stripped
from stream.template.text import Setting, fill_in, set_words
from stream.template.typeface import Typeface
from stream.template.wording import Text

# chosen: shapes that differ by less than this are told apart by nobody on paper.
SHAPE_TOLERANCE = 0.01
NO_NUDGE = Nudge()


def preview_size(picture: tuple[int, int], height: int) -> tuple[int, int]:
    """(H, W) of the preview: the picture's shape at ``height``, never larger than the print."""
    high = min(height, picture[0])
    return high, max(1, round(picture[1] * high / picture[0]))


@dataclass(frozen=True)
class Print:
    """How large a picture is.

    Attributes:
        size: (H, W) in pixels, the bleed included.
        bleed_px: picture pixels a side that are cut away.
        trim_in: (width, height) of the trimmed print in inches.
    """

    size: tuple[int, int]
    bleed_px: int
    trim_in: tuple[float, float]


@dataclass(frozen=True)
class Template:
    """A template, read and checked.

    Attributes:
        name: the folder's.
        version: hex digest of everything that decides how it looks.
        width: of the canvas, in pixels.
        height: of the canvas, in pixels.
        ppi: of the print.
        trim_size: (H, W) in pixels of the print once it is trimmed.
        trim_in: (width, height) of the trimmed print in inches.
        bleed_px: picture pixels from the top and the left edge to the trimmed print.
        safe_px: picture pixels from the trimmed edge to the safe area; 0 where none is given.
        slots: where subjects stand.
        texts: what is written.
        codes: the codes on it.
        layers: the document's, lowest first.
        notes: what is not wrong but worth knowing, a sentence each.
        files: everything that it is made of.
        film: how it shows a take as a film.
        arrangement: its layers, slots and words in one order.
    """

    name: str
    version: str
    width: int
    height: int
    ppi: float
    trim_size: tuple[int, int]
    trim_in: tuple[float, float]
    bleed_px: int
    safe_px: int
    slots: tuple[Slot, ...]
    texts: tuple[Text, ...]
    codes: tuple[Code, ...]
    layers: tuple[Layer | LayerGroup, ...]
    notes: tuple[str, ...]
    files: tuple[TemplateFile, ...]
    film: Film = field(repr=False, compare=False)
    _picture: tuple[int, int] = field(repr=False)
    arrangement: Arrangement = field(repr=False)
    _faces: Mapping[tuple[str, ...], Typeface] = field(repr=False, compare=False)
    _kept: Parts = field(repr=False, compare=False)

    @property
    def columns(self) -> tuple[str, ...]:
        """The roster columns that are written on it, each once."""
        written: tuple[Text | Code, ...] = (*self.texts, *self.codes)
        return tuple(dict.fromkeys(c for item in written for c in item.columns))

    def picture_size(self) -> tuple[int, int]:
        """(H, W) of the print at its pixels per inch, the bleed included."""
        return self._picture

    @property
    def own_print(self) -> Print:
        """How large a picture of it is as it was designed."""
        return Print(self._picture, self.bleed_px, self.trim_in)

    def print_as(self, paper: str | None) -> Print | None:
        """How large a picture of it is on a paper.

        Args:
            paper: a name in `PAPERS`; None for its own size.

        Returns:
            None where the paper has another shape.
        """
        wide, high = self.trim_in
        if paper is None:
            return self.own_print
        sheet = PAPERS[paper]
        short, long = sorted((sheet.width_in, sheet.height_in))
        width, height = (long, short) if wide > high else (short, long)
        grown = width / wide
        if abs(height / high / grown - 1) > SHAPE_TOLERANCE:
            return None
        size = (max(1, round(self._picture[0] * grown)), max(1, round(self._picture[1] * grown)))
        if not self.bleed_px:
            return Print(size, 0, (width, height))
        # From the sizes themselves: half a pixel of the design's bleed is a whole one of twice it.
        trim = round(self.trim_size[0] * grown), round(self.trim_size[1] * grown)
        bleed = max(0, min(size[0] - trim[0], size[1] - trim[1]) // 2)
        return Print(size, bleed, (width, height))

    def scene(self, size: tuple[int, int], fields: Mapping[str, str], device: str = "cpu") -> Scene:
        """The template made ready for one picture.

        Args:
            size: (H, W) of the picture, of the template's shape (`preview_size` gives one).
            fields: roster columns of the person, by name; a column that is missing is left empty.
            device: where the tensors shall lie.

        Raises:
            UserError: ``size`` has another shape.
        """
        self._check_shape(size)
        canvas, drawn = (self.height, self.width), self.drawn(size, fields)
        return make_scene(self.arrangement, canvas, size, drawn, self._kept).to(device)

    def strips(
        self, size: tuple[int, int], fields: Mapping[str, str], device: str = "cpu"
    ) -> Stripped:
        """The same for a print that may be too large to be held whole.

        Args:
            size, fields, device: as in `scene`.

        Raises:
            UserError: ``size`` has another shape.
        """
        self._check_shape(size)
        canvas, drawn = (self.height, self.width), self.drawn(size, fields)
        return Stripped(self.arrangement, canvas, size, drawn, self._kept, device)

    def drawn(
        self, size: tuple[int, int], fields: Mapping[str, str]
    ) -> Callable[[Text | Code], Sequence[Ink]]:
        """What draws its words and codes for a person in a picture of (H, W)."""
        scale = (size[0] / self.height, size[1] / self.width)

        def draw_item(item: Text | Code) -> Sequence[Ink]:
            if isinstance(item, Code):
                return draw_code(item, self.code_setting(item, fields), scale)
            setting = self.setting(item, fields)
            return () if setting is None else draw(item, setting, scale, size)

        return draw_item

    def setting(self, text: Text, fields: Mapping[str, str]) -> Setting | None:
        """How one of its texts lies in its box for a person; None where it is empty."""
        canvas = (self.height, self.width)
        return set_words(text, fill_in(text, fields), self._faces[text.fonts], canvas)

    def code_setting(
        self, code: Code, fields: Mapping[str, str], size: tuple[int, int] | None = None
    ) -> CodeSetting:
        """How one of its codes lies in its box for a person.

        Args:
            code: one of `codes`.
            fields: roster columns of the person, by name.
            size: (H, W) of the print; None for its own size, to which smaller views keep.
        """
        high, wide = size or self._picture
        scale = (high / self.height, wide / self.width)
        return set_code(code, fields, scale, self.ppi)

    def scene_warnings(
        self, fields: Mapping[str, str], size: tuple[int, int] | None = None
    ) -> tuple[str, ...]:
        """What a person should look at in the words of one picture, a sentence each.

        Args:
            fields: roster columns of the person, by name.
            size: (H, W) of the print, on which the modules of a code may be too small; None for
                its own size.
        """
        out: list[str] = []
        if fields:
            out += [
                f'the roster has no column "{c}", which template "{self.name}" writes'
                for c in self.columns
                if c not in fields
            ]
        for text in self.texts:
            setting = self.setting(text, fields)
            out += setting.warnings if setting is not None else ()
        for code in self.codes:
            out += self.code_setting(code, fields, size).warnings
        return tuple(dict.fromkeys(out))

    @property
    def wants_figure(self) -> bool:
        """Whether a subject has to be found in its frame before it can be placed."""
        return any(slot.wants_figure for slot in self.slots)

    @property
    def shots(self) -> int:
        """How many shots a picture shows."""
        return max(slot.shows for slot in self.slots)

    def stand(self, size: tuple[int, int], slot: int = 0) -> Stand:
        """A slot in a picture of (H, W)."""
        wanted = self.slots[slot]
        x, y, w, h = wanted.box or (0.0, 0.0, float(self.width), float(self.height))
        sy, sx = size[0] / self.height, size[1] / self.width
        return Stand(wanted, (x * sx, y * sy, w * sx, h * sy), size, sy)

    def placement(
        self,
        frame_size: tuple[int, int],
        size: tuple[int, int],
        mirror: bool = False,
        figure: Figure | None = None,
        slot: int = 0,
        nudge: Nudge = NO_NUDGE,
    ) -> Placement:
        """Where a frame goes in a picture.

        Args:
            frame_size: (H, W) of the upright frame.
            size: (H, W) of the picture.
            mirror: flip the frame left to right, beside what the slot says.
            figure: the subject as it was found in the frame, for slots that want it; without it
                the frame is fitted instead, and `placement_notes` says so.
            slot: which of `slots`.
            nudge: moves the subject from there.
        """
        return self.stand(size, slot).place(frame_size, mirror, figure, nudge)

    def placing(
        self,
        frame_size: tuple[int, int],
        size: tuple[int, int],
        mirror: bool = False,
        slot: int = 0,
        nudge: Nudge = NO_NUDGE,
    ) -> Placing:
        """What `Keyer.place` wants: the placement, or what tells it from the figure.

        Args:
            frame_size, size, mirror, slot, nudge: as in `placement`.
        """
        stand = self.stand(size, slot)
        if not stand.slot.wants_figure:
            return stand.place(frame_size, mirror, None, nudge)
        return lambda figure: stand.place(frame_size, mirror, figure, nudge)

    def placement_notes(
        self,
        figure: Figure | None,
        slot: int = 0,
        *,
        frame_size: tuple[int, int] | None = None,
        size: tuple[int, int] | None = None,
        placement: Placement | None = None,
    ) -> tuple[str, ...]:
        """What a person should know of how a subject was placed, a sentence each.

        Args:
            figure: the subject as it was found in the frame.
            slot: which of `slots`.
            frame_size, size, placement: of what was placed; with them a subject that the frame
                cuts off in plain sight is told, too.
        """
        notes = stand_notes(self.slots[slot], figure)
        if frame_size is not None and size is not None and placement is not None:
            cut = cut_off_note(figure, frame_size, placement, size)
            notes = notes if cut is None else (*notes, cut)
        return notes

    def kept_in(self, store: Store) -> Template:
        """The same, with the parts that it makes in a store that others share."""
        return replace(self, _kept=store.of(self.version))

    def copy_to(self, folder: Path) -> None:
        """Copy everything that the template is made of, the program's own fonts included.

        The copy appears whole or not at all; one that is there already is left as it is.

        Raises:
            UserError: a file was changed after the template was read.
        """
        if folder.exists():
            return
        folder.parent.mkdir(parents=True, exist_ok=True)
        partial = partial_path(folder.parent)
        try:
            for file in self.files:
                target = partial / file.name
                target.parent.mkdir(parents=True, exist_ok=True)
                self._copy(file, target)
            commit_folder(partial, folder)
        except OSError:
            # Another process was first; the content is the same.
            if not folder.exists():
                raise
            sync_folder(folder.parent)
        finally:
            shutil.rmtree(partial, ignore_errors=True)

    def _copy(self, file: TemplateFile, target: Path) -> None:
        if not copy_file(file, target):
            raise UserError(
                f'{file.name} of template "{self.name}" was changed or removed since it was '
                "read; choose the template again"
            )

    def lying_in(self, folder: Path) -> Template:
        """The same with its clips and music read from a copy that `copy_to` made."""
        film = replace(self.film, paths={name: folder / name for name in self.film.paths})
        return replace(self, film=film)

    @property
    def parts(self) -> Parts:
        """What is kept of it from picture to picture."""
        return self._kept

    def _check_shape(self, size: tuple[int, int]) -> None:
        height, width = self._picture
        off = abs(size[1] - size[0] * width / height)
        if min(size) < 1 or off > max(1.0, 2 * SHAPE_TOLERANCE * size[1]):
            raise UserError(
                f'template "{self.name}" is {width} x {height} pixels and was asked for at '
                f"{size[1]} x {size[0]}, which is another shape; choose a size of its own shape"
            )
