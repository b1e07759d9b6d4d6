"""A gauge study in words, and as data."""

from typing import TYPE_CHECKING, Any

from grindcheck.advice import Units
from grindcheck.gaugestudy import GOOD, NDC_WANTED, USABLE
from grindcheck.report.flatness_text import fine

if TYPE_CHECKING:
    from grindcheck.agreement import Agreement
    from grindcheck.gaugestudy import GaugeStudy, Table

_TAIL = 0.025  # on either side, so that honest uncertainties are doubted in one study of twenty


def gauge_sentence(study: "GaugeStudy", width_mm: float, units: Units) -> str:
    """Say plainly whether the measuring is good enough for a tolerance of the given whole width."""
    share = study.of_tolerance(width_mm)
    tolerance = f"a difference of {fine(width_mm / 2, units)}"
    if share <= GOOD:
        return f"Good enough to judge {tolerance}: the measuring takes up {share:.0%} of the tolerance."
    if share <= USABLE:
        return f"Usable to judge {tolerance}, with care near the limit: it takes up {share:.0%} of it."
    return (
        f"Not good enough to judge {tolerance} from one pair of photos: it takes up {share:.0%} of it. "
        "Take several pairs and go by their mean, or allow a wider tolerance."
    )


def gauge_text(
    studies: tuple["GaugeStudy", ...], table: "Table", width_mm: float, units: Units = "both"
) -> str:
    """Set a study out as text, both methods side by side."""
    count = f"{len(table.knives)} knives, {table.values.shape[2]} takes each"
    who = f", {len(table.people)} people" if len(table.people) > 1 else ", one person"
    lines = [gauge_sentence(studies[-1], width_mm, units), "", count + who + ", as standard deviations:", ""]
    lines.append(f"{'':38}" + "".join(f"{study.method:>26}" for study in studies))
    rows: list[tuple[str, list[str]]] = [
        ("same person, same knife, again", [_spread(study.repeatability, units) for study in studies]),
        ("another person", [_or_not(study.people, units) for study in studies]),
        ("people differing from knife to knife", [fine(study.people_by_knife, units) for study in studies]),
        ("all of the measuring", [_spread(study.gauge, units) for study in studies]),
        ("between the knives", [fine(study.knives, units) for study in studies]),
        ("share of all variation", [f"{study.of_total:.1%}" for study in studies]),
        ("share of the tolerance", [f"{study.of_tolerance(width_mm):.1%}" for study in studies]),
        ("groups of knives told apart", [str(study.categories) for study in studies]),
    ]
    lines += [f"{name:38}" + "".join(f"{value:>26}" for value in values) for name, values in rows]
    if studies[-1].categories < NDC_WANTED:
        lines += [
            "",
            f"Fewer than {NDC_WANTED} groups: the knives are too alike, or the measuring too coarse.",
        ]
    if len(table.people) == 1:
        lines += ["", "With one person, what a second would add isn't studied."]
    return "\n".join(lines)


def agreement_text(found: "Agreement", units: Units = "both") -> str:
    """Say how the tool agrees with the calliper."""
    sure = found.bias_low > 0 or found.bias_high < 0
    lines = [
        f"Against the calliper, {len(found.difference)} blades: the tool reads "
        f"{fine(abs(found.bias), units)} {'more' if found.bias >= 0 else 'less'} in the mean"
        + ("." if sure else ", which may be chance."),
        f"95 % of differences lie between {_signed(found.low, units)} and {_signed(found.high, units)}.",
    ]
    if found.normalised is not None:
        lines.append(
            f"{found.disagree} of {len(found.difference)} differ by more than both uncertainties allow"
            + (": about one in twenty may." if found.disagree else ".")
        )
    if found.chi_square is not None and found.chi_square_p is not None:
        lines.append(_stated(found.chi_square, found.chi_square_p, len(found.difference)))
    if found.slope_p < 0.01:
        lines.append(
            f"The difference grows with the size, by {found.slope:+.2%} of it: check the mat's bars."
        )
    return "\n".join(lines)


def _stated(square: float, p: float, count: int) -> str:
    """Say whether the stated uncertainties as a whole are as large as the differences ask for."""
    figures = f"chi-square {square:.1f} where {count} is to be expected"
    if p < _TAIL:
        ratio = (square / count) ** 0.5
        return (
            f"The stated uncertainties are too small for these differences, by a factor of {ratio:.1f} "
            f"({figures}): find out why before you trust either."
        )
    if p > 1 - _TAIL:
        return (
            f"The differences are smaller than the stated uncertainties ask for ({figures}): U is generous."
        )
    return f"As a whole the differences are as large as the stated uncertainties say ({figures})."


def gauge_data(
    studies: tuple["GaugeStudy", ...], table: "Table", width_mm: float, found: "Agreement | None"
) -> dict[str, Any]:
    """Return a study as plain data, lengths in mm."""
    data: dict[str, Any] = {
        "knives": list(table.knives),
        "people": [person for person in table.people if person],
        "values_mm": table.values.tolist(),
        "tolerance_width_mm": width_mm,
        "sentence": gauge_sentence(studies[-1], width_mm, "both"),
        "studies": [
            {
                "method": study.method,
                "repeatability_mm": _data(study.repeatability),
                "people_mm": study.people,
                "people_by_knife_mm": study.people_by_knife,
                "gauge_mm": _data(study.gauge),
                "knives_mm": study.knives,
                "share_of_total": study.of_total,
                "share_of_tolerance": study.of_tolerance(width_mm),
                "categories": study.categories,
                "interaction_p": study.interaction_p,
            }
            for study in studies
        ],
    }
    if found is not None:
        data["calliper"] = {
            "difference_mm": found.difference.tolist(),
            "mean_mm": found.mean.tolist(),
            "bias_mm": found.bias,
            "bias_interval_mm": [found.bias_low, found.bias_high],
            "limits_mm": [found.low, found.high],
            "slope": found.slope,
            "slope_p": found.slope_p,
            "chi_square": found.chi_square,
            "chi_square_p": found.chi_square_p,
            "disagree": found.disagree if found.normalised is not None else None,
        }
    return data


def _data(spread: Any) -> dict[str, float | None]:
    high = spread.high if spread.high < float("inf") else None
    return {"std": spread.std, "low": spread.low, "high": high}


def _spread(spread: Any, units: Units) -> str:
    high = fine(spread.high, units).split(" ")[0] if spread.high < 1000 * max(spread.std, 1e-9) else "any"
    low = fine(spread.low, units).split(" ")[0]
    return f"{fine(spread.std, units)} [{low}, {high}]"


def _or_not(value: float | None, units: Units) -> str:
    return "not studied" if value is None else fine(value, units)


def _signed(value: float, units: Units) -> str:
    return ("−" if value < 0 else "+") + fine(abs(value), units)
