"""Queue and log: the right entries go, others stay, and deleting leaves nothing in the file."""

from __future__ import annotations

import re
import sqlite3
import zipfile
from pathlib import Path

import pytest

from stream.batch.jobs import QueueError, prepare_store
from stream.forgetting.records import forget_jobs, forget_log, log_words
from stream.forgetting.searching import holding, spellings

GONE, STAYS, DELETED = "0001-aaaaaa", "0002-bbbbbb", "0003-cccccc"


def filled(path: Path) -> Path:
    """A store of the queue's own library with three shots' jobs; the last one's shot is no more."""
    prepare_store(path)
    with sqlite3.connect(path) as store:
        for job in (GONE, STAYS, DELETED):
            store.execute(
                "INSERT INTO workflow_status (workflow_uuid, status, name, output) "
                "VALUES (?, 'SUCCESS', 'render_shot', ?)",
                (f"{job}.1", f'{{"picture": "{job}-Secret.jpg", "pad": "{"x" * 9000}"}}'),
            )
    store.close()
    return path


def test_rows_go_and_leave_no_bytes(tmp_path: Path) -> None:
    store = filled(tmp_path / "queue.sqlite")
    assert DELETED.encode() in store.read_bytes()
    assert forget_jobs(store, [GONE], [GONE, STAYS]) >= 2
    data = store.read_bytes()
    assert GONE.encode() not in data
    assert DELETED.encode() not in data
    assert f"{STAYS}-Secret.jpg".encode() in data
    assert not (tmp_path / "queue.sqlite-wal").exists()
    with sqlite3.connect(store) as opened:
        assert opened.execute("PRAGMA freelist_count").fetchone() == (0,)
    opened.close()
    assert forget_jobs(store, [GONE], [STAYS]) == 0
    assert forget_jobs(tmp_path / "none.sqlite", [GONE], []) == 0


def test_a_store_in_use_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store = filled(tmp_path / "queue.sqlite")
    reader = sqlite3.connect(store, isolation_level=None)
    reader.execute("BEGIN")
    reader.execute("SELECT * FROM workflow_status").fetchone()
    plain = sqlite3.connect
    monkeypatch.setattr(
        "stream.forgetting.records.sqlite3.connect",
        lambda path, **k: plain(path, **{**k, "timeout": 0.05}),
    )
    with pytest.raises(QueueError, match="end every Posewall program"):
        forget_jobs(store, [GONE], [STAYS])
    reader.close()
    store.write_bytes(b"no store at all, but long enough to be looked at")
    with pytest.raises(QueueError):
        forget_jobs(store, [GONE], [STAYS])


def test_entries_go_whole(tmp_path: Path) -> None:
    def line(text: str) -> str:
        return f"2026-05-31 18:04:05,123 INFO posewall.shot [7] {text}\n"

    keep = [
        line("kept shot 0002-bbbbbb (people 12,21)"),
        line("number 12 of this shot is no longer on the roster"),
        line("Alan's tablet is connected"),
        line("shot 0002-bbbbbb: picture done (1 of 1)"),
    ]
    go = [
        line("kept shot 0001-aaaaaa (people 1)"),
        line("kept shot 0004-dddddd (people 2,1,3)"),
        line("shot 0001-aaaaaa: the program failed") + "Traceback\n  at a line\n",
        line("shot 0009-eeeeee: number 1 of this shot is no longer on the roster"),
        line("asked for Al"),
    ]
    log = tmp_path / "posewall.log"
    mixed = [keep[0], go[0], go[1], keep[1], go[2], keep[2], go[3], go[4], keep[3]]
    log.write_text("".join(mixed), "utf-8")
    assert forget_log(log, [GONE], log_words("1", spellings("Al"))) == len(go)
    assert log.read_text("utf-8") == "".join(keep)
    assert forget_log(log, [GONE], log_words("1")) == 0
    assert forget_log(tmp_path / "none.log", [GONE]) == 0


def test_a_name_is_found_in_every_spelling(tmp_path: Path) -> None:
    name = "Zoë Brandt"
    for n, data in enumerate(
        (
            b"x Zo\xc3\xab Brandt y",
            b"Zoe\xcc\x88-Brandt",
            "Zoë Brandt".encode("utf-16-le"),
            b'{"a": "Zo\\u00eb Brandt"}',
            b"Zo\xeb Brandt;",
        )
    ):
        (tmp_path / f"{n}.bin").write_bytes(data)
    (tmp_path / "Zoë-Brandt.jpg").mkdir()
    (tmp_path / "empty.txt").touch()
    with zipfile.ZipFile(tmp_path / "list.xlsx", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/sharedStrings.xml", "<t>Zoë Brandt</t>" + " " * 500)
    (tmp_path / "others.txt").write_text("Zoë Brandtner, Azoë Brandt and Zoe Brand", "utf-8")
    found = {p.name for p in holding(tmp_path, name)}
    assert found == {"0.bin", "1.bin", "2.bin", "3.bin", "4.bin", "Zoë-Brandt.jpg", "list.xlsx"}
    assert re.search("u00eb", " ".join(spellings(name)))
