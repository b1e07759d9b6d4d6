"""Tags of a pair, told from the scene as it is drawn and not from what was wished."""

import math
from typing import Any

from hard_bench import LAYLESS, Pair, distance_mm
from scenes import THICKNESSES_MM

_LENSES = {(52.0, 2): "26 at 2x", (52.0, 1): "52", (77.0, 1): "77"}  # of the plain study
_BLURRED_PX = 0.8  # above what a good photo has (0.65), below the least that is drawn as blurred (0.9)


def tags_of(made: Pair) -> dict[str, Any]:
    """Return the tags of a pair.

    Returns
    -------
    dict
        ``grind``, ``thickness``, ``light``, ``lens``, ``tilt`` (degrees, in steps of 5), ``paper``, ``lay``,
        ``blurred``, ``dirt`` and ``tip`` as `scenes.pair` writes them, and ``distance`` (cm, in steps of 20)
        and ``megapixels``. Where the two photos differ both values are told, with a stroke between.
    """
    photos = made["photos"]
    blade = made["blade"]
    thickness = {round(mm, 4): name for name, mm in THICKNESSES_MM.items()}
    tips = [math.radians(photo["place"]["tip_deg"]) for photo in photos]
    return {
        "grind": blade["grind"],
        "thickness": thickness.get(round(blade["thickness_mm"], 4), f"{blade['thickness_mm']:.2f} mm"),
        "light": _both([photo["light"]["kind"] for photo in photos]),
        "lens": _both([_lens(photo) for photo in photos]),
        "tilt": _both([_step(photo["view"]["tilt_deg"], 5) for photo in photos]),
        "paper": made["paper"],
        "lay": _lay(made["finish"]),
        "blurred": any(
            max(photo["blur"]["sigma_px"], photo["blur"]["motion_px"]) > _BLURRED_PX for photo in photos
        ),
        "dirt": photos[0]["dirt"],
        "tip": "same way" if math.cos(tips[1] - tips[0]) > 0 else "other way",
        "distance": _both([_step(distance_mm(made, photo) / 10, 20) + " cm" for photo in photos]),
        "megapixels": _both([f"{math.prod(photo['view']['size_px']) / 1e6:.1f}" for photo in photos]),
    }  # fmt: skip


def _both(values: list[str]) -> str:
    return "/".join(dict.fromkeys(values))


def _step(value: float, width: int) -> str:
    low = math.floor(value / width) * width
    return f"{low}-{low + width}"


def _lens(photo: dict[str, Any]) -> str:
    f35 = photo["view"]["f35_mm"]
    known = _LENSES.get((f35, photo["phone"]["zoom"]))
    return known or next(
        name for above, name in ((60, "60 mm on"), (35, "35-60 mm"), (0, "to 35 mm")) if f35 >= above
    )


def _lay(finish: dict[str, Any]) -> str:
    """Tell whether the flat's lines and the bevel's run alike, as after hand finishing."""
    if "flat" not in finish:
        return "hand finished" if finish["hand_finished"] else "as ground"
    flat, bevel = finish["flat"], finish["bevel"]
    if flat["kind"] in LAYLESS and bevel["kind"] in LAYLESS:
        return "none"
    return "hand finished" if flat["angle_deg"] == bevel["angle_deg"] else "as ground"
