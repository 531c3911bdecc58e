"""One evening's live program: everything that `posewall live` runs, wired together."""

from __future__ import annotations

import logging
import os
import secrets
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from contextlib import ExitStack
from functools import partial
from typing import Any

from models.errors import PosewallError
from models.keyer import Grade, Keyer, KeySettings
from stream.capture.arrivals import Arrivals
from stream.capture.frame import Frame
from stream.capture.stills import read_still
from stream.errors import UserError
from stream.event import Event
from stream.live import people as who
from stream.live.compiling import made_ready
from stream.live.countdown import Countdown
from stream.live.figures import Meter
from stream.live.grabbing import Grabbing
from stream.live.intake import Intake
from stream.live.keeping import Keeper
from stream.live.lately import Lately
from stream.live.link import Link, refuse_a_second
from stream.live.loop import LiveLoop
from stream.live.making import Making
from stream.live.notices import PASSING_S, Notices, ScreenWatch
from stream.live.pacing import FULL, Quality, quality_sentence, quality_words
from stream.live.plates import PlateKeeper, as_turned
from stream.live.posing import Posing
from stream.live.ring import Ring
from stream.live.scenes import SceneMaker, Setting
from stream.live.settling import Settling
from stream.live.shooting import Shooting
from stream.live.steady import Steady
from stream.live.tether import Tether
from stream.live.wishes import Wishes, bound_threads, pick_device
from stream.memory import Sweeping
from stream.pages.feed import Feed
from stream.pages.serve import PageServer
from stream.shot import save_plate

log = logging.getLogger("posewall.live")

SAY_EVERY_S = 0.4
ENDING_S = 5.0
# chosen: the operator looks up between two groups; the shots keep their notes.
DOUBT_STANDS_S = 300.0
# chosen: the parts of some six designs at the size of the live picture; more are read from disk.
PARTS_BYTES = 192 << 20


