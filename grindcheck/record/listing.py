"""The list of knives: searched, sorted and filtered in one query."""

from typing import Any, Literal

from sqlalchemy import ColumnElement, ScalarSelect, Select, case, func, or_, select
from sqlalchemy.orm import aliased

from grindcheck.record.entries import KnifeRow
from grindcheck.record.given import folded
from grindcheck.record.knives import knife_of
from grindcheck.record.opening import Record
from grindcheck.record.shelf import newest_facts, newest_outcome, not_binned
from grindcheck.record.tables import (
    CheckPhotoTable,
    CheckTable,
    FactsTable,
    KnifeTable,
    OutcomeTable,
    StageTable,
)

Sort = Literal["newest", "name", "verdict"]
_verdict_told = func.coalesce(OutcomeTable.verdict, "")
_MOST_WORDS, _LONGEST_WORD = 20, 200  # of a search; databases limit both

SORTS: tuple[Sort, ...] = ("newest", "name", "verdict")
WORST_FIRST = ("mismatch", "scratched", "cannot tell", "match", "clean")


def knives(
    record: Record,
    search: str = "",
    sort: Sort = "newest",
    verdict: str | None = None,
    *,
    limit: int | None = None,
    offset: int = 0,
) -> list[KnifeRow]:
    """List the knives that aren't in the bin.

    Parameters
    ----------
    record : Record
    search : str
        Every word of it must be found in name, pattern, steel, grind, notes or buyer's reference; the
        beginning of an id is found too.
    sort : {"newest", "name", "verdict"}
        By when the knife was made, by name, or the worst verdict first.
    verdict : str, optional
        Only those whose newest verdict this is; ``""``: those without one.
    limit, offset : int
    """
    picked = (
        _found(
            select(KnifeTable.id.label("knife_id"), FactsTable.id.label("facts_id")),
            search, verdict, judged=sort == "verdict",
        )
        .order_by(*_order(sort))
        .limit(limit)
        .offset(offset)
        .subquery()
    )  # fmt: skip
    measured = aliased(CheckTable)
    query = (  # the rest is looked up for those that were picked, not for all
        select(
            KnifeTable,
            FactsTable,
            _verdict_told,
            func.coalesce(measured.kind, ""),
            func.coalesce(OutcomeTable.headline, ""),
            func.coalesce(_newest_stage(), ""),
            _thumbnail(),
        )
        .select_from(picked)
        .join(KnifeTable, KnifeTable.id == picked.c.knife_id)
        .join(FactsTable, FactsTable.id == picked.c.facts_id)
        .outerjoin(OutcomeTable, OutcomeTable.id == newest_outcome())
        .outerjoin(measured, measured.id == OutcomeTable.check_id)
        .order_by(*_order(sort))
    )
    with record.reading() as session:
        return [
            KnifeRow(
                knife=knife_of(knife, said),
                verdict=word,
                kind=kind,
                headline=headline,
                stage=stage,
                thumbnail_sha256=thumbnail,
            )
            for knife, said, word, kind, headline, stage, thumbnail in session.execute(query)
        ]


def count_knives(record: Record, search: str = "", verdict: str | None = None) -> int:
    """Count the knives that `knives` lists."""
    with record.reading() as session:
        return session.scalar(_found(select(func.count()), search, verdict)) or 0


def _found(
    query: "Select[*tuple[Any, ...]]", search: str, verdict: str | None, *, judged: bool = False
) -> "Select[*tuple[Any, ...]]":
    """Find knives by words and verdict; `judged` if the order needs the verdict."""
    query = (
        query.select_from(KnifeTable)
        .join(FactsTable, FactsTable.id == newest_facts(KnifeTable.id))
        .where(not_binned("knife", KnifeTable.id))
    )
    if judged or verdict is not None:
        query = query.outerjoin(OutcomeTable, OutcomeTable.id == newest_outcome())
    if verdict is not None:
        query = query.where(_verdict_told == verdict)
    return query.where(*(_has(word[:_LONGEST_WORD]) for word in folded(search).split()[:_MOST_WORDS]))


def _order(sort: Sort) -> tuple[ColumnElement[Any], ...]:
    newest = (KnifeTable.made_at.desc(), KnifeTable.id.asc())
    if sort == "name":
        return (FactsTable.sort_name.asc(), *newest)
    if sort == "verdict":
        ranks = {word: place for place, word in enumerate(WORST_FIRST)}
        return (case(ranks, value=_verdict_told, else_=len(ranks)), *newest)
    return newest


def _has(word: str) -> ColumnElement[bool]:
    return or_(
        FactsTable.words.contains(word, autoescape=True),
        KnifeTable.id.startswith(word, autoescape=True),
    )


def _newest_stage() -> ScalarSelect[str]:
    return (
        select(StageTable.name)
        .where(StageTable.knife_id == KnifeTable.id, not_binned("stage", StageTable.id))
        .order_by(StageTable.at.desc(), StageTable.id.desc())
        .limit(1)
        .correlate(KnifeTable)
        .scalar_subquery()
    )


def _thumbnail() -> ScalarSelect[str]:
    check = aliased(CheckTable)
    return (
        select(CheckPhotoTable.sha256)
        .join(check, check.id == CheckPhotoTable.check_id)
        .where(check.knife_id == KnifeTable.id, not_binned("check", check.id))
        .order_by(check.at.desc(), CheckPhotoTable.position)
        .limit(1)
        .correlate(KnifeTable)
        .scalar_subquery()
    )
