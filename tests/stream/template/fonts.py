"""The program's own fonts, for the tests of this folder."""

from __future__ import annotations

from stream.template.loader import BUNDLED
from stream.template.typeface import Typeface, chained

SANS = Typeface("DejaVuSans.ttf", (BUNDLED / "fonts" / "DejaVuSans.ttf").read_bytes())
BOLD = Typeface("DejaVuSans-Bold.ttf", (BUNDLED / "fonts" / "DejaVuSans-Bold.ttf").read_bytes())
BOLD_THEN_SANS = chained([BOLD, SANS])
# A letter of mathematics that DejaVu Sans 2.37 has and its bold lacks.
ONLY_SANS = "\U0001d5a0"