class Session:
    """Runs until stopped; what the pages and commands ask of it stands in `Controls`."""

    def __init__(
        self, event: Event, wishes: Wishes, tell: Callable[[str], None] = lambda _: None
    ) -> None:
        self.event = event
        self.wishes = wishes
        self._tell = tell
        self.notices = Notices(tell)
        self.feed = Feed()
        self.meter = Meter()
        self.feed.on_drawn = lambda view: self.meter.shown(view.arrived_s)
        self.feed.on_sent = lambda seconds: self.meter.stages.note("send", seconds)
        # Pictures for print are made by another process.
        event.flattened.memory.budget = PARTS_BYTES
        self._stop = threading.Event()
        self._greeted = False
        self._quality = FULL
        self._countdown = Countdown(self._press)
        self._ring = Ring()
        self.plates = PlateKeeper(self.notices.passing)
        self._screen = ScreenWatch(self.notices)
        self._lately = Lately(event)
        self._posing = Posing(event, self.notices)
        self._keeper = Keeper(self.notices.passing)
        self._grabbing: Grabbing | None = None
        self._arrivals: Arrivals | None = None
        self._scenes: SceneMaker | None = None
        self._intake: Intake | None = None
        self._loop: LiveLoop | None = None
        self._tending: Steady | None = None
        self._making = Making(event, tell) if wishes.batch else None
        self._pages: PageServer | None = None
        self._link: Link | None = None
        self._token = secrets.token_urlsafe(24)
        self._settling: Settling | None = None
        self._sweeping: Sweeping | None = None

    # Start and end

    def start(self) -> None:
        """Serve the pages, then make everything behind them ready.

        Raises:
            UserError: something that the user asked for cannot be had.
        """
        refuse_a_second(self.event.paths.root)
        self._pages = PageServer(self, self.feed, token=self._token, port=self.wishes.port)
        self._pages.start()
        self._tell(f"Stage: {self._pages.address}/stage   Desk: {self._pages.address}/desk")
        self._link = Link(os.getpid(), self._pages.port, self._token)
        self._link.write(self.event.paths.root)
        device = pick_device(self.wishes.device)
        self._intake = Intake(
            self.wishes.source,
            self.wishes.turn,
            once=self.wishes.once,
            device=device,
            meter=self.meter,
            say=self.notices.passing,
        )
        threads = bound_threads()
        self.meter.device = device
        template = self.event.template(self.wishes.template)
        settings = KeySettings.from_json(dict(self.event.config.key))
        for note in template.notes:
            self.notices.passing(f"Template {template.name}: {note}.")
        height = self.wishes.preview_height
        self._scenes = SceneMaker(template, height, device, self._stop, self.notices.passing)
        shooting = Shooting(
            self.event,
            template,
            settings,
            self._ring,
            self.plates,
            self.notices.passing,
            self._keeper.after,
        )
        tether = None
        if self.wishes.stills is not None:
            tether = Tether(
                shooting,
                self.notices.passing,
                on_doubt=lambda s: self.notices.standing("stills", s, DOUBT_STANDS_S),
            )
            self._arrivals = Arrivals(self.wishes.stills, say=self.notices.passing)
        self._grabbing = Grabbing(
            shooting,
            self._posing,
            self._keeper,
            self._lately,
            self.notices,
            tether,
            lambda: self.feed.say(self.state()),
        )
        self._keeper.start()
        self._scenes.start()
        self._posing.begin(template, self._scenes)
        self._use_plate_file()

        intake, scenes = self._intake, self._scenes
        sweeping = self._sweeping = Sweeping()

        def seen() -> tuple[Frame | None, Setting | None]:
            return self._ring.nearest(time.monotonic()), scenes.current

        self._settling = settling = Settling(
            self.event,
            self._posing,
            partial(made_ready, device, settings, threads, seen, self.notices.passing),
            lambda: self.feed.newest is not None,
            self._stop,
            self.notices.passing,
            # Everything is looked at while the picture is slow anyway, not once it is fast.
            before_use=lambda: self._stop.is_set() or sweeping.whole(),
        )
        self._loop = LiveLoop(
            read=intake.read,
            over=lambda: intake.over,
            waited_s=lambda: intake.waited_s,
            keyer=Keyer(Grade.LIVE, settings, device, clip=True),
            setting=lambda: scenes.current,
            plates=self.plates,
            ring=self._ring,
            feed=self.feed,
            meter=self.meter,
            on_error=self.notices.passing,
            on_screen=self._screen.note,
            kernels=lambda: settling.kernels_ready,
            threads=threads,
            on_quality=self._paced,
        )
        self._intake.open()
        self._loop.start()
        self._tending = Steady("tend", self._tend, self._stop, self.notices.passing)
        self._tending.start()

    def _use_plate_file(self) -> None:
        path = self.wishes.plate
        if path is None:
            return
        frame = as_turned(read_still(path), self.wishes.turn)
        self.plates.use(frame, save_plate(self.event, frame))

    def finished(self, timeout_s: float) -> bool:
        """Wait; True when the source has ended and everything of it was shown.

        Raises:
            UserError: it ended without a single picture.
        """
        over = self._loop is not None and self._loop.wait(timeout_s)
        if over and self._intake is not None and self._intake.failure:
            raise UserError(self._intake.failure)
        return over

    def stop(self) -> None:
        """Keep what was pressed, then end everything, whatever fails meanwhile."""
        with ExitStack() as ending:  # what is named last is done first
            if self._sweeping is not None:
                ending.callback(self._sweeping.end)
            if self._making is not None:
                ending.callback(self._making.stop)
            ending.callback(self._lately.close)
            if self._settling is not None:
                ending.callback(self._settling.end, ENDING_S)
            if self._pages is not None:
                ending.callback(self._pages.stop)
            if self._scenes is not None:
                ending.callback(self._scenes.close)
            if self._intake is not None:
                ending.callback(self._intake.close)
            if self._loop is not None:
                ending.callback(self._loop.stop)
            if self._tending is not None:
                ending.callback(self._tending.join, ENDING_S)
            ending.callback(self._stop.set)
            ending.callback(self._keep_all)
            if self._link is not None:
                ending.callback(self._link.remove, self.event.paths.root)
            if self._settling is not None:
                ending.callback(self._settling.compile_no_more)

    def _keep_all(self) -> None:
        if not self._keeper.close():
            log.error("a press was still being stored when the program ended")

    def _paced(self, quality: Quality) -> None:
        """The loop makes the picture finer or less fine from now on."""
        self._quality = quality
        if self._scenes is not None:
            self._scenes.resize(quality.preview)
        sentence = quality_sentence(quality)
        log.info("%s", sentence)
        # The newest in place of those before it, which are not true any more.
        self.notices.standing("quality", sentence, PASSING_S)

    # Beside the loop

    def _tend(self) -> bool:
        """Twice a second or so: what must be looked after while the picture runs by itself."""
        if self._stop.wait(SAY_EVERY_S):
            return False
        self._tend_once()
        return True

    def _tend_once(self) -> None:
        if self._sweeping is not None:
            self._sweeping()
        if self.feed.newest is not None and not self._greeted:
            self._greeted = True
            self._tell(f"The picture is there, keyed on {self.meter.device}.")
        settling = self._settling
        if settling is not None:
            settling.tend()
        begun = settling is not None and settling.begun
        if self._making is not None and begun:
            # Also without a picture from the camera: what was queued before is made meanwhile.
            self._making.tend()
        if self._grabbing is not None and self._arrivals is not None:
            self._grabbing.tend(self._arrivals)
        self.notices.standing("roster", self.event.roster_trouble)
        if begun:
            self._lately.refresh()
        self.feed.say(self.state())

    # What the pages and commands ask

    def state(self) -> dict[str, Any]:
        """Everything that the pages show, as plain JSON values."""
        figures, grabbing = self.meter.read(), self._grabbing
        tether = grabbing.tether if grabbing is not None else None
        return {
            "event": self.event.name,
            "source": self._intake.state()
            if self._intake
            else {"state": "starting", "sentence": "Getting ready"},
            "line": figures.line(),
            "figures": figures.plain() | {"stages_ms": self.meter.stages.median_ms()},
            "pictures": figures.frames_out,
            "quality": quality_words(self._quality),
            "making_ready": self._settling.state() if self._settling is not None else None,
            "mirror": self.wishes.mirror,
            **self._posing.state(),
            "roster": self._has_roster(),
            "plate": self.plates.state(),
            "shots": self._lately.rows(),
            "kept": grabbing.kept if grabbing is not None else 0,
            "count_s": self._countdown.left_s,
            "stills": tether.state() if tether is not None else None,
            "troubles": self.notices.now(),
        }

    def _has_roster(self) -> bool:
        try:
            return len(self.event.roster) > 0
        except PosewallError:
            return True  # there is one; what is wrong with it is said when it is used

    def _ready(self) -> Grabbing:
        if self._grabbing is None:
            raise UserError("The program is still getting ready; try again in a moment.")
        return self._grabbing

    def grab(self, age_s: float, after_s: float = 0.0) -> Future[dict[str, Any]]:
        """Keep the frame of ``age_s`` seconds ago, or of ``after_s`` seconds from now."""
        if after_s <= 0:
            return self._press(time.monotonic() - age_s)
        answer = self._countdown.start(after_s)
        self.feed.say(self.state())
        return answer

    def _press(self, moment_s: float) -> Future[dict[str, Any]]:
        return self._ready().press(moment_s)

    def plate(self, age_s: float) -> Future[dict[str, Any]]:
        """Keep the frame of ``age_s`` seconds ago as the clean plate."""
        return self._ready().plate(time.monotonic() - age_s)

    def drop_plate(self) -> dict[str, Any]:
        """Key from the frame alone from now on."""
        self.plates.drop()
        if self._grabbing is not None:
            self._grabbing.drop_still_plate()
        return {"sentence": "No clean plate in use"}

    def set_next(self, people: list[str], template: str | None = None) -> dict[str, Any]:
        """Say who is in the next shots: numbers or names; an empty list for nobody by name."""
        return self._said(self._posing.choose(people, template))

    def show_in(self, template: str) -> dict[str, Any]:
        """Show the next shots in another template."""
        return self._said(self._posing.show_in(template))

    def move(self, right: float, down: float, scale: float) -> dict[str, Any]:
        """Move the subjects of the next shots a little."""
        return self._said(self._posing.move(right, down, scale))

    def _said(self, answer: dict[str, Any]) -> dict[str, Any]:
        self.feed.say(self.state())
        return answer

    def find(self, words: str) -> list[dict[str, Any]]:
        """People of the roster that fit the words, best first, a few."""
        return who.found(self.event, words)

    # For the terminal

    def line(self, columns: int | None = None) -> str:
        """The status line, source trouble included.

        Args:
            columns: room for it; None for all of it.
        """
        state = self._intake.state() if self._intake else {"state": "starting"}
        before = []
        if state["state"] != "live":
            before.append(str(state.get("sentence", "starting")))
        making = self._settling.state() if self._settling is not None else None
        before += [words for words in (making, quality_words(self._quality)) if words]
        before.append(f"kept {self._grabbing.kept if self._grabbing is not None else 0}")
        head = " | ".join(before)
        room = None if columns is None else columns - len(head) - 3
        return f"{head} | {self.meter.read().line(room)}"
