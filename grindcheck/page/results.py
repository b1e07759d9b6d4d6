"""The pages of results: what was measured, laid out for the templates."""

import logging
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

import numpy as np
from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import TemplateError

from grindcheck.errors import InputError
from grindcheck.flags import FLAGS
from grindcheck.page.given import for_page
from grindcheck.page.glance import finish_glance, pair_glance
from grindcheck.page.plots import height_difference, height_profile
from grindcheck.page.shop import page
from grindcheck.record.entries import Check, Knife
from grindcheck.report.budget_data import LEAST, recorded_budget
from grindcheck.shown import photo_px

_SIDES = ("left", "right")
_HANDLES = {"plunge": (0.0, 0.5, 1.0), "shoulder": (0.0, 0.25, 0.5, 0.75, 1.0)}
_PLACES = {
    "plunge": ("one end", "middle", "other end"),
    "shoulder": ("at the plunge", "first quarter", "middle", "third quarter", "at the tip"),
}
_TAG = 0.11  # of the width, what a number takes on a phone
_USUAL = {"plunge": ((0.2, 0.85), (0.2, 0.4)), "shoulder": ((0.22, 0.4), (0.8, 0.4))}  # shares of the picture
_AROUND = 0.35  # of a plunge's length that is shown on either side to begin with
_TALLEST = 3 / 4  # of the width, of the part that is shown


def show_outcome(request: Request, check: Check, knife: Knife) -> HTMLResponse:
    """Show what came out of a check.

    Raises
    ------
    InputError
        If the result isn't laid out as this program writes it, as one from an archive may be.
    """
    if check.outcome is None:
        raise ValueError("a check without outcome has nothing to show")
    with _as_laid_out():
        return _shown(request, check, knife, check.outcome.result)


@contextmanager
def _as_laid_out() -> Iterator[None]:
    try:
        yield
    except (LookupError, TypeError, ValueError, AttributeError, ArithmeticError, TemplateError) as problem:
        logging.getLogger(__name__).exception("A result can't be shown")
        raise InputError(
            f"The result of this check isn't laid out as this program writes it ({type(problem).__name__}).",
            advice="Add a check of the same photos on the knife's page; an export has this one as it is.",
        ) from problem


def _shown(request: Request, check: Check, knife: Knife, result: Mapping[str, Any]) -> HTMLResponse:
    if check.kind == "symmetry":
        faces = [result["faces"][side] for side in _SIDES]
        judged = [one for one in result["differences"] if one["tolerance"] is not None]
        return page(
            request, "pair_result.html", check=check, knife=knife, glance=pair_glance(result),
            wipe=_wipe(result), photos=_photos(check), drawing=bool(result.get("drawing")),
            pairs=len(check.faces) // 2, notes=result.get("notes", ()),
            main=[one for one in judged if "station" not in one or "label" in one],
            rest=[one for one in judged if "station" in one], profile=height_profile(result),
            difference=height_difference(result), budgets=budgets(result),
            least=f"{100 * LEAST:.0f}",
            by_hand=[f"{side} {name}" for side in _SIDES for name in result["faces"][side]["by_hand"]],
            flags=_flags([*result["flags"], *(flag for face in faces for flag in face["flags"])]),
        )  # fmt: skip
    return page(
        request, "finish_result.html", check=check, knife=knife, glance=finish_glance(result),
        faces=[_finish_face(result, number) for number in range(len(result["faces"]))],
        flags=_flags([*result["flags"], *(flag for face in result["faces"] for flag in face["flags"])]),
    )  # fmt: skip


