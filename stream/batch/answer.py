"""What a job answers, whatever becomes of it: done, or why not in one sentence."""

from __future__ import annotations

import errno
import logging
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

import torch
from dbos import error as dbos_error

from models.errors import PosewallError
from stream.batch.jobs import QueueError
from stream.durable import StorageError, storage_sentence
from stream.people import RosterError

log = logging.getLogger("posewall.batch")
_PASSING = frozenset(
    {
        *(errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EAGAIN, errno.EBUSY, errno.EMFILE),
        *(errno.ENFILE, errno.ENOMEM, errno.ETIMEDOUT, errno.ESTALE, errno.EINTR),
    }
)

Answer = dict[str, Any]


def is_transient(error: BaseException) -> bool:
    """Whether the same job may well succeed a little later."""
    if isinstance(error, OSError):
        return error.errno in _PASSING
    return isinstance(
        error, MemoryError | torch.OutOfMemoryError | StorageError | QueueError | RosterError
    )


def failed(why: str, transient: bool = False) -> Answer:
    """The answer of a job that made nothing."""
    return {"why": why, "transient": transient}


def answered(job: Callable[[], Answer], source: str, thing: str, root: Path | None) -> Answer:
    """Run a job; whatever becomes of it, the answer says so and the log has a line of it.

    Args:
        job: what is run; a step of it may have been tried several times.
        source: what it works on, for the log: "shot 0001-…".
        thing: what it makes, for people: "picture".
        root: the event's folder.
    """
    last: BaseException | None = None
    try:
        result = job()
    except dbos_error.DBOSMaxStepRetriesExceeded as e:
        last = e.errors[-1] if e.errors else e
        result = failed(_sentence(last, source, thing, root), transient=True)
    except OSError as e:
        # Its message may hold the picture's file name, and that a person's; where it was does not.
        where = "".join(traceback.format_tb(e.__traceback__))
        log.error("%s: %s at\n%s", source, type(e).__name__, where)
        result = failed(_sentence(e, source, thing, root), transient=is_transient(e))
    except Exception as e:
        log.exception("%s: the program failed", source)
        result = failed(_sentence(e, source, thing, root), transient=is_transient(e))
    if "why" in result:
        why = last.logged if isinstance(last, RosterError) else result["why"]
        log.warning("%s: %s", source, why)
    else:
        log.info("%s: %s done", source, thing)
    return result


def _sentence(error: BaseException, source: str, thing: str, root: Path | None) -> str:
    if isinstance(error, PosewallError):
        return str(error)
    if isinstance(error, OSError) and root is not None:
        return storage_sentence(error, f"the {thing}", root)
    if isinstance(error, MemoryError | torch.OutOfMemoryError):
        return f"not enough memory for this {thing}; close other programs and render it again."
    kind = source.split(" ")[0]
    return (
        f"the program failed on this {kind} ({type(error).__name__}: {error}); posewall.log has "
        f"the details, the {kind} itself is safe."
    )
