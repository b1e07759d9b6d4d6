"""Sums along lines: each one against the pixels of its own path, worked out bit by bit."""

import numpy as np
import pytest

from grindcheck.finish.beams import beam_sums


def _column(row: np.ndarray, shift: int, power: int) -> np.ndarray:
    """Column, from the line's first, that it has in each row.

    A line of shift d over 2n rows is one of shift ⌊d/2⌋ over n rows, and again one of ⌊d/2⌋ begun ⌈d/2⌉
    further on. So each binary digit of the row adds the ⌈d/2⌉ of its own level.
    """
    out = np.zeros_like(row)
    for bit in range(power):
        level = shift >> (power - 1 - bit)  # the shift of lines over 2**(bit + 1) rows
        out += ((row >> bit) & 1) * ((level + 1) // 2)
    return out


@pytest.mark.parametrize("shape", [(64, 50), (45, 83), (128, 20)])
def test_every_sum_is_that_along_its_path(shape):
    # whole numbers below 2**24 / 64, so single precision adds them exactly
    picture = np.random.default_rng(5).integers(-99, 100, shape).astype(np.float32)
    wide = np.zeros((256, shape[1] + 64), np.int64)
    wide[: shape[0], : shape[1]] = picture
    powers = []
    for power, stride, sums in beam_sums(picture, first=2, last=6):
        powers.append(power)
        assert stride == 1 << (power - 1)  # lines start at every half of their length
        assert sums.shape[0] == 1 << power and sums.shape[2] == shape[1]
        row = np.arange(1 << power)
        x = np.arange(shape[1])
        for shift in range(1 << power):
            columns = _column(row, shift, power)
            assert columns[0] == 0 and columns[-1] == shift
            for start in range(sums.shape[1]):
                at = start * stride + row
                direct = wide[at[:, None], columns[:, None] + x].sum(axis=0)
                np.testing.assert_array_equal(sums[shift, start], direct)
    assert powers == [2, 3, 4, 5, 6]


def test_starts_reach_the_last_row():
    picture = np.zeros((45, 30), np.float32)
    picture[-1] = 1.0
    for _, _, sums in beam_sums(picture, first=3, last=5):
        assert sums[0].max() == 1.0  # straight down through the last row


def test_paths_keep_to_the_straight_line():
    # the largest departure over all shifts grows by a sixth of a pixel a level (Brady 1998, from memory)
    for power in range(2, 10):
        row = np.arange(1 << power)
        worst = max(
            np.abs(_column(row, shift, power) - shift * row / ((1 << power) - 1)).max()
            for shift in range(1 << power)
        )
        assert worst <= power / 6 + 0.5  # and half a pixel for whole columns


def test_four_turns_cover_all_directions():
    # lines run down and to the right by no more than their height: 45° each, mirrored and transposed
    directions = []
    for _, _, sums in beam_sums(np.zeros((32, 40), np.float32), first=5, last=5):
        angle = np.degrees(np.arctan2(31.0, np.arange(len(sums))))
        directions += [angle, 180 - angle, 90 - angle, (angle - 90) % 180]
    told = np.sort(np.concatenate(directions) % 180)
    gaps = np.diff(np.append(told, told[0] + 180))
    assert gaps.max() <= np.degrees(1 / 31) + 1e-9  # one pixel's step over 31 rows


def test_beyond_the_picture_there_is_nothing():
    ones = np.ones((32, 8), np.float32)
    [(_, _, sums)] = beam_sums(ones, first=5, last=5)
    row = np.arange(32)
    for shift in (0, 5, 31):
        inside = _column(row, shift, 5)[:, None] + np.arange(8) < 8
        np.testing.assert_array_equal(sums[shift, 0], inside.sum(axis=0))
