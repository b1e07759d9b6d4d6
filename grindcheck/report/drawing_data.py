"""What is drawn over the photos of a result: lines, and how pictures are made again."""

from typing import TYPE_CHECKING, Any

from grindcheck.shown import shown_data

if TYPE_CHECKING:
    from grindcheck.finish.results import Finish
    from grindcheck.geometry import Array
    from grindcheck.results import Comparison

_EVERY = 3  # point of a traced outline: enough to draw it


def pair_drawing(comparison: "Comparison") -> dict[str, Any]:
    """Return what a page draws of a comparison.

    Returns
    -------
    dict
        Per side ``photo_sha256``, ``size_px`` of the upright photo, ``plunge_px`` and ``shoulder_px`` in it,
        ``outline_mm``, ``plunge_mm``, ``shoulder_mm`` in the blade frame, and ``picture``: how the
        face's picture in the blade frame is made; ``x_mm``, ``y_mm`` its extent, the same for both.
    """
    drawing = comparison.drawing
    if drawing is None or not drawing.views:
        return {}
    sides = {}
    for side, view in drawing.views.items():
        sides[side] = {
            "photo_sha256": view.picture.photo_sha256,
            "size_px": list(view.size_px),
            "plunge_px": _points(view.plunge_px, 2),
            "shoulder_px": _points(view.shoulder_px, 2),
            "outline_mm": _points(drawing.outline_mm[side][::_EVERY], 3),
            "plunge_mm": _points(drawing.plunge_mm[side], 3),
            "shoulder_mm": _points(drawing.shoulder_mm[side], 3),
            "picture": shown_data(view.picture),
        }
    return {"x_mm": list(drawing.x_mm), "y_mm": list(drawing.y_mm), "sides": sides}


def finish_drawing(finish: "Finish") -> dict[str, Any]:
    """Return how the searched picture of each face is made, in the faces' order."""
    pictures = [getattr(face.drawing, "shown", None) for face in finish.faces]
    return {"pictures": [None if one is None else shown_data(one) for one in pictures]}


def _points(points: "Array", decimals: int) -> list[list[float]]:
    return [[round(float(value), decimals) + 0.0 for value in point] for point in points]
