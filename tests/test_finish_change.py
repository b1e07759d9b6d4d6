"""New, gone, unchanged and what can't be told, on two pictures of known scratches."""

import numpy as np
import pytest
from drawn_scratches import SHAPE, scratch, straight, white

from grindcheck.finish.change import SURE, Sought, change_of, judged, lost, seek
from grindcheck.finish.line import same_path
from grindcheck.finish.search import find_lines

EVERYWHERE = np.ones(SHAPE, bool)
LINE = straight((110, 60), 38, 200)
REACH_PX = 4.0


def _scan(grey, mask=EVERYWHERE):
    return find_lines(grey.astype(np.float32), mask, lay_rad=None)


def _then(contrast_now, grey_then, mask=EVERYWHERE):
    return judged(seek([_scan(grey_then, mask)], LINE, contrast_now, reach_px=REACH_PX))


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize("contrast", [1.5, -1.5, 0.8])
def test_still_there_in_another_tone_and_place(seed, contrast):
    aside = LINE + np.array([1.5, -1.0])  # within reach
    there, sure = _then(1.5, white(seed) + scratch(aside, contrast))
    assert there is True and sure > 0.9
    assert change_of(there, 0.5) == "unchanged"


@pytest.mark.parametrize("seed", range(4))
def test_not_there_though_it_would_have_been_seen(seed):
    there, sure = _then(2.0, white(10 + seed))
    assert there is False and sure > 0.9
    assert change_of(there, 1.0) == "new"


@pytest.mark.parametrize("seed", range(4))
def test_too_faint_to_tell(seed):
    # at 0.15 sigmas its evidence is some 0.15 · 1.6 · √200 / 0.63, five of its scatter, less what the best of
    # nine places takes; half of that isn't enough
    there, _ = _then(0.15, white(20 + seed))
    assert there is None
    assert change_of(there, 1.0) == "cannot tell"


def test_where_nothing_was_searched_nothing_is_told():
    mask = np.zeros(SHAPE, bool)
    mask[:, 330:] = True
    assert _then(3.0, white(1), mask) == (None, 0.5)
    assert judged(seek([], LINE, 3.0, reach_px=REACH_PX)) == (None, 0.5)


def test_the_region_that_searched_most_of_it_answers():
    left, right = np.zeros(SHAPE, bool), np.zeros(SHAPE, bool)
    left[:, :140], right[:, 140:] = True, True
    grey = white(2) + scratch(LINE, 2.0)
    sought = seek([_scan(grey, left), _scan(grey, right)], LINE, 2.0, reach_px=REACH_PX)
    # 30 of its 158 columns lie in the left part
    assert sought.searched == pytest.approx(1 - 30 / 157.6, abs=0.02)
    assert judged(sought)[0] is True


def test_what_is_expected_is_what_is_seen():
    # the same contrast there: seen and expected agree to a few of their own standard deviations; the measured
    # contrast is that of the middle, at its peak
    off = []
    for seed in range(6):
        scan = _scan(white(30 + seed) + scratch(LINE, 1.5))
        [line] = scan.lines[:1]
        sought = seek([scan], LINE, line.profile.contrast, reach_px=REACH_PX)
        off.append(sought.seen_sigmas / sought.expected_sigmas)
    assert 0.7 < np.mean(off) < 1.4


@pytest.mark.parametrize(
    ("seen", "expected", "there"),
    [(5.0, 20.0, True), (0.5, 20.0, False), (3.0, 5.0, None), (-1.0, 5.0, None), (-1.0, 8.0, False)],
)
def test_three_answers_of_one_measurement(seen, expected, there):
    # seen from 3.5 sigmas on; missing if half of what is expected exceeds what is seen by 3.5
    assert judged(Sought(seen_sigmas=seen, expected_sigmas=expected, searched=1.0))[0] is there


def test_certainty_grows_with_the_measurement():
    def sure(seen, expected=0.0):
        return judged(Sought(seen_sigmas=seen, expected_sigmas=expected, searched=1.0))[1]

    assert sure(4.0) < sure(6.0) <= 1.0
    assert sure(0.0, 10.0) < sure(0.0, 14.0) <= 1.0
    assert sure(0.0, 2.0) < sure(0.0, 6.0)


def test_what_may_have_been_texture_is_neither_new_nor_gone():
    assert (change_of(False, SURE), lost(False, SURE)) == ("new", "gone")
    assert (change_of(False, SURE - 0.01), lost(False, SURE - 0.01)) == ("cannot tell", "cannot tell")
    assert (change_of(True, 0.5), lost(True, 0.5)) == ("unchanged", None)
    assert lost(None, 1.0) == "cannot tell"


def test_same_path():
    line = straight((0, 0), 0, 100)
    assert same_path(line, line + np.array([0, 3]), reach_px=4.0)
    assert not same_path(line, line + np.array([0, 5]), reach_px=4.0)
    # a short one on a long one is the same; one that only crosses isn't
    assert same_path(straight((70, 1), 0, 20), line, reach_px=4.0)
    assert not same_path(straight((50, -40), 90, 80), line, reach_px=4.0)
    # 60 of 100 px alongside are more than half, 40 aren't
    assert same_path(line, line + np.array([40, 0]), reach_px=4.0)
    assert not same_path(line, line + np.array([60, 0]), reach_px=4.0)
