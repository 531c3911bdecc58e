"""The end of a film's way: its sound, one file of both, and its names in the event's folder."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from stream.durable import make_folder, replace_file, sync_folder
from stream.event import Event
from stream.film.design import Design
from stream.film.mux import mux
from stream.film.owner import film_owner
from stream.film.rates import TimeLine
from stream.film.reel import Reel
from stream.prints.naming import inside
from stream.prints.picture import picture_owner
from stream.sound.mixing import make_sound
from stream.take import FilmWanted, Take, TakeError


@dataclass(frozen=True)
class Finished:
    """A film under its name.

    Attributes:
        film: its name below ``films/``.
        poster: that of its poster.
        notes: what to say of its sound, for people.
    """

    film: str
    poster: str
    notes: tuple[str, ...]


def begins_at(line: TimeLine, take_at: Callable[[float], float | None]) -> float:
    """The second of a film at which its take begins; it may begin before the film does."""
    for n in range(len(line.shown)):
        at_s = float(n / line.rate)
        shown = take_at(at_s)
        if shown is not None:
            return at_s - shown
    return 0.0


def check_names(event: Event, take: Take) -> None:
    """Refuse to write over a file that belongs to another.

    Raises:
        TakeError: a film or poster of that name is not this take's.
        UserError: a name that would lead elsewhere.
    """
    for wanted in take.films:
        owners = {
            wanted.film: film_owner(inside(event.paths.films, wanted.film)),
            wanted.poster: picture_owner(inside(event.paths.films, wanted.poster)),
        }
        for name, owner in owners.items():
            if inside(event.paths.films, name).exists() and owner != take.unique:
                raise TakeError(
                    f"films/ has a file with the name of a film of take {take.id}, but it is not "
                    "this take's film; move it elsewhere and render the take again."
                )


def finish(
    event: Event,
    take: Take,
    wanted: FilmWanted,
    made: Design,
    reel: Reel,
    end_s: float,
    metadata: Mapping[str, str],
    look: Callable[[], None],
) -> Finished:
    """Give a film its sound and its name.

    Args:
        event: where it goes.
        take: that it is made of.
        wanted: its shape and name.
        made: its design.
        reel: has its pieces, all of them finished.
        end_s: where the part of the take that is shown ends, on the take's time line.
        metadata: what is written into it.
        look: called now and then; what it raises ends the work.

    Raises:
        SoundError: the template's music cannot be read.
        MuxError: the pieces do not belong together.
        OSError: the disk did not take it.
    """
    folder, line = reel.work.folder, reel.line
    sound, film = folder / f"{wanted.shape}.flac", folder / f"{wanted.shape}.mp4"
    at_s = begins_at(line, made.take_at)
    loudness = make_sound(
        event.paths.takes / take.id / take.file if take.sound else None,
        line.begin_s + max(0.0, -at_s),
        # As long as the picture is of it, wherever the picture was moved to.
        end_s + line.begin_s - take.begin_s,
        max(0.0, at_s),
        made.sound.music,
        float(len(line.shown) / line.rate),
        sound,
        made.sound.target_lufs,
        seen=lambda _done, _of: look(),
    )
    mux(reel.pieces(wanted.shape), sound, film, line.rate, metadata=metadata)
    target = inside(event.paths.films, wanted.film)
    poster = inside(event.paths.films, wanted.poster)
    make_folder(target.parent)
    make_folder(poster.parent)
    if target.exists():
        # An earlier making's: two files cannot be replaced at once, and a crash between the two
        # is to leave a film without a poster rather than with another one's.
        poster.unlink(missing_ok=True)
        sync_folder(poster.parent)
        film.replace(target)
        sync_folder(target.parent)
    # Where there is none yet, the poster first: a film that is there has one. It stays in the
    # work, too, until all is done.
    replace_file(poster, reel.work.poster(wanted.shape).read_bytes())
    if film.exists():
        film.replace(target)
        sync_folder(target.parent)
    return Finished(wanted.film, wanted.poster, loudness.notes)
