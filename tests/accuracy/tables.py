"""What the accuracy study found, beside what is asked: written into RESULTS.md.

    python tests/accuracy/study.py ORDINARY --json build/ordinary.json   (HARD and REPEAT likewise)
    python tests/accuracy/study.py ORDINARY --together --json build/together.json
    python tests/accuracy/tables.py build/ordinary.json build/together.json build/hard.json build/repeat.json

Each table stands between two comments with its name; what stands outside of them is left as it is.
"""

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import study

RESULTS = Path(__file__).with_name("RESULTS.md")
FAR = 3.0  # standard uncertainties that an error never should reach
LEAST_COVERED = 0.90
MOST_TAKES_LOST = 0.5  # of a repeated figure's takes, beyond which it has no standard deviation

SETS = ("ordinary", "together", "hard", "repeat")

Row = dict[str, Any]


def differences(rows: list[Row], *, plunge: bool | None = None) -> list[Row]:
    """Return the differences in mm; of the plunges alone, or of all but these."""
    wanted = [name for name in study.LENGTHS if plunge in (None, name.startswith("plunge"))]
    return study.pick(rows, "difference", tuple(wanted))


def off(figures: list[Row]) -> np.ndarray:
    """Return the absolute errors, mm."""
    return np.abs([figure["value"] - figure["true"] for figure in figures])


def in_stds(figures: list[Row]) -> np.ndarray:
    """Return the absolute errors in their standard uncertainties."""
    return off(figures) / np.array([figure["std"] for figure in figures])


def covered(figures: list[Row]) -> float:
    """Return the share of true values inside the stated 95 % interval."""
    return float(np.mean(in_stds(figures) <= study.COVERED))


def poorly_covered(rows: list[Row]) -> dict[str, float]:
    """Return the strata whose stated intervals hold too few true values, worst first."""
    strata: dict[str, list[Row]] = {}
    for row in rows:
        strata.setdefault(str(row["tags"].get("stratum", "")), []).append(row)
    shares = {name: covered(found) for name, part in strata.items() if (found := differences(part))}
    return {
        name: share
        for name, share in sorted(shares.items(), key=lambda item: item[1])
        if share < LEAST_COVERED
    }


def scatter(rows: list[Row], *, plunge: bool) -> dict[str, float]:
    """Return the standard deviation of each repeated difference about its mean, mm, by name."""
    taken: dict[str, list[float]] = {}
    for figure in differences(rows, plunge=plunge):
        name = figure["quantity"] if figure["station"] is None else f"{figure['station']:.0f} mm from the tip"
        taken.setdefault(name, []).append(figure["value"] - figure["true"])
    return {
        name: float(np.std(values, ddof=1))
        for name, values in taken.items()
        if len(values) > max(MOST_TAKES_LOST * len(rows), 1)
    }


def pooled(stds: dict[str, float]) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(np.square(list(stds.values())))))


def asked(ordinary: list[Row], together: list[Row], hard: list[Row], repeat: list[Row]) -> str:
    """Return the table of what is asked and what was measured."""

    def ninety_five(rows: list[Row]) -> str:
        parts = (differences(rows), differences(rows, plunge=True), differences(rows, plunge=False))
        every, plunges, heights = (
            f"{np.quantile(off(part), 0.95):.3f}" if part else "none" for part in parts
        )
        return f"{every} mm (plunges {plunges}, heights {heights})"

    def both(what: Callable[[list[Row]], str]) -> str:
        return f"{what(ordinary)} / {what(hard)}"

    def refused(rows: list[Row]) -> str:
        return f"{np.mean([bool(row['refused']) for row in rows]):.1%}"

    def false_match(rows: list[Row]) -> str:
        mismatched = [row for row in rows if not row["refused"] and row["right_verdict"] == "mismatch"]
        return f"{sum(row['verdict'] == 'match' for row in mismatched)} of {len(mismatched)}"

    def far(rows: list[Row]) -> str:
        found = in_stds(differences(rows)) > FAR
        return f"{found.sum()} of {found.size}"

    strata = ", ".join(f"{name} {share:.0%}" for name, share in poorly_covered(hard).items())
    plunges, heights = (scatter(repeat, plunge=plunge) for plunge in (True, False))
    stations = f"{min(heights.values()):.3f} to {max(heights.values()):.3f}" if heights else "none"
    lines = [
        ("95 % of errors, ordinary", "0.06 mm", ninety_five(ordinary)),
        ("the same, two pairs of each knife", "", ninety_five(together)),
        ("95 % of errors, hard, not refused", "0.12 mm", ninety_five(hard)),
        ("covered, ordinary / hard", "90 %", both(lambda rows: f"{covered(differences(rows)):.1%}")),
        ("strata below 90 %", "none", strata or "none"),
        ("refused, ordinary / hard", "2 % / 20 %", both(refused)),
        ("false match, ordinary / hard", "2.5 %", both(false_match)),
        ("verdicts told wrongly, ordinary / hard", "", both(lambda rows: str(len(study.wrong(rows))))),
        ("off by more than 3 standard uncertainties", "", both(far)),
        ("s of a plunge difference, laid and shot again", "0.02 mm", f"{pooled(plunges):.3f} mm"),
        ("s of a height difference, likewise", "0.02 mm", f"{pooled(heights):.3f} mm ({stations})"),
    ]
    rows = [f"| {what} | {least} | {measured} |" for what, least, measured in lines]
    return "\n".join(["| | at least | measured |", "|---|---|---|", *rows])


def put(text: str, name: str, table: str) -> str:
    """Return a text with a table between its two comments.

    Raises
    ------
    ValueError
        If the text has no such comments.
    """
    begin, end = f"<!-- {name} -->\n", f"<!-- end of {name} -->"
    if begin not in text or end not in text:
        raise ValueError(f"no place for the table {name!r}")
    head, rest = text.split(begin, 1)
    return f"{head}{begin}\n{table}\n\n{end}{rest.split(end, 1)[1]}"


def main(arguments: list[str] | None = None) -> int:
    """Write the tables."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    for name in SETS:
        parser.add_argument(name, type=Path)
    parser.add_argument("--into", type=Path, default=RESULTS)
    options = parser.parse_args(arguments)
    sets = {name: json.loads(getattr(options, name).read_text(encoding="utf-8")) for name in SETS}
    text = put(options.into.read_text(encoding="utf-8"), "asked and measured", asked(**sets))
    for name, rows in sets.items():
        text = put(text, name, f"```\n{study.table(rows)}\n```")
    options.into.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
