"""The best frame of the last seconds: frames held at a press, and chosen among by another process.

The shot is kept at once with the frame of the press, and waits for its picture. The others are held
by reference, laid on the disk as soon as the press was answered, and let go; comparing them is done
by a process of its own at low priority, one shot after the other. Whatever dies meanwhile, the
picture is made of the frame of the press.
"""

from __future__ import annotations

import logging
import queue
import re
import subprocess
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from models.errors import PosewallError
from stream.capture.frame import Frame
from stream.event import Event
from stream.live.keeping import lower_priority
from stream.live.ring import Ring, frame_bytes
from stream.own_process import LOW, begin, how_it_ended
from stream.shot import Shot, load_shot, settle, shots
from stream.shot.burst import alike, lay_down
from stream.shot.changes import wait_longer
from stream.shot.choice import load_choice

log = logging.getLogger("posewall.live")

USUAL_S = 2.0
LONGEST_S = 6.0
# chosen: of two seconds at 30 frames a second two in five; between two of them lies at most a tenth
# of a second, and an eye is shut for longer.
MOST_FRAMES = 24
# chosen: 24 frames of 1920x1080 4:2:0 (71 MiB); most of them lie in the ring anyway.
HELD_BYTES = 80 << 20
MOST_HELD = 2
# chosen: only where the program died is it ever waited out; while it lives it says so often enough.
WAIT_S = 60.0
STILL_AT_WORK_S = 15.0
_LINES = 30
_PROGRESS = re.compile(r"(\d+) (\d+)")


def thinned(frames: Sequence[Frame], most: int) -> list[Frame]:
    """So many frames at most, evenly spread, the last one among them."""
    if len(frames) <= most:
        return list(frames)
    step = (len(frames) - 1) / (most - 1) if most > 1 else 0.0
    picked = dict.fromkeys(round(len(frames) - 1 - n * step) for n in range(most))
    return [frames[n] for n in sorted(picked)]


