"""One line for everything that a source gives: microseconds, steady, and never back.

It goes as the pictures' own timestamps do, so that a film has the camera's even steps, and begins
at the computer's clock. Where a connection was lost it goes on after the true pause; where
timestamps make a step that no camera makes, it goes on without that step.
"""

from __future__ import annotations

from stream.capture.clock_offset import ClockOffset
from stream.capture.frame import Frame
from stream.capture.tap import SECOND_US, Piece

# chosen: as of a clip's own pace: a longer step in timestamps is an edit, not a pause.
_LONGEST_STEP_US = 10 * SECOND_US
# chosen: packets of one camera are out of order by less; more is another time line.
_FARTHEST_BACK_US = SECOND_US
# chosen: a frame further from its place than this belongs to the time line before a step.
_FARTHEST_OFF_US = 2 * SECOND_US


def own_us(frame: Frame) -> int | None:
    """A frame's timestamp in microseconds; None where it has none."""
    if frame.pts is None or frame.time_base is None:
        return None
    return round(frame.pts * frame.time_base * SECOND_US)


class TimeLine:
    """Lays packets and frames of one source on the line. Used by one thread at a time.

    Attributes:
        by_arrival: the source's timestamps are not used.
    """

    def __init__(self) -> None:
        self._shift_us: int | None = None  # from the source's time line to this one
        self._offset = ClockOffset()
        self._last_us: int | None = None  # of the picture that was decoded last, on this line
        self._own_us: int | None = None  # of the frame that came last, on the source's
        self.by_arrival = False

    @property
    def begun(self) -> bool:
        """Whether a frame of this connection has come."""
        return self._shift_us is not None

    def begin(self) -> None:
        """A connection begins: the source's timestamps may be anything from now on."""
        self._shift_us = self._own_us = None

    def of_clock(self, clock_us: int) -> int:
        """Where an instant of the computer's clock lies on the line."""
        return clock_us - self._offset.offset_us

    def meet(self, frame: Frame) -> bool:
        """Take from a frame how the source's clock goes, where its timestamps are used.

        Returns:
            False where its timestamp is not after that of the frame before it, in one connection.
        """
        arrived_us = round(frame.arrived_s * SECOND_US)
        own, before = own_us(frame), self._own_us
        self._own_us = own
        if self._shift_us is None:
            self._shift_us = self.of_clock(0)
            if own is not None and not self.by_arrival:
                self._shift_us = self.of_clock(arrived_us) - own
            self._offset = ClockOffset(self._offset.offset_us)
        if own is None:
            return True
        good = before is None or own > before or before - own > _FARTHEST_BACK_US
        if self.by_arrival:
            return good
        late = arrived_us - (own + self._shift_us)
        if abs(late - self._offset.offset_us) < _FARTHEST_OFF_US:
            self._offset.add(own + self._shift_us, arrived_us)
        return good

    def trust(self, frame: Frame) -> None:
        """Go by the source's timestamps again from a frame on, which `meet` has seen."""
        own = own_us(frame)
        if own is not None:
            self.by_arrival = False
            self._shift_us = self.of_clock(round(frame.arrived_s * SECOND_US)) - own

    def frame_us(self, frame: Frame) -> int:
        """Where a frame lies, on the source's own line as `lay` takes it."""
        own = own_us(frame)
        if own is not None and not self.by_arrival:
            return own
        return self.of_clock(round(frame.arrived_s * SECOND_US)) - (self._shift_us or 0)

    def lay(self, piece: Piece, now_us: int, shift_us: int = 0) -> Piece | None:
        """A piece at its place; None for sound that has none.

        Args:
            piece: on the source's own line, once it is moved.
            now_us: the computer's clock.
            shift_us: by how much it is to be moved.
        """
        laid = piece.moved(shift_us + (self._shift_us or 0))
        last = self._last_us
        if piece.sound:
            off = last is not None and abs(laid.at_us - last) > _LONGEST_STEP_US
            return None if off else laid
        if last is not None:
            step = laid.decode_us - last
            if step > _LONGEST_STEP_US or step < -_FARTHEST_BACK_US:
                by_us = max(self.of_clock(now_us), last + 1) - laid.decode_us
                self._shift_us = (self._shift_us or 0) + by_us
                laid = laid.moved(by_us)
        self._last_us = laid.decode_us
        return laid
