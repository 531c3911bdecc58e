"""The invented event: a village on an invented lake keeps its lantern and harvest days.

Tarnelow, its lake, its groups and its people exist nowhere.
"""

from __future__ import annotations

from pathlib import Path

EVENT_NAME = "Tarnelow Lantern and Harvest Days"
EVENING = "lantern-night"
DAYLIGHT = "harvest-paper"

HERE = Path(__file__).parent
FONTS = HERE / "fonts"
SUBJECT = HERE / "subject"
ROSTER = HERE / "roster.csv"
