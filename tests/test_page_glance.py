"""The first screen of a result says what the headline says."""

import pytest
from fixtures_finish import face, finish, scratch
from fixtures_results import mismatch

from grindcheck.finish.acceptance import judge_finish
from grindcheck.page.glance import finish_glance, pair_glance
from grindcheck.report.data import report_data
from grindcheck.report.finish_data import finish_data
from grindcheck.report.words import headline
from grindcheck.verdict import Tolerances, judge


def test_the_tiles_of_a_pair_are_the_headlines_own():
    comparison = mismatch()
    verdict = judge(comparison, Tolerances())
    glance = pair_glance(report_data(comparison, verdict))
    _, sentence = headline(verdict, "mm")
    side, much, sure = (tile.says.replace("\N{NO-BREAK SPACE}", " ") for tile in glance.tiles)
    assert f"The {side.removesuffix(' face')} " in sentence
    assert much in sentence
    assert sure.removeprefix("± ") in sentence
    assert glance.todo[0].startswith("Grind the ")
    assert glance.cautions


def test_scratches_are_counted_and_the_longest_named():
    found = finish(face(scratch(1, length_mm=3.0), scratch(2, length_mm=8.0), scratch(3, log_nfa=-0.5)))
    glance = finish_glance(finish_data(found, judge_finish(found)))
    says = {tile.asks: tile for tile in glance.tiles}
    assert (says["Scratches"].says, says["Scratches"].more) == ("2", "and 1 faint ones")
    assert "number 2" in says["Longest"].more or says["Longest"].says == "8.0 mm"


@pytest.mark.parametrize("decision", ["match", "cannot tell"])
def test_no_side_is_named_where_none_is_told(decision):
    comparison = mismatch()
    data = report_data(comparison, judge(comparison, Tolerances()))
    data["verdict"] = decision
    for one in data["differences"]:
        one["decision"], one["value"], one["expanded"] = decision, 0.1, 0.2
    assert pair_glance(data).tiles[0].says in ("both alike", "can't be told")
