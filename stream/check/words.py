"""From numbers to what a photographer does: findings, each with a grade, a fact and an advice."""

from __future__ import annotations

import math
from dataclasses import dataclass

from models.evenness import Place
from models.screen import Hue
from models.screencheck import Report
from models.surround import Side
from stream.check import limits
from stream.check.limits import Grade

CAUTION = (
    "Before you move lamps or stands: switch hot lamps off and let them cool, weigh stands down "
    "with sand bags, tape or cover cables, keep lamps away from cloth. The venue's rules and local "
    "codes come first."
)
_STEP_STOPS = 2.0
"""chosen: the most that a lamp is to be changed at once; more is seen better after a new check."""
BASIS = "The limits are common practice, not a standard. Left and right are the picture's."


@dataclass(frozen=True)
class Finding:
    """One point of the check.

    Attributes:
        topic: what it is about.
        grade: how it stands.
        fact: what was measured, in one or two sentences.
        advice: what to change; empty where nothing is.
        at: where to look; None where it is everywhere.
        value: the number behind the grade.
        unit: of the number.
    """

    topic: str
    grade: Grade
    fact: str
    advice: str
    at: Place | None
    value: float
    unit: str


def named(place: Place) -> str:
    """A place as a part of the picture, such as "lower left"."""
    row = ("upper", "", "lower")[min(2, int(place.y * 3))]
    column = ("left", "", "right")[min(2, int(place.x * 3))]
    if row and column:
        return f"{row} {column}"
    return {"upper": "top", "lower": "bottom"}.get(row) or column or "centre"


def _stops(value: float) -> str:
    """A number of stops, as it is said."""
    shown = f"{value:.1f}"
    return f"{shown} stop" if shown == "1.0" else f"{shown} stops"


def _percent(share: float) -> str:
    shown = share * 100
    return f"{shown:.0f} %" if shown >= 1 else f"{shown:.1f} %"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _less(stops: float) -> str:
    """How much farther a lamp stands to lose some stops, and the stops that this loses.

    By the inverse-square law the light of a small lamp falls with the square of its distance:
    a stop less is 1.4 times as far.
    """
    step = min(stops, _STEP_STOPS)
    return (
        f"to about {math.exp2(step / 2):.1f} times its distance, or turn it down by {_stops(step)}"
    )


def _lamps(report: Report) -> str:
    """What to do with the lamps, by where the screen is bright."""
    part = report.thirds
    across = float(part[:, 0].mean() - part[:, 2].mean())
    down = float(part[0].mean() - part[2].mean())
    rim = (float(part.sum()) - float(part[1, 1])) / 8
    bulge = float(part[1, 1]) - rim
    least = 0.3
    said = []
    if abs(across) >= least:
        bright, dark = ("left", "right") if across > 0 else ("right", "left")
        said.append(
            f"Move the {bright} lamp back {_less(abs(across))}, and aim it further across, at the "
            f"{dark} half{'; then check again' if abs(across) > _STEP_STOPS else ''}."
        )
    if down >= least:
        said.append("Aim the lamps lower or bring them down, to give the lower half more light.")
    elif down <= -least:
        said.append("Aim the lamps higher or raise them, to give the upper half more light.")
    if bulge >= least:
        said.append(
            "Move the lamps back and apart and aim each across at the far side; a diffuser takes "
            "the hot spot out of the middle."
        )
    elif bulge <= -least:
        said.append("Turn the lamps in, toward the middle.")
    if not said:
        bright_at = named(report.brightest[0]) if report.brightest else "bright place"
        said.append(
            f"Move the lamps back or put diffusers before them, and take the one that lights the "
            f"{bright_at} off it; then check again."
        )
    return " ".join(said)


def _evenness(report: Report) -> Finding:
    grade = limits.SPREAD_STOPS.grade(report.spread)
    places = [p for p in report.darkest + report.brightest if abs(p.value) >= limits.NAMED_STOPS]
    parts = [
        f"{named(p)} is {_stops(abs(p.value))} {'darker' if p.value < 0 else 'brighter'}"
        for p in places
    ]
    fact = f"{_stops(report.spread)} from the darkest to the brightest place"
    if grade is not Grade.GOOD and parts:
        # Two marks in one part of the picture are said once.
        seen = dict.fromkeys(x.split(" is ")[0] for x in parts)
        first = [next(x for x in parts if x.startswith(f"{name} is ")) for name in seen]
        fact += f": {', '.join(first)} than the middle value"
    advice = "" if grade is Grade.GOOD else _lamps(report)
    if advice and report.subject_share > 0.02 and report.plate_fits is None:
        advice += " Give the empty screen with --plate to tell a person's shadow from the lamps."
    worst = max(report.darkest + report.brightest, key=lambda p: abs(p.value), default=None)
    at = worst if grade is not Grade.GOOD else None
    return Finding("Evenness", grade, fact + ".", advice, at, report.spread, "stops")


