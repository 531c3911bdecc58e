"""Stations beside each other: as threads of one process, or spread over processes."""

from __future__ import annotations

import multiprocessing
import threading
from multiprocessing.connection import Connection
from typing import Any

import torch

from scripts.station import Job, Station

Figures = dict[str, Any]


class Together:
    """All sources as threads of this process.

    Args:
        job: what each runs.
        threads: of torch.
    """

    def __init__(self, job: Job, threads: int) -> None:
        self._job = job
        self._stations: list[Station] = []
        torch.set_num_threads(threads)

    def prepare(self, count: int) -> str:
        """Have so many sources ready to play; says what went wrong."""
        while len(self._stations) < count:
            self._stations.append(Station(self._job))
            self._stations[-1].warm()
        return ""

    def play(self, count: int, seconds: float) -> list[Figures]:
        """Figures of so many sources at once."""
        told: list[Figures] = [{"failure": "did not end"}] * count

        def one(index: int) -> None:
            told[index] = self._stations[index].run(seconds)

        threads = [threading.Thread(target=one, args=(n,)) for n in range(count)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        return told

    def close(self) -> None:
        """Nothing is left to end."""


def _serve(job: Job, threads: int, pipe: Connection) -> None:
    """A process with sources: prepares and plays them as it is told, again and again."""
    try:
        here = Together(job, threads)
        while True:
            count, seconds = pipe.recv()
            pipe.send(here.play(count, seconds) if seconds else here.prepare(count))
    except EOFError:
        return
    except Exception as error:  # noqa: BLE001 - told where the figures are
        pipe.send(f"{type(error).__name__}: {error}")


class Apart:
    """So many sources a process.

    Args:
        job: what each runs.
        threads: of torch, in each process.
        each: sources a process.
    """

    def __init__(self, job: Job, threads: int, each: int = 1) -> None:
        self._job, self._threads, self._each = job, threads, each
        self._context = multiprocessing.get_context("spawn")
        self._workers: list[tuple[Any, Connection]] = []

    def _ask(self, count: int, seconds: float) -> list[Any]:
        parts = [min(self._each, count - n) for n in range(0, count, self._each)]
        while len(self._workers) < len(parts):
            mine, theirs = self._context.Pipe()
            process = self._context.Process(
                target=_serve, args=(self._job, self._threads, theirs), daemon=True
            )
            process.start()
            theirs.close()
            self._workers.append((process, mine))
        pipes = [pipe for _, pipe in self._workers[: len(parts)]]
        for pipe, part in zip(pipes, parts, strict=True):
            pipe.send((part, seconds))
        return [_answer(pipe) for pipe in pipes]

    def prepare(self, count: int) -> str:
        """Have so many sources ready to play; says what went wrong."""
        return next((told for told in self._ask(count, 0.0) if told), "")

    def play(self, count: int, seconds: float) -> list[Figures]:
        """Figures of so many sources at once."""
        told: list[Figures] = []
        for part in self._ask(count, seconds):
            told += [{"failure": part}] if isinstance(part, str) else part
        return told

    def close(self) -> None:
        """End the processes."""
        for process, pipe in self._workers:
            pipe.close()
            process.join(10)
            if process.is_alive():
                process.terminate()


def _answer(pipe: Connection) -> Any:
    try:
        return pipe.recv()
    except EOFError:
        return "its process has died"
