"""What the record hands out: plain values, no rows.

Every time is UTC with its zone; every id is 32 hexadecimal digits (uuid4), so that records merge.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

CheckKind = Literal["symmetry", "finish", "photos"]
NoteKind = Literal["heat treatment", "abrasive step", "micrometer", "free"]
Role = Literal["face", "before"]
State = Literal["done", "failed"]

CHECK_KINDS: tuple[CheckKind, ...] = ("symmetry", "finish", "photos")
NOTE_KINDS: tuple[NoteKind, ...] = ("heat treatment", "abrasive step", "micrometer", "free")
ROLES: tuple[Role, ...] = ("face", "before")
VERDICTS = ("", "match", "mismatch", "cannot tell", "clean", "scratched")
STATES: tuple[State, ...] = ("done", "failed")

STAGES = (
    "profiled", "heat treated", "surface ground", "bevels ground", "finished", "etched or tumbled",
    "handled", "sheathed", "sharpened", "delivered",
)  # fmt: skip
"""A knife's usual stages in their usual order; a stage may have any other name."""

FACT_NAMES = ("name", "pattern", "steel", "thickness_mm", "grind", "notes", "buyer_reference")
"""The fields of `KnifeFacts` that may be private."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnifeFacts:
    """What the maker says of a knife.

    Parameters
    ----------
    name : str
        Name or number; any characters but control characters.
    pattern, steel, grind, notes, buyer_reference : str
        Empty if not told.
    thickness_mm : float or None
        Stock thickness.
    private : tuple of str
        Of `FACT_NAMES`: what is left out of a sheet for the buyer.
    """

    name: str
    pattern: str = ""
    steel: str = ""
    thickness_mm: float | None = None
    grind: str = ""
    notes: str = ""
    buyer_reference: str = ""
    private: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Knife:
    """A knife with the facts that hold now, and when these were written."""

    id: str
    made_at: datetime
    facts: KnifeFacts
    facts_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class KnifeRow:
    """A knife in a list.

    Parameters
    ----------
    knife : Knife
    stage : str
        The newest stage; empty before the first.
    verdict, kind, headline : str
        Of the newest check that was measured, with its kind; empty before the first.
    thumbnail_sha256 : str or None
        First photo of the newest check.
    """

    knife: Knife
    stage: str
    verdict: str
    kind: str
    headline: str
    thumbnail_sha256: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A stage that a knife reached."""

    id: str
    knife_id: str
    at: datetime
    name: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A note with fields; `earlier` are the ones that it corrects, newest first."""

    id: str
    knife_id: str
    stage_id: str | None
    at: datetime
    kind: NoteKind
    fields: Mapping[str, Any]
    corrects: str | None = None
    earlier: tuple["Note", ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPhoto:
    """A photo as it was given, kept once by its bytes' hash; its size is that of the upright picture."""

    sha256: str
    suffix: str
    size_bytes: int
    width: int
    height: int
    added_at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPhoto:
    """A photo of a check; `name` is what the user's file was called, to be shown only."""

    photo: StoredPhoto
    name: str
    role: Role


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came out of a check.

    Parameters
    ----------
    at : datetime
    state : {"done", "failed"}
    verdict, headline : str
        Empty if it failed.
    result : mapping
        As the check's JSON, see the README, with what a page draws over the photos under ``drawing``.
    error, advice : str
        Empty if it is done.
    error_photo : int or None
        Position in `Check.photos` of the photo that caused the error, where one did.
    program_version : str
    """

    at: datetime
    state: State
    verdict: str = ""
    headline: str = ""
    result: Mapping[str, Any] = field(default_factory=dict)
    error: str = ""
    advice: str = ""
    error_photo: int | None = None
    program_version: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """A check that was asked for; without an outcome it waits to be measured.

    Parameters
    ----------
    id, knife_id : str
    stage_id : str or None
        The stage at which it was taken, where that is told.
    at : datetime
    kind : {"symmetry", "finish", "photos"}
    asked : mapping
        The options, see `grindcheck.record.asked`.
    again_of : str or None
        The check that this one measures again.
    photos : tuple of CheckPhoto
    outcome : Outcome or None
        The newest.
    """

    id: str
    knife_id: str
    stage_id: str | None
    at: datetime
    kind: CheckKind
    asked: Mapping[str, Any]
    again_of: str | None
    photos: tuple[CheckPhoto, ...]
    outcome: Outcome | None

    @property
    def faces(self) -> tuple[CheckPhoto, ...]:
        """The photos that are measured, without earlier ones: two and two of a check of both sides."""
        return tuple(one for one in self.photos if one.role == "face")


@dataclass(frozen=True, slots=True, kw_only=True)
class KnifePage:
    """All of a knife: the newest first in `history`, the oldest first elsewhere.

    Parameters
    ----------
    knife : Knife
    history : tuple of Knife
        The facts that were corrected, each with its time.
    stages : tuple of Stage
    notes : tuple of Note
        Without those that were corrected; these are their `earlier`.
    checks : tuple of Check
    binned : bool
        Whether the knife lies in the bin.
    """

    knife: Knife
    history: tuple[Knife, ...]
    stages: tuple[Stage, ...]
    notes: tuple[Note, ...]
    checks: tuple[Check, ...]
    binned: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One knife's newest value of a quantity, in mm or degrees, with its standard uncertainty."""

    knife_id: str
    name: str
    check_id: str
    at: datetime
    value: float
    std: float
    unit: str
