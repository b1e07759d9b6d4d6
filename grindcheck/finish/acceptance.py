"""Which scratches the user accepts, and whether a finish keeps to that."""

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from grindcheck.errors import InputError
from grindcheck.finish.grits import findable
from grindcheck.flags import flag
from grindcheck.settings import COVERAGE_FACTOR
from grindcheck.units import length_mm

if TYPE_CHECKING:
    from grindcheck.finish.results import Finish, FinishFace, RegionFinish, Scratch

Decision = Literal["clean", "scratched", "cannot tell"]
Kind = Literal["longest", "count", "coverage"]

REGIONS = ("flat", "bevel")

MUST_SEE_MM = 5.0
"""A limit on number or coverage is only called kept if scratches so short are found; own estimate."""

SURE_LOG_NFA = math.log10(0.05)
"""A scratch is sure if texture alone makes one as striking in at most 1 of 20 such faces: as rarely as a
true value lies outside U."""

_BLIND = ("dark", "blurred")  # with these a clean picture is no proof
_HINT = 'Write limits such as "longest 3 mm, count 2, bevel none" or "flat coverage 0.5 mm/cm2".'
_COVERAGE = re.compile(r"^(?P<number>\d+[.,]?\d*|[.,]\d+)\s*mm\s*(?:/|per)\s*cm(?:2|²|\^2)$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One thing that a face must keep to.

    Parameters
    ----------
    kind : {"longest", "count", "coverage"}
    value : float
        mm; a number of scratches; mm of scratches per cm².
    region : {"flat", "bevel"} or None
        None: the whole face.
    """

    kind: Kind
    value: float
    region: str | None = None

    def __str__(self) -> str:
        where = "" if self.region is None else f"{self.region} "
        if self.kind == "count":
            return f"{where}none" if self.value == 0 else f"{where}count {self.value:.0f}"
        return f"{where}{self.kind} {self.value:g} {'mm' if self.kind == 'longest' else 'mm/cm2'}"


NO_SCRATCH = (Limit(kind="count", value=0),)


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedLimit:
    """One limit on one face and what follows.

    Parameters
    ----------
    side : str
        The face's.
    limit : Limit
    decision : {"clean", "scratched", "cannot tell"}
    reason : str
        Why, in a sentence; empty if it is kept.
    numbers : tuple of int
        Scratches that exceed it, or that may.
    """

    side: str
    limit: Limit
    decision: Decision
    reason: str = ""
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishVerdict:
    """The whole decision.

    Parameters
    ----------
    decision : {"clean", "scratched", "cannot tell"}
    reasons : tuple of str
        What exceeds which limit, and why something can't be told; empty if all is kept.
    notes : tuple of str
        Down to which size scratches are found, and what wasn't searched.
    judged : tuple of JudgedLimit
    limits : tuple of Limit
    """

    decision: Decision
    reasons: tuple[str, ...]
    notes: tuple[str, ...]
    judged: tuple[JudgedLimit, ...]
    limits: tuple[Limit, ...]


def read_limits(text: str) -> tuple[Limit, ...]:
    """Read acceptance limits.

    Parameters
    ----------
    text : str
        Separated by commas or lines; what follows ``#`` in a line is a remark. Each: a region or nothing,
        then ``longest LENGTH``, ``count N``, ``coverage X mm/cm2`` or ``none``.

    Raises
    ------
    InputError
        If a word isn't known, a number is missing, a limit is given twice, or there is none.

    Examples
    --------
    >>> [str(one) for one in read_limits("longest 1/8 in, count 2, bevel none")]
    ['longest 3.175 mm', 'count 2', 'bevel none']
    """
    limits: list[Limit] = []
    for line in text.splitlines():
        # a comma between digits may be a decimal one
        for part in re.split(r",(?!\d)|;", line.split("#")[0]):
            if part.strip():
                limits.append(_limit(part.strip()))
    if not limits:
        raise InputError("The acceptance limits are empty.", advice=_HINT)
    for i, one in enumerate(limits):
        if any((one.kind, one.region) == (other.kind, other.region) for other in limits[:i]):
            raise InputError(f"Two limits say the same thing: {one}.", advice="Keep one of them.")
    return tuple(limits)


def _limit(text: str) -> Limit:
    words = text.lower().split()
    region = words.pop(0) if words[0] in REGIONS else None
    what, rest = (words[0], " ".join(words[1:])) if words else ("", "")
    if what == "none" and not rest:
        return Limit(kind="count", value=0, region=region)
    if what == "longest":
        value = length_mm(rest, what="longest scratch") if rest else -1.0
        if value > 0:
            return Limit(kind="longest", value=value, region=region)
    elif what == "count":
        if re.fullmatch(r"[0-9]{1,6}", rest):
            return Limit(kind="count", value=int(rest), region=region)
    elif what == "coverage":
        found = _COVERAGE.match(rest)
        if found:
            number = float(found["number"].replace(",", "."))
            return Limit(kind="coverage", value=number, region=region)
    elif what != "none":
        raise InputError(f"The acceptance limit {text!r} isn't understood.", advice=_HINT)
    needs = {"longest": "a length above 0", "count": "a whole number", "coverage": "a number of mm/cm2"}
    raise InputError(
        f"The acceptance limit {text!r} can't be read; {what} needs {needs.get(what, 'nothing after it')}.",
        advice=_HINT,
    )


def judge_finish(finish: "Finish", limits: tuple[Limit, ...] = NO_SCRATCH) -> FinishVerdict:
    """Decide whether a finish keeps to the limits.

    Parameters
    ----------
    finish : Finish
    limits : tuple of Limit
        Each holds for each face by itself. Default: no scratch at all.

    Returns
    -------
    FinishVerdict
        *scratched* if a limit is exceeded with certainty, else *cannot tell* if one may be or the photo
        couldn't show it, else *clean*, which the notes bound by what can be found in these very photos.

    Notes
    -----
    The rule is that of ISO 14253-1 with the guard band w = U: a length exceeds a limit only if it does when
    shortened by U, and keeps to it only if it does when lengthened by U. A count or coverage is exceeded
    only if the sure scratches (`SURE_LOG_NFA`) alone do so, and kept only if all together don't.
    """
    judged = [_judge(face, limit) for face in finish.faces for limit in limits]
    decisions = {one.decision for one in judged}
    decision: Decision = "clean"
    if "scratched" in decisions:
        decision = "scratched"
    elif "cannot tell" in decisions or not judged:
        decision = "cannot tell"
    reasons = [one.reason for word in ("scratched", "cannot tell") for one in judged if one.decision == word]
    if not judged:
        reasons = ["There is nothing to judge: no face was searched."]
    notes = [note for face in finish.faces for note in _notes(face)]
    return FinishVerdict(
        decision=decision,
        reasons=tuple(dict.fromkeys(reasons)),
        notes=tuple(dict.fromkeys(notes)),
        judged=tuple(judged),
        limits=limits,
    )


def _judge(face: "FinishFace", limit: Limit) -> JudgedLimit:
    regions = [one for one in face.regions if limit.region in (None, one.name)]
    there = [one for one in face.scratches if limit.region in (None, one.region)]
    place = _place(face, limit.region)

    def told(decision: Decision, reason: str = "", members: "list[Scratch] | None" = None) -> JudgedLimit:
        numbers = tuple(one.number for one in members or ())
        return JudgedLimit(side=face.side, limit=limit, decision=decision, reason=reason, numbers=numbers)

    if not regions:
        return told("cannot tell", f"{place}: no such region is seen, so {limit} can't be judged.")
    if limit.kind == "longest":
        over, maybe = _too_long(there, limit.value)
        amount = f"longer than {limit.value:g} mm"
    elif limit.kind == "count":
        over, maybe = _too_many(there, limit.value)
        amount = f"more than {limit.value:.0f} accepted" if limit.value else "none is accepted"
    else:
        over, maybe = _too_much(there, regions, limit.value)
        amount = f"more than {limit.value:g} mm per cm² together"
    if over:
        return told("scratched", f"{place}: {_named(over)}; {amount}.", over)
    if maybe:
        why = "has no mm without a scale" if any(one.length_mm is None for one in maybe) else _doubt(maybe)
        return told("cannot tell", f"{place}: {_named(maybe)} {why}, so {limit} can't be judged.", maybe)
    blind = next(_blind(face, regions, limit), None)
    return told("clean") if blind is None else told("cannot tell", blind)


def _too_long(there: "list[Scratch]", longest_mm: float) -> "tuple[list[Scratch], list[Scratch]]":
    over, maybe = [], []
    for one in there:
        if one.length_mm is None:
            maybe.append(one)
            continue
        expanded = COVERAGE_FACTOR * length_std(one)
        if one.length_mm - expanded > longest_mm and is_sure(one):
            over.append(one)
        elif one.length_mm + expanded > longest_mm:
            maybe.append(one)
    return over, maybe


def _too_many(there: "list[Scratch]", most: float) -> "tuple[list[Scratch], list[Scratch]]":
    sure = [one for one in there if is_sure(one)]
    if len(sure) > most:
        return sure, []
    return [], [one for one in there if not is_sure(one)] if len(there) > most else []


def _too_much(
    there: "list[Scratch]", regions: "list[RegionFinish]", most: float
) -> "tuple[list[Scratch], list[Scratch]]":
    areas = [one.area_mm2 for one in regions]
    if any(area is None for area in areas) or any(one.length_mm is None for one in there):
        return [], there
    cm2 = sum(area or 0.0 for area in areas) / 100
    expanded = COVERAGE_FACTOR * math.sqrt(sum(length_std(one) ** 2 for one in there))
    least = sum(one.length_mm or 0.0 for one in there if is_sure(one)) - expanded
    total = sum(one.length_mm or 0.0 for one in there) + expanded
    if least > most * cm2:
        return [one for one in there if is_sure(one)], []
    return [], there if there and total > most * cm2 else []


def length_std(one: "Scratch") -> float:
    """Return the standard uncertainty of a length, mm, from both ends; 0 where it isn't known."""
    return math.sqrt(2.0) * (one.ends_std_mm or 0.0)


def is_sure(one: "Scratch") -> bool:
    """Tell whether a scratch is hardly texture."""
    return one.log_nfa <= SURE_LOG_NFA


def _blind(face: "FinishFace", regions: "list[RegionFinish]", limit: Limit) -> Iterator[str]:
    """Why nothing found doesn't mean that nothing is there."""
    for name in _BLIND:
        if name in face.flags:
            yield f"{_place(face, None)}: {flag(name).meaning} {flag(name).advice}"
    place = _place(face, limit.region)
    asked = limit.value if limit.kind == "longest" else MUST_SEE_MM
    for region in regions:
        if region.findable_mm is None and limit.kind != "count":
            yield (
                f"{place}: without a scale {limit} can't be judged; lay the mat or the strip beside "
                "the blade."
            )
        elif region.findable_mm is not None and region.findable_mm > asked:
            yield (
                f"{place}: only scratches of {findable(region)} or longer are found on the {region.name}, "
                f"and {limit} asks for {asked:g} mm; go closer, hold still, and let light from one side "
                "graze the face."
            )


def _doubt(maybe: "list[Scratch]") -> str:
    one = len(maybe) == 1
    if any(not is_sure(each) for each in maybe):
        return f"{'is' if one else 'are partly'} so faint that texture alone may look like it"
    return f"{'lies' if one else 'lie'} within the uncertainty of the limit"


def _named(members: "list[Scratch]") -> str:
    numbers = [str(one.number) for one in members]
    if len(numbers) == 1:
        return f"scratch {numbers[0]}"
    if len(numbers) > 6:
        return f"{len(numbers)} scratches"
    return f"scratches {', '.join(numbers[:-1])} and {numbers[-1]}"


def _place(face: "FinishFace", region: str | None) -> str:
    side = f"{face.side.capitalize()} face" if face.side else "The photo"
    return side if region is None else f"{side}, {region}"


def _notes(face: "FinishFace") -> Iterator[str]:
    for region in face.regions:
        along = ""
        if region.lay.direction_rad is not None:
            along = f"; along the lay only from {region.along_contrast:.2g} times"
        yield (
            f"{_place(face, region.name)}: found are scratches of {findable(region)} or longer that stand "
            f"out by {region.findable_contrast:.2g} times the texture's own scatter (nine of ten){along}."
        )
    names = dict.fromkeys(one.name for one in face.excluded)
    if names:
        yield f"{_place(face, None)}: not searched: {', '.join(names)}."
