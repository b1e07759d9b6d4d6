"""Where an uncertainty comes from, in words, and what makes it smaller: the one table.

Verdict, text, JSON, picture, page and sheet tell it from here.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt

_LENS, _RIM = "lens and pose", "the blade's outline"
COMPONENTS: Mapping[str, tuple[str, str]] = {
    "line": (
        "seeing the lines",
        "use softer light from the side and a sharper photo, take another pair with the mat turned half "
        "round, or place the line by hand",
    ),
    "pose": (
        _LENS,
        "calibrate the phone, photograph more squarely from above, and show more of the mat's frame",
    ),
    "focal length": (
        _LENS,
        "calibrate the phone, or send its original files, so that their focal length is known",
    ),
    "lens": (_LENS, "calibrate the phone anew, with more photos and the mat taped flat"),
    "print scale": (
        "the print's size",
        "measure the mat's two bars with a calliper and give --bar-x and --bar-y",
    ),
    "thickness": ("stock thickness", "measure the stock thickness with a calliper, to 0.05 mm"),
    "edge thickness": (
        "edge thickness",
        "measure the edge thickness with a calliper and give --edge-thickness",
    ),
    "height": (
        "how the blade lies",
        "press the mat flat on a board and clean grit and burr from under the blade",
    ),
    "registration": (
        _RIM,
        "clean the edge of burr and tape and use soft light, so that both outlines agree",
    ),
    "outline": (_RIM, "use softer light and a sharper photo, so that the edge stands out from the field"),
    "which face": (
        "which face is which",
        "say which photo shows which face, as in --faces left,right",
    ),
    "tip": ("the tip", "keep the tip clear of tape and shadow, and show it sharply"),
}
"""By component of a figure the source that it belongs to, and what makes it smaller."""

_OTHER = "other"


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
        What makes it smaller: the largest of its components; may be empty.
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
    >>> advice_of("focal length") == found[0].advice
    True
    """
    whole = sum(size**2 for size in components.values())
    if whole <= 0:
        return ()
    together: dict[str, list[str]] = {name: [] for name in (*(row[0] for row in COMPONENTS.values()), _OTHER)}
    for component in components:
        together[COMPONENTS.get(component, (_OTHER, ""))[0]].append(component)
    found = []
    for name, parts in together.items():
        square = sum(components[part] ** 2 for part in parts)
        if square > 0:
            largest = max(parts, key=lambda part: components[part])
            found.append(Source(name=name, std=sqrt(square), share=square / whole, advice=advice_of(largest)))
    return tuple(sorted(found, key=lambda one: -one.share))


def advice_of(component: str) -> str:
    """Return what makes a component smaller, empty where the table doesn't know it."""
    return COMPONENTS.get(component, (_OTHER, ""))[1]
