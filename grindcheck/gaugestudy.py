"""How well the tool repeats itself and how well people agree: a gauge study.

Both methods of the trade: average and range, which a pocket calculator can follow, and analysis of variance,
which also sees when one person measures one knife differently.

References
----------
AIAG, Measurement Systems Analysis, 4th edition (2010), chapter III, for method, thresholds and names.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from grindcheck.errors import InputError
from grindcheck.gaugespread import Spread, spread, summed
from grindcheck.geometry import Array, frozen
from grindcheck.rangefactors import d2_d3, divisor

Method = Literal["average and range", "analysis of variance"]

_POOLED_ABOVE = 0.25  # p of the interaction above which it counts as noise; AIAG
_SPREADS = 6.0  # spreads that a tolerance is compared with; AIAG, 4th edition
GOOD, USABLE = 0.10, 0.30  # share of the tolerance, or of all variation; AIAG
NDC_WANTED = 5  # distinct categories; AIAG


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Values of a study in which everybody measures every knife equally often.

    Parameters
    ----------
    knives, people : tuple of str
    values : ndarray, shape (knives, people, takes)
    """

    knives: tuple[str, ...]
    people: tuple[str, ...]
    values: Array


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeStudy:
    """What a study found; all in the unit of the values.

    Parameters
    ----------
    method : {"average and range", "analysis of variance"}
    repeatability : Spread
        The same person, the same knife, again.
    people : float or None
        Standard deviation between people; None if one person took part.
    people_by_knife : float
        Of people's disagreement that depends on the knife; 0 where it counts as noise.
    gauge : Spread
        All of the measuring: repeatability and people together (GRR).
    knives : float
        Between the knives.
    total : float
        Of everything.
    categories : int
        How many groups of knives the measuring can tell apart (ndc).
    interaction_p : float or None
        Probability of so large an interaction by chance; None where it wasn't tested.
    """

    method: Method
    repeatability: Spread
    people: float | None
    people_by_knife: float
    gauge: Spread
    knives: float
    total: float
    categories: int
    interaction_p: float | None = None

    @property
    def of_total(self) -> float:
        """Share of the measuring in all variation."""
        return self.gauge.std / self.total if self.total > 0 else float("nan")

    def of_tolerance(self, width: float) -> float:
        """Share of a tolerance, told by its whole width, that the measuring takes up."""
        return _SPREADS * self.gauge.std / width


def table_of(rows: Iterable[tuple[str, str, float]]) -> Table:
    """Put single values into a table.

    Parameters
    ----------
    rows : iterable of (knife, person, value)
        In any order.

    Returns
    -------
    Table

    Raises
    ------
    InputError
        If there are fewer than two knives or two takes, or not everybody measured every knife equally often.
    """
    cells: dict[tuple[str, str], list[float]] = {}
    for knife, person, value in rows:
        cells.setdefault((knife, person), []).append(float(value))
    knives = tuple(dict.fromkeys(knife for knife, _ in cells))
    people = tuple(dict.fromkeys(person for _, person in cells))
    if len(knives) < 2:
        raise InputError(
            "A gauge study needs two knives at least.",
            advice="Five to ten that differ tell more than many takes.",
        )
    takes = min(len(values) for values in cells.values())
    for knife in knives:
        for person in people:
            count = len(cells.get((knife, person), ()))
            if count < 2 or count != takes:
                who = f" by {person}" if len(people) > 1 else ""
                raise InputError(
                    f"{knife} was measured {count} times{who}, others {takes} times.",
                    advice="Let everybody measure every knife equally often, two times at least, laid down "
                    "anew for each; leave out a knife or a person whose takes are missing.",
                )
    values = [[cells[knife, person] for person in people] for knife in knives]
    if np.ptp(np.array(values)) == 0:
        raise InputError(
            "All readings are alike: too coarse to study, or copied.",
            advice="Give what was read, with all its digits, of knives that differ.",
        )
    return Table(knives=knives, people=people, values=frozen(np.array(values)))


