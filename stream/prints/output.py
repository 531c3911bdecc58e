"""What kind of file pictures are handed on as: ``[pictures]`` of event.toml."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from stream.color_profile import INTENTS
from stream.errors import UserError
from stream.prints.icc import Profile, read_profile, srgb
from stream.prints.naming import USUAL, Pattern
from stream.template.reading import Reader

ENDINGS = {
    "jpeg": ".jpg", "tiff": ".tif", "tiff16": ".tif", "png": ".png", "png16": ".png", "pdf": ".pdf"
}  # fmt: skip
"""Each form, and how its files' names end."""
CHROMA = ("4:4:4", "4:2:2", "4:2:0")
BLEED = ("keep", "cut")
PDF = ("lossless", "jpeg")
# The usual one, at which blocks and rings do not show in print (*common practice*).
QUALITY = 95


@dataclass(frozen=True)
class Output:
    """How a finished picture becomes a file.

    Attributes:
        form: one of `ENDINGS`.
        quality: of JPEG, 1 to 100.
        chroma: of JPEG: how finely colour is kept, one of `CHROMA`.
        bleed: "keep" leaves the bleed on, "cut" takes it away.
        marks: crop marks around a PDF page.
        pdf: how a PDF holds the picture, "lossless" or "jpeg".
        profile: ICC file of printer or paper; None for sRGB.
        intent: rendering intent, one of `stream.color_profile.INTENTS`.
        black_point: black-point compensation.
        file_name: the pattern of the files' names.
        names: whether people's names may stand in the file.
    """

    form: str = "jpeg"
    quality: int = QUALITY
    chroma: str = "4:4:4"
    bleed: str = "keep"
    marks: bool = False
    pdf: str = "lossless"
    profile: Path | None = None
    intent: str = "relative"
    black_point: bool = True
    file_name: str = USUAL
    names: bool = False

    @property
    def ending(self) -> str:
        """Of the files' names, with its dot."""
        return ENDINGS[self.form]

    @property
    def depth(self) -> int:
        """Bits a channel that the file holds: what the picture should be rendered at."""
        return 16 if self.form.endswith("16") else 8

    @property
    def pattern(self) -> Pattern:
        """Of the files' names."""
        return Pattern.parse(self.file_name)

    def colors(self) -> Profile:
        """The profile that pictures are converted to.

        Raises:
            UserError: it cannot be used, or not for this form.
        """
        if self.profile is None:
            return srgb()
        profile = read_profile(self.profile)
        if profile.space == "cmyk" and self.form in ("png", "png16"):
            raise UserError(
                f"the colour profile {profile.name} is for CMYK, which PNG files cannot hold; "
                "choose tiff, pdf or jpeg, or an RGB profile"
            )
        return profile

    def said_form(self) -> str:
        """The form alone, for people: quality and chroma where it is JPEG."""
        jpeg = f"JPEG, quality {self.quality}, chroma {self.chroma}"
        return {
            "jpeg": jpeg,
            "tiff": "TIFF, 8 bits a channel",
            "tiff16": "TIFF, 16 bits a channel",
            "png": "PNG, 8 bits a channel",
            "png16": "PNG, 16 bits a channel",
            "pdf": f"PDF, {'lossless' if self.pdf == 'lossless' else jpeg}",
        }[self.form]

    def said(self) -> str:
        """In one line, for people."""
        words = [self.said_form()]
        if self.profile is None:
            words.append("sRGB")
        else:
            point = "with" if self.black_point else "without"
            words.append(f"{self.profile.name} ({self.intent}, {point} black-point compensation)")
        if self.marks:
            words.append("crop marks")
        words.append("bleed kept" if self.bleed == "keep" else "bleed cut away")
        return ", ".join(words)

    def check(self) -> None:
        """Try what can be tried before an evening.

        Raises:
            UserError: a value, the pattern or the profile cannot be used.
        """
        Output.from_table(self.to_table())
        self.colors()

    @classmethod
    def from_table(cls, table: Mapping[str, Any], folder: Path | None = None) -> Output:
        """Out of ``[pictures]``; what is missing is as usual.

        Args:
            table: the entries.
            folder: what the profile's place is told from: the event's.

        Raises:
            UserError: entries that cannot be used, all of them in one sentence.
        """
        problems: list[str] = []
        usual = {"black_point_compensation": True}
        read = Reader({**usual, **table}, "[pictures]", problems)
        output = cls(
            form=read.choice("form", tuple(ENDINGS), "jpeg"),
            quality=round(read.number("quality", QUALITY, low=1, high=100)),
            chroma=read.choice("chroma", CHROMA, "4:4:4"),
            bleed=read.choice("bleed", BLEED, "keep"),
            marks=read.flag("marks"),
            pdf=read.choice("pdf", PDF, "lossless"),
            intent=read.choice("intent", INTENTS, "relative"),
            black_point=read.flag("black_point_compensation"),
            file_name=read.text("file_name", USUAL),
            names=read.flag("names"),
        )
        if "profile" in table:
            named = Path(read.text("profile"))
            output = replace(output, profile=folder / named if folder else named)
        else:
            read.known.append("profile")
        if output.marks and output.form != "pdf":
            problems.append(f'[pictures]: crop marks need form = "pdf", not {output.form}')
        if output.file_name:
            try:
                Pattern.parse(output.file_name)
            except UserError as e:
                problems.append(f"[pictures]: {e}")
        read.close()
        if problems:
            raise UserError("event.toml, " + "; ".join(problems))
        return output

    def to_table(self, folder: Path | None = None) -> dict[str, Any]:
        """The reverse of `from_table`: only what is not as usual."""
        plain = {
            "form": self.form,
            "quality": self.quality,
            "chroma": self.chroma,
            "bleed": self.bleed,
            "marks": self.marks,
            "pdf": self.pdf,
            "intent": self.intent,
            "black_point_compensation": self.black_point,
            "file_name": self.file_name,
            "names": self.names,
        }
        base = Output()
        usual = {
            **{key: getattr(base, key) for key in plain if hasattr(base, key)},
            "black_point_compensation": base.black_point,
        }
        table: dict[str, Any] = {k: v for k, v in plain.items() if v != usual[k]}
        if self.profile is not None:
            inside = folder is not None and self.profile.is_relative_to(folder)
            named = self.profile.relative_to(folder) if inside and folder else self.profile
            table["profile"] = named.as_posix()
        return table
