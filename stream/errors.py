"""What `stream` raises for a mistake or a mishap that the user can mend."""

from models.errors import PosewallError


class UserError(PosewallError):
    """One sentence for the user: what came, what was needed, what to do. Exit code 2."""
