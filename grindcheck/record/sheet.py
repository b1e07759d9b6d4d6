"""A knife's sheet from what is recorded of it, without anything that the maker marked private."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from math import radians
from typing import Any, TypeVar

from grindcheck.advice import Units
from grindcheck.errors import InputError
from grindcheck.flatness import Flatness, Reading, flatness
from grindcheck.record.entries import Check, KnifeFacts, KnifePage, Note, Outcome
from grindcheck.record.opening import Record
from grindcheck.record.vault import path_of
from grindcheck.report.budget_data import recorded_budget
from grindcheck.report.sheet_data import KnifeSheet, SheetBudget, SheetCheck, SheetFigure, SheetPhoto
from grindcheck.report.words import QUANTITIES, station
from grindcheck.verdict import UNSURE

_HEIGHTS = 4  # stations of the bevel's height that a sheet shows
_SIDES = ("left", "right")
_T = TypeVar("_T")


def sheet_of(
    record: Record,
    page: KnifePage,
    *,
    made_on: date,
    maker: str = "",
    notes: bool = False,
    units: Units = "mm",
) -> KnifeSheet:
    """Return a knife's sheet.

    Parameters
    ----------
    record : Record
        For where the photos lie.
    page : KnifePage
    made_on : date
        That the sheet bears.
    maker : str
    notes : bool
        Whether the maker's remarks on the knife are for the buyer's eyes, too.
    units : {"mm", "in", "both"}
        Of the stations' names.

    Returns
    -------
    KnifeSheet
        Of each kind of check the newest that was measured. What is marked private isn't in it, nor are the
        buyer's reference, stages, free notes and file names.
    """
    facts = page.knife.facts
    public = {name: getattr(facts, name) for name in _shown(facts)}
    symmetry, finish = (_newest(page, kind) for kind in ("symmetry", "finish"))
    return KnifeSheet(
        name=public.get("name") or public.get("pattern") or "Knife",
        made_on=made_on,
        maker=maker,
        pattern=public.get("pattern", "") if "name" in public else "",
        steel=public.get("steel", ""),
        grind=public.get("grind", ""),
        thickness_mm=public.get("thickness_mm"),
        heat_treatment=tuple(_heat(_of_kind(page, "heat treatment"))),
        abrasive_steps=tuple(_step(note.fields) for note in _of_kind(page, "abrasive step")),
        notes=public.get("notes", "") if notes else "",
        photos=tuple(_photos(record, page)),
        symmetry=None if symmetry is None else _symmetry(symmetry, units),
        finish=None if finish is None else _finish(finish, units),
        flatness=_flatness(_of_kind(page, "micrometer")),
    )


def _shown(facts: KnifeFacts) -> Iterator[str]:
    wanted = ("name", "pattern", "steel", "grind", "thickness_mm", "notes")
    return (name for name in wanted if name not in facts.private)


def _newest(page: KnifePage, kind: str) -> Check | None:
    done = [one for one in page.checks if one.kind == kind and one.outcome and one.outcome.state == "done"]
    return done[-1] if done else None


def _of_kind(page: KnifePage, kind: str) -> list[Note]:
    return [note for note in page.notes if note.kind == kind]


def _heat(notes: Iterable[Note]) -> Iterator[tuple[str, str]]:
    for note in notes:
        for name, value in note.fields.items():
            yield ("" if name == "text" else f"{name[:1].upper()}{name[1:]}"), _text(value)


def _step(fields: Mapping[str, Any]) -> str:
    """Write one step, as ``grit 120, belt new``; a plain text as it is."""
    told = ((name, _text(value)) for name, value in fields.items())
    return ", ".join(text if name == "text" else f"{name} {text}" for name, text in told)


def _text(value: Any) -> str:
    if isinstance(value, Mapping):
        return _step(value)
    if isinstance(value, list):
        return "; ".join(map(_text, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def _photos(record: Record, page: KnifePage) -> list[SheetPhoto]:
    """Return a photo of each face: of the newest check that shows both, else the newest of each.

    Where no face is known it is the newest two photos, without a caption.
    """
    by_side: dict[str, SheetPhoto] = {}
    unknown: list[SheetPhoto] = []
    for check in reversed(page.checks):
        paths = {one.photo.sha256: path_of(record, one.photo.sha256, one.photo.suffix) for one in check.faces}
        here = {
            side: SheetPhoto(path=paths[sha256], caption=f"{side} face")
            for side, sha256 in _sides(check)
            if sha256 in paths
        }
        if len(here) == len(_SIDES):
            by_side = here
            break
        by_side = here | by_side
        if not here and not unknown:
            unknown = [SheetPhoto(path=path, caption="") for path in paths.values()]
    return [by_side[side] for side in _SIDES if side in by_side] or unknown[:2]


def _sides(check: Check) -> list[tuple[str, str]]:
    """Return each face that a check told apart, with its photo's hash."""
    result = check.outcome.result if check.outcome else {}
    found: list[tuple[str, str]] = []
    if result and check.kind == "symmetry":
        found = _read(lambda: _sides_of_pair(result), found)
    elif result and check.kind == "finish":
        found = _read(lambda: _sides_of_finish(result), found)
    return [(side, sha256) for side, sha256 in found if isinstance(sha256, str)]


