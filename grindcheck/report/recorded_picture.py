"""A picture of a recorded result: its faces made again from the photos, with what was found drawn in.

Of a check of both sides also where the uncertainty of the deciding difference comes from, as bars.
"""

from collections.abc import Callable, Mapping, Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from grindcheck.report.budget_data import LEAST, recorded_budget
from grindcheck.report.words import QUANTITIES
from grindcheck.shown import picture_again

if TYPE_CHECKING:
    from PIL.Image import Image

WIDEST_PX = 1600

_LINES = {"plunge_mm": (255, 170, 0), "shoulder_mm": (0, 200, 255)}
_SCRATCH = (255, 60, 40)
_CAPTION_PX = 34
_TEXT_PX = 20
_BAR_PX = 30  # of one bar and the gap to the next
_BARS_FROM, _BARS_LONG = 280, 900  # what the names leave to the bars
_MOST_BARS, _LONGEST = 12, 140  # of bars, and letters: a budget from elsewhere may have anything
_INK, _WHOLE = (26, 26, 26), (228, 228, 228)
_QUALITY = 88

Pixels = NDArray[np.uint8]


def recorded_picture(
    verdict: str, headline: str, result: Mapping[str, Any], photo: Callable[[str], Pixels]
) -> bytes | None:
    """Draw a recorded result.

    Parameters
    ----------
    verdict, headline : str
    result : mapping
        As the record keeps it.
    photo : callable
        Returns the upright photo of a hash, BGR.

    Returns
    -------
    bytes or None
        A JPEG without any metadata; None if the result says nothing that could be drawn. A record may have
        come from elsewhere, so anything may be in it.
    """
    drawing = result.get("drawing")
    if not isinstance(drawing, Mapping):
        return None
    try:
        if "sides" in drawing:
            panels = [*_sides(drawing, photo), *_budget(result)]
        else:
            panels = _faces(drawing, result, photo)
    except (LookupError, TypeError, ValueError, AttributeError, OverflowError):
        return None
    if not panels:
        return None
    return _stacked(f"{verdict}: {headline}", panels)


def _sides(drawing: Mapping[str, Any], photo: Callable[[str], Pixels]) -> "list[tuple[str, Image]]":
    """Draw both faces in their common frame, with plunge and shoulder."""
    from PIL import ImageDraw

    low_mm, high_mm = drawing["x_mm"]
    top_mm = max(drawing["y_mm"])
    panels = []
    for side in ("left", "right"):
        view = drawing["sides"][side]
        picture = _again(view["picture"], photo)
        px_per_mm = (picture.width - 1) / (high_mm - low_mm)
        draw = ImageDraw.Draw(picture)
        for name, colour in _LINES.items():
            points = [((x - low_mm) * px_per_mm, (top_mm - y) * px_per_mm) for x, y in view[name]]
            if len(points) > 1:
                draw.line(points, fill=colour, width=2)
        panels.append((f"{side} face", picture))
    return panels


def _faces(
    drawing: Mapping[str, Any], result: Mapping[str, Any], photo: Callable[[str], Pixels]
) -> "list[tuple[str, Image]]":
    """Draw each searched face with its scratches and their numbers."""
    from PIL import ImageDraw

    panels = []
    for made, face in zip(drawing["pictures"], result["faces"], strict=True):
        if made is None:
            continue
        picture = _again(made, photo)
        share = picture.width / made["shape"][1]
        draw = ImageDraw.Draw(picture)
        for scratch in face["scratches"]:
            points = [((x + 0.5) * share, (y + 0.5) * share) for x, y in scratch["path_px"]]
            draw.line(points, fill=_SCRATCH, width=2)
            draw.text(
                (points[-1][0] + 4, points[-1][1] - 8), str(scratch["number"]), fill=_SCRATCH, font=_font()
            )
        panels.append((f"{face['side']} face" if face["side"] else "photo", picture))
    return panels


def _budget(result: Mapping[str, Any]) -> "list[tuple[str, Image]]":
    """Draw where the uncertainty of the deciding difference comes from: a bar a source, the largest on top.

    A whole bar, drawn in grey behind each, is all of the variance.
    """
    from PIL import Image, ImageDraw

    decides = next((one for one in recorded_budget(result) if one["decides"]), None)
    if decides is None:
        return []
    bars = [one for one in decides["sources"] if one["share"] >= LEAST][:_MOST_BARS]
    if not bars:
        return []
    helps = f"To make the first smaller: {bars[0]['advice'][:_LONGEST]}." if bars[0]["advice"] else ""
    picture = Image.new("RGB", (WIDEST_PX, _BAR_PX * (len(bars) + bool(helps))), "white")
    draw = ImageDraw.Draw(picture)
    for row, one in enumerate(bars):
        top, bottom = row * _BAR_PX + 6, (row + 1) * _BAR_PX - 7
        for share, colour in ((1.0, _WHOLE), (one["share"], _INK)):
            draw.rectangle((_BARS_FROM, top, _BARS_FROM + round(share * _BARS_LONG), bottom), fill=colour)
        draw.text((8, row * _BAR_PX + 2), one["name"][:_LONGEST], fill=_INK, font=_font())
        draw.text(
            (_BARS_FROM + _BARS_LONG + 14, row * _BAR_PX + 2), f"{one['share']:.0%}", fill=_INK, font=_font()
        )
    draw.text((8, len(bars) * _BAR_PX + 2), helps, fill=_INK, font=_font())
    what = QUANTITIES.get(decides["quantity"], decides["quantity"][:_LONGEST])
    where = f" at {decides['station']:.0f} mm" if "station" in decides else ""
    expanded = f"{decides['expanded']:.2f}{'°' if decides['unit'] == 'deg' else ' ' + decides['unit']}"
    return [(f"Where the uncertainty comes from: {what}{where}, U = {expanded}", picture)]


def _again(made: Mapping[str, Any], photo: Callable[[str], Pixels]) -> "Image":
    from PIL import Image

    bgr = picture_again(photo(made["photo_sha256"]), dict(made), widest_px=WIDEST_PX)
    return Image.fromarray(np.ascontiguousarray(bgr[..., ::-1]))


def _stacked(title: str, panels: "Sequence[tuple[str, Image]]") -> bytes:
    """Put the panels below each other, each with its caption."""
    from PIL import Image, ImageDraw

    width = max(max(picture.width for _, picture in panels), WIDEST_PX)
    height = _CAPTION_PX + sum(_CAPTION_PX + picture.height for _, picture in panels)
    sheet = Image.new("RGB", (width, height), "white")
    draw = ImageDraw.Draw(sheet)
    draw.text((8, 6), title, fill="black", font=_font())
    at = _CAPTION_PX
    for name, picture in panels:
        draw.text((8, at + 6), name, fill="black", font=_font())
        sheet.paste(picture, (0, at + _CAPTION_PX))
        at += _CAPTION_PX + picture.height
    out = BytesIO()
    sheet.save(out, "JPEG", quality=_QUALITY)
    return out.getvalue()


def _font() -> Any:
    """Return Pillow's own font, so that no system's is needed."""
    from PIL import ImageFont

    return ImageFont.load_default(size=_TEXT_PX)
