"""What a result says in one glance, read from its JSON: which side, how much, how surely, what to do."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import radians
from typing import Any, Literal

from grindcheck.advice import CAUTIONS
from grindcheck.report.words import QUANTITIES, which_side
from grindcheck.results import Figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """One answer: its question, the answer, and a smaller line below it."""

    asks: str
    says: str
    more: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """The first screen of a result.

    Parameters
    ----------
    tiles : tuple of Tile
    todo : tuple of str
        What to do, the first thing first.
    cautions : tuple of str
    """

    tiles: tuple[Tile, ...]
    todo: tuple[str, ...]
    cautions: tuple[str, ...] = ()


def pair_glance(result: Mapping[str, Any]) -> Glance:
    """Put a comparison of both sides into a few words."""
    worst = _worst(result["differences"], result["verdict"])
    tiles: tuple[Tile, ...] = ()
    if worst is not None:
        amount = abs(worst["value"])
        tiles = (
            Tile(asks="Which side", says=_side(worst, result["verdict"]), more=_where(worst)),
            Tile(asks="How much", says=_written(amount, worst["unit"]), more=_inches(amount, worst["unit"])),
            Tile(
                asks="How sure",
                says=f"± {_written(worst['expanded'], worst['unit'])}",
                more=f"in 95 of 100 cases; tolerance {_written(worst['tolerance'], worst['unit'])}",
            ),
        )
    todo = [line for line in result["advice"] if line not in CAUTIONS]
    grind = any(line.startswith("Grind") for line in todo)
    if result["verdict"] == "cannot tell":
        todo = [*result["reasons"], *todo]
    return Glance(
        tiles=tiles,
        todo=tuple(dict.fromkeys(todo)) or ("Nothing to grind.",),
        cautions=CAUTIONS if grind else (),
    )


def finish_glance(result: Mapping[str, Any]) -> Glance:
    """Put a finish into a few words."""
    scratches = [(face, one) for face in result["faces"] for one in face["scratches"]]
    longest = max(scratches, key=lambda pair: pair[1]["length_px"], default=None)
    regions = [one for face in result["faces"] for one in face["regions"]]
    sure = sum(bool(one["sure"]) for _, one in scratches)
    faint = len(scratches) - sure
    tiles = [Tile(asks="Scratches", says=str(sure), more=f"and {faint} faint ones" if faint else "")]
    if longest is not None:
        face, one = longest
        told = f"{one['length_mm']:.1f} mm" if one["length_mm"] is not None else f"{one['length_px']:.0f} px"
        side = f"{face['side']} face, " if face["side"] else ""
        tiles.append(Tile(asks="Longest", says=told, more=f"number {one['number']}, {side}{one['region']}"))
    if regions:
        worst = max(
            regions, key=lambda one: (one["findable"]["length_mm"] or 0, one["findable"]["length_px"])
        )
        size = worst["findable"]["length_mm"]
        tiles.append(
            Tile(
                asks="Found down to",
                says=f"{size:.1f} mm" if size is not None else f"{worst['findable']['length_px']:.0f} px",
                more="finer ones may be there",
            )
        )
    changes = [one["change"] for _, one in scratches if one["change"]]
    for face in result["faces"]:
        changes += [one["change"] for one in (face["earlier"] or {}).get("gone", ())]
    if changes:
        counted = [
            f"{changes.count(word)} {word}"
            for word in ("new", "gone", "unchanged", "cannot tell")
            if word in changes
        ]
        tiles.append(Tile(asks="Since the earlier photo", says=counted[0], more=", ".join(counted[1:])))
    todo = [group["advice"] for face in result["faces"] for group in face["groups"] if group["advice"]]
    if result["verdict"] == "cannot tell":
        todo = [*result["reasons"], *todo]
    todo += [line for face in result["faces"] for line in face["next_grit"]]
    return Glance(tiles=tuple(tiles), todo=tuple(dict.fromkeys(todo)) or ("Nothing to do.",))


def figure_of(data: Mapping[str, Any]) -> Figure:
    """Return a figure of the JSON as the classes of a result have it."""
    unit: Literal["mm", "rad"] = "rad" if data["unit"] == "deg" else "mm"
    factor = radians(1.0) if unit == "rad" else 1.0
    return Figure(
        quantity=data["quantity"], station_mm=data.get("station"), value=data["value"] * factor,
        std=data["std"] * factor, unit=unit, components={}, label=data.get("label", ""),
    )  # fmt: skip


def _worst(differences: list[dict[str, Any]], verdict: str) -> dict[str, Any] | None:
    """Return the difference that the headline tells: as `grindcheck.verdict.Verdict.largest` has it."""
    judged = [one for one in differences if one["decision"] is not None and one["tolerance"]]
    decisive = [one for one in judged if one["decision"] == verdict] or judged

    def size(one: Mapping[str, Any]) -> tuple[float, bool]:
        return round(abs(one["value"]) / one["tolerance"], 2), one["quantity"] == "plunge.mid"

    return max(decisive, key=size, default=None)


def _side(one: Mapping[str, Any], verdict: str) -> str:
    if verdict == "match":
        return "both alike"
    if abs(one["value"]) <= one["expanded"]:
        return "can't be told"
    return which_side(figure_of(one), "mm").removeprefix("The ").split()[0] + " face"


def _where(one: Mapping[str, Any]) -> str:
    name = QUANTITIES.get(one["quantity"], one["quantity"])
    return name if one.get("station") is None else f"{name}, {one['station']:.0f} mm from the tip"


def _written(value: float, unit: str) -> str:
    return f"{value:.2f}°" if unit == "deg" else f"{value:.2f}\N{NO-BREAK SPACE}mm"


def _inches(value: float, unit: str) -> str:
    return "" if unit == "deg" else f"{value / 0.0254:.0f} thou"
