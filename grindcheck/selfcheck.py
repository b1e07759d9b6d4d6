"""The tool against photos of known truth: what a maker runs after an upgrade, or on a new computer."""

import math
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import grindcheck
from grindcheck.errors import InputError
from grindcheck.keptfile import read_json
from grindcheck.mat.spec import mat_spec
from grindcheck.pipeline import Request, check_pair
from grindcheck.results import Comparison
from grindcheck.selffaces import FaceChecked

FOLDER = "sample_images"

_INSIDE = 1.96  # standard uncertainties that hold 95 % of normal errors
_NEVER = 4.5  # beyond which one figure alone is wrong: one in 150,000 normal errors
_RARELY = 0.001  # probability by chance below which too many lie outside
_INDEPENDENT = 6.0  # figures of one blade move together: one line carries about as many


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """One figure beside its truth; lengths in mm, angles in radians.

    Parameters
    ----------
    pair : str
    quantity : str
    station_mm : float or None
    true, told, std : float
    unit : {"mm", "rad"}
    """

    pair: str
    quantity: str
    station_mm: float | None
    true: float
    told: float
    std: float
    unit: str

    @property
    def inside(self) -> bool:
        """Whether the truth lies inside the stated 95 % interval."""
        return abs(self.told - self.true) <= _INSIDE * self.std


@dataclass(frozen=True, slots=True, kw_only=True)
class SelfCheck:
    """All figures, and whether they are as they should be.

    Parameters
    ----------
    figures : tuple of Compared
    failed : tuple of (str, str)
        Pairs that gave no figures and faces that couldn't be searched, and why.
    faces : tuple of FaceChecked
    """

    figures: tuple[Compared, ...]
    failed: tuple[tuple[str, str], ...]
    faces: tuple[FaceChecked, ...] = ()

    @property
    def outside(self) -> int:
        """Count the figures whose truth lies outside."""
        return sum(not one.inside for one in self.figures)

    @property
    def chance(self) -> float:
        """Probability that an honest tool has as many outside, figures of a blade moving together."""
        from scipy import stats

        count, outside = (math.ceil(n / _INDEPENDENT) for n in (len(self.figures), self.outside))
        return float(stats.binom.sf(outside - 1, count, 0.05)) if outside else 1.0

    @property
    def sound(self) -> bool:
        """Whether all was measured, no figure is far off, not too many lie outside, no face has a fault."""
        far = any(abs(one.told - one.true) > _NEVER * one.std for one in self.figures)
        faults = any(face.faults for face in self.faces)
        return bool(self.figures) and not self.failed and not far and not faults and self.chance > _RARELY


def sample_folder(given: Path | None = None) -> Path:
    """Find the sample photos.

    Raises
    ------
    InputError
        If they aren't there; an installed package has none.
    """
    places = [given] if given else [Path(grindcheck.__file__).parent.parent / FOLDER, Path.cwd() / FOLDER]
    for place in places:
        if (place / "pairs.json").is_file():
            return place
    raise InputError(
        f"The sample photos aren't here: there is no folder {given or FOLDER} with them.",
        advice="Start it in the folder of the source, where sample_images lies, or name the folder.",
    )


def sample_pairs(folder: Path) -> tuple[str, ...]:
    """Return the names of the sample pairs.

    Raises
    ------
    InputError
        If their list can't be read, or lists none.
    """
    with _as_it_should_be("The list of the sample pairs, pairs.json,"):
        names = tuple(pair["name"] for pair in read_json(folder / "pairs.json")["pairs"])
        if not names or not all(isinstance(name, str) and name for name in names):
            raise ValueError("it lists no pairs")
        return names


