"""Exact photos of the mat for tests, by inverse mapping.

Each pixel is the mean of the paper's reflectance at many points spread over it, found by sending each point's
viewing ray to the paper through the camera's true lens. Nothing is interpolated in the picture, so its
crossings lie where `Camera.px_from_mm` puts them, without the shifts that a warped drawing would have.
"""

from typing import Any

import numpy as np

from grindcheck import camera as cam
from grindcheck import lens
from grindcheck.geometry import Array, frozen
from grindcheck.mat.spec import DEPTH, MARKER_MM, SQUARE_MM, TINT_SRGB, MatSpec, marker_cells
from grindcheck.photo import Photo

STEP_MM = 0.375  # rim 1.5 mm and cell 1.125 mm are whole multiples, so that a lookup table is exact
PAPER, INK = 0.80, 0.03  # linear reflectances
TABLE = 0.35


def camera_truth(
    size_px: tuple[int, int] = (4000, 3000),
    *,
    diagonals: float = 1.0,
    tilt_rad: float = 0.0,
    azimuth_rad: float = 0.0,
    spin_rad: float = 0.0,
    width_mm: float = 340.0,
    middle_mm: tuple[float, float] = (0.0, 0.0),
    shift_px: tuple[float, float] = (0.0, 0.0),
    distortion: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0),
) -> cam.Camera:
    """Return a camera that looks at a point of the mat.

    Parameters
    ----------
    diagonals : float
        Focal length over the picture's diagonal.
    tilt_rad, azimuth_rad, spin_rad : float
        Tilt of the axis off the mat's normal, about which axis in the picture, and turn of the mat.
    width_mm : float
        What the picture's width covers, which sets the distance.
    middle_mm : tuple of float
        Point of the mat on the optical axis.
    shift_px : tuple of float
        Principal point off the picture's middle.
    """
    width, height = size_px
    focal = diagonals * np.hypot(width, height)
    spin = lens.rotation_matrix([0.0, 0.0, spin_rad])
    tilt = lens.rotation_matrix([tilt_rad * np.cos(azimuth_rad), tilt_rad * np.sin(azimuth_rad), 0.0])
    rotation = tilt @ np.diag([1.0, -1.0, -1.0]) @ spin
    translation = np.array([0.0, 0.0, focal * width_mm / width]) - rotation @ [*middle_mm, 0.0]
    parameters = np.concatenate(
        [
            [np.log(focal), (width - 1) / 2 + shift_px[0], (height - 1) / 2 + shift_px[1]],
            distortion, lens.rotation_vector(rotation), translation,
        ]
    )  # fmt: skip
    return cam.Camera(
        size_px=size_px, parameters=frozen(parameters), covariance=frozen(np.zeros((13, 13))),
        prior_gain=frozen(np.zeros(13)),
    )  # fmt: skip


def reflectance(spec: MatSpec) -> Array:
    """Return the mat's linear BGR reflectance on a grid of `STEP_MM`, shape (rows, columns, 3), row 0 on top.

    One step of plain paper surrounds the frame; calliper bars and words are left out.
    """
    side = round(SQUARE_MM / STEP_MM)
    cell = round(MARKER_MM / 8 / STEP_MM)
    rim = (side - 8 * cell) // 2
    table = np.full((spec.rows * side, spec.columns * side, 3), PAPER)
    tint = linear(np.array(TINT_SRGB[::-1]) / 255.0) * PAPER
    table[DEPTH * side : -DEPTH * side, DEPTH * side : -DEPTH * side] = tint
    for c, r in spec.dark_squares():
        table[r * side : (r + 1) * side, c * side : (c + 1) * side] = INK
    for marker, (c, r) in spec.markers().items():
        bits = np.array([[int(bit) for bit in row] for row in marker_cells()[marker]])
        block = np.kron(np.where(bits > 0, PAPER, INK), np.ones((cell, cell)))
        top, left = r * side + rim, c * side + rim
        table[top : top + 8 * cell, left : left + 8 * cell] = block[:, :, None]
    return np.asarray(np.pad(table, ((1, 1), (1, 1), (0, 0)), constant_values=PAPER))


def linear(encoded: Any) -> Array:
    """Undo the sRGB encoding of values 0..1 (IEC 61966-2-1)."""
    encoded = np.asarray(encoded, dtype=np.float64)
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def encoded(values: Any) -> Array:
    """Encode linear values 0..1 as sRGB 0..1 (IEC 61966-2-1)."""
    values = np.clip(values, 0.0, 1.0)
    return np.where(values <= 0.0031308, values * 12.92, 1.055 * values ** (1 / 2.4) - 0.055)


