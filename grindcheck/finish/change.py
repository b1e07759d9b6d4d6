"""The same face earlier and now: which scratches are new, gone, or still there, and how surely."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from grindcheck.finish.findable import line_response
from grindcheck.finish.results import Change
from grindcheck.finish.search import Scan
from grindcheck.finish.trace import sampled, stepped
from grindcheck.geometry import Array

_TURNS = 64  # other places at which the same path is tried, to know what the texture alone gives
_THERE = 3.5  # sigmas above what the texture gives that count as seen, when one knows where to look
_FREE = 0.6  # of a path, at least, that was searched
_FEWEST = 12
SURE = 0.98  # certainty from which a change is told


@dataclass(frozen=True, slots=True, kw_only=True)
class Sought:
    """A scratch looked for in another picture.

    Parameters
    ----------
    seen_sigmas : float
        How far it stands out there, in standard deviations of what the texture gives along such a path.
    expected_sigmas : float
        How far it would if it had the same contrast there.
    searched : float
        Share of its path that was searched there.
    """

    seen_sigmas: float
    expected_sigmas: float
    searched: float


def seek(scans: Sequence[Scan], path_px: Array, contrast: float, *, reach_px: float) -> Sought:
    """Look for a scratch where it should be.

    Parameters
    ----------
    scans : sequence of Scan
        Of the regions of the other picture.
    path_px : ndarray, shape (N, 2)
        In that picture.
    contrast : float
        In sigmas of the texture, as measured where it was found; the sign is of no account, since another
        light turns bright into dark.
    reach_px : float
        How far aside it may lie.

    Returns
    -------
    Sought

    Notes
    -----
    The sum of the evidence along the path, shifted by up to the reach, largest magnitude; the same at places
    around it shows what the texture alone gives, mean and spread. So nothing is assumed about the texture
    there.
    """
    best = Sought(seen_sigmas=0.0, expected_sigmas=0.0, searched=0.0)
    for scan in scans:
        found = _seek(scan, path_px, contrast, reach_px)
        if found.searched > best.searched:
            best = found
    return best


def _seek(scan: Scan, path_px: Array, contrast: float, reach_px: float) -> Sought:
    way, normal = stepped(path_px - scan.corner_px)
    offsets = np.arange(-np.ceil(reach_px), np.ceil(reach_px) + 0.5)
    mask = scan.texture.mask.astype(np.float32)

    def strongest(shift: Array) -> tuple[float, float]:
        inside = sampled(mask, way + shift, normal, np.zeros(1))[:, 0] > 0.5
        share = float(inside.mean())
        if share < _FREE:
            return 0.0, share
        strip = sampled(
            scan.texture.evidence, way + shift, normal, np.append(offsets, offsets[-1] + 2.0) - 1.0
        )
        sums = strip[inside].sum(axis=0) / np.sqrt(inside.sum())
        pairs = sums[2:] - sums[:-2]
        return float(max(np.abs(sums[1:-1]).max(), np.abs(pairs).max())), share

    here, searched = strongest(np.zeros(2))
    if searched < _FREE:
        return Sought(seen_sigmas=0.0, expected_sigmas=0.0, searched=searched)
    others = []
    for turn in range(_TURNS):
        away = (3.0 + 0.75 * turn) * (reach_px + 3.0)
        angle = 2.399963 * turn  # the golden angle spreads them evenly
        value, share = strongest(away * np.array([np.cos(angle), np.sin(angle)]))
        if share >= _FREE:
            others.append(value)
    if len(others) < _FEWEST:
        return Sought(seen_sigmas=0.0, expected_sigmas=0.0, searched=0.0)
    middle = float(np.median(others))
    # half of the values lie within 0.6745 sigmas of a normal variable's middle
    spread = max(float(np.median(np.abs(np.array(others) - middle))) / 0.6745, 1e-9)
    along = np.arctan2(*(path_px[-1] - path_px[0])[::-1])
    full = abs(contrast) * line_response(scan.texture.power, float(along)) * np.sqrt(len(way) * searched)
    return Sought(
        seen_sigmas=(here - middle) / spread, expected_sigmas=(full - middle) / spread, searched=searched
    )


def judged(sought: Sought) -> tuple[bool | None, float]:
    """Say whether a scratch is there: yes, no, or None if that can't be told; and how surely.

    Notes
    -----
    Three answers of one measurement: seen at all, not seen though it would have been, or neither. The
    certainty is the probability of a normal variable's not deceiving by that much. Another light may show a
    scratch with half its contrast, so half is what it must at least have had to be missed.
    """
    from scipy.stats import norm

    if sought.searched < _FREE:
        return None, 0.5
    if sought.seen_sigmas >= _THERE:
        return True, float(norm.cdf(sought.seen_sigmas - _THERE / 2))
    margin = 0.5 * sought.expected_sigmas - max(sought.seen_sigmas, 0.0)
    if margin >= _THERE:
        return False, float(norm.cdf(margin - _THERE / 2))
    return None, float(norm.cdf(margin / 2))


def change_of(there: bool | None, certainty: float) -> Change:
    """Name a scratch of now by whether it was there earlier.

    One that is hardly surer than texture may never have been a scratch, so that it isn't called new.
    """
    if there:
        return "unchanged"
    return "cannot tell" if there is None or certainty < SURE else "new"


def lost(there: bool | None, certainty: float) -> Literal["gone", "cannot tell"] | None:
    """Name a scratch of earlier by whether it is there now; None if it is.

    One that was hardly surer than texture may never have been a scratch, so that it isn't called gone.
    """
    if there:
        return None
    return "cannot tell" if there is None or certainty < SURE else "gone"