def average_and_range(table: Table) -> GaugeStudy:
    """Study a table by averages and ranges.

    Parameters
    ----------
    table : Table

    Returns
    -------
    GaugeStudy

    Notes
    -----
    The mean range of knives and people is divided by d2 if there are more than 15 of them, by d2* if there
    are fewer, as is the one range of the people's means and that of the knives' means. The interval of the
    repeatability takes the mean range's own degrees of freedom (Patnaik 1950).
    """
    values = table.values
    knives, people, takes = values.shape
    groups = knives * people
    mean_range = float(np.ptp(values, axis=2).mean())
    repeat = mean_range / divisor(takes, groups)
    between: float | None = None
    if people > 1:
        apart = float(np.ptp(values.mean(axis=(0, 2)))) / divisor(people)
        between = float(np.sqrt(max(apart**2 - repeat**2 / (knives * takes), 0.0)))
    gauge = float(np.hypot(repeat, between or 0.0))
    part = float(np.ptp(values.mean(axis=(1, 2)))) / divisor(knives)
    d2, d3 = d2_d3(takes)
    freedom = groups * d2**2 / (2 * d3**2)
    squares = [(repeat**2, freedom)]
    if people > 1:
        squares = [(repeat**2 * (1 - 1 / (knives * takes)), freedom), (apart**2, people - 1.0)]
    return GaugeStudy(
        method="average and range",
        repeatability=spread(repeat**2, freedom),
        people=between,
        people_by_knife=0.0,
        gauge=replace(summed(squares), std=gauge),
        knives=part,
        total=float(np.hypot(gauge, part)),
        categories=_categories(part, gauge),
    )


def analysis_of_variance(table: Table) -> GaugeStudy:
    """Study a table by analysis of variance, knives and people both drawn at random.

    Parameters
    ----------
    table : Table

    Returns
    -------
    GaugeStudy

    Notes
    -----
    Two ways, crossed; an interaction with p above 0.25 is pooled with the error. One person: one way. A
    variance that comes out negative is taken as 0. The interval of the gauge is the modified large sample
    one, over the mean squares that make it up.
    """
    from scipy import stats

    values = table.values
    knives, people, takes = values.shape
    mean = values.mean()
    by_knife, by_person, by_cell = values.mean(axis=(1, 2)), values.mean(axis=(0, 2)), values.mean(axis=2)
    error = float(((values - by_cell[..., None]) ** 2).sum())
    freedom = float(knives * people * (takes - 1))
    ms_knives = people * takes * float(((by_knife - mean) ** 2).sum()) / (knives - 1)
    if people == 1:
        noise = error / freedom
        part = max((ms_knives - noise) / takes, 0.0)
        return _of_variances(noise, None, 0.0, part, [(noise, freedom)], freedom, None)
    ms_people = knives * takes * float(((by_person - mean) ** 2).sum()) / (people - 1)
    both = by_cell - by_knife[:, None] - by_person[None, :] + mean
    freedom_both = float((knives - 1) * (people - 1))
    ms_both = takes * float((both**2).sum()) / freedom_both
    noise = error / freedom
    p = float(stats.f.sf(ms_both / noise, freedom_both, freedom)) if noise > 0 else 0.0
    if p > _POOLED_ABOVE:
        noise = (error + ms_both * freedom_both) / (freedom + freedom_both)
        freedom += freedom_both
        person = max((ms_people - noise) / (knives * takes), 0.0)
        part = max((ms_knives - noise) / (people * takes), 0.0)
        share = 1 / (knives * takes)
        squares = [(ms_people * share, people - 1.0), (noise * (1 - share), freedom)]
        return _of_variances(noise, person, 0.0, part, squares, freedom, p)
    mixed = max((ms_both - noise) / takes, 0.0)
    person = max((ms_people - ms_both) / (knives * takes), 0.0)
    part = max((ms_knives - ms_both) / (people * takes), 0.0)
    squares = [
        (noise * (1 - 1 / takes), freedom),
        (ms_both / takes * (1 - 1 / knives), freedom_both),
        (ms_people / (knives * takes), people - 1.0),
    ]
    return _of_variances(noise, person, mixed, part, squares, freedom, p)


def _of_variances(
    noise: float,
    person: float | None,
    mixed: float,
    part: float,
    squares: list[tuple[float, float]],
    freedom: float,
    p: float | None,
) -> GaugeStudy:
    gauge = noise + (person or 0.0) + mixed
    return GaugeStudy(
        method="analysis of variance",
        repeatability=spread(noise, freedom),
        people=None if person is None else float(np.sqrt(person)),
        people_by_knife=float(np.sqrt(mixed)),
        gauge=replace(summed(squares), std=float(np.sqrt(gauge))),
        knives=float(np.sqrt(part)),
        total=float(np.sqrt(gauge + part)),
        categories=_categories(float(np.sqrt(part)), float(np.sqrt(gauge))),
        interaction_p=p,
    )


def _categories(part: float, gauge: float) -> int:
    """Return the groups that can be told apart, 1.41 PV/GRR rounded down, one at least."""
    return max(int(1.41 * part / gauge), 1) if gauge > 0 else 1000