def budgets(result: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the budgets that a page shows: that of the deciding difference first.

    Parameters
    ----------
    result : mapping
        As the record keeps it, of this version or an older one.

    Returns
    -------
    list of dict
        As the JSON has them, of what is judged: the plunge, and the heights at places that have a name. Their
        sources are parted into `large` ones, which have a bar each, and `small` ones.
    """
    judged = {(one["quantity"], one.get("station")) for one in result["differences"] if one["tolerance"]}
    shown = [
        {
            **one,
            "large": [
                {**source, "advice": for_page(source["advice"])}
                for source in one["sources"]
                if source["share"] >= LEAST
            ],
            "small": [source for source in one["sources"] if source["share"] < LEAST],
        }
        for one in recorded_budget(result)
        if one["sources"]
        and (
            one["decides"]
            or ((one["quantity"], one.get("station")) in judged and ("station" not in one or "label" in one))
        )
    ]
    return sorted(shown, key=lambda one: not one["decides"])


def views_for_lines(check: Check) -> list[dict[str, Any]]:
    """Return both photos with their lines as handles; empty if nothing was measured in them, or in more.

    Raises
    ------
    InputError
        If the result isn't laid out as this program writes it.
    """
    if len(check.faces) > len(_SIDES):
        return []
    with _as_laid_out():
        return _views(_sides(check))


def _views(sides: Mapping[str, Any]) -> list[dict[str, Any]]:
    views = []
    for side, found in sides.items():
        width, height = found["size_px"]
        view = {**found, **_missing(found)}
        lines = [
            {
                "field": f"{name}-{side}", "name": name, "points": _points(view[f"{name}_px"]),
                "handles": [
                    (round(x, 1), round(y, 1), f"{side.capitalize()} {name}, {place}")
                    for (x, y), place in zip(
                        _along(view[f"{name}_px"], _HANDLES[name]), _PLACES[name], strict=True
                    )
                ],
            }
            for name in ("plunge", "shoulder")
        ]  # fmt: skip
        box = _around(view["plunge_px"] or view["shoulder_px"], width, height)
        views.append(
            {
                "side": side, "sha": view["photo_sha256"], "width": width, "height": height, "lines": lines,
                "box": _box(box), "grip": round(box[2] / 16),
            }
        )  # fmt: skip
    return views


def _missing(view: Mapping[str, Any]) -> dict[str, Any]:
    """Return lines that weren't found, where they often are: to be pulled to their places."""
    rows, columns = view["picture"]["shape"]
    out: dict[str, Any] = {}
    for name, places in _USUAL.items():
        if len(view[f"{name}_px"]) < 2:
            at = [(x * (columns - 1), y * (rows - 1)) for x, y in _straight(*places)]
            out[f"{name}_px"] = photo_px(view["picture"], np.array(at)).tolist()
    return out


def _straight(start: tuple[float, float], end: tuple[float, float]) -> list[tuple[float, float]]:
    shares = [n / 8 for n in range(9)]
    return [(start[0] + s * (end[0] - start[0]), start[1] + s * (end[1] - start[1])) for s in shares]


def _sides(check: Check) -> Mapping[str, Any]:
    if check.kind != "symmetry" or check.outcome is None:
        return {}
    sides: Mapping[str, Any] = check.outcome.result.get("drawing", {}).get("sides", {})
    return sides


def _photos(check: Check) -> list[dict[str, Any]]:
    names = {one.photo.sha256: one.name for one in check.photos}
    return [
        {
            "side": side, "sha": view["photo_sha256"], "width": view["size_px"][0],
            "height": view["size_px"][1],
            "box": _box(_around([*view["plunge_px"], *view["shoulder_px"]], *view["size_px"])),
            "name": names.get(view["photo_sha256"], ""),
            "lines": [
                (_points(view[f"{name}_px"]), name)
                for name in ("shoulder", "plunge")
                if len(view[f"{name}_px"]) > 1
            ],
        }
        for side, view in _sides(check).items()
    ]  # fmt: skip


def _wipe(result: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return the frame of both faces and their lines in it; y runs downwards there."""
    drawing = result.get("drawing")
    if not drawing:
        return None
    (x0, x1), (y0, y1) = drawing["x_mm"], drawing["y_mm"]
    out: dict[str, Any] = {"width": round(10 * (x1 - x0), 1), "height": round(10 * (y1 - y0), 1)}
    for side, view in drawing["sides"].items():
        out[side] = [
            (_points([(10 * (x - x0), 10 * (y1 - y)) for x, y in view[f"{name}_mm"]]), name)
            for name in ("shoulder", "plunge")
            if len(view[f"{name}_mm"]) > 1
        ]
    return out


def _finish_face(result: Mapping[str, Any], number: int) -> dict[str, Any]:
    face = result["faces"][number]
    pictures = result.get("drawing", {}).get("pictures", ())
    picture = pictures[number] if number < len(pictures) else None
    height, width = picture["shape"] if picture else (0, 0)
    groups = {n: group["origin"] for group in face["groups"] for n in group["scratches"]}
    scratches = [_scratch(one, groups) for one in face["scratches"]]
    rows = _tagged(scratches, width, height)
    margin = round(rows * _TAG * width)
    return {
        "number": number, "side": face["side"], "width": width, "height": height,
        "tag": round(0.4 * _TAG * width), "box": _box((0, -margin, width, height + 2 * margin)),
        "scratches": scratches,
        "gone": [
            _points(one["path_px"])
            for one in (face["earlier"] or {}).get("gone", ())
            if one["change"] == "gone"
        ],
    }  # fmt: skip


def _scratch(one: Mapping[str, Any], groups: Mapping[int, str]) -> dict[str, Any]:
    path = one["path_px"]
    where = one["region"]
    if one["ends_mm"]:
        near, far = sorted(point[0] for point in one["ends_mm"])
        where = f"{near:.0f} to {far:.0f} mm from the tip, {one['region']}"
    length, wide = one["length_mm"], one["width_mm"]
    return {
        "number": one["number"], "points": _points(path), "path": path, "where": where,
        "change": one["change"], "group": groups.get(one["number"]),
        "long": f"{length:.1f} mm" if length is not None else f"{one['length_px']:.0f} px",
        "wide": f"{wide:.2f} mm" if wide is not None else "< pixel",
        "sure": "sure" if one["sure"] else "faint: texture alone may look like it",
    }  # fmt: skip


def _tagged(scratches: list[dict[str, Any]], width: float, height: float) -> int:
    """Give each scratch's number a place above or below the picture, so that none hides another.

    Returns
    -------
    int
        Rows that are needed on either side.
    """
    side_by_side = max(1, int(1 / _TAG))
    ordered = sorted(scratches, key=lambda one: one["path"][0][0])
    rows = -(-len(ordered) // (2 * side_by_side))
    for line in range(2 * rows):
        here = ordered[line :: 2 * rows]
        level, below = line // 2, line % 2 == 1
        away = (level + 0.5) * _TAG * width
        for one in here:
            one["from"] = (max if below else min)(one["path"], key=lambda point: point[1])
        places = _spread([one["from"][0] for one in here], _TAG * width, width)
        for one, x in zip(here, places, strict=True):
            one["x"], one["y"] = round(x, 1), round(height + away if below else -away, 1)
    return rows


def _spread(wanted: Sequence[float], apart: float, width: float) -> list[float]:
    """Return places near those wanted, in their order, each at least so far from the next, all within.

    Examples
    --------
    >>> _spread([50, 51, 99], 10, 100)
    [50, 60, 95.0]
    """
    places: list[float] = []
    for x in wanted:
        places.append(max(x, apart / 2, places[-1] + apart if places else 0))
    most = width - apart / 2
    for n in reversed(range(len(places))):
        places[n] = min(places[n], most)
        most = places[n] - apart
    return places


def _flags(names: Sequence[str]) -> list[Any]:
    return [FLAGS[name] for name in dict.fromkeys(names) if name in FLAGS]


def _points(points: Sequence[Sequence[float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in points)


def _along(points: Sequence[Sequence[float]], shares: Sequence[float]) -> list[tuple[float, float]]:
    """Return places along a polyline by shares of its points: they are evenly spread already."""
    last = len(points) - 1
    return [(points[round(share * last)][0], points[round(share * last)][1]) for share in shares]


def _box(box: Sequence[float]) -> str:
    return " ".join(f"{value:.0f}" for value in box)


def _around(points: Sequence[Sequence[float]], width: float, height: float) -> tuple[float, ...]:
    """Return the part of a photo round a line: left, top, width, height."""
    if not points:
        return 0, 0, width, height
    xs, ys = [point[0] for point in points], [point[1] for point in points]
    size = max(max(xs) - min(xs), max(ys) - min(ys)) * (1 + 2 * _AROUND) / _TALLEST
    size = min(max(size, 200.0), width, height / _TALLEST)
    left = min(max((min(xs) + max(xs) - size) / 2, 0), width - size)
    top = min(max((min(ys) + max(ys) - size * _TALLEST) / 2, 0), height - size * _TALLEST)
    return left, top, size, size * _TALLEST
