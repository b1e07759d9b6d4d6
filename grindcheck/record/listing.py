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
    verdict_of = func.coalesce(OutcomeTable.verdict, "")
    measured = aliased(CheckTable)
    query = _found(
        select(
            KnifeTable,
            FactsTable,
            verdict_of,
            func.coalesce(measured.kind, ""),
            func.coalesce(OutcomeTable.headline, ""),
            func.coalesce(_newest_stage(), ""),
            _thumbnail(),
        ),
        search,
        verdict,
    ).outerjoin(measured, measured.id == OutcomeTable.check_id)
    newest = (KnifeTable.made_at.desc(), KnifeTable.id)
    if sort == "name":
        query = query.order_by(FactsTable.sort_name, *newest)
    elif sort == "verdict":
        ranks = {word: place for place, word in enumerate(WORST_FIRST)}
        query = query.order_by(case(ranks, value=verdict_of, else_=len(ranks)), *newest)
    else:
        query = query.order_by(*newest)
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
            for knife, said, word, kind, headline, stage, thumbnail in session.execute(
                query.limit(limit).offset(offset)
            )
        ]


def count_knives(record: Record, search: str = "", verdict: str | None = None) -> int:
    """Count the knives that `knives` lists."""
    with record.reading() as session:
        return session.scalar(_found(select(func.count()), search, verdict)) or 0


def _found(query: "Select[*tuple[Any, ...]]", search: str, verdict: str | None) -> "Select[*tuple[Any, ...]]":
    query = (
        query.select_from(KnifeTable)
        .join(FactsTable, FactsTable.id == newest_facts(KnifeTable.id))
        .outerjoin(OutcomeTable, OutcomeTable.id == newest_outcome())
        .where(not_binned("knife", KnifeTable.id))
    )
    if verdict is not None:
        query = query.where(func.coalesce(OutcomeTable.verdict, "") == verdict)
    return query.where(*(_has(word[:_LONGEST_WORD]) for word in folded(search).split()[:_MOST_WORDS]))


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
