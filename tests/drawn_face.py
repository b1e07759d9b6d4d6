"""A face drawn in its own frame, in linear light: levels, lay and lines are known."""

import math

import numpy as np
from exact_scene import edge_y, rims, spine_y
from scipy.ndimage import gaussian_filter, gaussian_filter1d

from grindcheck.geometry import frozen
from grindcheck.lay import lay_of
from grindcheck.outline import Outline
from grindcheck.rectify import Face, Plane

STEP_MM = 0.08


def drawn_face(
    *,
    plunge_mm: float | None = 80.0,
    lean_rad: float = math.radians(6.0),
    height_mm: float | None = 14.0,
    flat: float = 0.30,
    bevel: float = 0.42,
    radius: float = 0.75,
    band_mm: float = 1.2,
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0),
    lay: float = 0.06,
    noise: float = 0.01,
    blur_mm: float = 0.08,
    seed: int = 1,
) -> Outline:
    """Return the outline and picture of a face.

    Parameters
    ----------
    plunge_mm : float or None
        Distance of the plunge line from the tip at the edge; None for a bevel along the whole blade.
    lean_rad : float
        Its angle, positive when its upper end lies nearer to the tip.
    height_mm : float or None
        Of the shoulder above the edge; None for a full flat grind.
    flat, bevel, radius : float
        Linear levels of flat, bevel, and the belt radius behind the plunge line.
    band_mm : float
        How wide the radius is seen.
    tint : (float, float, float)
        Of the radius: its channels relative to its level.
    lay : float
        Relative depth of the lay's lines: along the flat, across the bevel.
    noise : float
        Relative, of each pixel.
    """
    rng = np.random.default_rng(seed)
    x = np.arange(-109.0, 3.0, STEP_MM)
    y = np.arange(29.0, -3.0, -STEP_MM)
    grid_x, grid_y = np.meshgrid(x, y)
    low, high = edge_y(x), spine_y(x)
    top = high if height_mm is None else np.minimum(low + height_mm, high)
    white = rng.normal(size=grid_x.shape)
    along = gaussian_filter1d(gaussian_filter1d(white, 60, axis=1), 0.7, axis=0)
    across = gaussian_filter1d(gaussian_filter1d(rng.normal(size=white.shape), 60, axis=0), 0.7, axis=1)
    along, across = (1 + lay * part / part.std() for part in (along, across))
    crease = -math.inf if plunge_mm is None else -plunge_mm + math.tan(lean_rad) * grid_y
    ground = (grid_x > crease) & (grid_y < top)
    band = ground & (grid_x < crease + band_mm) & (plunge_mm is not None)
    picture = np.where(ground, bevel * across, flat * along)
    picture = np.where(band, radius, picture)
    steel = (grid_y > low) & (grid_y < high)
    tinted = picture[..., None] * np.where(band[..., None], tint, 1.0)
    colours = np.where(steel[..., None], tinted, np.array([0.30, 0.08, 0.55]))
    colours = gaussian_filter(colours, (blur_mm / STEP_MM, blur_mm / STEP_MM, 0))
    colours = colours * (1 + noise * rng.normal(size=colours.shape))
    plane = Plane(
        origin_mm=frozen(np.zeros(2)), axes=frozen(np.eye(2)), x_min_mm=float(x[0]), y_max_mm=float(y[0]),
        step_mm=STEP_MM, shape=grid_x.shape, height_mm=4.0,
    )  # fmt: skip
    edge, spine = rims()
    points = np.vstack([edge, spine])
    tangent = np.gradient(points, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    face = Face(plane=plane, linear=colours.astype(np.float32), inside=np.ones(grid_x.shape, bool))
    return Outline(
        side="right", face=face, lay=lay_of(face),
        points_mm=frozen(points), normals=frozen(np.column_stack([tangent[:, 1], -tangent[:, 0]])),
        std_mm=frozen(np.full(len(points), 0.01)), halo_mm=frozen(np.zeros(len(points))),
        is_edge=np.arange(len(points)) < len(edge),
        tip_mm=frozen([0.0, 13.0]), blur_mm=blur_mm, edge_odds=5.0,
    )  # fmt: skip
