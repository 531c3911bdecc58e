"""Names of people as file names: any text in, one safe name out.

Sources: Windows' rules for naming files (reserved characters and device names, no dot or space
at the end); POSIX.1-2017 NAME_MAX, 255 bytes on the file systems in use; Unicode Annex 15 (NFC).
"""

from __future__ import annotations

import unicodedata

RESERVED_CHARACTERS = frozenset('<>:"/\\|?*')
DEVICES = frozenset(
    ["CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"]
    + [f"{port}{n}" for port in ("COM", "LPT") for n in "0123456789¹²³"]
)
# chosen: leaves room in 255 bytes for a number, an extension and the name of a partial file.
LONGEST_BYTES = 120


def safe_name(text: str, longest: int = LONGEST_BYTES) -> str:
    """A name that every file system takes and that stays inside its folder.

    Letters of every script, marks, digits and common signs stay; separators, control and
    invisible direction characters go. May be empty, where nothing usable is left.

    Args:
        text: anything.
        longest: bytes of UTF-8.

    Returns:
        NFC text of at most ``longest`` bytes of UTF-8 and an underscore, spaces as '-'.
    """
    kept: list[str] = []
    for char in unicodedata.normalize("NFC", text):
        category = unicodedata.category(char)
        if char in RESERVED_CHARACTERS or category in ("Cc", "Zl", "Zp"):
            kept.append(" ")
        elif category not in ("Cf", "Cs", "Co", "Cn"):
            kept.append(" " if category == "Zs" else char)
    name = "-".join("".join(kept).split())
    # Cut whole characters; marks that lost nothing stay with their letter in NFC.
    name = name.encode()[:longest].decode(errors="ignore").strip(".-~ ")
    if name.split(".")[0].rstrip().upper() in DEVICES:
        name = f"_{name}"
    return unicodedata.normalize("NFC", name)


def stays_below(name: str) -> bool:
    """Whether a file's name stays inside its folder; a slash separates folders in it."""
    parts = name.split("/")
    return all(p and p not in (".", "..") and not set(p) & set("\\:\0") for p in parts)
