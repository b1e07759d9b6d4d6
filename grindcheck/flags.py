"""Reservations that a figure or photo can carry: name, meaning, what to do. Names are kept in records."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Flag:
    """One reservation.

    Parameters
    ----------
    name : str
        As stored; never renamed or reused.
    meaning : str
        What is so.
    advice : str
        What to do to get rid of it.
    """

    name: str
    meaning: str
    advice: str


_TABLE: tuple[tuple[str, str, str], ...] = ()

FLAGS = {name: Flag(name=name, meaning=meaning, advice=advice) for name, meaning, advice in _TABLE}
