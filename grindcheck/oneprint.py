"""Two photos of one printed sheet: what each tells of the print's stretch serves both."""

from dataclasses import replace

import numpy as np

from grindcheck.camera import Camera, told
from grindcheck.posefit import STRETCH, Fit

_CONTRADICTION = 3.0  # sigmas at which two photos tell of two prints


def of_one_print(one: Camera, other: Camera) -> tuple[Camera, Camera] | None:
    """Let two photos of one sheet share what each tells of the print's stretch.

    Parameters
    ----------
    one, other : Camera
        Found apart, with the same prior for the print.

    Returns
    -------
    tuple of Camera or None
        Both with the stretch that both photos tell, which is then an error in common: see
        `Camera.print_gain`. None where they contradict each other by more than chance (three standard
        uncertainties), as photos of two sheets do, or of a bent one.

    Notes
    -----
    What the other photo's corners tell is its posterior divided by its prior, and becomes a second prior of
    this one's; the least squares are then run on from where they stood. All the rest of the two cameras
    stays apart.
    """
    fits = one.fit, other.fit
    if fits[0] is None or fits[1] is None:
        return None
    alone = [_told_of_stretch(fit) for fit in fits if fit is not None]
    (first, first_std), (second, second_std) = alone
    if abs(first - second) > _CONTRADICTION * np.hypot(first_std, second_std):
        return None
    return _continued(one, fits[0], *alone[1]), _continued(other, fits[1], *alone[0])


def _told_of_stretch(fit: Fit) -> tuple[float, float]:
    """Return what the corners alone tell of the stretch: value and standard uncertainty."""
    prior, precision = fit.problem.prior[STRETCH], fit.problem.precision[STRETCH]
    known = 1.0 / fit.covariance[STRETCH, STRETCH]
    alone = max(known - precision, 1e-9 * known)
    return float((known * fit.unknowns[STRETCH] - precision * prior) / alone), float(alone**-0.5)


def _continued(camera: Camera, fit: Fit, stretch: float, std: float) -> Camera:
    prior, precision = fit.problem.prior.copy(), fit.problem.precision.copy()
    added = std**-2
    prior[STRETCH] = (precision[STRETCH] * prior[STRETCH] + added * stretch) / (precision[STRETCH] + added)
    precision[STRETCH] += added
    problem = replace(fit.problem, prior=prior, precision=precision)
    unknowns, _ = problem.minimum(fit.unknowns)
    covariance, _, rms, largest = problem.posterior(unknowns)
    before = float(np.exp(fit.unknowns[STRETCH] / 2))
    again = Fit(problem=problem, unknowns=unknowns, covariance=covariance, lens_pull=fit.lens_pull)
    scale = (camera.scale[0] / before, camera.scale[1] * before)
    return replace(camera, **told(again, scale=scale), rms_px=rms, largest_px=largest)
