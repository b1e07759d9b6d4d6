"""Something of the record by how its id begins."""

from collections.abc import Iterable
from typing import Protocol, TypeVar

from sqlalchemy import select

from grindcheck.errors import InputError, NotInRecordError
from grindcheck.record.binning import ENTITIES, TABLES, Entity
from grindcheck.record.knives import knife
from grindcheck.record.opening import Record

SHORTEST = 6
"""Hexadecimal digits that are taken for the beginning of an id."""


class _Named(Protocol):
    @property
    def id(self) -> str: ...


T = TypeVar("T", bound=_Named)


def find_in(members: Iterable[T], beginning: str, what: str) -> T:
    """Return the one of a knife's stages, notes or checks whose id begins so.

    Raises
    ------
    NotInRecordError
        If there is none, or several.
    """
    found = [one for one in members if _begins(one.id, beginning)]
    if len(found) != 1:
        raise NotInRecordError(
            f"The knife has {len(found) or 'no'} {what}{'s' if len(found) > 1 else ''} {beginning!r}.",
            advice="Take the id that grindcheck records show puts in brackets.",
        )
    return found[0]


def find_entity(record: Record, beginning: str) -> tuple[Entity, str]:
    """Return what kind of thing it is whose id begins so, and its whole id; the bin is looked into too.

    Raises
    ------
    InputError
        If it is too short to be the beginning of an id.
    NotInRecordError
        If there is none, or several.
    """
    beginning = beginning.strip().lower()
    if len(beginning) < SHORTEST or set(beginning) - set("0123456789abcdef"):
        raise InputError(
            f"{beginning!r} is no id.",
            advice=f"Give {SHORTEST} or more of its digits, as grindcheck records show has them.",
        )
    found: list[tuple[Entity, str]] = []
    with record.reading() as session:
        for entity in ENTITIES:
            ids = select(TABLES[entity].id).where(TABLES[entity].id.startswith(beginning)).limit(2)
            found += [(entity, one) for one in session.scalars(ids)]
    if len(found) != 1:
        raise NotInRecordError(
            f"{len(found) or 'No'} thing{'s' if len(found) > 1 else ''} in the record "
            f"{'have' if len(found) > 1 else 'has'} an id that begins with {beginning!r}.",
            advice="Take the id that grindcheck records show puts in brackets.",
        )
    return found[0]


def _begins(whole: str, beginning: str) -> bool:
    return len(beginning) >= SHORTEST and whole.startswith(beginning.strip().lower())


def find_knife_or_entity(record: Record, text: str) -> tuple[Entity, str]:
    """Return the knife of that name or id, or else what `find_entity` finds."""
    try:
        return "knife", knife(record, text).knife.id
    except NotInRecordError as problem:
        try:
            return find_entity(record, text)
        except InputError:
            raise problem from None
