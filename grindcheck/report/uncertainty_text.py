"""Where the uncertainty of the deciding difference comes from, as bars of text, and what makes it smaller."""

import textwrap
from typing import TYPE_CHECKING

from grindcheck.advice import Units, length
from grindcheck.report.budget_data import LEAST, deciding
from grindcheck.report.words import named
from grindcheck.settings import COVERAGE_FACTOR
from grindcheck.sources import sources

if TYPE_CHECKING:
    from grindcheck.results import Comparison
    from grindcheck.verdict import Verdict

_BAR = 20  # characters of a whole
_ADVICE = 72  # characters of a line beside the names


def uncertainty_lines(comparison: "Comparison", verdict: "Verdict", units: Units) -> list[str]:
    """Write the block of text, empty where nothing is judged."""
    figure = deciding(verdict)
    if figure is None or figure.std <= 0:
        return []
    full_flat = comparison.left.full_flat and comparison.right.full_flat
    whole = COVERAGE_FACTOR * figure.std
    name = named(figure, units, full_flat=full_flat)
    lines = [f"Where the uncertainty of the difference that decides comes from ({name})"]
    for source in sources(figure.components):
        if source.share < LEAST:
            continue
        bar = "#" * max(round(_BAR * source.share), 1)
        without = ""
        if figure.unit == "mm":
            left = (1 - source.share) ** 0.5 * whole
            without = f"U {length(whole, units)} would be {length(left, units)} but for it"
        lines.append(f"  {source.name:20} {bar:{_BAR}} {source.share:4.0%}  {without}")
        lines += [
            f"  {'':20} {part}" for part in textwrap.wrap(source.advice, _ADVICE, break_on_hyphens=False)
        ]
    return lines
