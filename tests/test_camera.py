"""Lens and pose: projection, derivatives, and recovery from crossings of known cameras."""

import numpy as np
from synthetic import camera_truth

from grindcheck import lens
from grindcheck.mat.spec import mat_spec

CROSSINGS = mat_spec("a4").crossings_mm()
ON_PAPER = np.column_stack([CROSSINGS, np.zeros(len(CROSSINGS))])


def test_jacobian_equals_numeric_derivative() -> None:
    truth = camera_truth(
        tilt_rad=0.3,
        azimuth_rad=0.7,
        spin_rad=0.4,
        shift_px=(20.0, -30.0),
        distortion=(0.1, -0.05, 1e-3, -2e-3),
    )
    points_mm = np.column_stack([CROSSINGS, np.linspace(-3.0, 9.0, len(CROSSINGS))])
    seen, jacobian = lens.projection_jacobian(truth.parameters, points_mm)
    np.testing.assert_array_equal(seen, truth.px_from_mm(points_mm))
    for index, value in enumerate(truth.parameters):
        step = np.zeros(13)
        step[index] = 1e-6 * max(abs(value), 1e-2)
        ahead = lens.project_points(truth.parameters + step, points_mm)
        behind = lens.project_points(truth.parameters - step, points_mm)
        numeric = (ahead - behind) / (2 * step[index])
        # coordinates of 4000 px carry 5e-13 px of rounding, so 2.5e-13 / step is the numeric side's own error
        rounding = 2e-12 / step[index]
        np.testing.assert_allclose(jacobian[:, :, index], numeric, rtol=2e-6, atol=rounding + 1e-6)
