"""People and what they ordered: the roster as schools and leagues send it."""

from stream.people.columns import Reading, folded
from stream.people.errors import RosterError
from stream.people.orders import Order, orders_of
from stream.people.person import Person, texts
from stream.people.roster import Roster

__all__ = ["Order", "Person", "Reading", "Roster", "RosterError", "folded", "orders_of", "texts"]