class Choosing:
    """Chooses the best frames of shots, one after the other.

    Args:
        event: whose shots they are.
        ring: the last frames.
        later: has something done after the press at hand was answered.
        on_settled: told each shot whose frame is settled, so that its picture can be made.
        tell: takes a sentence for the terminal.
        on_trouble: takes a sentence that says why the best one was not chosen.
        clock: monotonic, seconds.
    """

    def __init__(
        self,
        event: Event,
        ring: Ring,
        later: Callable[[Callable[[], None]], None],
        on_settled: Callable[[Shot], None],
        tell: Callable[[str], None],
        on_trouble: Callable[[str], None],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._clock, self._said_s = clock, clock()
        self._event, self._ring, self._later = event, ring, later
        self._on_settled, self._tell, self._on_trouble = on_settled, tell, on_trouble
        self._lock = threading.Lock()
        self._held = 0
        self._progress: dict[str, tuple[int, int]] = {}
        self._work: queue.SimpleQueue[tuple[str, Path] | None] = queue.SimpleQueue()
        self._process: subprocess.Popen[str] | None = None
        self._ended = False
        self._thread = threading.Thread(target=self._run, name="choose", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    # At the press

    def hold(self, moment_s: float, seconds: float) -> list[Frame] | None:
        """The frames of the seconds up to a moment, held until `begin` or `let_go`.

        Args:
            moment_s: of the press, monotonic clock.
            seconds: how far back.

        Returns:
            None while those of the presses before are still being laid down.
        """
        with self._lock:
            if self._held >= MOST_HELD:
                return None
            self._held += 1
        found = self._ring.between(moment_s - min(seconds, LONGEST_S), moment_s)
        size = frame_bytes(found[-1]) if found else 1
        # The one of the press may come only just after it, and is one more.
        return thinned(found, max(1, min(MOST_FRAMES, HELD_BYTES // max(size, 1)) - 1))

    def let_go(self) -> None:
        """What was held for a press is not needed."""
        with self._lock:
            self._held -= 1

    def begin(self, shot: Shot, frames: Sequence[Frame]) -> None:
        """Choose among frames that were held, in their turn; returns at once.

        Args:
            shot: kept, its picture waiting.
            frames: of `together`.
        """
        with self._lock:
            self._progress[shot.id] = 0, len(frames)
        self._later(lambda: self._lay(shot, frames))

    def _lay(self, shot: Shot, frames: Sequence[Frame]) -> None:
        began_s = self._clock()
        try:
            folder = lay_down(self._event, shot, frames)
        except PosewallError as error:
            self._miss(shot.id, str(error))
            return
        finally:
            self.let_go()
        took_s = self._clock() - began_s
        log.info("%d frames around shot %s held for %.2f s", len(frames), shot.id, took_s)
        self._work.put((shot.id, folder))

    # Beside the loop

    def progress(self) -> dict[str, tuple[int, int]]:
        """Of the shots whose choice is open, how many frames were looked at, of how many."""
        with self._lock:
            return dict(self._progress)

    def tend(self) -> None:
        """Let nobody give up what is still to be chosen; to be called now and then."""
        now = self._clock()
        if now - self._said_s < STILL_AT_WORK_S:
            return
        self._said_s = now
        for shot_id in self.progress():
            wait_longer(self._event, shot_id, datetime.now(UTC) + timedelta(seconds=WAIT_S))

    def settle_left(self) -> dict[str, Any]:
        """Give up what a program that died has left open; to be called before the first press."""
        left = [s.id for s in shots(self._event) if s.choice_until is not None]
        for shot_id in left:
            self._on_settled(settle(self._event, shot_id))
        return {"shots": left}

    def close(self, timeout_s: float = 30.0) -> bool:
        """Finish what is open, as far as there is time; True when all was chosen."""
        left = self.progress()
        if left and self._thread.is_alive():
            self._tell(f"Choosing the best frame of {', '.join(left)} first.")
        self._work.put(None)
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        with self._lock:
            self._ended = True
            if self._process is not None and self._process.poll() is None:
                self._process.terminate()
        if self._thread.is_alive():
            self._thread.join(timeout_s)
        return not self.progress()

    def _run(self) -> None:
        lower_priority()
        while (job := self._work.get()) is not None:
            shot_id, folder = job
            try:
                self._choose(shot_id, folder)
            except (OSError, PosewallError) as error:
                self._miss(shot_id, str(error))
            except Exception:
                log.exception("the best frame of shot %s was not chosen", shot_id)
                self._miss(shot_id, "the program made a mistake; the event's log says which")

    def _choose(self, shot_id: str, folder: Path) -> None:
        with self._lock:
            if self._ended:
                return  # the next start, or the worker, takes the frame of the press
            self._process = process = begin(
                "stream.shot.chooser",
                *(str(self._event.paths.root), shot_id, str(folder)),
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                creationflags=LOW,
            )
        said: deque[str] = deque(maxlen=_LINES)
        with process:
            assert process.stdout is not None
            for line in process.stdout:
                told = _PROGRESS.fullmatch(line.strip())
                if told is None:
                    said.append(line)
                    continue
                with self._lock:
                    self._progress[shot_id] = int(told[1]), int(told[2])
        if process.returncode == 0:
            shot, choice = load_shot(self._event, shot_id), load_choice(self._event, shot_id)
            if choice is not None:
                best = choice.candidates[0].words
                self._tell(
                    f"Shot {shot_id} is made of the best of {choice.looked_at} frames: {best}."
                )
            self._done(shot)
            return
        log.warning("the process that chooses ended with %d: %s", process.returncode, "".join(said))
        sentence = said[-1].strip() if process.returncode == 2 and said else ""
        with self._lock:
            over = self._ended
        ended = f"the process that chooses it {how_it_ended(process.returncode)}"
        self._miss(shot_id, sentence or ("the program was ended first" if over else ended))

    def _miss(self, shot_id: str, why: str) -> None:
        self._on_trouble(
            f"The best frame of shot {shot_id} was not chosen, the one of the press is used: {why}"
        )
        try:
            shot = settle(self._event, shot_id)
        except PosewallError as error:
            with self._lock:
                self._progress.pop(shot_id, None)
            self._on_trouble(str(error))
        else:
            self._done(shot)

    def _done(self, shot: Shot) -> None:
        with self._lock:
            self._progress.pop(shot.id, None)
        self._on_settled(shot)


def together(frames: Sequence[Frame] | None, pressed: Frame) -> list[Frame] | None:
    """The frames that may stand for the one of a press, that one among them, in order.

    Args:
        frames: of `Choosing.hold`.
        pressed: the frame of the press.

    Returns:
        None where there is no other.
    """
    found = [f for f in frames or () if alike(f, pressed) and f.index != pressed.index]
    found.append(pressed)
    return sorted(found, key=lambda f: f.arrived_s) if len(found) > 1 else None
