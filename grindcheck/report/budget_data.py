"""Where the uncertainty of each difference comes from, as text, JSON, picture, page and sheet show it."""

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import TYPE_CHECKING, Any, TypeGuard

from grindcheck.settings import COVERAGE_FACTOR
from grindcheck.sources import sources

if TYPE_CHECKING:
    from grindcheck.results import Figure
    from grindcheck.verdict import Verdict

LEAST = 0.02  # share of the variance below which a source isn't worth a line of its own
_DECIMALS = 6  # as all figures of the JSON


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
