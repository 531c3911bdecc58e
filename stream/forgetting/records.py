"""What the queue's store and the log know of shots and takes, taken out for good.

Source: SQLite's documentation of ``secure_delete`` (deleted content is overwritten with zeros),
``VACUUM`` (the file is written anew) and ``wal_checkpoint(TRUNCATE)`` (the write-ahead log is
emptied).
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Collection
from pathlib import Path

from stream.batch.jobs import QueueError
from stream.durable import replace_file

_STAMP = re.compile(rb"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d,\d{3} ")
_JOB = "[0-9][0-9][0-9][0-9]*-[0-9a-f][0-9a-f][0-9a-f][0-9a-f][0-9a-f][0-9a-f].[0-9]*"


def _delete(connection: sqlite3.Connection, ids: Collection[str], stay: Collection[str]) -> int:
    gone = 0
    tables = [
        str(r[0]) for r in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")
    ]
    for table in tables:
        columns = [str(r[1]) for r in connection.execute(f'PRAGMA table_info("{table}")')]
        for column in columns:
            # An id has six hex digits of its own and stands in nothing else.
            for shot_id in ids:
                done = connection.execute(
                    f'DELETE FROM "{table}" WHERE instr(CAST("{column}" AS TEXT), ?) > 0',
                    (shot_id,),
                )
                gone += max(done.rowcount, 0)
        if "workflow_uuid" in columns:
            # A job whose shot somebody deleted by hand may hold a name, too.
            jobs = connection.execute(
                f'SELECT DISTINCT workflow_uuid FROM "{table}" '
                "WHERE workflow_uuid GLOB ? OR workflow_uuid GLOB ?",
                (_JOB, f"t{_JOB}"),
            )
            for job in [str(r[0]) for r in jobs]:
                if job.split(".")[0] not in stay:
                    done = connection.execute(
                        f'DELETE FROM "{table}" WHERE workflow_uuid = ?', (job,)
                    )
                    gone += max(done.rowcount, 0)
    return gone


def forget_jobs(store: Path, ids: Collection[str], stay: Collection[str]) -> int:
    """Take every row of some jobs out of the store, and what deleting leaves in the file.

    No process may have the store open.

    Args:
        store: the queue's file.
        ids: of shots and takes whose jobs go.
        stay: ids of every shot and take of the event; jobs of others go, too.

    Returns:
        How many rows went.

    Raises:
        QueueError: the store cannot be written.
    """
    if not store.is_file():
        return 0
    try:
        connection = sqlite3.connect(store, timeout=10, isolation_level=None)
        try:
            connection.execute("PRAGMA secure_delete=ON")
            connection.execute("BEGIN IMMEDIATE")
            gone = _delete(connection, ids, stay)
            connection.execute("COMMIT")
            connection.execute("VACUUM")
            busy = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
            if busy:
                raise sqlite3.OperationalError("another program reads it")
        finally:
            connection.close()
    except sqlite3.Error as e:
        raise QueueError(
            f"the queue {store} cannot be cleared ({e}); end every Posewall program that works on "
            "this event and do it again."
        ) from e
    return gone


def log_words(number: str, names: Collection[str] = ()) -> tuple[str, ...]:
    """Patterns of what a log entry says of a person: among the people of a shot or take.

    Args:
        number: the person's number.
        names: spellings of the name.
    """
    plain = re.escape(number)
    people = rf"\(people (?:[^()\n]*,)?{plain}(?:,[^()\n]*)?\)"
    said = rf"\bnumbers? (?:[^\n:;.]*[ ,'])?{plain}(?![\w-])"
    return people, said, *(rf"(?<!\w){re.escape(n)}(?!\w)" for n in names)


def forget_log(log: Path, ids: Collection[str], words: Collection[str] = ()) -> int:
    """Take every entry that is of some shots, takes or people out of the log, with all its lines.

    Args:
        log: the event's log.
        ids: of the shots and takes.
        words: regular expressions, from `log_words`.

    Returns:
        How many entries went.
    """
    try:
        data = log.read_bytes()
    except FileNotFoundError:
        return 0
    entries: list[bytes] = []
    for line in data.splitlines(keepends=True):
        if _STAMP.match(line) or not entries:
            entries.append(line)
        else:
            entries[-1] += line
    wanted = [re.escape(i) for i in ids] + list(words)
    if not wanted:
        return 0
    any_of = re.compile("|".join(f"(?:{w})" for w in wanted))
    kept = [e for e in entries if not any_of.search(e.decode("utf-8", "replace"))]
    if len(kept) < len(entries):
        replace_file(log, b"".join(kept))
    return len(entries) - len(kept)
