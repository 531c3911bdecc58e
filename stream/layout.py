"""Where things lie in an event's folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class EventPaths:
    """Where things lie below the event's folder."""

    root: Path

    @property
    def config(self) -> Path:
        return self.root / "event.toml"

    @property
    def rosters(self) -> tuple[Path, Path]:
        """Where a roster may lie, by its kind."""
        return self.root / "roster.csv", self.root / "roster.xlsx"

    @property
    def roster(self) -> Path:
        """The roster that is there, roster.csv where there is none."""
        csv, xlsx = self.rosters
        return xlsx if xlsx.exists() and not csv.exists() else csv

    @property
    def orders(self) -> Path:
        return self.root / "orders.csv"

    @property
    def numbers(self) -> Path:
        """The numbers given to the people of a roster that has none."""
        return self.root / "roster-numbers.csv"

    @property
    def upcoming(self) -> Path:
        """Who is in the next picture."""
        return self.root / "next.json"

    @property
    def templates(self) -> Path:
        return self.root / "templates"

    @property
    def template_versions(self) -> Path:
        return self.root / "template-versions"

    @property
    def flattened(self) -> Path:
        """Finished parts of templates, made again when they are gone."""
        return self.root / ".flattened"

    @property
    def plates(self) -> Path:
        return self.root / "plates"

    @property
    def shots(self) -> Path:
        return self.root / "shots"

    @property
    def pictures(self) -> Path:
        return self.root / "pictures"

    @property
    def takes(self) -> Path:
        return self.root / "takes"

    @property
    def films(self) -> Path:
        return self.root / "films"

    @property
    def film_work(self) -> Path:
        """Pieces of films in work, by take and render; they may be deleted at any time."""
        return self.root / ".films"

    @property
    def pace(self) -> Path:
        """How long the last greetings took to make; may be deleted at any time."""
        return self.root / ".pace.json"

    @property
    def sheets(self) -> Path:
        """Sheets and contact sheets; made when one is asked for."""
        return self.root / "sheets"

    @property
    def queue(self) -> Path:
        return self.root / "queue.sqlite"

    @property
    def log(self) -> Path:
        return self.root / "posewall.log"

    @property
    def live(self) -> Path:
        return self.root / "live.json"

    @property
    def lock(self) -> Path:
        """Held while a shot, plate or take gets its number, or its record changes."""
        return self.root / ".shots.lock"

    @property
    def folders(self) -> tuple[Path, ...]:
        kept = self.templates, self.template_versions, self.plates, self.shots, self.pictures
        return (*kept, self.takes, self.films)
