"""Checks: asked for, waiting, measured; and a quantity's series over all knives."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime
from typing import Any, cast

from sqlalchemy import exists, select
from sqlalchemy.orm import Session

from grindcheck.errors import InputError, NotInRecordError
from grindcheck.record.asked import check_asked
from grindcheck.record.entries import (
    CHECK_KINDS,
    ROLES,
    STATES,
    VERDICTS,
    Check,
    CheckKind,
    CheckPhoto,
    Outcome,
    Point,
    Role,
    State,
)
from grindcheck.record.given import LONGEST_RESULT, file_name, is_sha256, new_id, plain, sentence
from grindcheck.record.opening import Record
from grindcheck.record.shelf import (
    newest_facts,
    newest_outcome,
    not_binned,
    require_check,
    require_knife,
    require_stage,
)
from grindcheck.record.tables import (
    CheckPhotoTable,
    CheckTable,
    FactsTable,
    KnifeTable,
    OutcomeTable,
    PhotoTable,
)
from grindcheck.record.vault import stored

_AT_ONCE = 500  # of a query's values; some databases take no more than a thousand


def add_check(
    record: Record,
    knife_id: str,
    kind: CheckKind,
    *,
    photos: Sequence[tuple[str, str, Role]],
    asked: Mapping[str, Any] | None = None,
    stage_id: str | None = None,
    again_of: str | None = None,
) -> Check:
    """Ask for a check of photos that are in the record; it waits until an outcome is added.

    Parameters
    ----------
    record : Record
    knife_id : str
    kind : {"symmetry", "finish", "photos"}
        Photos alone aren't measured and never wait.
    photos : sequence of (sha256, name, role)
        `name` is the user's file name, to be shown only.
    asked : mapping, optional
        See `grindcheck.record.asked`.
    stage_id, again_of : str, optional

    Raises
    ------
    InputError
        If the options or the number of photos don't fit the kind.
    NotInRecordError
        If knife, stage, check or a photo isn't there.
    """
    if kind not in CHECK_KINDS:
        raise ValueError(f"kind must be one of {CHECK_KINDS}; {kind!r} came")
    kept = plain(asked or {}, "check's options")
    faces = sum(role == "face" for _, _, role in photos)
    check_asked(kind, kept, faces=faces, before=len(photos) - faces)
    with record.writing() as session:
        require_knife(session, knife_id)
        require_stage(session, knife_id, stage_id)
        if again_of is not None and require_check(session, again_of).knife_id != knife_id:
            raise InputError(
                "The check that is measured again is another knife's.", advice="Name one of this knife."
            )
        check = CheckTable(
            id=new_id(), knife_id=knife_id, stage_id=stage_id, at=datetime.now(UTC), kind=kind,
            again_of=again_of, asked=kept,
        )  # fmt: skip
        session.add(check)
        session.flush()
        for position, (sha256, name, role) in enumerate(photos):
            if role not in ROLES:
                raise ValueError(f"role must be one of {ROLES}; {role!r} came")
            if not is_sha256(sha256) or session.get(PhotoTable, sha256) is None:
                raise NotInRecordError(
                    f"There is no photo {sha256[:12]} in the record.", advice="Add the photo first."
                )
            session.add(
                CheckPhotoTable(
                    check_id=check.id, position=position, sha256=sha256, name=file_name(name), role=role
                )
            )
        session.flush()
        return _checks(session, [check])[0]


def add_outcome(record: Record, check_id: str, outcome: Outcome) -> Check:
    """Add what came out of a check; one that has an outcome keeps it beside the new one."""
    if outcome.state not in STATES:
        raise ValueError(f"state must be one of {STATES}; {outcome.state!r} came")
    if outcome.verdict not in VERDICTS:
        raise ValueError(f"verdict must be one of {VERDICTS}; {outcome.verdict!r} came")
    result = plain(outcome.result, "result", longest=LONGEST_RESULT)
    with record.writing() as session:
        check = require_check(session, check_id)
        session.add(
            OutcomeTable(
                id=new_id(),
                check_id=check_id,
                at=outcome.at,
                state=outcome.state,
                verdict=outcome.verdict,
                headline=sentence(outcome.headline),
                error=sentence(outcome.error),
                advice=sentence(outcome.advice),
                error_photo=outcome.error_photo,
                program_version=outcome.program_version,
                result=result,
            )
        )
        session.flush()
        return _checks(session, [check])[0]


def check(record: Record, check_id: str) -> Check:
    """Return a check with its photos and its newest outcome."""
    with record.reading() as session:
        return _checks(session, [require_check(session, check_id)])[0]


def waiting(record: Record) -> list[Check]:
    """Return the checks that still have to be measured, the oldest first."""
    with record.reading() as session:
        rows = session.scalars(
            select(CheckTable)
            .where(
                CheckTable.kind != "photos",
                ~exists().where(OutcomeTable.check_id == CheckTable.id),
                not_binned("check", CheckTable.id),
                not_binned("knife", CheckTable.knife_id),
            )
            .order_by(CheckTable.at, CheckTable.id)
        ).all()
        return _checks(session, rows)


def checks_of(session: Session, knife_id: str) -> tuple[Check, ...]:
    """Return a knife's checks that aren't in the bin, the oldest first."""
    rows = session.scalars(
        select(CheckTable)
        .where(CheckTable.knife_id == knife_id, not_binned("check", CheckTable.id))
        .order_by(CheckTable.at, CheckTable.id)
    ).all()
    return tuple(_checks(session, rows))


def series(record: Record, quantity: str, station_mm: float | None = None) -> list[Point]:
    """Return a difference of each knife's newest symmetry check, in the order in which they were taken.

    Parameters
    ----------
    record : Record
    quantity : str
        As in the check's JSON, such as ``plunge.mid``.
    station_mm : float, optional
        For a quantity with stations.
    """
    query = (
        select(KnifeTable.id, FactsTable.name, CheckTable.id, CheckTable.at, OutcomeTable.id)
        .select_from(KnifeTable)
        .join(FactsTable, FactsTable.id == newest_facts(KnifeTable.id))
        .join(OutcomeTable, OutcomeTable.id == newest_outcome("symmetry"))
        .join(CheckTable, CheckTable.id == OutcomeTable.check_id)
        .where(not_binned("knife", KnifeTable.id))
        .order_by(CheckTable.at, CheckTable.id)
    )
    points = []
    with record.reading() as session:
        rows = session.execute(query).all()
        _remember(record, session, [row[-1] for row in rows])
        for knife_id, name, check_id, at, outcome_id in rows:
            figure = _figure(record.differences[outcome_id], quantity, station_mm)
            if figure is not None:
                points.append(
                    Point(
                        knife_id=knife_id,
                        name=name,
                        check_id=check_id,
                        at=at,
                        value=figure["value"],
                        std=figure["std"],
                        unit=figure["unit"],
                    )
                )
    return points


def _remember(record: Record, session: Session, outcome_ids: Sequence[str]) -> None:
    """Read the differences of outcomes that weren't asked for before: results are large."""
    asked = [one for one in outcome_ids if one not in record.differences]
    for first in range(0, len(asked), _AT_ONCE):
        some = asked[first : first + _AT_ONCE]
        query = select(OutcomeTable.id, OutcomeTable.result["differences"]).where(OutcomeTable.id.in_(some))
        for outcome_id, differences in session.execute(query):
            record.differences[outcome_id] = differences