def _sides_of_pair(result: Mapping[str, Any]) -> list[tuple[str, str]]:
    return [(side, result["faces"][side]["photo"]["sha256"]) for side in _SIDES]


def _sides_of_finish(result: Mapping[str, Any]) -> list[tuple[str, str]]:
    known = [face for face in result["faces"] if face["side"] in _SIDES and face["photos"]]
    return [(face["side"], face["photos"][0]["sha256"]) for face in known]


def _symmetry(check: Check, units: Units) -> SheetCheck:
    outcome = _outcome(check)
    # The headline is in mm, which beside a table in inches would only confuse. Where nothing is decided it
    # tells a figure that may come from a wrong line, and what would help is for the maker.
    sentence = "" if units == "in" or outcome.verdict == "cannot tell" else outcome.headline
    none: tuple[SheetFigure, ...] = ()
    figures = _read(lambda: tuple(_figures(outcome.result, units)), none)
    if len(check.faces) > len(_SIDES):
        # the differences are of all pairs, the faces of one: what is told of them wouldn't fit together
        figures = tuple(replace(one, left=None, right=None) for one in figures)
    return SheetCheck(
        decision=outcome.verdict,
        sentence=sentence,
        on=_day(check.at),
        figures=figures,
        budget=_read(lambda: _budget(outcome.result, units), None),
    )


def _finish(check: Check, units: Units) -> SheetCheck:
    outcome = _outcome(check)
    sentence = outcome.headline if outcome.verdict == "clean" else ""
    if outcome.verdict == "scratched":  # its headline names scratches by their number in the maker's picture
        sentence = _read(lambda: _scratches(outcome.result, units), "")
    return SheetCheck(decision=outcome.verdict, sentence=sentence, on=_day(check.at))


def _read(reader: Callable[[], _T], default: _T) -> _T:
    """Read a result; one that came from elsewhere may be anything, and then says nothing."""
    try:
        return reader()
    except (AttributeError, LookupError, OverflowError, TypeError, ValueError):
        return default


def _scratches(result: Mapping[str, Any], units: Units) -> str:
    """Say how many sure ones there are and how long, as ``4 scratches, the longest 13.2 mm``."""
    found = [one for face in result["faces"] for one in face["scratches"] if one["sure"]]
    count = "1 scratch" if len(found) == 1 else f"{len(found)} scratches"
    lengths = [one["length_mm"] for one in found if one["length_mm"] is not None]
    if not lengths:
        return f"{count}."
    longest = f"{max(lengths) / 25.4:.2f} in" if units == "in" else f"{max(lengths):.1f} mm"
    return f"{count}, {longest} long." if len(found) == 1 else f"{count}, the longest {longest}."


def _outcome(check: Check) -> Outcome:
    if check.outcome is None:
        raise ValueError(f"check {check.id} must have an outcome")
    return check.outcome


