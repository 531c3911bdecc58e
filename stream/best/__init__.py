"""The best frame of a burst: ranked by what people look for, with reasons and a contact strip."""

from __future__ import annotations

from stream.best.ranking import Judged as Judged
from stream.best.ranking import Ranking as Ranking
from stream.best.ranking import rank as rank
from stream.best.strip import contact_strip as contact_strip

__all__ = ["Judged", "Ranking", "contact_strip", "rank"]
