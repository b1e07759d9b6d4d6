"""Where the uncertainty of each difference comes from.

The one table that text, JSON, picture, page and sheet show.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import isfinite, sqrt
from typing import TYPE_CHECKING, Any, TypeGuard

from grindcheck.settings import COVERAGE_FACTOR

if TYPE_CHECKING:
    from grindcheck.results import Figure
    from grindcheck.verdict import Verdict

LEAST = 0.02  # share of the variance below which a source isn't worth a line of its own
# components that belong together, their name, and what makes them smaller
SOURCES: tuple[tuple[tuple[str, ...], str, str], ...] = (
    (("line",), "seeing the lines", "soft light from the side, a sharp photo, or several pairs of photos"),
    (("pose", "focal length", "lens"), "lens and pose", "calibrate the phone, and hold it level"),
    (("print scale",), "the print's size", "measure the mat's two bars with a calliper"),
    (("thickness",), "stock thickness", "measure it with a calliper"),
    (("edge thickness",), "edge thickness", "measure it with a calliper"),
    (("height",), "how the blade lies", "clean mat and blade, and lay it flat"),
    (("registration", "outline"), "the blade's outline", "clear the rim of burr, tape and shadow"),
    (("which face",), "which face is which", "say which photo shows which (--faces left,right)"),
    (("tip",), "the tip", "show the tip sharply"),
)
_OTHER = "other"
_DECIMALS = 6  # as all figures of the JSON


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One source of the uncertainty of a difference.

    Parameters
    ----------
    name : str
        In words, as "seeing the lines".
    std : float
        Its standard uncertainty (one sigma), in the difference's unit.
    share : float
        Of the variance, 0 to 1; the shares of a difference add up to 1.
    advice : str
        What makes it smaller; may be empty.
    """

    name: str
    std: float
    share: float
    advice: str


def sources(components: Mapping[str, float]) -> tuple[Source, ...]:
    """Put the components of a figure together by what a user can do about them.

    Parameters
    ----------
    components : mapping of str to float
        Standard uncertainty by component, in any one unit, as `grindcheck.results.Figure` has them.

    Returns
    -------
    tuple of Source
        The largest first, none that is 0; the squares of `std` add up to those of the components. A component
        that isn't in the table is "other".

    Examples
    --------
    >>> found = sources({"tip": 3.0, "pose": 2.4, "focal length": 3.2})
    >>> [(one.name, one.std, round(one.share, 2)) for one in found]
    [('lens and pose', 4.0, 0.64), ('the tip', 3.0, 0.36)]
    """
    whole = sum(size**2 for size in components.values())
    if whole <= 0:
        return ()
    known = {name for names, _, _ in SOURCES for name in names}
    rest = tuple(name for name in components if name not in known)
    found = []
    for names, name, advice in (*SOURCES, (rest, _OTHER, "")):
        square = sum(components.get(one, 0.0) ** 2 for one in names)
        if square > 0:
            found.append(Source(name=name, std=sqrt(square), share=square / whole, advice=advice))
    return tuple(sorted(found, key=lambda one: -one.share))


def deciding(verdict: "Verdict") -> "Figure | None":
    """Return the judged difference that is nearest to its limit or farthest beyond it, U counted in."""
    if not verdict.judged:
        return None
    most = max(
        verdict.judged,
        key=lambda one: _reach(one.figure.value, COVERAGE_FACTOR * one.figure.std, one.tolerance),
    )
    return most.figure


def budget_data(differences: Sequence[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Return the budget of each difference as plain data.

    Parameters
    ----------
    differences : sequence of mapping
        As the field `differences` of the JSON has them.

    Returns
    -------
    list of dict
        In the same order; the fields are described in the README. Lengths are in mm, angles in degrees. At
        most one entry `decides`: the judged difference nearest to its limit or farthest beyond it.
    """
    judged = [number for number, one in enumerate(differences) if one.get("tolerance")]
    most = max(
        judged,
        key=lambda number: _reach(
            *(differences[number][name] for name in ("value", "expanded", "tolerance"))
        ),
        default=None,
    )
    return [
        {
            **{name: one[name] for name in ("quantity", "station", "label") if name in one},
            "std": one["std"],
            "expanded": one["expanded"],
            "unit": one["unit"],
            "decides": number == most,
            "sources": [
                {
                    "name": source.name,
                    "std": round(source.std, _DECIMALS),
                    "share": round(source.share, _DECIMALS),
                    "advice": source.advice,
                }
                for source in sources(one["components"])
            ],
        }
        for number, one in enumerate(differences)
    ]


def recorded_budget(result: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the budget of a recorded result.

    Parameters
    ----------
    result : mapping
        As the record keeps it; it may have come from elsewhere, so anything may be in it.

    Returns
    -------
    list of dict
        As it was recorded; worked out from the components of the differences where the result is older than
        the field, or the field isn't as it should be; empty where these don't tell either.
    """
    told: Any = result.get("budget")
    if _sound(told):
        return told
    try:
        made = budget_data(result["differences"])
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError):
        return []
    return made if _sound(made) else []


def _reach(value: float, expanded: float, tolerance: float) -> float:
    return (abs(value) + expanded) / tolerance


def _sound(told: Any) -> TypeGuard[list[dict[str, Any]]]:
    """Whether a budget has all that is shown of it, with numbers that a page can draw."""
    return isinstance(told, list) and all(
        isinstance(one, dict)
        and all(isinstance(one.get(name), str) for name in ("quantity", "unit"))
        and isinstance(one.get("label", ""), str)
        and all(_is_size(one.get(name)) for name in ("std", "expanded"))
        and _is_size(one.get("station", 0.0))
        and isinstance(one.get("decides"), bool)
        and isinstance(one.get("sources"), list)
        and all(_sound_source(source) for source in one["sources"])
        for one in told
    )


def _sound_source(told: Any) -> bool:
    return (
        isinstance(told, Mapping)
        and all(isinstance(told.get(name), str) for name in ("name", "advice"))
        and _is_size(told.get("std"))
        and _is_size(told.get("share"))
        and told["share"] <= 1
    )


def _is_size(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value) and value >= 0
