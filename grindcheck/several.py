"""Several pairs of photos of one blade, under other light or from elsewhere, made into one result.

What is each pair's own averages out: the reading of the lines, lens and pose, how the blade lay. What all
pairs share doesn't: the stock's thickness, the print, the focal length that the phone tells, its calibration.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from grindcheck.errors import PairError
from grindcheck.geometry import Array
from grindcheck.results import Comparison, FaceFigures, Figure

SHARED = ("thickness", "edge thickness", "print scale", "focal length", "lens", "which face")
_LEVEL = 0.001  # probability by chance at which a pair is left out
_FEWEST_TO_DROP = 3  # of two that disagree nobody knows which is wrong
_OWN_STD = 1e-6  # the least, so that weights stay finite


@dataclass(frozen=True, slots=True, kw_only=True)
class Combined:
    """One result out of several pairs.

    Parameters
    ----------
    comparison : Comparison
        The pair that is known best, with the differences of all.
    left_out : tuple of (int, str)
        Index of a pair that doesn't agree with the others, and in what.
    """

    comparison: Comparison
    left_out: tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class _Spread:
    """One figure of several pairs: what each has of its own, its weight, their mean, and how they scatter.

    Parameters
    ----------
    own, share : ndarray, shape (N,)
        Standard uncertainty that a pair doesn't share with the others; weight, in all 1.
    mean, mean_std : float
    square : float
        Sum of the squared distances from the mean, each in its own standard uncertainty.
    """

    own: Array
    share: Array
    mean: float
    mean_std: float
    square: float

    @classmethod
    def of(cls, figures: Sequence[Figure]) -> "_Spread":
        own = np.array([_own(figure) for figure in figures])
        values = np.array([figure.value for figure in figures])
        weight = own**-2
        share = weight / weight.sum()
        mean = float(share @ values)
        square = float(np.sum(((values - mean) / own) ** 2))
        return cls(own=own, share=share, mean=mean, mean_std=float(weight.sum() ** -0.5), square=square)

    @property
    def ratio(self) -> float:
        """Birge's, of the scatter over what is stated; at least 1."""
        return float(np.sqrt(max(self.square / max(len(self.own) - 1, 1), 1.0)))

    @property
    def strays(self) -> bool:
        """Whether they scatter so much more than stated that the user should hear of it."""
        from scipy import stats

        return len(self.own) > 1 and bool(stats.chi2.sf(self.square, len(self.own) - 1) < _LEVEL)


def combine(comparisons: Sequence[Comparison]) -> Combined:
    """Combine the differences of several pairs of photos of one blade.

    Parameters
    ----------
    comparisons : sequence of Comparison
        One or more; one comes back as it is.

    Returns
    -------
    Combined

    Raises
    ------
    PairError
        If the pairs aren't of one blade: none of their figures is the same.

    Notes
    -----
    Least squares with the whole covariance for errors that are a sum of independent ones, one a pair, and of
    ones that all pairs share alike and that therefore drop out of the weights. What not every pair tells, as
    a height where its light shows no shoulder, is told by those that do. A pair whose figure lies off the
    others' by more than their uncertainties allow, at one in a thousand over all its figures, is left
    out if three or more pairs were given. Where what remains scatters more than its uncertainties say, they
    are widened by the Birge ratio (R. T. Birge, Phys. Rev. 40, 1932; the practice of CODATA's adjustments),
    never narrowed. Where pairs contradict each other on one face, at the same level, one of its lines strays,
    and each pair's difference is taken to be off by as much, by itself.
    """
    kept = list(range(len(comparisons)))
    photos = [face.photo_sha256 for one in comparisons for face in (one.left, one.right)]
    if len(set(photos)) < len(photos):
        raise PairError(
            "A photo is there twice; it tells nothing new.", advice="Photograph the blade anew for each pair."
        )
    if len(kept) == 1:
        return Combined(comparison=comparisons[0], left_out=())
    left_out: list[tuple[int, str]] = []
    while len(kept) >= _FEWEST_TO_DROP:
        worst, quantity, chance = min(
            (_unlike(comparisons, kept, one) for one in kept), key=lambda found: found[2]
        )
        if chance > _LEVEL:
            break
        kept.remove(worst)
        left_out.append((worst, quantity))
    keys = [_keyed(comparisons[index]) for index in kept]
    if not set.intersection(*(set(found) for found in keys)):
        raise PairError(
            "The pairs of photos have no figure in common.", advice="Give pairs of photos of one blade."
        )
    widened = False
    figures = []
    for key in _told(keys):
        told = [found[key] for found in keys if key in found]
        doubt = _doubt([comparisons[i] for i, found in zip(kept, keys, strict=True) if key in found], key)
        figure, wide = _together([_widened(one, extra) for one, extra in zip(told, doubt, strict=True)])
        figures.append(figure)
        widened |= wide or bool(doubt.any())
    best = comparisons[min(kept, key=lambda index: _typical_std(comparisons[index]))]
    flags = list(best.flags)
    flags += ["pair_left_out"] if left_out else []
    flags += ["pairs_disagree"] if widened else []
    whole = replace(best, differences=tuple(figures), flags=tuple(dict.fromkeys(flags)))
    return Combined(comparison=whole, left_out=tuple(left_out))


