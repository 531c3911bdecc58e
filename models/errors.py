"""What `models` raises: each message says what came, what was needed and what to do."""


class PosewallError(Exception):
    """Base of every error whose message is meant for a person."""


class ShapeError(PosewallError):
    """A tensor, plane or picture has a size, type or device that the operation cannot take."""


class EncodingError(PosewallError):
    """Colour tags that name nothing this program can decode."""