def render(camera: cam.Camera, table: Array, spec: MatSpec, *, points: int = 32) -> "np.ndarray[Any, Any]":
    """Return the linear picture, float32 (H, W, 3), of a table of reflectances on the paper."""
    import cv2

    width, height = camera.size_px
    # ray to paper is smooth: exact on a grid of about 16 px, then a bicubic spline, exact to 1e-6 mm
    from scipy.interpolate import RectBivariateSpline

    grid_x = np.linspace(-1, width, max(8, width // 16))
    grid_y = np.linspace(-1, height, max(8, height // 16))
    mesh = np.stack(np.meshgrid(grid_x, grid_y), -1).reshape(-1, 2)
    mm = camera.mm_from_px(mesh, 0.0).reshape(len(grid_y), len(grid_x), 2)
    splines = [RectBivariateSpline(grid_y, grid_x, mm[:, :, axis]) for axis in (0, 1)]
    frame = np.array(spec.frame_mm)
    origin = np.array([-frame[0] / 2, frame[1] / 2])
    sign = np.array([1.0, -1.0])
    out = np.empty((height, width, 3), dtype=np.float32)
    # a rank-1 lattice: every offset differs in x and in y, mean offset zero
    index = np.arange(points)
    lattice = np.stack([(index + 0.5) / points, (index * 0.6180339887498949) % 1.0], 1)
    lattice -= lattice.mean(axis=0)
    rounded = table.astype(np.float32)
    strip = 256
    for top in range(0, height, strip):
        ys = np.arange(top, min(top + strip, height), dtype=np.float64)
        xs = np.arange(width, dtype=np.float64)
        place, by_x, by_y = [], [], []
        for axis in (0, 1):
            scale = sign[axis] / STEP_MM
            # +1 for the border of the table, -0.5 since the table's entry covers its step
            place.append(((splines[axis](ys, xs) - origin[axis]) * scale + 1.0 - 0.5).astype(np.float32))
            by_x.append((splines[axis](ys, xs, dy=1) * scale).astype(np.float32))
            by_y.append((splines[axis](ys, xs, dx=1) * scale).astype(np.float32))
        total = np.zeros((len(ys), width, 3), dtype=np.float32)
        for dx, dy in lattice.astype(np.float32):
            total += cv2.remap(
                rounded, place[0] + dx * by_x[0] + dy * by_y[0], place[1] + dx * by_x[1] + dy * by_y[1],
                cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE,
            )  # fmt: skip
        out[top : top + len(ys)] = total / points
    return out


def mat_photo(
    camera: cam.Camera,
    spec: MatSpec,
    *,
    table: Array | None = None,
    points: int = 32,
    blur_px: float = 0.8,
    gain: float = 1.0,
    noise: float = 0.0,
    sharpen: float = 0.0,
    jpeg_quality: int | None = None,
    seed: int = 0,
    focal_px: float | None = None,
    focal_rel_std: float | None = None,
) -> Photo:
    """Return an exact photo of the mat.

    Parameters
    ----------
    table : ndarray, optional
        Reflectances to show instead of `reflectance`, of its shape.
    blur_px : float
        Sigma of a Gaussian blur in linear light, on top of the pixel's own square.
    gain : float
        Exposure.
    noise : float
        Standard deviation in encoded grey levels (0..255).
    sharpen : float
        Share of an unsharp mask (sigma 1.5 px) added in encoded values.
    jpeg_quality : int, optional
        Store as JPEG and read again.
    """
    import cv2

    light = render(camera, reflectance(spec) if table is None else table, spec, points=points) * gain
    if blur_px > 0:
        light = cv2.GaussianBlur(light, (0, 0), blur_px)
    # a table is several times faster than the formula, and within 0.01 of a level
    table_of_levels = (encoded(np.linspace(0.0, 1.0, 2**18)) * 255.0).astype(np.float32)
    levels = table_of_levels[
        (np.clip(light, 0.0, 1.0) * np.float32(2**18 - 1) + np.float32(0.5)).astype(np.int32)
    ]
    if sharpen > 0:
        levels += sharpen * (levels - cv2.GaussianBlur(levels, (0, 0), 1.5))
    if noise > 0:
        random = np.random.default_rng(seed)
        levels += np.float32(noise) * random.standard_normal(levels.shape, dtype=np.float32)
    bgr = np.clip(np.rint(levels), 0, 255).astype(np.uint8)
    if jpeg_quality is not None:
        data = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, jpeg_quality])[1]
        bgr = np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), dtype=np.uint8)
    bgr.setflags(write=False)
    return photo_of(bgr, focal_px=focal_px, focal_rel_std=focal_rel_std)


def photo_of(
    bgr: "np.ndarray[Any, Any]", *, focal_px: float | None = None, focal_rel_std: float | None = None
) -> Photo:
    """Wrap a picture as a `Photo`."""
    return Photo(
        name="synthetic.png", sha256="0" * 64, bgr=bgr, focal_px=focal_px, focal_rel_std=focal_rel_std,
        lens_key="", make="", model="", taken="", flags=(),
    )  # fmt: skip
