"""Where two lays meet, on drawn pictures whose border is known exactly."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d
from scipy.special import ndtr

from grindcheck.border import AROUND_MM, border_odds
from grindcheck.chain import follow

STEP = 0.08
BLUR = 0.08
OFFSETS = np.arange(-AROUND_MM, AROUND_MM + STEP / 2, STEP)
STATES = np.arange(-0.5, 0.5 + 1e-9, STEP / 2)


def drawn(
    rng: np.random.Generator,
    *,
    at: float,
    lines: float = 0.08,
    streaks: float = 0.06,
    step: float = 0.0,
    noise: float = 0.03,
    columns: int = 1000,
) -> np.ndarray:
    """Draw a bevel with lines across below a straight border, a streaky flat above it; about 0.4 bright."""
    across = gaussian_filter1d(rng.normal(size=(columns, 1)), 1.2, axis=0)
    along = gaussian_filter1d(
        gaussian_filter1d(rng.normal(size=(columns, len(OFFSETS))), 80, axis=0), 1.5, axis=1
    )
    flat = ndtr((OFFSETS - at) / BLUR)
    logs = (1 - flat) * lines * across / across.std() + flat * (streaks * along / along.std() + step)
    return np.asarray(0.4 * np.exp(logs) + noise * 0.4 * rng.normal(size=logs.shape))


def placed(linear: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    odds = border_odds(linear, OFFSETS, STATES, blur=BLUR, step=STEP)
    return follow(odds.likelihood, STATES, walk=0.03)


@pytest.mark.parametrize("at", [-0.21, 0.0, 0.13])
def test_lines_that_end_place_the_border_to_a_quarter_of_a_pixel(at: float) -> None:
    rng = np.random.default_rng(round(1000 * abs(at)))
    place, _ = placed(drawn(rng, at=at))
    assert np.abs(place - at).mean() < STEP / 4


def test_streaks_beside_the_border_do_not_draw_it_away() -> None:
    """A dark streak of the flat right at the border has the level of the bevel, but none of its lines."""
    rng = np.random.default_rng(5)
    linear = drawn(rng, at=0.0, step=0.25)
    linear[:, (OFFSETS > 0.05) & (OFFSETS < 0.3)] *= np.exp(-0.25)
    place, _ = placed(linear)
    assert np.abs(place).mean() < STEP / 2


def test_level_places_the_border_where_no_lines_run() -> None:
    rng = np.random.default_rng(6)
    place, _ = placed(drawn(rng, at=0.1, lines=0.0, step=0.4))
    assert np.abs(place - 0.1).mean() < STEP / 2


def test_std_holds() -> None:
    """Normalized errors over independent pictures, one place each."""
    errors = []
    for seed in range(40):
        place, std = placed(drawn(np.random.default_rng(100 + seed), at=0.05, lines=0.03, columns=400))
        middle = len(place) // 2
        errors.append((place[middle] - 0.05) / std[middle])
    assert np.mean(np.square(errors)) < 1.5
    assert np.mean(np.abs(errors) < 1.96) >= 0.9


def test_same_lay_on_both_sides_is_not_clear() -> None:
    rng = np.random.default_rng(7)
    nothing = drawn(rng, at=-10.0)
    odds = border_odds(nothing, OFFSETS, STATES, blur=BLUR, step=STEP)
    assert np.median(odds.clear) < 0.5
    border = border_odds(drawn(rng, at=0.0, step=0.4), OFFSETS, STATES, blur=BLUR, step=STEP)
    assert np.median(border.clear) > 1.0


def test_liveliness_alone_places_the_border_to_a_pixel() -> None:
    """Bevel and flat of one level and without lines, the flat three times as grainy: only the look tells."""
    rng = np.random.default_rng(9)
    linear = drawn(rng, at=0.15, lines=0.0, streaks=0.0, noise=0.0)
    grain = np.where(OFFSETS > 0.15, 0.06, 0.02)
    odds = border_odds(
        linear + 0.4 * grain * rng.normal(size=linear.shape), OFFSETS, STATES, blur=BLUR, step=STEP
    )
    place, _ = follow(odds.look, STATES, walk=0.03)
    assert np.abs(place - 0.15).mean() < STEP
    assert np.abs(follow(odds.likelihood, STATES, walk=0.03)[0] - 0.15).mean() > STEP


def test_the_look_is_not_drawn_away_by_a_streak_of_the_bevels_level() -> None:
    """A flat of streaks, each second as bright as the bevel, the first right at the border; all lively."""
    rng = np.random.default_rng(10)
    flat = OFFSETS > 0.0
    level = np.where(flat & (OFFSETS // 0.4 % 2 == 1), 0.4, 0.0)
    linear = 0.4 * gaussian_filter1d(np.exp(level), 1.0) * np.ones((1000, 1))
    linear *= 1 + np.where(flat, 0.06, 0.03) * rng.normal(size=linear.shape)
    odds = border_odds(linear, OFFSETS, STATES, blur=BLUR, step=STEP)
    by_level, _ = follow(odds.parts[0], STATES, walk=0.03)
    by_look, _ = follow(odds.look, STATES, walk=0.03)
    assert by_level.min() > 0.25
    assert np.abs(by_look).max() < STEP


def test_a_clean_bevel_ends_where_streaks_begin() -> None:
    """The streak at the border is nearer to the bevel's level than to the flat's mean: it isn't bevel."""
    rng = np.random.default_rng(11)
    streaks = np.array([0.08, 0.3, 0.0, 0.25, 0.05, 0.3, 0.1, 0.2])
    level = np.where(OFFSETS > 0.0, streaks[np.clip((OFFSETS / 0.5).astype(int), 0, 7)], 0.0)
    linear = 0.4 * gaussian_filter1d(np.exp(level), 1.0) * np.ones((1000, 1))
    linear *= 1 + 0.02 * rng.normal(size=linear.shape)
    odds = border_odds(linear, OFFSETS, STATES, blur=BLUR, step=STEP)
    place, _ = follow(odds.parts[0], STATES, walk=0.03)
    assert np.abs(place).max() < 1.5 * STEP
