"""Calibrated lenses, kept for later photos and found again by what a photo says of its camera.

They live in ``lenses.json`` in the user's data folder. Each lens has a history; a new calibration is added at
its end and the last one counts, so that no earlier one is lost.
"""

import json
import math
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from grindcheck.errors import OutputError
from grindcheck.geometry import Array, frozen
from grindcheck.home import home_folder
from grindcheck.keptfile import replace_text

if TYPE_CHECKING:
    from grindcheck.photo import Photo

_FILE = "lenses.json"
_KEPT = (0, 3, 4)  # log focal length, k1, k2: the same however the phone is held
# A lens focused at d stands f/(d − f) farther out; 6 mm between 25 and 60 cm: 1.4 %, rectangular
_BREATHING_STD = 0.014 / math.sqrt(12)


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownLens:
    """What is known of a lens before a photo is looked at.

    Parameters
    ----------
    focal_diagonals : float
        Focal length in diagonals of the picture.
    k1, k2 : float
    covariance : ndarray, shape (3, 3)
        Of log focal length, k1 and k2; of the focal length with what focusing nearer or farther changes.
    centre_std : float
        Of the principal point about the picture's middle, in diagonals: its offset turns with the phone.
    decentring_std : float
        Of p1 and p2 about 0, likewise.
    """

    focal_diagonals: float
    k1: float
    k2: float
    covariance: Array
    centre_std: float
    decentring_std: float

    def prior(self, width: int, height: int) -> tuple[Array, Array]:
        """Return mean and information matrix over the 14 unknowns of a photo."""
        diagonal = math.hypot(width, height)
        mean = np.zeros(14)
        mean[:3] = math.log(self.focal_diagonals * diagonal), (width - 1) / 2, (height - 1) / 2
        mean[3:5] = self.k1, self.k2
        information = np.zeros((14, 14))
        information[np.ix_(_KEPT, _KEPT)] = np.linalg.inv(self.covariance)
        information[[1, 2], [1, 2]] = (self.centre_std * diagonal) ** -2
        information[[5, 6], [5, 6]] = self.decentring_std**-2
        return mean, information


def known_lens(values: Array, covariance: Array, size_px: tuple[int, int]) -> KnownLens:
    """Turn a calibration in pixels into what holds for any photo with the lens.

    Parameters
    ----------
    values : ndarray, shape (7,)
    covariance : ndarray, shape (7, 7)
    size_px : (int, int)
        Of the photos it was made from.
    """
    diagonal = math.hypot(*size_px)
    middle = (np.array(size_px) - 1) / 2
    kept = covariance[np.ix_(_KEPT, _KEPT)].copy()
    kept[0, 0] += _BREATHING_STD**2
    kept += np.diag([0.0, 1e-8, 1e-8])  # a term that the model left out isn't exactly 0
    off = float(np.hypot(*(values[1:3] - middle))) / diagonal
    own = float(np.sqrt(np.trace(covariance[1:3, 1:3]))) / diagonal
    decentring = float(np.sqrt(np.sum(values[5:7] ** 2) + np.trace(covariance[5:7, 5:7])))
    return KnownLens(
        focal_diagonals=float(np.exp(values[0])) / diagonal, k1=float(values[3]), k2=float(values[4]),
        covariance=frozen(kept), centre_std=max(math.hypot(off, own), 1e-3),
        decentring_std=max(decentring, 1e-4),
    )  # fmt: skip


def lens_name(photo: "Photo") -> str:
    """Return the name under which a photo's lens is kept, empty if the photo doesn't say its camera.

    The picture's size is a part of it, whichever way the phone was held: a picture of another shape or size
    is cut from the sensor otherwise, and its focal length in diagonals is another.
    """
    long, short = sorted(photo.bgr.shape[:2], reverse=True)
    return f"{photo.lens_key}|{long}x{short}" if photo.lens_key else ""


def find_lens(key: str) -> KnownLens | None:
    """Return the lens of a `lens_name`, or None if it wasn't calibrated."""
    history = _read().get(key) if key else None
    if not history:
        return None
    last = history[-1]
    return KnownLens(
        focal_diagonals=float(last["focal_diagonals"]), k1=float(last["k1"]), k2=float(last["k2"]),
        covariance=frozen(last["covariance"]), centre_std=float(last["centre_std"]),
        decentring_std=float(last["decentring_std"]),
    )  # fmt: skip


def keep_lens(key: str, lens: KnownLens, **about: Any) -> None:
    """Keep a lens under a `lens_name`; earlier ones stay in the file.

    Raises
    ------
    OutputError
        If it can't be kept, or the file with earlier ones can't be read.
    """
    history = _read()
    entry = {
        "kept": datetime.now(UTC).isoformat(timespec="seconds"),
        "focal_diagonals": lens.focal_diagonals,
        "k1": lens.k1,
        "k2": lens.k2,
        "covariance": lens.covariance.tolist(),
        "centre_std": lens.centre_std,
        "decentring_std": lens.decentring_std,
        **about,
    }
    history.setdefault(key, []).append(entry)
    _write(history)


def lenses_file() -> Path:
    """Return where the lenses are kept."""
    return home_folder() / _FILE


def _read() -> dict[str, list[dict[str, Any]]]:
    path = lenses_file()
    try:
        history = json.loads(path.read_text(encoding="utf-8"))
        sound = isinstance(history, dict) and all(
            _sound(entry) for entries in history.values() for entry in entries
        )
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, TypeError) as problem:
        raise _unreadable(path, str(problem)) from problem
    if not sound:
        raise _unreadable(path, "it isn't laid out as a list of lenses")
    return dict(history)


def _sound(entry: Any) -> bool:
    try:
        numbers = [
            float(entry[name]) for name in ("focal_diagonals", "k1", "k2", "centre_std", "decentring_std")
        ]
        covariance = np.array(entry["covariance"], dtype=np.float64)
        return (
            covariance.shape == (3, 3)
            and bool(np.isfinite(covariance).all())
            and all(map(math.isfinite, numbers))
            and min(numbers[0], *numbers[3:]) > 0
            and bool(np.linalg.eigvalsh(covariance).min() > 0)
        )
    except (KeyError, TypeError, ValueError):
        return False


def _write(history: dict[str, list[dict[str, Any]]]) -> None:
    path = lenses_file()
    try:
        replace_text(path, json.dumps(history, indent=1) + "\n")
    except OSError as problem:
        raise OutputError(
            f"The lens can't be kept in {path}: {problem.strerror}.",
            advice="Check that the folder can be written, or name another with GRINDCHECK_HOME.",
        ) from problem


def _unreadable(path: Path, why: str) -> OutputError:
    return OutputError(
        f"The file with the lenses, {path}, can't be read: {why}.",
        advice="Move it away and calibrate the phone again.",
    )