def _exposure(report: Report) -> Finding:
    dark = limits.DARK_STOPS.grade(report.level)
    bright = limits.BRIGHT_STOPS.grade(-report.level)
    clipped = limits.CLIPPED_SHARE.grade(report.clipped)
    above = limits.MIDDLE_GREY_STOPS - report.level
    place = "at middle grey"
    if abs(above) >= 0.05:
        place = f"{_stops(abs(above))} {'above' if above > 0 else 'below'} middle grey"
    fact = f"The screen lies {_stops(report.level)} below clipping, {place}."
    color = report.hue.name.lower()
    if clipped is not Grade.GOOD:
        where = f", most at the {named(report.clipped_at)}" if report.clipped_at else ""
        fact += f" {_percent(report.clipped)} of it has no drawing left in {color}{where}."
    grade = max((dark, bright, clipped), key=lambda g: g.rank)
    advice = ""
    if grade is not Grade.GOOD and (bright is not Grade.GOOD or clipped is not Grade.GOOD):
        advice = (
            "Turn the screen's lamps down or move them back, a stop at first, until the camera's "
            "highlight warning shows nothing on the screen."
        )
    elif grade is not Grade.GOOD:
        more = report.level - limits.DARK_STOPS.good + 0.5
        advice = f"Give the screen about {_stops(more)} more light; leave the person's light as is."
    at = report.clipped_at if clipped is not Grade.GOOD else None
    return Finding("Exposure", grade, fact, advice, at, report.level, "stops below clipping")


def _saturation(report: Report) -> Finding:
    grade = limits.PALE.grade(1 - report.saturation)
    color = report.hue.name.lower()
    fact = f"The screen's {color} is {_percent(report.saturation)} pure."
    advice = ""
    if grade is not Grade.GOOD:
        fact = f"The screen is pale: its {color} is only {_percent(report.saturation)} pure."
        advice = (
            "Keep windows, room light and the person's lamps off the screen, shade the lens, and "
            "expose the screen lower; a faded or shiny cloth has to be replaced."
        )
    return Finding("Colour", grade, fact, advice, None, report.saturation, "share")


def _noise(report: Report) -> Finding:
    grade = limits.NOISE.grade(report.noise)
    fact = f"The grain over the screen is {_percent(report.noise)} of its colour."
    advice = ""
    if grade is not Grade.GOOD:
        advice = "Lower the ISO and give more light instead; switch the camera's extra gain off."
    return Finding("Noise", grade, fact, advice, None, report.noise, "share")


def _folds(report: Report) -> Finding:
    grade = limits.FOLD_STOPS.grade(report.folds)
    if grade is Grade.GOOD:
        return Finding("Cloth", grade, "No fold or seam shows.", "", None, report.folds, "stops")
    where = f", deepest at the {named(report.folds_at)}" if report.folds_at else ""
    fact = f"Folds, seams or marks stand out by {_stops(report.folds)}{where}."
    advice = (
        "Stretch the cloth and clip it all round, or smooth it before the lamps are up; light it "
        "from both sides, and put the person farther before it so that folds blur."
    )
    return Finding("Cloth", grade, fact, advice, report.folds_at, report.folds, "stops")


def _spill(report: Report) -> Finding | None:
    if report.spill is None:
        return None
    grade = limits.SPILL_SHARE.grade(report.spill)
    color = report.hue.name.lower()
    fact = f"About {_percent(report.spill)} of the {color} on the person's outline is the screen's."
    advice, at = "", None
    if grade is not Grade.GOOD:
        at = report.spill_at
        advice = (
            "Put the person one metre farther from the screen, dim the screen's lamps, and cover "
            f"the {color} that the camera does not see; a light from behind helps hair."
        )
    return Finding("Spill", grade, fact, advice, at, report.spill, "share")


