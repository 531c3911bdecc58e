"""What a source raises."""

from stream.errors import UserError


class SourceError(UserError):
    """A source that the user can mend: a wrong address, an unreadable file, an unknown colour."""


class SourceLost(UserError):  # noqa: N818 - the loss of a live source is a state of the evening
    """A live source that was there and is gone; the watchdog connects it again."""