def check_samples(
    folder: Path,
    names: tuple[str, ...],
    *,
    progress: Callable[[str], None],
    measure: Callable[[Request], Comparison] = check_pair,
) -> SelfCheck:
    """Measure sample pairs and set their figures beside the truth.

    Raises
    ------
    InputError
        If the truth of one can't be read.
    """
    from grindcheck.errors import GrindcheckError

    figures: list[Compared] = []
    failed: list[tuple[str, str]] = []
    for name in names:
        progress(name)
        truth = _truth(folder, name)
        try:
            comparison = measure(truth.request)
        except GrindcheckError as problem:
            failed.append((name, problem.message))
            continue
        found = list(_compared(name, truth, comparison))
        if not found and _has_truth(truth, comparison):
            failed.append((name, "None of its figures was measured."))
        figures += found
    return SelfCheck(figures=tuple(figures), failed=tuple(failed))


def truth_of(folder: Path, name: str) -> dict[str, Any]:
    """Read what is known of a sample.

    Raises
    ------
    InputError
        If it isn't there, or damaged.
    """
    with _as_it_should_be(f"The truth of {name}"):
        return dict(read_json(folder / f"{name}.json"))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Truth:
    """A pair as a user would ask for it, and its true differences: mm, radians, heights by station."""

    request: Request
    plunge: Mapping[str, float]
    heights: Mapping[float, float]


def _truth(folder: Path, name: str) -> _Truth:
    found = truth_of(folder, name)
    with _as_it_should_be(f"The truth of {name}"):
        differences = found["differences"]
        plunge = {part: _number(value) for part, value in (differences["plunge"] or {}).items()}
        if "angle" in plunge:
            plunge["angle"] = math.radians(plunge["angle"])
        heights = {_number(one["station"]): _number(one["value"]) for one in differences["bevel_height"]}
        for length in ("thickness_mm", "flat_height_mm", "edge_thickness_mm"):
            _number(found[length])
        return _Truth(request=sample_request(folder, found), plunge=plunge, heights=heights)


@contextmanager
def _as_it_should_be(what: str) -> Iterator[None]:
    try:
        yield
    except (
        InputError,
        OSError,
        ValueError,
        LookupError,
        TypeError,
        AttributeError,
        OverflowError,
    ) as problem:
        raise InputError(
            f"{what} can't be read ({problem or type(problem).__name__}).",
            advice="Get the folder sample_images anew.",
        ) from None


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(f"{str(value)[:40]!r} is no number")
    return float(value)


def sample_request(folder: Path, truth: dict[str, Any]) -> Request:
    """Ask as a user would: thickness as marked, bars only where the truth says that they are known."""
    bars = mat_spec(truth["paper"]).bars_mm() if truth["bars_known"] else None
    one, other = (folder / photo["file"] for photo in truth["photos"])
    return Request(
        photos=(one, other),
        thickness_mm=truth["thickness_mm"],
        height_mm=truth["flat_height_mm"],
        edge_mm=truth["edge_thickness_mm"],
        bar_x_mm=(bars["x"][2] - bars["x"][0]) * truth["print_scale"][0] if bars else None,
        bar_y_mm=(bars["y"][3] - bars["y"][1]) * truth["print_scale"][1] if bars else None,
        kept_lens=False,  # nobody's phone took them
    )


def _has_truth(truth: _Truth, comparison: Comparison) -> bool:
    """Whether there is a difference to compare: heights of a full flat grind are the blade's own."""
    full_flat = comparison.left.full_flat and comparison.right.full_flat
    return bool(truth.plunge) or bool(truth.heights and not full_flat)


def _compared(name: str, truth: _Truth, comparison: Comparison) -> Iterator[Compared]:
    for figure in comparison.differences:
        part = figure.quantity.removeprefix("plunge.")
        station_mm = figure.station_mm
        if figure.quantity == "bevel_height" and station_mm is not None and station_mm in truth.heights:
            true = truth.heights[station_mm]
        elif part in truth.plunge:
            true = truth.plunge[part]
        else:
            continue
        yield Compared(
            pair=name, quantity=figure.quantity, station_mm=figure.station_mm, true=true, told=figure.value,
            std=figure.std, unit=figure.unit,
        )  # fmt: skip
