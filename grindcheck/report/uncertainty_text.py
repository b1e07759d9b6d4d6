"""Where the uncertainty of the deciding difference comes from, as bars, and what makes it smaller."""

from typing import TYPE_CHECKING

from grindcheck.advice import Units, length
from grindcheck.report.words import named
from grindcheck.settings import COVERAGE_FACTOR

if TYPE_CHECKING:
    from grindcheck.results import Comparison, Figure
    from grindcheck.verdict import Verdict

_BAR = 20  # characters of a whole
_LEAST = 0.02  # share of the whole below which a source isn't worth a line
# what belongs together, its name, and what makes it smaller
SOURCES: tuple[tuple[tuple[str, ...], str, str], ...] = (
    (("line",), "seeing the lines", "soft light from the side, a sharp photo, or several pairs of photos"),
    (("pose", "focal length"), "lens and pose", "calibrate the phone, and hold it level"),
    (("print scale",), "the print's size", "measure the mat's two bars with a calliper"),
    (("thickness",), "stock thickness", "measure it with a calliper"),
    (("edge thickness",), "edge thickness", "measure it with a calliper"),
    (("height",), "how the blade lies", "clean mat and blade, and lay it flat"),
    (("registration", "outline"), "the blade's outline", "clear the rim of burr, tape and shadow"),
    (("tip",), "the tip", "show the tip sharply"),
)


def deciding(verdict: "Verdict") -> "Figure | None":
    """Return the judged difference that is nearest to its limit or farthest beyond it, U counted in."""
    if not verdict.judged:
        return None
    most = max(
        verdict.judged,
        key=lambda one: (abs(one.figure.value) + COVERAGE_FACTOR * one.figure.std) / one.tolerance,
    )
    return most.figure


def shares(figure: "Figure") -> tuple[tuple[str, float, str], ...]:
    """Return each source's name, its share of the variance, and what makes it smaller; largest first.

    The shares add up to 1.
    """
    whole = sum(size**2 for size in figure.components.values())
    known = {name for names, _, _ in SOURCES for name in names}
    rest = tuple(name for name in figure.components if name not in known)
    found = [
        (name, sum(figure.components.get(part, 0.0) ** 2 for part in parts) / whole, advice)
        for parts, name, advice in (*SOURCES, (rest, "other", ""))
    ] if whole > 0 else []  # fmt: skip
    return tuple(sorted((one for one in found if one[1] > 0), key=lambda one: -one[1]))


def uncertainty_lines(comparison: "Comparison", verdict: "Verdict", units: Units) -> list[str]:
    """Write the block of text, empty where nothing is judged."""
    figure = deciding(verdict)
    if figure is None or figure.std <= 0:
        return []
    full_flat = comparison.left.full_flat and comparison.right.full_flat
    whole = COVERAGE_FACTOR * figure.std
    name = named(figure, units, full_flat=full_flat)
    lines = [f"Where the uncertainty of the difference that decides comes from ({name})"]
    for source, share, advice in shares(figure):
        if share < _LEAST:
            continue
        bar = "#" * max(round(_BAR * share), 1)
        without = ""
        if figure.unit == "mm":
            left = (1 - share) ** 0.5 * whole
            without = f"U {length(whole, units)} would be {length(left, units)} but for it"
        lines.append(f"  {source:20} {bar:{_BAR}} {share:4.0%}  {without}")
        if advice:
            lines.append(f"  {'':20} {advice}")
    return lines
