"""What a user gives to the record, made clean or refused in words."""

import json
import re
import unicodedata
import uuid
from collections.abc import Mapping
from typing import Any

from grindcheck import settings
from grindcheck.errors import InputError
from grindcheck.record.entries import FACT_NAMES, NOTE_KINDS, KnifeFacts, NoteKind

LONGEST_NAME = 200
LONGEST_TEXT = 20_000
LONGEST_JSON = 2_000_000  # characters; hand-placed lines, masks and readings stay far below
DEEPEST_JSON = 40  # lists within objects within lists; results and notes have six at most
LONGEST_RESULT = 50_000_000  # characters; a face with 10,000 scratches has about 10 million

_MOST_DIGITS = 300  # of a whole number; with more it is none that could be reckoned with
_ID = re.compile(r"[0-9a-f]{32}")
_SHA256 = re.compile(r"[0-9a-f]{64}")


def new_id() -> str:
    """Return an id that no other record has either."""
    return uuid.uuid4().hex


def is_id(text: str) -> bool:
    """Tell whether a text has the form of an id."""
    return _ID.fullmatch(text) is not None


def is_sha256(text: str) -> bool:
    """Tell whether a text has the form of a photo's hash."""
    return _SHA256.fullmatch(text) is not None


def folded(text: str) -> str:
    """Fold a text for searching and sorting: case, accents' composition and width of signs don't count.

    What no database takes, halves of signs and zero bytes, becomes a question mark or a space.

    Examples
    --------
    >>> folded("Straße  Ｎo.1") == folded("STRASSE no.1")
    True
    """
    text = text.replace("\x00", " ").encode("utf-8", errors="replace").decode("utf-8")
    return " ".join(unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold()).split())


def one_line(text: str, what: str, *, longest: int = LONGEST_NAME, needed: bool = False) -> str:
    """Check a text of one line: characters that can be kept, not too long, not empty if it is needed."""
    text = text.strip()
    bad = next((sign for sign in text if unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp")), None)
    if bad is not None:
        raise InputError(
            f"The {what} has a character that can't be kept (U+{ord(bad):04X}).",
            advice="Write it in one line of text.",
        )
    return _sized(text, what, longest, needed)


def lines(text: str, what: str) -> str:
    """Check a text of several lines."""
    text = text.replace("\r\n", "\n").replace("\r", "\n").strip()
    bad = next(
        (sign for sign in text if unicodedata.category(sign) in ("Cc", "Cs") and sign not in "\n\t"), None
    )
    if bad is not None:
        raise InputError(
            f"The {what} has a character that can't be kept (U+{ord(bad):04X}).",
            advice="Write it as plain text.",
        )
    return _sized(text, what, LONGEST_TEXT, needed=False)


def clean_facts(facts: KnifeFacts) -> KnifeFacts:
    """Check what is said of a knife.

    Raises
    ------
    InputError
        If the name is missing, a text can't be kept, the thickness is none of knife stock, or a private field
        is none.
    """
    thickness = facts.thickness_mm
    low, high = settings.THINNEST_STOCK_MM, settings.THICKEST_STOCK_MM
    if thickness is not None and not low <= thickness <= high:
        raise InputError(
            f"The stock thickness is {thickness:g} mm; knife stock has {low:g} to {high:g} mm.",
            advice="Measure the blade at the ricasso with a calliper and give the unit, as in 4mm or 5/32in.",
        )
    unknown = sorted(set(facts.private) - set(FACT_NAMES))
    if unknown:
        raise InputError(
            f"There is no field {', '.join(unknown)} that could be private.",
            advice=f"Name fields of a knife: {', '.join(FACT_NAMES)}.",
        )
    return KnifeFacts(
        name=one_line(facts.name, "knife's name", needed=True),
        pattern=one_line(facts.pattern, "pattern"),
        steel=one_line(facts.steel, "steel"),
        thickness_mm=None if thickness is None else float(thickness),
        grind=one_line(facts.grind, "grind"),
        notes=lines(facts.notes, "notes"),
        buyer_reference=one_line(facts.buyer_reference, "buyer's reference"),
        private=tuple(name for name in FACT_NAMES if name in facts.private),
    )


def clean_note(kind: str, fields: Mapping[str, Any]) -> tuple[NoteKind, dict[str, Any]]:
    """Check a note's kind and fields.

    Raises
    ------
    InputError
        If the kind is none, or the fields are empty or no plain data.
    """
    known = next((one for one in NOTE_KINDS if one == kind), None)
    if known is None:
        raise InputError(
            f"There is no kind of note {kind!r}.", advice=f"Take one of: {', '.join(NOTE_KINDS)}."
        )
    if not fields:
        raise InputError("The note is empty.", advice="Write something into one field at least.")
    return known, plain(fields, "note")


def plain(data: Mapping[str, Any], what: str, *, longest: int = LONGEST_JSON) -> dict[str, Any]:
    """Check that data is plain: text, numbers, true, false, null, lists and objects of these.

    Raises
    ------
    InputError
        If it isn't, is too large, or nested deeper than `DEEPEST_JSON`: telling goes down level by level.
    """
    try:
        text = json.dumps(dict(data), ensure_ascii=False, allow_nan=False)
        text.encode("utf-8")
    except (TypeError, ValueError, RecursionError) as problem:
        raise InputError(
            f"The {what} can't be kept ({problem}).", advice="Give text, numbers and lists of them."
        ) from problem
    if len(text) > longest or "\\u0000" in text:
        raise InputError(
            f"The {what} is too long or has a character that can't be kept.",
            advice=f"Keep it below {longest} characters of text.",
        )
    if _nested_deeper(data, DEEPEST_JSON):
        raise InputError(
            f"The {what} has lists within lists, {DEEPEST_JSON} and more deep.", advice="Write it flatter."
        )

    def whole(digits: str) -> int:
        if len(digits) > _MOST_DIGITS:
            raise InputError(
                f"The {what} has a number of {len(digits)} digits.", advice="Write it as text, or correct it."
            )
        return int(digits)

    out: dict[str, Any] = json.loads(text, parse_int=whole)
    return out


def sentence(text: str) -> str:
    """Return what the program itself says in a form that can be kept: control characters become spaces."""
    kept = "".join(
        " " if unicodedata.category(sign) in ("Cc", "Cs") and sign != "\n" else sign for sign in text
    )
    return kept.strip()[:LONGEST_TEXT].strip()


def file_name(name: str) -> str:
    r"""Return what a user's file was called, without folders, to be shown only.

    Examples
    --------
    >>> file_name("C:\\pictures\\../left\nface.jpg")
    'left face.jpg'
    """
    last = re.split(r"[/\\]", name)[-1]
    shown = "".join(" " if unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") else sign for sign in last)
    return " ".join(shown.split())[:LONGEST_NAME].strip() or "photo"


def _nested_deeper(data: Mapping[str, Any], most: int) -> bool:
    level: list[Any] = [data]
    for _ in range(most):
        level = [
            inner
            for outer in level
            for inner in (outer.values() if isinstance(outer, Mapping) else outer)
            if isinstance(inner, Mapping | list | tuple)
        ]
        if not level:
            return False
    return True


def _sized(text: str, what: str, longest: int, needed: bool) -> str:
    if needed and not text:
        raise InputError(f"The {what} is missing.", advice="Give a name or a number.")
    if len(text) > longest:
        raise InputError(
            f"The {what} has {len(text)} characters; {longest} can be kept.", advice="Shorten it."
        )
    return text
