"""The figures as Markdown: means first, then every scene; what misses a bar is marked."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from statistics import fmean
from typing import Any

from scripts.scoring import Row

SHOWN = ("SAD", "Grad", "band", "haze", "holes", "dE00", "dE00_out")
CLIP_SHOWN = ("SAD", "band", "dtSSD")
MEAN = "mean"
Key = tuple[str, str, bool, str]


@dataclass
class Marks:
    """Bars, and what was held against them."""

    bars: dict[str, Any]
    held: int = 0
    missed: list[str] = field(default_factory=list)

    def bar(self, *path: str) -> float | None:
        """The bar at a path of the file, or None."""
        here: Any = self.bars
        for name in path:
            if not isinstance(here, dict) or name not in here:
                return None
            here = here[name]
        return float(here)

    def show(self, what: str, value: float, bar: float | None) -> str:
        """A figure for a table cell: bold, with the bar behind it, where it lies above."""
        text = shown(value)
        if bar is None:
            return text
        self.held += 1
        if value <= bar:
            return text
        if float(text) <= bar:
            text = f"{value:.6g}"
        self.missed.append(f"{what}: {text}, bar {bar:g}")
        return f"**{text}** ({bar:g})"


def shown(value: float) -> str:
    """Three digits, at most four decimals, no exponent."""
    if abs(value) >= 100:
        return f"{value:.1f}"
    if abs(value) >= 0.1:
        return f"{value:.3g}"
    return f"{value:.4f}".rstrip("0").rstrip(".")


def key(row: Row) -> Key:
    """What a mean is taken over the scenes of."""
    return row.kind, row.variant, row.plate, row.grade


def grouped(rows: Iterable[Row]) -> dict[Key, list[Row]]:
    """Rows that have figures, by what they have in common."""
    groups: dict[Key, list[Row]] = {}
    for row in rows:
        if not row.error:
            groups.setdefault(key(row), []).append(row)
    return groups


def means(rows: Iterable[Row]) -> dict[Key, dict[str, float]]:
    """Mean figures over the scenes, and the mean seconds as ``s``."""
    return {
        k: {
            **{name: fmean(r.figures[name] for r in group) for name in group[0].figures},
            "s": fmean(r.seconds for r in group),
        }
        for k, group in grouped(rows).items()
    }


def table(head: Sequence[str], lines: Iterable[Sequence[str]]) -> list[str]:
    """A Markdown table; the first column is words, the others are figures."""
    rule = ["---", *["---:"] * (len(head) - 1)]
    return [f"| {' | '.join(cells)} |" for cells in (head, rule, *lines)]


def _how(plate: bool, grade: str) -> str:
    return f"{grade}, {'plate' if plate else 'no plate'}"


def _variants(rows: Iterable[Row], kind: str) -> list[str]:
    return list(dict.fromkeys(r.variant for r in rows if r.kind == kind))


def _ratio(
    groups: dict[Key, list[Row]], above: Key, below: Key, marks: Marks, name: str
) -> tuple[str, str]:
    """SAD of one over the other: of the means over the scenes that both have, and the largest."""
    over = {r.scene: r.figures["SAD"] for r in groups.get(above, [])}
    under = {r.scene: r.figures["SAD"] for r in groups.get(below, [])}
    both = [s for s in under if s in over and under[s] > 0]
    if not both:
        return "", ""
    value = sum(over[s] for s in both) / sum(under[s] for s in both)
    worst = max(both, key=lambda s: over[s] / under[s])
    cell = marks.show(f"{above[1]} SAD, {name}", value, marks.bar("ratios", name))
    return cell, f"{shown(over[worst] / under[worst])} {worst.split('_')[0]}"


def stills_means(rows: list[Row], marks: Marks) -> list[str]:
    """The mean of the scenes of every variant, final grade with plate, and the ratios."""
    groups, mean = grouped(rows), means(rows)
    lines = []
    for variant in _variants(rows, "still"):
        at = ("still", variant, True, "final")
        cells = [variant]
        for name in SHOWN:
            if at not in mean or name not in mean[at]:
                cells.append("")
                continue
            bar = marks.bar("stills", variant, name)
            bar = marks.bar("everywhere", name) if bar is None else bar
            cells.append(marks.show(f"{variant} {name}", mean[at][name], bar))
        cells += _ratio(groups, ("still", variant, False, "final"), at, marks, "no_plate")
        cells += _ratio(groups, ("still", variant, True, "live"), at, marks, "live")
        lines.append(cells)
    if not lines:
        return []
    head = ["variant", *SHOWN, "no plate / plate", "its worst", "live / final", "its worst"]
    words = "Final grade, with plate; the last columns are ratios of SAD."
    return ["## Stills, mean of the scenes", "", words, "", *table(head, lines), ""]


def stills_scenes(rows: list[Row], marks: Marks) -> list[str]:
    """Every scene, variant by variant."""
    mean, out = means(rows), []
    times, coloured = marks.bar("colour", "times"), marks.bars.get("colour", {}).get("variant")
    for variant in _variants(rows, "still"):
        lines = []
        mine = [r for r in rows if r.kind == "still" and r.variant == variant]
        for how in dict.fromkeys((r.plate, r.grade) for r in mine):
            for row in (r for r in mine if (r.plate, r.grade) == how):
                cells = [row.scene, _how(*how)]
                for name in SHOWN:
                    bar = marks.bar("colour", "floor", row.scene) if name == "dE00" else None
                    if bar is None or times is None or (variant, *how) != (coloured, True, "final"):
                        bar = None
                    else:
                        bar = round(bar * times, 3)
                    value = row.figures.get(name)
                    what = f"{variant} {row.scene} {name}"
                    cells.append("failed" if value is None else marks.show(what, value, bar))
                lines.append(cells)
            figures = mean.get(("still", variant, *how))
            if figures:
                values = (shown(figures[n]) if n in figures else "" for n in SHOWN)
                lines.append([MEAN, _how(*how), *values])
        out += [f"### {variant}", "", *table(["scene", "cut", *SHOWN], lines), ""]
    return ["## Stills, every scene", "", *out] if out else []


def clips(rows: list[Row], marks: Marks) -> list[str]:
    """Clips, and their mean where there are several."""
    mean, lines = means(rows), []
    for (kind, variant, plate, grade), group in grouped(rows).items():
        if kind != "clip":
            continue
        how = _how(plate, grade)
        if len(group) > 1:
            for r in group:
                lines.append([r.scene, variant, how, *(shown(r.figures[n]) for n in CLIP_SHOWN)])
        cells = [MEAN if len(group) > 1 else group[0].scene, variant, how]
        for name in CLIP_SHOWN:
            bar = marks.bar("clips", variant, name) if (plate, grade) == (True, "final") else None
            value = mean[(kind, variant, plate, grade)][name]
            cells.append(marks.show(f"{variant} {name}", value, bar))
        lines.append(cells)
    head = ["clip", "coded", "cut", *CLIP_SHOWN]
    return ["## Clips", "", *table(head, lines), ""] if lines else []


def closed_form(rows: list[Row], marks: Marks) -> list[str]:
    """Band error and seconds, beside closed-form matting that is given the true trimap."""
    mine = [r for r in rows if r.kind == "closed form" and not r.error]
    if not mine:
        return []
    mean, ways = means(mine), list(dict.fromkeys(r.grade for r in mine))
    names = ["Posewall" if w == "final" else w for w in ways]
    lines = []
    for scene in dict.fromkeys(r.scene for r in mine):
        found = {r.grade: r for r in mine if r.scene == scene}
        cells = [scene]
        for way in ways:
            r = found.get(way)
            cells += ["", ""] if r is None else [shown(r.figures["band"]), f"{r.seconds:.1f}"]
        lines.append(cells)
    by_way = {k[3]: v for k, v in mean.items()}
    cells = [MEAN]
    others = [by_way[w]["band"] for w in ways if w != "final"]
    for way in ways:
        bar, times = None, marks.bar("closed_form", "band")
        if way == "final" and others and times is not None:
            bar = round(min(others) * times, 4)
        cells.append(marks.show("band beside closed form", by_way[way]["band"], bar))
        cells.append(f"{by_way[way]['s']:.1f}")
    head = ["scene", *(x for n in names for x in (f"{n}: band", "seconds"))]
    words = (
        f"{mine[0].variant}, final grade with plate, beside pymatting's closed form, which is "
        "given the true alpha's trimap and was run on linear light and on encoded values. "
        "Posewall's seconds include reading and writing the files; each runs in one worker process."
    )
    return ["## Beside closed-form matting", "", words, "", *table(head, [*lines, cells]), ""]


def compared(rows: list[Row], base: list[Row]) -> list[str]:
    """Means now over those of an earlier run, over the scenes that both have."""
    now, then = grouped(rows), grouped(base)
    names = ("SAD", "Grad", "band", "dE00", "dtSSD")
    lines = []
    for at, group in now.items():
        earlier = {r.scene: r.figures for r in then.get(at, [])}
        both = [r for r in group if r.scene in earlier]
        if not both or (at[0] == "closed form" and at[3] != "final"):
            continue
        cells = [f"{at[1]}{' (closed form)' if at[0] == 'closed form' else ''}", _how(*at[2:])]
        for name in names:
            if not all(name in r.figures and name in earlier[r.scene] for r in both):
                cells.append("")
                continue
            old = fmean(earlier[r.scene][name] for r in both)
            new = fmean(r.figures[name] for r in both)
            change = f"{100 * (new / old - 1):+.1f} %" if old else "new"
            cells.append(f"{shown(old)} → {shown(new)} ({change})")
        lines.append(cells)
    head = ["variant", "cut", *names]
    return ["## Against the earlier run", "", *table(head, lines), ""] if lines else []


def notes(rows: list[Row], marks: Marks) -> list[str]:
    """What misses its bar, what failed, and what the command said."""

    def listed(title: str, lines: list[str]) -> Iterator[str]:
        if lines:
            yield from (title, "", *(f"- {x}" for x in lines), "")

    def named(r: Row) -> str:
        return f"{r.scene} {r.variant}, {_how(r.plate, r.grade)}"

    count = f"{len(marks.missed)} of {marks.held} figures miss their bar."
    out = [count, ""] if marks.held else []
    out += listed("## Misses", marks.missed)
    out += listed("## Failed", [f"{named(r)}: {r.error}" for r in rows if r.error])
    return out + list(listed("## Said", [f"{named(r)}: {r.said}" for r in rows if r.said]))