def _figures(result: Mapping[str, Any], units: Units) -> Iterator[SheetFigure]:
    """Give the plunge's place and angle, and some of the bevel's heights, but none of an unsure line."""
    faces = [result["faces"][side] for side in _SIDES]
    differences = _sure(result)
    by_quantity = {one["quantity"]: one for one in differences if one["quantity"].startswith("plunge.")}
    places = [name for name in ("plunge.mid", "plunge.shoulder", "plunge.edge") if name in by_quantity]
    for name in (*places[:1], "plunge.angle"):
        if name in by_quantity:
            part = name.removeprefix("plunge.")
            pair = [(face["plunge"] or {}).get(part) for face in faces]
            yield _figure(QUANTITIES[name], by_quantity[name], pair)
    heights = [one for one in differences if one["quantity"] == "bevel_height" and "station" in one]
    for one in _some(heights):
        pair = [_at(face["bevel_height"], one["station"]) for face in faces]
        yield _figure(f"{QUANTITIES['bevel_height']} at {station(one['station'], units)}", one, pair)


def _sure(result: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Return the differences without those of a line that wasn't seen clearly."""
    faces = [result["faces"][side] for side in _SIDES]
    flags = {name for one in (result, *faces) for name in one["flags"]}
    unsure = tuple(start for name in flags for start in UNSURE.get(name, ()))
    return [one for one in result["differences"] if not one["quantity"].startswith(unsure)]


def _budget(result: Mapping[str, Any], units: Units) -> SheetBudget | None:
    """Return where the uncertainty of the deciding one of the sure differences comes from."""
    sure = _sure(result)
    whole = len(sure) == len(result["differences"])
    told = recorded_budget(result if whole else {"differences": sure})
    one = next((one for one in told if one["decides"] and one["sources"]), None)
    if one is None:
        return None
    name = QUANTITIES[one["quantity"]]
    if "station" in one:
        name += f" at {station(one['station'], units)}"
    angle = one["unit"] == "deg"
    return SheetBudget(
        name=name,
        expanded=(radians(1.0) if angle else 1.0) * one["expanded"],
        shares=tuple((source["name"], source["share"]) for source in one["sources"]),
        unit="rad" if angle else "mm",
    )


def _at(figures: Iterable[Mapping[str, Any]], where: float) -> Mapping[str, Any] | None:
    return next((one for one in figures if one.get("station") == where), None)


def _some(heights: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Pick a few, spread along the blade, with the largest difference among them."""
    if len(heights) <= _HEIGHTS:
        return list(heights)
    last = len(heights) - 1
    picked = {round(i * last / (_HEIGHTS - 1)) for i in range(_HEIGHTS)}
    largest = max(range(len(heights)), key=lambda i: abs(heights[i]["value"]))
    if largest not in picked:
        picked.remove(min(picked, key=lambda i: abs(i - largest)))
        picked.add(largest)
    return [heights[i] for i in sorted(picked)]


def _figure(
    name: str, difference: Mapping[str, Any], pair: Sequence[Mapping[str, Any] | None]
) -> SheetFigure:
    angle = difference["unit"] == "deg"
    factor = radians(1.0) if angle else 1.0
    left, right = (None if one is None else factor * one["value"] for one in pair)
    return SheetFigure(
        name=name,
        left=left,
        right=right,
        difference=factor * difference["value"],
        expanded=factor * difference["expanded"],
        unit="rad" if angle else "mm",
    )


def _flatness(notes: Sequence[Note]) -> Flatness | None:
    """Work out the newest readings that can be."""
    for note in reversed(notes):
        try:
            return flatness(_readings(note.fields.get("readings")))
        except InputError:  # a note may hold anything; one without readings says nothing of flatness
            continue
    return None


def _readings(given: Any) -> Iterator[Reading]:
    for one in given if isinstance(given, list) else ():
        if isinstance(one, Mapping) and _is_number(one.get("value_mm")):
            at = one.get("at_mm")
            yield Reading(
                value_mm=one["value_mm"],
                at_mm=at if _is_number(at) else None,
                label=str(one.get("label", "")),
            )


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _day(at: datetime) -> date:
    """Return the day by the shop's own clock."""
    return at.astimezone().date()
