"""Several pairs of one blade: what averages out, what doesn't, and which pair is left out."""

import json
from dataclasses import replace
from pathlib import Path

import fixtures_results
import numpy as np
import pytest
import reduced
from PIL import Image
from test_budget_data import adds_up
from typer.testing import CliRunner

from grindcheck.cli import app
from grindcheck.errors import PairError
from grindcheck.report.budget_data import deciding
from grindcheck.report.uncertainty_text import uncertainty_lines
from grindcheck.results import Comparison, Figure
from grindcheck.several import combine
from grindcheck.sources import sources
from grindcheck.verdict import Tolerances, judge

OWN, SHARED = {"line": 0.03, "pose": 0.02}, {"thickness": 0.01, "print scale": 0.015}
STD = float(np.sqrt(sum(size**2 for size in (*OWN.values(), *SHARED.values()))))


def pair(number: int, values: list[float], own: float = 1.0) -> Comparison:
    """Return a comparison with the given differences, its own errors ``own`` times the usual ones."""
    parts = {name: own * size for name, size in OWN.items()} | SHARED
    std = float(np.sqrt(sum(size**2 for size in parts.values())))
    figures = tuple(
        Figure(
            quantity="bevel_height" if index else "plunge.mid", station_mm=10.0 * index if index else None,
            value=value, std=std, unit="mm", components=parts,
        )
        for index, value in enumerate(values)
    )  # fmt: skip
    base = fixtures_results.mismatch()
    return replace(
        base,
        differences=figures,
        left=replace(base.left, photo_sha256=f"{number}a", photo_name=f"{number}a.jpg"),
        right=replace(base.right, photo_sha256=f"{number}b", photo_name=f"{number}b.jpg"),
    )


def test_own_errors_fall_with_the_root_and_shared_ones_stay() -> None:
    for count in (2, 3, 5):
        [figure] = combine([pair(n, [0.2]) for n in range(count)]).comparison.differences
        assert figure.value == pytest.approx(0.2)
        for name, size in OWN.items():
            assert figure.components[name] == pytest.approx(size / np.sqrt(count), rel=1e-9)
        for name, size in SHARED.items():
            assert figure.components[name] == pytest.approx(size, rel=1e-9)
        assert figure.std == pytest.approx(np.sqrt(sum(v**2 for v in figure.components.values())), rel=1e-12)


def test_the_whole_covariance_gives_the_same() -> None:
    """Weights and variance of textbook generalised least squares: 1/(1ᵀ C⁻¹ 1), C with a shared part."""
    pairs = [pair(0, [0.10], 1.0), pair(1, [0.12], 0.5), pair(2, [0.13], 2.0)]  # no more than stated
    own = np.array([np.hypot(*OWN.values()) * k for k in (1.0, 0.5, 2.0)])
    covariance = np.diag(own**2) + sum(size**2 for size in SHARED.values())
    inverse = np.linalg.inv(covariance)
    variance = 1 / inverse.sum()
    [figure] = combine(pairs).comparison.differences
    assert figure.value == pytest.approx(variance * inverse.sum(axis=0) @ [0.10, 0.12, 0.13])
    assert figure.std == pytest.approx(np.sqrt(variance))


def test_one_pair_is_as_it_was() -> None:
    one = pair(0, [0.1, 0.2])
    assert combine([one]).comparison is one


def test_what_one_pair_alone_tells_is_kept() -> None:
    """A height that only the second light shows; a named station, which each pair places anew, is not."""
    first, second = pair(0, [0.2, 0.1]), pair(1, [0.3, 0.2, 0.5])
    named = replace(second.differences[2], station_mm=33.3, label="middle")
    second = replace(second, differences=(*second.differences, named))
    found = {
        (figure.quantity, figure.station_mm): figure
        for figure in combine([first, second]).comparison.differences
    }
    assert list(found) == [("plunge.mid", None), ("bevel_height", 10.0), ("bevel_height", 20.0)]
    assert found["plunge.mid", None].value == pytest.approx(0.25)
    alone = found["bevel_height", 20.0]
    assert (alone.value, alone.std) == (pytest.approx(0.5), pytest.approx(STD))


def test_a_stray_among_three_is_named() -> None:
    good = [pair(n, [0.1 + 0.01 * n, 0.0, 0.05]) for n in range(2)]
    stray = pair(7, [0.1, 0.6, 0.05])
    found = combine([good[0], stray, good[1]])
    assert found.left_out == ((1, "bevel_height"),)
    assert "pair_left_out" in found.comparison.flags
    assert found.comparison.differences[1].value == pytest.approx(0.0)


def test_of_two_that_disagree_neither_is_left_out() -> None:
    found = combine([pair(0, [0.0]), pair(1, [0.5])])
    assert found.left_out == ()
    assert "pairs_disagree" in found.comparison.flags
    [figure] = found.comparison.differences
    # Birge: the scatter of two values, 0.25 off their mean each
    assert figure.std > 0.2
    assert figure.value == pytest.approx(0.25)


