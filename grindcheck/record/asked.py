"""The options of a check as the record keeps them, and the requests that they make.

Plain data under the names below, lengths in mm and angles in degrees; what is left out has the commands'
default.

- symmetry: ``thickness_mm``, ``height_mm``, ``edge_mm``, ``tolerance_mm``, ``angle_tolerance_deg``,
  ``grind``, ``paper``, ``bar_x_mm``, ``bar_y_mm``, ``kept_lens`` (false: the lens as calibrated is left out),
  ``faces`` (list of ``left`` and ``right``), ``hand_lines`` (by name, a list ``x1, y1, x2, y2 …`` in pixels
  of the upright photo);
- finish: ``thickness_mm``, ``height_mm``, ``grind``, ``paper``, ``bar_x_mm``, ``bar_y_mm``, ``kept_lens``,
  ``faces``, ``masks`` (list of texts as the command's ``--mask``), ``accept`` (text), ``false_finds``;
- photos: none.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from grindcheck import options, settings
from grindcheck.errors import InputError
from grindcheck.finish.acceptance import NO_SCRATCH, Limit, read_limits
from grindcheck.pairs import require_pairs
from grindcheck.units import degrees
from grindcheck.verdict import Tolerances

if TYPE_CHECKING:
    from grindcheck.finish.request import FinishRequest
    from grindcheck.pipeline import Request

_NUMBER, _TEXT, _LIST, _MAP, _WHETHER = (int, float), (str,), (list,), (dict,), (bool,)
_BOTH = {
    "thickness_mm": _NUMBER, "height_mm": _NUMBER, "grind": _TEXT, "paper": _TEXT, "bar_x_mm": _NUMBER,
    "bar_y_mm": _NUMBER, "kept_lens": _WHETHER, "faces": _LIST,
}  # fmt: skip
NAMES: Mapping[str, Mapping[str, tuple[type, ...]]] = {
    "symmetry": {
        **_BOTH, "edge_mm": _NUMBER, "tolerance_mm": _NUMBER, "angle_tolerance_deg": _NUMBER,
        "hand_lines": _MAP,
    },
    "finish": {**_BOTH, "masks": _LIST, "accept": _TEXT, "false_finds": _NUMBER},
    "photos": {},
}  # fmt: skip
"""By kind of check the options and what each must be."""

LINES = ("plunge-left", "plunge-right", "shoulder-left", "shoulder-right")
PAPERS = ("a4", "letter", "a3", "tabloid")


def check_asked(kind: str, asked: Mapping[str, Any], *, faces: int, before: int) -> None:
    """Refuse options that can't be carried out, and a number of photos that doesn't fit.

    Raises
    ------
    InputError
        With the slip in the same words as the commands have for it.
    """
    for name, value in asked.items():
        kinds = NAMES[kind].get(name)
        if kinds is None:
            raise InputError(
                f"A check of kind {kind} has no option {name!r}.",
                advice=f"Its options are: {', '.join(NAMES[kind]) or 'none'}.",
            )
        if not isinstance(value, kinds) or (isinstance(value, bool) and kinds is not _WHETHER):
            raise InputError(f"The option {name} can't be {value!r}.", advice="Give it as the README tells.")
    paths = [Path(f"{place}.jpg") for place in range(faces)]
    earlier = [Path(f"before {place}.jpg") for place in range(before)]
    if kind == "symmetry":
        if faces < 2 or faces % 2 or before:
            raise InputError(
                f"A symmetry check needs two photos, one of each face; {faces + before} came.",
                advice="Give one photo of the left and one of the right face, or several such pairs.",
            )
        require_pairs(faces, bound=bool(asked.get("faces") or asked.get("hand_lines")))
        symmetry_request(asked, paths)
    elif faces == 0:
        raise InputError("No photo is given.", advice="Give one photo at least.")
    elif kind == "finish":
        finish_request(asked, paths, earlier)


def symmetry_request(asked: Mapping[str, Any], photos: Sequence[Path]) -> "tuple[Request, Tolerances]":
    """Return the request of a symmetry check and the tolerances by which it is judged.

    The request has the first pair of the photos; `grindcheck.pairs.check_pairs` measures them all.
    """
    from grindcheck.pipeline import Request

    thickness_mm = options.read_thickness(_mm(asked.get("thickness_mm")))
    lines = asked.get("hand_lines", {})
    unknown = sorted(set(lines) - set(LINES))
    if unknown:
        raise InputError(f"There is no line {unknown[0]!r}.", advice=f"Lines are {', '.join(LINES)}.")
    request = Request(
        photos=(photos[0], photos[1]),
        edge_mm=options.read_edge(_mm(asked.get("edge_mm", settings.EDGE_MM)) or "", thickness_mm),
        faces=options.read_faces(_joined(asked.get("faces"))),
        hand_lines={name: options.read_line(name, _joined(points) or "") for name, points in lines.items()},
        **_sheet(asked, thickness_mm),
    )
    usual = Tolerances()
    tolerances = options.read_tolerances(
        _mm(asked.get("tolerance_mm", usual.plunge_mm)) or "",
        f"{asked.get('angle_tolerance_deg', degrees(usual.angle_rad)):.12g}deg",
    )
    return request, tolerances


def finish_request(
    asked: Mapping[str, Any], photos: Sequence[Path], before: Sequence[Path]
) -> "tuple[FinishRequest, tuple[Limit, ...]]":
    """Return the request of a finish check and the limits by which it is judged."""
    from grindcheck.finish.request import FinishRequest

    thickness = asked.get("thickness_mm")
    thickness_mm = None if thickness is None else options.read_thickness(_mm(thickness))
    if thickness_mm is None and asked.get("height_mm") is not None:
        raise InputError(
            "The flat's height is given, but not the stock thickness.", advice="Give both, or neither."
        )
    request = FinishRequest(
        photos=tuple(photos),
        faces=options.read_sides(_joined(asked.get("faces")), len(photos)),
        masks=tuple(options.read_mask(str(text), len(photos)) for text in asked.get("masks", ())),
        before=tuple(before),
        false_finds=options.read_false_finds(asked.get("false_finds", settings.FALSE_FINDS)),
        **_sheet(asked, thickness_mm),
    )
    return request, read_limits(asked["accept"]) if asked.get("accept") else NO_SCRATCH


def _sheet(asked: Mapping[str, Any], thickness_mm: float | None) -> dict[str, Any]:
    """Read what both checks are told of the blade's lie and of the printed sheet."""
    from grindcheck.grindlines import check_grind

    paper, height = asked.get("paper"), asked.get("height_mm")
    if paper is not None and paper not in PAPERS:
        raise InputError(f"There is no mat for {paper!r}.", advice=f"Take one of: {', '.join(PAPERS)}.")
    return {
        "thickness_mm": thickness_mm,
        "height_mm": None if thickness_mm is None else options.read_height(_mm(height), thickness_mm),
        "paper": paper,
        "bar_x_mm": options.read_bar(_mm(asked.get("bar_x_mm")), "x"),
        "bar_y_mm": options.read_bar(_mm(asked.get("bar_y_mm")), "y"),
        "grind": check_grind(asked.get("grind")),
        "kept_lens": bool(asked.get("kept_lens", True)),
    }


def _mm(value: float | None) -> str | None:
    """Write a length as the readers of the commands' options take it."""
    return None if value is None else f"{value!r}mm"


def _joined(values: object) -> str | None:
    if values is None or not isinstance(values, list | tuple):
        return None if values is None else str(values)
    return ",".join(str(value) for value in values)
