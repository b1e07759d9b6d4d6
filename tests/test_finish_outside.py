"""The search for scratches against noise, photos of other textures, and drawn scratches."""

import numpy as np
import pytest
from finish_textures import LAID, TEXTURES, add_scratch, arc

from grindcheck.finish.line import Line
from grindcheck.finish.scan import find_scratches
from grindcheck.finish.search import find_lines


def searched(grey: np.ndarray, kind: str, *, false_finds: float = 1.0) -> tuple[Line, ...]:
    lay_rad = 0.0 if kind in LAID else None
    return find_lines(grey, np.ones(grey.shape, bool), lay_rad=lay_rad, false_finds=false_finds).lines


def mean_finds(kind: str, asked: float, fields: int) -> float:
    """Mean number of finds on clean fields of 256² px."""
    number = list(TEXTURES).index(kind)
    grey = (TEXTURES[kind](np.random.default_rng([6, number, one]), (256, 256)) for one in range(fields))
    return float(np.mean([len(searched(one, kind, false_finds=asked)) for one in grey]))


@pytest.mark.parametrize("kind", ["white", "brushed"])
def test_number_of_false_finds_follows_the_setting(kind: str) -> None:
    """The promise a contrario, on both sides: within a factor of two of what was asked.

    The counts are Poisson: the mean of n fields has the standard error √(mean/n), of which three are allowed
    beyond either end. The factor is no statistics: PLACES was counted on white noise of other seeds and
    larger fields (``tests/accuracy/finish_null.py``), a texture's law is learnt anew on each small field.
    """
    fields = 60
    means = [mean_finds(kind, asked, fields) for asked in (1.0, 5.0)]
    for asked, mean in zip((1.0, 5.0), means, strict=True):
        least, most = asked / 2, 2 * asked
        assert least - 3 * (least / fields) ** 0.5 < mean < most + 3 * (most / fields) ** 0.5, (asked, means)
    assert means[1] > 1.5 * means[0]  # five times as many asked for


@pytest.mark.parametrize("asked", [1.0, 5.0])
def test_soft_dents_give_fewer_false_finds_than_asked(asked: float) -> None:
    """On a blasted face the promise holds on one side only: there are far fewer finds than asked for.

    Measured: 0.29 for 1 and 1.29 for 5, on 100 fields of these seeds. A likely reason, not tested: a find
    must also be seen in the picture itself, where low frequencies rule that the search has taken out. The
    bound is what was asked and three Poisson standard errors.
    """
    fields = 40
    assert mean_finds("blasted", asked, fields) < asked + 3 * (asked / fields) ** 0.5


@pytest.mark.parametrize(("name", "most"), [("grass", 8), ("gravel", 3)])
def test_textures_of_another_library(name: str, most: int) -> None:
    """Photos of natural textures as clean fields: finds, and how many.

    Measured: grass 5 (21 to 226 px long; grass is made of blades), gravel 3, one of them of 92 px with a log
    NFA of −11. Not the none that one would wish; the bounds only keep it from getting worse. Brick (6 finds)
    is left out, since its mortar joints are lines.
    """
    data = pytest.importorskip("skimage.data", reason="scikit-image isn't installed")
    from importlib.util import find_spec
    from pathlib import Path

    folder = find_spec("skimage.data").submodule_search_locations[0]  # type: ignore[union-attr,index]
    if not (Path(folder) / f"{name}.png").is_file():
        pytest.skip(f"this scikit-image doesn't ship {name}.png")
    assert len(find_scratches(getattr(data, name)(), false_finds=1.0)) <= most


@pytest.mark.parametrize("contrast", [0.5, 1.0])
def test_faint_scratches_on_a_brushed_face_are_found(contrast: float) -> None:
    """Nine in ten of scratches 200 × 2 px at 15° to 90° to the lay; their ends within 3 px in the median.

    Truth is what was drawn. A scratch counts as found if at least half of its points lie within 4 px of one
    find; 3 px is the aim for ends, 0.3 mm, at a scale of 0.1 mm a pixel.
    """
    ends, found, fields = [], 0, 40
    for field in range(fields):
        rng = np.random.default_rng([7, int(10 * contrast), field])
        grey = TEXTURES["brushed"](rng, (300, 340))
        angle = np.deg2rad(rng.uniform(15.0, 90.0)) * rng.choice([-1, 1])
        path = arc(rng.uniform([140, 130], [200, 170]), float(angle), 200.0, 6.0 * (field % 2))
        add_scratch(grey, path, contrast * (1 - 2 * (field // 2 % 2)))
        for line in searched(grey, "brushed"):
            points = line.path.points_px
            away = np.hypot(*(path[:, None] - points[None]).transpose(2, 0, 1)).min(axis=1)
            # points of a find lie 8 px apart, so a place between two is up to 4 px from the nearest
            if np.mean(away < 4.0 * 2**0.5) >= 0.5:
                found += 1
                both = points[[0, -1]]
                order = both if (both[1] - both[0]) @ (path[-1] - path[0]) > 0 else both[::-1]
                ends += np.hypot(*(order - path[[0, -1]]).T).tolist()
                break
    assert found >= 0.9 * fields, found
    assert np.median(ends) < 3.0, np.median(ends)