def _seen_on_faces(number: int, left: float, right: float, *, unsure: float = 0.0) -> Comparison:
    """Return a pair whose faces have plunges of their own, the left one known less well by ``unsure``."""
    made = pair(number, [left - right])
    figure = made.differences[0]
    parts = figure.components | {"line": float(np.hypot(OWN["line"], unsure))}
    std = float(np.sqrt(sum(size**2 for size in parts.values())))
    told = {
        side: replace(figure, value=value, std=std if side == "left" else figure.std,
                      components=parts if side == "left" else figure.components)
        for side, value in (("left", left), ("right", right))
    }  # fmt: skip
    return replace(
        made,
        differences=(replace(figure, std=std, components=parts),),
        left=replace(made.left, plunge={"mid": told["left"]}),
        right=replace(made.right, plunge={"mid": told["right"]}),
    )


def test_a_line_that_strays_shows_on_its_own_face() -> None:
    """The right face's plunge 0.9 mm off in one light; the other light's pair is unsure by its left face.

    The differences 1.2 ± 0.04 and 0.3 ± 0.5 don't contradict each other, the right faces' 119.7 and 118.8 do.
    """
    sure, unsure = _seen_on_faces(0, 120.0, 118.8), _seen_on_faces(1, 120.0, 119.7, unsure=0.5)
    found = combine([sure, unsure]).comparison
    [figure] = found.differences
    assert "pairs_disagree" in found.flags
    assert abs(figure.value - 0.3) < 2 * figure.std
    assert figure.value < 1.1
    alike = combine([_seen_on_faces(0, 120.0, 119.7), unsure]).comparison
    assert "pairs_disagree" not in alike.flags
    assert alike.differences[0].std < 0.05


def test_honest_pairs_are_kept_and_covered() -> None:
    """400 sets of three: one in a thousand loses a pair; 95 % cover, at four standard errors."""
    rng = np.random.default_rng(6)
    lost, covered = 0, 0
    for _ in range(400):
        shared = sum(size * rng.normal() for size in SHARED.values())
        values = 0.1 + shared + np.hypot(*OWN.values()) * rng.normal(size=3)
        found = combine([pair(n, [float(v)]) for n, v in enumerate(values)])
        lost += bool(found.left_out)
        [figure] = found.comparison.differences
        covered += abs(figure.value - 0.1) < 1.96 * figure.std
    assert lost <= 5
    assert covered / 400 > 0.95 - 4 * np.sqrt(0.95 * 0.05 / 400)


def test_the_same_photo_twice_is_refused() -> None:
    with pytest.raises(PairError, match="twice"):
        combine([pair(0, [0.1]), pair(0, [0.1])])


# ---- where U comes from


def test_shares_add_up_and_name_what_helps() -> None:
    comparison = pair(0, [0.2])
    verdict = judge(comparison, Tolerances())
    figure = deciding(verdict)
    assert figure is not None
    found = sources(figure.components)
    assert sum(one.share for one in found) == pytest.approx(1.0)
    assert found[0].name == "seeing the lines"
    assert found[0].share == pytest.approx(OWN["line"] ** 2 / STD**2)
    text = "\n".join(uncertainty_lines(comparison, verdict, "mm"))
    assert "measure the mat's two bars" in text
    assert "calibrate the phone" in text
    assert text.count("#") >= 19


def test_four_photos_on_the_command_line(tmp_path: Path) -> None:
    """A sample pair and the same photos stored again with noise: the difference of both, U smaller."""
    name = "field_knife_c"
    one, other = reduced.halved(name, tmp_path)
    rng = np.random.default_rng(2)
    again = []
    for path in (one, other):
        with Image.open(path) as picture:
            noisy = np.asarray(picture, dtype=np.float64) + rng.normal(
                0, 3, (picture.height, picture.width, 3)
            )
            again.append(tmp_path / f"again_{path.name}")
            Image.fromarray(np.clip(noisy, 0, 255).astype(np.uint8)).save(again[-1], exif=picture.getexif())
    thickness = f"{reduced.truth(name)['thickness_mm']}mm"
    written = tmp_path / "result.json"
    asked = ["--thickness", thickness, "--units", "mm", "--json", str(written)]
    told = CliRunner().invoke(app, ["check", *map(str, (one, other, *again)), *asked])
    assert told.exit_code in (0, 1, 3), told.output
    assert "Where the uncertainty of the difference that decides comes from" in told.stdout
    made = json.loads(written.read_text(encoding="utf-8"))
    adds_up(made)  # a budget as measured, not made by hand
    assert {source["name"] for one in made["budget"] for source in one["sources"]} >= {
        "seeing the lines",
        "lens and pose",
        "the blade's outline",
    }
    odd = CliRunner().invoke(app, ["check", str(one), str(other), str(again[0]), "--thickness", thickness])
    assert odd.exit_code == 2
    twice = CliRunner().invoke(app, ["check", *map(str, (one, other, one, other)), "--thickness", thickness])
    assert twice.exit_code == 2
    assert "twice" in twice.stderr
