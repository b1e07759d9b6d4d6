"""A waiting check is measured: what the pipeline finds, or why it can't, becomes an outcome."""

from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from typing import Any

from grindcheck import __version__
from grindcheck.errors import GrindcheckError
from grindcheck.record.asked import check_asked, finish_request, symmetry_request
from grindcheck.record.entries import Check, Outcome
from grindcheck.record.opening import Record
from grindcheck.record.vault import path_of


def steps_of_check(check: Check) -> tuple[str, ...]:
    """Return the steps of a check of both sides or of the finish, as `measure_check` tells them."""
    from grindcheck import pairs
    from grindcheck.finish.check import STEPS

    return pairs.steps_of(len(check.faces) // 2) if check.kind == "symmetry" else STEPS


def measure_check(
    record: Record, check: Check, *, progress: Callable[[str], None] = lambda step: None
) -> Outcome:
    """Measure a check; the outcome isn't added to the record yet.

    Parameters
    ----------
    record : Record
    check : Check
        Of kind symmetry or finish.
    progress : callable
        Is told each step in a few words as it begins.

    Returns
    -------
    Outcome
        Failed, with the error's words and the photo that caused it, if the photos can't be measured.
    """
    paths = {
        path_of(record, one.photo.sha256, one.photo.suffix): (position, one.name)
        for position, one in reversed(list(enumerate(check.photos)))
    }
    named = {path.name: name for path, (_, name) in paths.items()}
    faces = len(check.faces)
    try:
        # one from an archive may ask what this program would never have kept
        check_asked(check.kind, check.asked, faces=faces, before=len(check.photos) - faces)
        verdict, headline, result = _MEASURES[check.kind](record, check, progress)
    except GrindcheckError as problem:
        places = {path.name: position for path, (position, _) in paths.items()}
        return Outcome(
            at=datetime.now(UTC),
            state="failed",
            error=_in_users_words(problem.message, named),
            advice=_in_users_words(problem.advice, named),
            error_photo=places.get(problem.photo or ""),
            program_version=__version__,
        )
    return Outcome(
        at=datetime.now(UTC),
        state="done",
        verdict=verdict,
        headline=_in_users_words(headline, named),
        result=_in_users_words(result, named),
        program_version=__version__,
    )


def _symmetry(
    record: Record, check: Check, progress: Callable[[str], None]
) -> tuple[str, str, dict[str, Any]]:
    from grindcheck.pairs import check_pairs
    from grindcheck.report.data import report_data
    from grindcheck.report.drawing_data import pair_drawing
    from grindcheck.report.words import headline, left_out
    from grindcheck.verdict import judge

    photos = _paths(record, check, "face")
    request, tolerances = symmetry_request(check.asked, photos)
    found = check_pairs(request, photos, progress=progress)
    comparison = found.comparison
    verdict = judge(comparison, tolerances)
    data = {**report_data(comparison, verdict), "drawing": pair_drawing(comparison)}
    data["notes"] = [*data["notes"], *left_out(found.left_out, [path.name for path in photos])]
    return verdict.decision, headline(verdict, "mm")[1], data


def _finish(record: Record, check: Check, progress: Callable[[str], None]) -> tuple[str, str, dict[str, Any]]:
    from grindcheck.finish import check as finish_check
    from grindcheck.finish.acceptance import judge_finish
    from grindcheck.report.drawing_data import finish_drawing
    from grindcheck.report.finish_data import finish_data
    from grindcheck.report.finish_words import finish_headline

    request, limits = finish_request(
        check.asked, _paths(record, check, "face"), _paths(record, check, "before")
    )
    finish = finish_check.check_finish(request, progress=progress)
    verdict = judge_finish(finish, limits)
    data = {**finish_data(finish, verdict), "drawing": finish_drawing(finish)}
    return verdict.decision, finish_headline(finish, verdict)[1], data


_MEASURES = {"symmetry": _symmetry, "finish": _finish}


def _paths(record: Record, check: Check, role: str) -> list[Any]:
    return [path_of(record, one.photo.sha256, one.photo.suffix) for one in check.photos if one.role == role]


def _in_users_words(data: Any, named: Mapping[str, str]) -> Any:
    """Call the photos by the names of the user's files wherever their names in the vault appear."""
    if isinstance(data, str):
        for stored, name in named.items():
            data = data.replace(stored, name)
        return data
    if isinstance(data, Mapping):
        return {key: _in_users_words(value, named) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_in_users_words(value, named) for value in data]
    return data