def _keyed(comparison: Comparison) -> dict[tuple[str, float | None], Figure]:
    return {(figure.quantity, figure.station_mm): figure for figure in comparison.differences}


def _told(keys: list[dict[tuple[str, float | None], Figure]]) -> list[tuple[str, float | None]]:
    """Return what to tell: what at least two pairs say, or one at a station that each pair would have."""
    count = Counter(key for found in keys for key in found)
    named = {key for found in keys for key, figure in found.items() if figure.label}
    return sorted(
        (key for key in count if count[key] > 1 or key not in named),
        key=lambda key: (key[1] is not None, key[1] or 0.0),
    )


def _doubt(comparisons: Sequence[Comparison], key: tuple[str, float | None]) -> Array:
    """Return what each pair's difference is less certain by, since the pairs contradict each other on a face.

    A difference doesn't show which of a pair's two lines strays, nor, if it is unsure by the other one, that
    one does at all: a face's own figures, from pair to pair, do.
    """
    out = np.zeros(len(comparisons))
    for side in ("left", "right"):
        figures = [_of_face(getattr(one, side), key) for one in comparisons]
        found = np.array([index for index, figure in enumerate(figures) if figure is not None])
        if len(found) < 2:
            continue
        spread = _Spread.of([figure for figure in figures if figure is not None])
        if spread.strays:
            out[found] = np.hypot(out[found], spread.own * np.sqrt(spread.ratio**2 - 1))
    return out


def _of_face(face: FaceFigures, key: tuple[str, float | None]) -> Figure | None:
    """Return the face's own figure behind a difference."""
    quantity, station_mm = key
    if quantity.startswith("plunge."):
        return face.plunge.get(quantity.removeprefix("plunge."))
    return next((figure for figure in face.bevel_height if figure.station_mm == station_mm), None)


def _widened(figure: Figure, extra: float) -> Figure:
    """Return a figure of which a line strays by so much more."""
    if not extra:
        return figure
    components = figure.components | {"line": float(np.hypot(figure.components.get("line", 0.0), extra))}
    return replace(figure, std=float(np.hypot(figure.std, extra)), components=components)


def _own(figure: Figure) -> float:
    """Return the standard uncertainty that this pair doesn't share with the others."""
    shared = sum(figure.components.get(name, 0.0) ** 2 for name in SHARED)
    return max(float(np.sqrt(max(figure.std**2 - shared, 0.0))), _OWN_STD)


def _unlike(comparisons: Sequence[Comparison], kept: list[int], one: int) -> tuple[int, str, float]:
    """Tell how improbable a pair's worst figure is by what the others say, all its figures allowed for."""
    from scipy import stats

    mine = _keyed(comparisons[one])
    others = [_keyed(comparisons[index]) for index in kept if index != one]
    worst, which, count = 0.0, "", 0
    for key, figure in mine.items():
        rest = [found[key] for found in others if key in found]
        if not rest:
            continue
        count += 1
        spread = _Spread.of(rest)
        # the middle of the others, so that a second stray doesn't hide the first
        middle = float(np.median([other.value for other in rest])) if len(rest) > 2 else spread.mean
        off = abs(figure.value - middle) / float(np.hypot(_own(figure), spread.mean_std))
        if off > worst:
            worst, which = off, figure.quantity
    return one, which, min(2 * float(stats.norm.sf(worst)) * max(count, 1), 1.0)


def _together(figures: list[Figure]) -> tuple[Figure, bool]:
    """Make one figure of several pairs: value, components, and whether it had to be widened."""
    spread = _Spread.of(figures)
    components = {
        name: _size(figures, name, spread.share)
        for name in sorted({n for f in figures for n in f.components})
    }
    for name in components:
        if name not in SHARED:
            components[name] *= spread.ratio
    std = float(np.sqrt(sum(size**2 for size in components.values())))
    return replace(figures[0], value=spread.mean, std=std, components=components), spread.strays


def _size(figures: list[Figure], name: str, share: Array) -> float:
    each = share * np.array([figure.components.get(name, 0.0) for figure in figures])
    return float(each.sum()) if name in SHARED else float(np.sqrt(np.sum(each**2)))


def _typical_std(comparison: Comparison) -> float:
    return float(np.median([figure.std for figure in comparison.differences] or [np.inf]))
