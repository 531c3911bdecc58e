"""What may change of a kept take: for whom, by which design, which part, in which shapes.

Its films are made anew and take the place of those before, under names as the roster has them now.
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace

from stream.config import FILM_SHAPES
from stream.durable import held, storing
from stream.event import Event
from stream.take.finding import load_take, replace_take
from stream.take.record import Take, TakeError
from stream.take.titling import retitled
from stream.template import Template

log = logging.getLogger("posewall.take")


def change_take(
    event: Event,
    take_id: str,
    *,
    people: Sequence[str] | None = None,
    template: Template | None = None,
    plate: str | None = None,
    shapes: Sequence[str] = (),
    begin_s: float | None = None,
    end_s: float | None = None,
) -> Take:
    """Ask for a take's films once more, otherwise where something else is given.

    Args:
        event: the event.
        take_id: the take.
        people: roster numbers of who is really in it.
        template: the design.
        plate: id of a clean plate.
        shapes: further shapes of films; what it has already stays wanted.
        begin_s: where what is shown begins, on the take's time line, in seconds.
        end_s: where it ends; a time behind the take's end is that end.

    Returns:
        The take as kept, to be queued.

    Raises:
        UserError: no such take, it is still being recorded, there is no such part of it, or the
            disk did not take it; the take stays as it was.
    """
    with storing(f"the record of take {take_id}", event.paths.root), held(event.paths.lock):
        take = load_take(event, take_id)
        if take.recording:
            raise TakeError(
                f"take t{take.number:04d} is still being recorded; stop it first, then make its "
                "greeting."
            )
        if people is not None:
            take = replace(take, people=tuple(dict.fromkeys(people)))
        if template is not None:
            kept = event.keep_template(template)
            take = replace(take, template=kept.name, template_version=kept.version)
        if plate is not None:
            take = replace(take, plate=plate)
        take = _cut(take, begin_s, end_s)
        wanted = [f.shape for f in take.films] or (event.config.film_shapes if not shapes else ())
        # Whoever asks for a film wants one, also where the event makes none unasked.
        wanted = [*wanted, *shapes] or FILM_SHAPES[:1]
        take = retitled(event, replace(take, render=take.render + 1), wanted)
        log.info("take %s: its films are asked for (render %d)", take.id, take.render)
        return replace_take(event, take)


def _cut(take: Take, begin_s: float | None, end_s: float | None) -> Take:
    if begin_s is None and end_s is None:
        return take
    begin = take.begin_s if begin_s is None else begin_s
    end = take.end_s if end_s is None else end_s
    if take.length_s is not None:
        if begin >= take.length_s:
            raise TakeError(
                f"take t{take.number:04d} is {take.length_s:.1f} s long, and what is shown was to "
                f"begin at {begin:g} s; give an earlier begin."
            )
        if end is not None and end >= take.length_s:
            end = None
    if begin < 0 or (end is not None and end <= begin):
        until = "its end" if end is None else f"{end:g} s"
        raise TakeError(
            f"a part of take t{take.number:04d} from {begin:g} s to {until} was asked for; it must "
            "begin at 0 or later and end after it begins."
        )
    return replace(take, begin_s=begin, end_s=end)
