"""One evening's live program: everything that `posewall live` runs, wired together."""

from __future__ import annotations

import logging
import os
import secrets
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from functools import partial

from models.keyer import Grade, Keyer, KeySettings
from stream.capture.arrivals import Arrivals
from stream.capture.frame import Frame
from stream.capture.stills import read_still
from stream.errors import UserError
from stream.event import Event
from stream.live.choosing import Choosing
from stream.live.compiling import made_ready
from stream.live.console import Console
from stream.live.figures import Meter
from stream.live.grabbing import Grabbing
from stream.live.intake import Intake
from stream.live.keeping import Keeper
from stream.live.lately import Lately
from stream.live.link import Link, refuse_a_second
from stream.live.loop import LiveLoop
from stream.live.making import Making
from stream.live.notices import PASSING_S, Notices, ScreenWatch
from stream.live.pacing import Quality, quality_sentence
from stream.live.plates import PlateKeeper, as_turned
from stream.live.posing import Posing
from stream.live.recording import LiveRecorder, SoundChoice, takes_of
from stream.live.ring import Ring
from stream.live.scenes import SceneMaker, Setting
from stream.live.settling import Settling
from stream.live.shooting import Shooting
from stream.live.steady import Steady
from stream.live.taking import Taking
from stream.live.tether import Tether
from stream.live.wishes import Wishes, bound_threads, pick_device
from stream.memory import Sweeping
from stream.pages.feed import Feed
from stream.pages.serve import PageServer
from stream.shot import save_plate
from stream.take import About, PacketRing
from stream.template import Template

log = logging.getLogger("posewall.live")

SAY_EVERY_S = 0.4
ENDING_S = 5.0
# chosen: the operator looks up between two groups; the shots keep their notes.
DOUBT_STANDS_S = 300.0
# chosen: the parts of some six designs at the size of the live picture; more are read from disk.
PARTS_BYTES = 192 << 20


class Session:
    """Runs until stopped; what the pages and commands ask of it is answered by its `console`."""

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
        self._ring, self._packets = Ring(), PacketRing()
        self._sound: SoundChoice | None = None
        self._taking: Taking | None = None
        self.plates = PlateKeeper(self.notices.passing)
        self._screen = ScreenWatch(self.notices)
        self._lately = Lately(event, made_here=wishes.batch)
        self._posing = Posing(event, self.notices)
        self._keeper = Keeper(self.notices.passing)
        self.console = Console(
            event,
            self.feed,
            self.meter,
            self.notices,
            plates=self.plates,
            posing=self._posing,
            lately=self._lately,
            mirror=wishes.mirror,
        )
        self._choosing: Choosing | None = None
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
        self._pages = PageServer(self.console, self.feed, token=self._token, port=self.wishes.port)
        self._pages.start()
        self._tell(f"Stage: {self._pages.address}/stage   Desk: {self._pages.address}/desk")
        self._link = Link(os.getpid(), self._pages.port, self._token)
        self._link.write(self.event.paths.root)
        device = pick_device(self.wishes.device)
        # Before a source is opened: what of it is wanted has to be known then.
        self._sound = SoundChoice(self.wishes.sound, self._packets, self._tell)
        self._intake = self.console.intake = Intake(
            self.wishes.source,
            self.wishes.turn,
            once=self.wishes.once,
            device=device,
            meter=self.meter,
            say=self.notices.passing,
            tap=self._packets,
        )
        threads = bound_threads()
        self.meter.device = device
        template = self.event.template(self.wishes.template)
        settings = KeySettings.from_json(dict(self.event.config.key))
        for note in template.notes:
            self.notices.passing(f"Template {template.name}: {note}.")
        height = self.wishes.preview_height
        self._scenes = SceneMaker(template, height, device, self._stop, self.notices.passing)
        self._prepare_presses(template, settings)
        self._prepare_takes(self._sound, settings)
        self._keeper.start()
        self._scenes.start()
        self._posing.begin(template, self._scenes)
        self._use_plate_file()

        intake, scenes = self._intake, self._scenes
        sweeping = self._sweeping = Sweeping()

        def seen() -> tuple[Frame | None, Setting | None]:
            return self._ring.nearest(time.monotonic()), scenes.current

        self._settling = self.console.settling = settling = Settling(
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

    def _prepare_presses(self, template: Template, settings: KeySettings) -> None:
        """Everything that keeps what is pressed."""
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
        choosing = self._choosing = self.console.choosing = Choosing(
            self.event,
            self._ring,
            self._keeper.after,
            lambda shot: grabbing.settled(shot),
            self._tell,
            self.notices.passing,
        )
        grabbing = self._grabbing = Grabbing(
            shooting,
            self._posing,
            self._keeper,
            self._lately,
            self.notices,
            tether,
            self.console.say,
            choosing,
        )
        choosing.start()
        self._keeper.do(choosing.settle_left)
        self.console.grabbing = grabbing

    def _prepare_takes(self, sound: SoundChoice, settings: KeySettings) -> None:
        """Everything that records."""

        def about() -> About:
            pose = self._posing.pose
            plate = self.plates.plate_id
            return About(settings, pose.numbers, pose.template, plate, nudge=pose.nudge)

        self._taking = self.console.taking = takes_of(
            partial(LiveRecorder, self.event, self._packets, sound, about),
            sound,
            event=self.event,
            keeper=self._keeper,
            lately=self._lately,
            tell=self._tell,
            on_trouble=self.notices.passing,
            on_change=self.console.say,
            on_mended=lambda s: self.notices.standing("cut off", s, DOUBT_STANDS_S),
        )

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
            if self._choosing is not None:
                ending.callback(self._choosing.close)
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
            if self._sound is not None:
                ending.callback(self._sound.close)
            if self._taking is not None:
                ending.callback(self._taking.close)
            if self._link is not None:
                ending.callback(self._link.remove, self.event.paths.root)
            if self._settling is not None:
                ending.callback(self._settling.compile_no_more)

    def _keep_all(self) -> None:
        if not self._keeper.close():
            log.error("a press was still being stored when the program ended")

    def _paced(self, quality: Quality) -> None:
        """The loop makes the picture finer or less fine from now on."""
        self.console.quality = quality
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
        if self._choosing is not None:
            self._choosing.tend()
        if self._taking is not None and self._sound is not None:
            self._sound.tend()
            self._taking.tend()
        self.notices.standing("roster", self.event.roster_trouble)
        self._posing.tend()
        if begun:
            self._lately.refresh()
        self.console.say()