def _figure(differences: Any, quantity: str, station_mm: float | None) -> Mapping[str, Any] | None:
    """Return one of a result's differences; what came from elsewhere may be anything."""
    for figure in differences if isinstance(differences, list) else ():
        if (
            isinstance(figure, Mapping)
            and figure.get("quantity") == quantity
            and figure.get("station") == station_mm
            and all(isinstance(figure.get(name), float | int) for name in ("value", "std"))
            and figure.get("unit") in ("mm", "deg")
        ):
            return figure
    return None


def _checks(session: Session, rows: Iterable[CheckTable]) -> list[Check]:
    """Return checks as they are handed out, with two queries for all of them."""
    rows = list(rows)
    ids = [row.id for row in rows]
    photos: defaultdict[str, list[CheckPhoto]] = defaultdict(list)
    listed = (
        select(CheckPhotoTable, PhotoTable)
        .join(PhotoTable, PhotoTable.sha256 == CheckPhotoTable.sha256)
        .where(CheckPhotoTable.check_id.in_(ids))
        .order_by(CheckPhotoTable.check_id, CheckPhotoTable.position)
    )
    for one, photo in session.execute(listed):
        photos[one.check_id].append(CheckPhoto(photo=stored(photo), name=one.name, role=cast(Role, one.role)))
    told = (
        select(OutcomeTable).where(OutcomeTable.check_id.in_(ids)).order_by(OutcomeTable.at, OutcomeTable.id)
    )
    outcomes = {row.check_id: _outcome(row) for row in session.scalars(told)}
    return [
        Check(
            id=row.id,
            knife_id=row.knife_id,
            stage_id=row.stage_id,
            at=row.at,
            kind=cast(CheckKind, row.kind),
            asked=row.asked,
            again_of=row.again_of,
            photos=tuple(photos[row.id]),
            outcome=outcomes.get(row.id),
        )
        for row in rows
    ]


def _outcome(row: OutcomeTable) -> Outcome:
    return Outcome(
        at=row.at,
        state=cast(State, row.state),
        verdict=row.verdict,
        headline=row.headline,
        result=row.result,
        error=row.error,
        advice=row.advice,
        error_photo=row.error_photo,
        program_version=row.program_version,
    )
