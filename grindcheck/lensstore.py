"""Calibrated lenses, kept for later photos and found again by what a photo says of its camera.

They live in ``lenses.json`` in the user's data folder. Each lens has a history; a new calibration is added at
its end and the last one counts, so that no earlier one is lost. The file tells its format; the first one had
no such number, and is read still.
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
from grindcheck.keptfile import read_history, replace_text

if TYPE_CHECKING:
    from grindcheck.photo import Photo

_FILE = "lenses.json"
FORMAT = 2  # of that file; 1 had the lenses alone, without k3
_KEPT = (0, 3, 4)  # log focal length, k1, k2: the same however the phone is held
_K3 = 7  # of a calibration's values
# A lens focused at d stands f/(d − f) farther out; 6 mm between 25 and 60 cm: 1.4 %, rectangular
_BREATHING_STD = 0.014 / math.sqrt(12)
_LEFT_OUT_STD = 1e-4  # of a term of distortion: one that the model left out isn't exactly 0
# What can be no entry, so that nothing overflows later: real ones lie between 1e-5 and 10
_LEAST, _MOST = 1e-9, 1e3


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownLens:
    """What is known of a lens before a photo is looked at.

    Parameters
    ----------
    focal_diagonals : float
        Focal length in diagonals of the picture.
    k1, k2 : float
    covariance : ndarray, shape (3, 3) or (4, 4)
        Of log focal length, k1, k2 and, if it has one, k3; of the focal length with what focusing nearer or
        farther changes.
    centre_std : float
        Of the principal point about the picture's middle, in diagonals: its offset turns with the phone.
    decentring_std : float
        Of p1 and p2 about 0, likewise.
    k3 : float or None
        None where the calibration did without.
    """

    focal_diagonals: float
    k1: float
    k2: float
    covariance: Array
    centre_std: float
    decentring_std: float
    k3: float | None = None

    def prior(self, width: int, height: int) -> tuple[Array, Array]:
        """Return mean and information matrix over the 14 unknowns of a photo, 15 with k3."""
        diagonal = math.hypot(width, height)
        unknowns = 14 if self.k3 is None else 15
        mean = np.zeros(unknowns)
        mean[:3] = math.log(self.focal_diagonals * diagonal), (width - 1) / 2, (height - 1) / 2
        mean[3:5] = self.k1, self.k2
        if self.k3 is not None:
            mean[14] = self.k3
        information = np.zeros((unknowns, unknowns))
        told = self._told()
        information[np.ix_(told, told)] = np.linalg.inv(self.covariance)
        information[[1, 2], [1, 2]] = (self.centre_std * diagonal) ** -2
        information[[5, 6], [5, 6]] = self.decentring_std**-2
        return mean, information

    def shared_errors(self) -> Array:
        """Return the calibration's independent errors, which are the same in every photo with this lens.

        Returns
        -------
        ndarray, shape (14 or 15, K)
            One column a standard uncertainty, over the unknowns of a photo.

        Notes
        -----
        What remains of the covariance, a photo's own, is what focusing changes and what the model left out.
        """
        shared = self.covariance - np.diag(_own_variances(len(self.covariance)))
        values, vectors = np.linalg.eigh((shared + shared.T) / 2)
        large = values > 1e-12 * np.trace(self.covariance)
        out = np.zeros((14 if self.k3 is None else 15, int(large.sum())))
        out[self._told()] = vectors[:, large] * np.sqrt(values[large])
        return out

    def _told(self) -> list[int]:
        return [*_KEPT] if self.k3 is None else [*_KEPT, 14]


def known_lens(values: Array, covariance: Array, size_px: tuple[int, int]) -> KnownLens:
    """Turn a calibration in pixels into what holds for any photo with the lens.

    Parameters
    ----------
    values : ndarray, shape (8,)
        As `grindcheck.lenscalibration.Lens` has them.
    covariance : ndarray, shape (8, 8)
        Without variance of k3 the calibration did without it.
    size_px : (int, int)
        Of the photos it was made from.
    """
    diagonal = math.hypot(*size_px)
    middle = (np.array(size_px) - 1) / 2
    has_k3 = covariance[_K3, _K3] > 0
    told = [*_KEPT, _K3] if has_k3 else [*_KEPT]
    kept = covariance[np.ix_(told, told)] + np.diag(_own_variances(len(told)))
    off = float(np.hypot(*(values[1:3] - middle))) / diagonal
    own = float(np.sqrt(np.trace(covariance[1:3, 1:3]))) / diagonal
    decentring = float(np.sqrt(np.sum(values[5:7] ** 2) + np.trace(covariance[5:7, 5:7])))
    return KnownLens(
        focal_diagonals=float(np.exp(values[0])) / diagonal, k1=float(values[3]), k2=float(values[4]),
        covariance=frozen(kept), centre_std=max(math.hypot(off, own), 1e-3),
        decentring_std=max(decentring, 1e-4), k3=float(values[_K3]) if has_k3 else None,
    )  # fmt: skip


def _own_variances(count: int) -> Array:
    """Variances of log focal length, k1, k2 and perhaps k3 that each photo has for itself."""
    return np.array([_BREATHING_STD**2, *[_LEFT_OUT_STD**2] * (count - 1)])


def lens_name(photo: "Photo") -> str:
    """Return the name under which a photo's lens is kept, empty if the photo doesn't say its camera.

    The picture's size is a part of it, whichever way the phone was held: a picture of another shape or size
    is cut from the sensor otherwise, and its focal length in diagonals is another.
    """
    long, short = sorted(photo.bgr.shape[:2], reverse=True)
    return f"{photo.lens_key}|{long}x{short}" if photo.lens_key else ""


def find_lens(key: str) -> KnownLens | None:
    """Return the lens of a `lens_name`, or None if it wasn't calibrated.

    Raises
    ------
    OutputError
        If the file with the lenses is there but can't be read.
    """
    history = _read().get(key) if key else None
    if not history:
        return None
    return _lens(history[-1])


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
        "k3": lens.k3,
        "covariance": lens.covariance.tolist(),
        "centre_std": lens.centre_std,
        "decentring_std": lens.decentring_std,
        **about,
    }
    history.setdefault(key, []).append(entry)
    _write(history)


def check_lenses() -> None:
    """See that a lens could be kept beside those that are, before work is done for it.

    Raises
    ------
    OutputError
        If the file with the lenses is there but can't be read.
    """
    _read()


def lenses_file() -> Path:
    """Return where the lenses are kept."""
    return home_folder() / _FILE


def _read() -> dict[str, list[dict[str, Any]]]:
    path = lenses_file()
    try:
        return read_history(path, _sound, unpacked=_lenses)
    except ValueError as problem:
        raise OutputError(
            f"The file with the calibrated lenses, {path}, can't be read: {problem}.",
            advice="Mend that file or move it away; then calibrate the phone again.",
        ) from problem


def _lenses(stored: Any) -> Any:
    """Return the lenses of a file of any format that is known."""
    if not isinstance(stored, dict) or "format" not in stored:
        return stored  # the first format
    number = stored["format"]
    if isinstance(number, int) and number > FORMAT:
        raise OutputError(
            f"The file with the lenses, {lenses_file()}, has format {str(number)[:20]}; "
            f"this grindcheck knows them up to {FORMAT}.",
            advice="Use the newer grindcheck that wrote it, or name another folder with GRINDCHECK_HOME.",
        )
    return stored.get("lenses") if number == FORMAT else None


def _sound(entry: dict[str, Any]) -> bool:
    """Tell whether an entry is a lens that a photo can be measured with."""
    try:
        lens = _lens(entry)
        shares = (lens.focal_diagonals, lens.centre_std, lens.decentring_std)
        if not all(_LEAST < share < _MOST for share in shares):
            return False
        bends = [lens.k1, lens.k2] if lens.k3 is None else [lens.k1, lens.k2, lens.k3]
        size = 1 + len(bends)
        if not all(abs(bend) < _MOST for bend in bends) or lens.covariance.shape != (size, size):
            return False
        variances = np.diag(lens.covariance)
        if not np.all((variances > _LEAST**2) & (variances < _MOST**2)):
            return False
        stds = np.sqrt(variances)
        correlation = lens.covariance / np.outer(stds, stds)
        symmetric = bool(np.allclose(correlation, correlation.T, atol=1e-6))
        return symmetric and bool(np.linalg.eigvalsh(correlation).min() > _LEAST)
    except (KeyError, TypeError, ValueError, OverflowError):
        return False


def _lens(entry: dict[str, Any]) -> KnownLens:
    return KnownLens(
        focal_diagonals=float(entry["focal_diagonals"]), k1=float(entry["k1"]), k2=float(entry["k2"]),
        covariance=frozen(entry["covariance"]), centre_std=float(entry["centre_std"]),
        decentring_std=float(entry["decentring_std"]),
        k3=None if entry.get("k3") is None else float(entry["k3"]),
    )  # fmt: skip


def _write(history: dict[str, list[dict[str, Any]]]) -> None:
    path = lenses_file()
    try:
        replace_text(path, json.dumps({"format": FORMAT, "lenses": history}, indent=1) + "\n")
    except OSError as problem:
        raise OutputError(
            f"The lens can't be kept in {path}: {problem.strerror}.",
            advice="Check that the folder can be written, or name another with GRINDCHECK_HOME.",
        ) from problem
