"""What has to be compiled for the keyer, made ready beside the picture that is there already."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable

from models import kernels
from models.keyer import Grade, Keyer, KeySettings
from stream import compiled_code
from stream.capture.frame import Frame
from stream.live.compiler import Compiler, Filled
from stream.live.keeping import lower_priority
from stream.live.scenes import Setting

log = logging.getLogger("posewall.live")

Progress = Callable[[int, int], None]

# chosen: reading what was compiled before takes less, and needs no word.
QUIET_S = 2.0
_LOOK_S = 0.2
ONCE = (
    "The program is fitting itself to this computer, so that the picture gets faster. This happens "
    "once and may take a minute or two; the picture is there meanwhile, at a slower pace."
)
FAILED = (
    "The program could not be fitted to this computer; the picture goes on at the slower pace. The "
    "event's log says why."
)
UNKEPT = (
    "What fits the program to this computer cannot be kept on disk ({why}), so it is made anew at "
    "each start. Make room in {folder}, or let the program write there."
)


class _EndedError(Exception):
    """Nobody wants the kernels any more."""


class Compiling:
    """Makes the kernels of a device ready on a thread of its own. Threads may share it."""

    def __init__(
        self,
        load: Callable[[Progress], bool],
        tell: Callable[[str], None],
        clock: Callable[[], float] = time.monotonic,
        before_use: Callable[[], object] = lambda: None,
    ) -> None:
        """Prepare; nothing is compiled yet.

        Args:
            load: makes them ready and tells its progress; False where there are none.
            tell: takes a sentence.
            clock: monotonic, seconds.
            before_use: done once they are ready, or there are none, and before anybody is told.
        """
        self._before_use = before_use
        self._load = load
        self._tell = tell
        self._clock = clock
        self._began_s: float | None = None
        self._told = False
        self._done: tuple[int, int] | None = None
        self._ready = threading.Event()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="compile", daemon=True)

    def start(self) -> None:
        """Begin, once; later calls do nothing."""
        if self._began_s is None:
            self._began_s = self._clock()
            self._thread.start()

    @property
    def ready(self) -> bool:
        """Whether the kernels can be used."""
        return self._ready.is_set()

    def wait(self, timeout_s: float) -> bool:
        """Wait until it is over, for better or worse; True when it is."""
        return self._over.wait(timeout_s)

    def join(self, timeout_s: float) -> None:
        """Wait for the end of what was begun; it is to be told of the end before."""
        if self._thread.is_alive():
            self._thread.join(timeout_s)

    def state(self) -> str | None:
        """How far it is, for people; None before, after, and while it takes no time to speak of.

        Tells once that it takes longer; to be called now and then.
        """
        if self._began_s is None or self._over.is_set():
            return None
        if self._clock() - self._began_s < QUIET_S:
            return None
        if not self._told:
            self._told = True
            self._tell(ONCE)
        if self._done is None:
            return "getting faster"
        return f"getting faster, step {self._done[0]} of {self._done[1]}"

    def _run(self) -> None:
        lower_priority()
        try:
            loaded = self._load(self._progress)
            self._before_use()
            if loaded:
                self._ready.set()
                if self._told:
                    self._tell("The picture has its full pace now.")
        except Exception:
            # Whatever a compiler raises: the picture does not depend on it.
            log.exception("the kernels could not be made ready")
            self._tell(FAILED)
        finally:
            self._over.set()

    def _progress(self, done: int, of: int) -> None:
        self._done = done, of


def _unkept(device: str) -> str | None:
    """The sentence for what could not be kept; None while all could."""
    if device != "cpu":
        return None
    from models.kernels.cpu import compiled  # numba: only where it is used

    if not compiled.unkept:
        return None
    error = compiled.unkept[0]
    why = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    log.warning("what is compiled cannot be kept", exc_info=error)
    return UNKEPT.format(why=why, folder=compiled_code.folder())


def made_ready(
    device: str,
    settings: KeySettings,
    threads: int,
    seen: Callable[[], tuple[Frame | None, Setting | None]],
    say: Callable[[str], None],
    compiler: Compiler,
    progress: Progress,
) -> bool:
    """Make the kernels of a device ready and use each of them once.

    Some are compiled for a kind of frame when the first of them comes: that must not happen in the
    loop. So a keyer beside it keys a frame, without a plate and with one.

    Args:
        device: where pictures are keyed.
        settings: as the loop's keyer has them.
        threads: how many share a frame.
        seen: a frame of the source and what the loop shows, as far as they are there; both are
            waited for.
        say: takes a sentence for the user.
        compiler: compiles apart what can be; once it is ended, nothing more is done here either.
        progress: as in `models.kernels.load`.

    Returns:
        False where there are no kernels for this device, or nobody wants them any more.
    """
    filled = compiler.fill(device, progress)
    if filled is Filled.ENDED:
        return False

    said = False

    def go_on(done: int, of: int) -> None:
        nonlocal said
        if not said and (why := _unkept(device)):
            said = True
            say(why)
        if compiler.ended.is_set():
            raise _EndedError
        if filled is not Filled.KEPT:  # reading what lies in the cache takes a second or two
            progress(done, of)

    try:
        if not kernels.load(device, go_on):
            return False
    except _EndedError:
        return False
    frame, setting = seen()
    while frame is None or setting is None:
        if compiler.ended.wait(_LOOK_S):
            return False
        frame, setting = seen()
    keyer = Keyer(Grade.LIVE, settings, device, clip=True)
    keyer.use_kernels(threads)
    slots = range(len(setting.scene.order))
    placings = [setting.placement(frame.upright_size, slot) for slot in slots]
    shown = frame.planes, frame.encoding, frame.quarter_turns
    for plate in (None, frame.planes):
        keyer.set_plate(plate, frame.encoding, frame.quarter_turns)
        for _ in range(2):  # a card captures what the first one launched
            keyer.composite(*shown, setting.scene, placings)
    return True
