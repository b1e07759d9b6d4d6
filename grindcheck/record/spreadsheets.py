"""What is recorded as tables that a spreadsheet opens: one of knives, one of checks, one of differences."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from grindcheck.tablecell import cell

_BOM = "\ufeff"  # without it a common spreadsheet takes UTF-8 for another encoding

Rows = Sequence[Mapping[str, Any]]


def spreadsheets(tables: Mapping[str, Rows]) -> dict[str, bytes]:
    """Return the CSV files of an archive by name.

    Parameters
    ----------
    tables : mapping of str to rows
        As an archive has them.
    """
    names = {row["knife_id"]: row for row in tables["facts"]}  # by time, so that the newest stays
    stages = {row["knife_id"]: row["name"] for row in tables["stages"]}
    outcomes = {row["check_id"]: row for row in tables["outcomes"]}
    return {
        "knives.csv": _csv(
            ("name", "made", "pattern", "steel", "thickness (mm)", "grind", "buyer's reference", "stage",
             "notes", "id"),
            (
                (facts["name"], knife["made_at"], facts["pattern"], facts["steel"], facts["thickness_mm"],
                 facts["grind"], facts["buyer_reference"], stages.get(knife["id"], ""), facts["notes"],
                 knife["id"])
                for knife in tables["knives"]
                for facts in (names[knife["id"]],)
            ),
        ),
        "checks.csv": _csv(
            ("knife", "taken", "kind", "state", "verdict", "what it says", "measured", "program", "id"),
            (
                (names[check["knife_id"]]["name"], check["at"], check["kind"], out.get("state", "waiting"),
                 out.get("verdict", ""), out.get("headline") or out.get("error", ""), out.get("at", ""),
                 out.get("program_version", ""), check["id"])
                for check in tables["checks"]
                for out in (outcomes.get(check["id"], {"state": ""} if check["kind"] == "photos" else {}),)
            ),
        ),
        "differences.csv": _csv(
            ("knife", "taken", "quantity", "station (mm)", "left minus right", "U", "unit", "tolerance",
             "decision", "check"),
            (
                (names[check["knife_id"]]["name"], check["at"], figure.get("quantity"),
                 figure.get("station"), figure.get("value"), figure.get("expanded"), figure.get("unit"),
                 figure.get("tolerance"), figure.get("decision"), check["id"])
                for check in tables["checks"]
                for figure in _differences(outcomes.get(check["id"], {}))
            ),
        ),
    }  # fmt: skip


def _differences(outcome: Mapping[str, Any]) -> Iterable[Mapping[str, Any]]:
    found = outcome.get("result", {}).get("differences", ())
    return [one for one in found if isinstance(one, Mapping)] if isinstance(found, list) else ()


def _csv(head: Sequence[str], rows: Iterable[Sequence[Any]]) -> bytes:
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    writer.writerow(head)
    writer.writerows([cell(value) for value in row] for row in rows)
    return (_BOM + out.getvalue()).encode("utf-8")
