"""The ordinary way to measure a plunge in a photo, to compare with: markers, homography, Canny and Hough.

Markers are sought at full size by OpenCV's detector, one homography takes the photo to the paper's plane (no
lens, no height of the steel), and the plunge is the longest line across the blade that Canny and Hough find.
Nothing of grindcheck is used but the mat's specification.
"""

from pathlib import Path
from typing import Any

import cv2
import numpy as np

from grindcheck.geometry import Array
from grindcheck.mat.spec import MARKER_MM, PAPERS, SQUARE_MM, MatSpec, mat_spec

STEP_MM = 0.1


def ordinary_difference(paths: tuple[Path, Path], faces: list[str] | None = None) -> float | None:
    """Distance of the plunge from the tip, left minus right; None if a line isn't found.

    Parameters
    ----------
    faces : list of str, optional
        Which face each photo shows; without it the photos count as left and right.
    """
    faces = faces or ["left", "right"]
    found: dict[str, float | None] = {}
    for path, face in zip(paths, faces, strict=True):
        bgr = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)
        found[face] = plunge_from_tip(bgr)
    left, right = found["left"], found["right"]
    return None if left is None or right is None else left - right


def plunge_from_tip(bgr: "np.ndarray[Any, Any]") -> float | None:
    """Distance of the plunge from the tip along the blade, mm, all in the paper's plane."""
    grey = cv2.cvtColor(bgr, cv2.COLOR_BGR2GRAY)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11))
    corners, ids, _ = detector.detectMarkers(grey)
    if ids is None:
        return None
    quads = {
        int(i): np.asarray(quad, np.float64).reshape(4, 2)
        for i, quad in zip(ids.ravel(), corners, strict=True)
    }
    spec = max(
        (mat_spec(paper) for paper in PAPERS), key=lambda one: len(one.markers().keys() & quads.keys())
    )
    places = marker_corners_mm(spec)
    both = sorted(places.keys() & quads.keys())
    if len(both) < 3:
        return None
    mm = np.vstack([places[i] for i in both])
    px = np.vstack([quads[i] for i in both])
    field = np.array(spec.field_mm)
    size = np.ceil(field / STEP_MM).astype(int)
    px_from_mm, _ = cv2.findHomography(mm, px, cv2.RANSAC, 3.0)
    mm_from_index = np.array([[STEP_MM, 0, -field[0] / 2], [0, -STEP_MM, field[1] / 2], [0, 0, 1]])
    flat = cv2.warpPerspective(
        bgr, px_from_mm @ mm_from_index, size.tolist(), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    return _plunge(flat)


def marker_corners_mm(spec: MatSpec) -> dict[int, Array]:
    """Corners of each marker in the detector's order: top left, top right, bottom right, bottom left."""
    frame = np.array(spec.frame_mm)
    out = {}
    for marker, (column, row) in spec.markers().items():
        middle = np.array([(column + 0.5) * SQUARE_MM - frame[0] / 2, frame[1] / 2 - (row + 0.5) * SQUARE_MM])
        out[marker] = middle + MARKER_MM / 2 * np.array([[-1, 1], [1, 1], [1, -1], [-1, -1]])
    return out


def _plunge(flat: "np.ndarray[Any, Any]") -> float | None:
    saturation = cv2.GaussianBlur(cv2.cvtColor(flat, cv2.COLOR_BGR2HSV)[:, :, 1], (0, 0), 3)
    _, steel = cv2.threshold(saturation, 0, 255, cv2.THRESH_BINARY_INV | cv2.THRESH_OTSU)
    contours, _ = cv2.findContours(steel, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not contours:
        return None
    points = np.asarray(max(contours, key=cv2.contourArea), np.float64).reshape(-1, 2)
    centre = points.mean(axis=0)
    along = np.linalg.svd(points - centre, full_matrices=False)[2][0]
    position, across = (points - centre) @ along, (points - centre) @ np.array([-along[1], along[0]])
    widths = [
        np.ptp(across[end]) for end in (position > position.max() - 100, position < position.min() + 100)
    ]
    if widths[1] < widths[0]:
        along, position = -along, -position
    tip = position.max()
    grey = cv2.GaussianBlur(cv2.cvtColor(flat, cv2.COLOR_BGR2GRAY), (0, 0), 2)
    inside = np.zeros_like(grey)
    cv2.drawContours(inside, [np.rint(points).astype(np.int32).reshape(-1, 1, 2)], -1, 255, cv2.FILLED)
    edges = cv2.Canny(grey, 20, 60)
    edges[cv2.erode(inside, np.ones((15, 15), np.uint8)) == 0] = 0
    lines = cv2.HoughLinesP(edges, 1, np.deg2rad(0.5), 30, minLineLength=40, maxLineGap=10)
    best, longest = None, 0.0
    for x1, y1, x2, y2 in [] if lines is None else np.asarray(lines, np.float64).reshape(-1, 4):
        direction = np.array([x2 - x1, y2 - y1])
        length = float(np.hypot(*direction))
        if abs(direction @ along) > 0.6 * length or length < longest:
            continue
        place = float((tip - (np.array([x1 + x2, y1 + y2]) / 2 - centre) @ along) * STEP_MM)
        if 40.0 < place < 200.0:
            best, longest = place, length
    return best
