"""Parts of queries that several modules need: what lies in the bin, what is newest, what must be there."""

from sqlalchemy import ColumnElement, ScalarSelect, exists, select
from sqlalchemy.orm import InstrumentedAttribute, Session, aliased

from grindcheck.errors import NotInRecordError
from grindcheck.record.given import is_id
from grindcheck.record.tables import BinnedTable, CheckTable, FactsTable, KnifeTable, OutcomeTable, StageTable

Column = InstrumentedAttribute[str]


def not_binned(entity: str, column: Column) -> ColumnElement[bool]:
    """Keep what doesn't lie in the bin."""
    return ~exists().where(BinnedTable.entity == entity, BinnedTable.entity_id == column)


def in_bin(session: Session, entity: str, entity_id: str) -> bool:
    """Tell whether something lies in the bin."""
    return session.get(BinnedTable, (entity, entity_id)) is not None


def newest_facts(knife_id: Column) -> ScalarSelect[str]:
    """Select the id of the facts that hold for a knife."""
    facts = aliased(FactsTable)
    return (
        select(facts.id)
        .where(facts.knife_id == knife_id)
        .order_by(facts.at.desc(), facts.id.desc())
        .limit(1)
        .correlate_except(facts)
        .scalar_subquery()
    )


def newest_outcome(kind: str | None = None) -> ScalarSelect[str]:
    """Select the id of what was measured last of each knife of the query, of one kind of check or of any."""
    outcome, check = aliased(OutcomeTable), aliased(CheckTable)
    query = (
        select(outcome.id)
        .join(check, check.id == outcome.check_id)
        .where(
            check.knife_id == KnifeTable.id,
            outcome.state == "done",
            outcome.verdict != "",
            not_binned("check", check.id),
        )
        .order_by(check.at.desc(), outcome.at.desc(), outcome.id)
        .limit(1)
        .correlate(KnifeTable)
    )
    return (query if kind is None else query.where(check.kind == kind)).scalar_subquery()


def require_knife(session: Session, knife_id: str, *, binned_too: bool = False) -> KnifeTable:
    """Return a knife's row, or say that there is none."""
    row = session.get(KnifeTable, knife_id) if is_id(knife_id) else None
    if row is None:
        raise NotInRecordError(
            f"There is no knife {knife_id[:8]} in the record.", advice="See grindcheck records list."
        )
    if not binned_too and in_bin(session, "knife", knife_id):
        raise NotInRecordError(
            f"The knife {knife_id[:8]} lies in the bin.",
            advice=f"Take it out first: grindcheck records bin --restore {knife_id[:8]}.",
        )
    return row


def require_stage(session: Session, knife_id: str, stage_id: str | None) -> None:
    """Say so if a knife doesn't have a stage."""
    if stage_id is None:
        return
    row = session.get(StageTable, stage_id) if is_id(stage_id) else None
    if row is None or row.knife_id != knife_id:
        raise NotInRecordError(
            f"The knife {knife_id[:8]} has no stage {stage_id[:8]}.",
            advice="Add the stage to this knife first.",
        )


def require_check(session: Session, check_id: str) -> CheckTable:
    """Return a check's row, or say that there is none."""
    row = session.get(CheckTable, check_id) if is_id(check_id) else None
    if row is None:
        raise NotInRecordError(
            f"There is no check {check_id[:8]} in the record.", advice="Look its id up with its knife."
        )
    return row
