"""The border of a blade, seen from above: ricasso with its choil, and the closed outline with the tang."""

import numpy as np
from blade import Blade
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]


def notch(blade: Blade) -> tuple[float, float] | None:
    """Return the choil's x range, or None."""
    if blade.choil_mm <= 0 or not blade.plunge:
        return None
    end = ricasso_end(blade) - 0.3
    return end - 2 * blade.choil_mm, end


def ricasso_end(blade: Blade) -> float:
    """Return the x up to which both faces are flat at every height."""
    if not blade.plunge:
        return -blade.heel_mm
    y = np.linspace(0, blade.width_mm, 50)
    return min(float(blade.crease(face, y).min()) for face in (blade.left, blade.right)) - 0.2


def lower_border(blade: Blade, x: ArrayLike) -> Array:
    """Lower border of the ricasso at x: the straight edge's line with the choil's notch."""
    x = np.asarray(x, float)
    where = notch(blade)
    if where is None:
        return np.zeros_like(x)
    away = x - (where[0] + where[1]) / 2
    return np.sqrt(np.maximum(blade.choil_mm**2 - away**2, 0))


def ricasso_columns(blade: Blade) -> Array:
    """Columns of x over the ricasso, dense at the ends of the choil."""
    end = ricasso_end(blade)
    x = np.linspace(-blade.heel_mm, end, max(20, int((end + blade.heel_mm) / 0.4)))
    where = notch(blade)
    if where is not None:
        around = -np.cos(np.linspace(0, np.pi, 60)) * blade.choil_mm + (where[0] + where[1]) / 2
        x = np.concatenate([x, around])
    return np.unique(x)


def outline(blade: Blade, *, step_mm: float = 0.1) -> Array:
    """Return the closed outline, shape (N, 2): tip, edge, heel, tang, and back along the spine."""
    end = ricasso_end(blade)
    edge_x = np.linspace(0, end, int(-end / step_mm))
    low_x = ricasso_columns(blade)[::-1]
    heel, back = -blade.heel_mm, -blade.heel_mm - blade.tang_mm
    tang = [(heel, blade.tang_low_mm), (back, blade.tang_low_mm), (back, blade.tang_high_mm),
            (heel, blade.tang_high_mm)]  # fmt: skip
    spine_x = np.linspace(heel, 0, int(-heel / step_mm))
    return np.vstack([
        np.column_stack([edge_x, blade.edge(edge_x)]),
        np.column_stack([low_x, lower_border(blade, low_x)]),
        np.array(tang),
        np.column_stack([spine_x, blade.spine(spine_x)]),
    ])  # fmt: skip