def _distance(report: Report) -> Finding | None:
    if report.subject_share < 0.005:
        return None
    least, most = limits.DISTANCE_M
    shade = report.shadow
    grade = limits.SHADOW_STOPS.grade(shade.depth)
    spill = Grade.GOOD if report.spill is None else limits.SPILL_SHARE.grade(report.spill)
    if grade is Grade.GOOD and spill is not Grade.CHANGE:
        fact = "No shadow of the person harms the screen."
        if report.plate_fits is None:
            fact = "No hard shadow of the person lies on the screen."
        return Finding("Distance", grade, fact, "", None, shade.depth, "stops")
    both = grade is not Grade.GOOD and spill is not Grade.GOOD
    if grade is Grade.GOOD:
        grade, fact = Grade.BETTER, f"So much {report.hue.name.lower()} comes from standing close."
    else:
        where = f" at the {named(shade.at)}" if shade.at else ""
        fact = f"The person's shadow darkens the screen by {_stops(shade.depth)}{where}."
    if both:
        grade = Grade.CHANGE
        fact += " With the spill it says that the person stands too close."
    advice = (
        f"Put the person one metre farther from the screen ({least} to {most} m is usual) and "
        "move the person's lamp to the side or higher, so that the shadow falls out of the picture."
    )
    return Finding("Distance", grade, fact, advice, shade.at, shade.depth, "stops")


def _clothes(report: Report) -> Finding | None:
    grade = limits.ALIKE_SHARE.grade(report.alike)
    if grade is Grade.GOOD:
        return None
    color = report.hue.name.lower()
    fact = f"{_percent(report.alike)} of the person is {color}ish."
    other = "blue" if report.hue is Hue.GREEN else "green"
    advice = (
        f"Where that is the clothes, use a {other} screen or other clothes; where they are neutral "
        "or shiny, they mirror the screen: more distance, and turn the person a little. Sheer "
        "cloth only shows the screen behind it."
    )
    return Finding("Clothes", grade, fact, advice, None, report.alike, "share")


def _border(report: Report) -> Finding | None:
    beyond = report.beyond
    if not beyond.sides:
        return None
    sides = " and ".join(side.value for side in beyond.sides)
    share = float(beyond.where.mean())
    if beyond.touched_at is None:
        fact = f"The screen ends before the picture does: {sides}. Nobody reaches over its border."
        return Finding("Border", Grade.GOOD, fact, "", None, share, "share")
    fact = f"The screen ends before the picture does ({sides}), and the person reaches over it."
    advice = "Come closer with the camera or zoom in, or put the person before the screen's middle."
    if beyond.sides == (Side.BOTTOM,):
        advice = "Roll the cloth out under the feet, or frame the person above the floor."
    return Finding("Border", Grade.CHANGE, fact, advice, beyond.touched_at, share, "share")


def judge(report: Report) -> list[Finding]:
    """Everything that was looked at, in the order in which to work: the screen, then the person."""
    found = [
        _evenness(report),
        _exposure(report),
        _saturation(report),
        _noise(report),
        _folds(report),
        _distance(report),
        _spill(report),
        _clothes(report),
        _border(report),
    ]
    return [f for f in found if f is not None]


def headline(report: Report, findings: list[Finding]) -> str:
    """The whole in one line."""
    count = {g: sum(f.grade is g for f in findings) for g in Grade}
    screen = f"{report.hue.name.lower()} screen, {_percent(report.screen_share)} of the picture"
    if count[Grade.CHANGE]:
        verdict = f"change {_things(count[Grade.CHANGE])} before you shoot"
        if count[Grade.BETTER]:
            verdict += f", {_things(count[Grade.BETTER])} could be better"
    elif count[Grade.BETTER]:
        verdict = f"usable, {_things(count[Grade.BETTER])} could be better"
    else:
        verdict = "good to go"
    return f"{_capital(verdict)} ({screen})"


def _things(count: int) -> str:
    return "1 thing" if count == 1 else f"{count} things"


def remarks(report: Report, findings: list[Finding]) -> list[str]:
    """What is to be known beside the findings."""
    said = []
    if report.screen_share < limits.LITTLE_SCREEN:
        said.append(
            f"Only {_percent(report.screen_share)} of the picture is bare screen, so the figures "
            "stand on little: check a picture of the empty screen, too."
        )
    if report.plate_fits is False:
        said.append("The plate does not show this screen, so it was checked without the plate.")
    if any(f.advice for f in findings):
        said.append(CAUTION)
    said.append(BASIS)
    return said
