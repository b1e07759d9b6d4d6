"""The interface for programs: the same record as plain JSON, described by /api/openapi.json."""

from datetime import datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool

from grindcheck.page.routes_photos import take_in
from grindcheck.page.shop import shop_of
from grindcheck.page.words import state_of
from grindcheck.record import checks, knives, listing
from grindcheck.record.entries import Check, CheckKind, Knife, KnifeFacts, Role


class Problem(BaseModel):
    """What went wrong and what to do."""

    message: str
    advice: str


class ErrorOut(BaseModel):
    """The one shape of all errors."""

    error: Problem


class FactsIn(BaseModel):
    """What is said of a knife."""

    model_config = ConfigDict(extra="forbid")

    name: str = Field(max_length=200)
    pattern: str = ""
    steel: str = ""
    thickness_mm: float | None = Field(default=None, allow_inf_nan=False)
    grind: str = ""
    notes: str = ""
    buyer_reference: str = ""
    private: list[str] = []


class KnifeOut(BaseModel):
    """A knife with the facts that hold now."""

    id: str
    made_at: datetime
    facts: dict[str, Any]


class RowOut(KnifeOut):
    """A knife in a list."""

    stage: str
    verdict: str
    headline: str


class PhotoOut(BaseModel):
    """A photo in the record; the size is that of the upright picture."""

    sha256: str
    size_bytes: int
    width: int
    height: int


class StepOut(BaseModel):
    """How far a check is that has no outcome yet."""

    words: str
    number: int
    of: int
    ahead: int


class OutcomeOut(BaseModel):
    """What came out of a check."""

    at: datetime
    state: Literal["done", "failed"]
    verdict: str
    headline: str
    error: str
    advice: str
    error_photo: int | None
    result: dict[str, Any]


class CheckOut(BaseModel):
    """A check; `state` is its verdict, or waiting, failed, kept."""

    id: str
    knife_id: str
    kind: CheckKind
    at: datetime
    state: str
    asked: dict[str, Any]
    again_of: str | None
    photos: list[PhotoOut]
    outcome: OutcomeOut | None
    step: StepOut | None


class CheckPhotoIn(BaseModel):
    """A photo of a check that is asked for."""

    model_config = ConfigDict(extra="forbid")

    sha256: str = Field(pattern="^[0-9a-f]{64}$")
    name: str = Field(default="photo", max_length=200)
    role: Role = "face"


class CheckIn(BaseModel):
    """A check that is asked for; `asked` has the options as the record keeps them, lengths in mm."""

    model_config = ConfigDict(extra="forbid")

    kind: CheckKind
    photos: list[CheckPhotoIn] = Field(min_length=1, max_length=9)
    asked: dict[str, Any] = {}
    again_of: str | None = None


_ERRORS: dict[int | str, dict[str, Any]] = {
    status: {"model": ErrorOut, "description": text}
    for status, text in (
        (401, "not paired"), (403, "sent by another page"), (404, "not in the record"),
        (413, "too large"), (421, "another address"), (422, "can't be read or kept"),
        (400, "no request that can be read"), (405, "not with this address"),
        (503, "the record can't be used"),
    )
}  # fmt: skip

router = APIRouter(prefix="/api", responses=_ERRORS)

Id = Annotated[str, Path(max_length=64)]


@router.get("/knives")
def list_knives(
    request: Request,
    search: Annotated[str, Query(max_length=200)] = "",
    sort: listing.Sort = "newest",
    verdict: str | None = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
    offset: Annotated[int, Query(ge=0, le=10**9)] = 0,
) -> list[RowOut]:
    """List knives."""
    rows = listing.knives(shop_of(request).record, search, sort, verdict, limit=limit, offset=offset)
    return [
        RowOut(**_knife(row.knife).model_dump(), stage=row.stage, verdict=row.verdict, headline=row.headline)
        for row in rows
    ]


@router.post("/knives", status_code=201)
def add_knife(request: Request, facts: FactsIn) -> KnifeOut:
    """Start a knife."""
    said = KnifeFacts(**{**facts.model_dump(), "private": tuple(facts.private)})
    return _knife(knives.add_knife(shop_of(request).record, said))


@router.get("/knives/{knife_id}")
def get_knife(request: Request, knife_id: Id) -> KnifeOut:
    """Return a knife."""
    return _knife(knives.knife(shop_of(request).record, knife_id).knife)


@router.get("/knives/{knife_id}/checks")
def list_checks(request: Request, knife_id: Id) -> list[CheckOut]:
    """List a knife's checks, the oldest first."""
    return [_check(request, one) for one in knives.knife(shop_of(request).record, knife_id).checks]


@router.post("/knives/{knife_id}/checks", status_code=201)
def ask_for_check(request: Request, knife_id: Id, wanted: CheckIn) -> CheckOut:
    """Ask for a check of photos that are in the record."""
    shop = shop_of(request)
    found = knives.knife(shop.record, knife_id)
    made = checks.add_check(
        shop.record,
        found.knife.id,
        wanted.kind,
        photos=[(one.sha256, one.name, one.role) for one in wanted.photos],
        asked=wanted.asked,
        again_of=wanted.again_of,
    )
    shop.work.nudge()
    return _check(request, made)


@router.get("/checks/{check_id}")
def get_check(request: Request, check_id: Id) -> CheckOut:
    """Return a check and how far it is."""
    return _check(request, checks.check(shop_of(request).record, check_id))


@router.post(
    "/photos",
    status_code=201,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
        }
    },
)
async def add_photo(request: Request, name: Annotated[str, Query(max_length=200)] = "The photo") -> PhotoOut:
    """Keep a photo: its file is the body. A photo that is there already is kept once."""
    kept = await take_in(request, name)
    return await run_in_threadpool(_photo, kept)


def _knife(knife: Knife) -> KnifeOut:
    facts = knife.facts
    said = {
        "name": facts.name, "pattern": facts.pattern, "steel": facts.steel,
        "thickness_mm": facts.thickness_mm, "grind": facts.grind, "notes": facts.notes,
        "buyer_reference": facts.buyer_reference, "private": list(facts.private),
    }  # fmt: skip
    return KnifeOut(id=knife.id, made_at=knife.made_at, facts=said)


def _photo(photo: Any) -> PhotoOut:
    return PhotoOut(sha256=photo.sha256, size_bytes=photo.size_bytes, width=photo.width, height=photo.height)


def _check(request: Request, check: Check) -> CheckOut:
    outcome, step = check.outcome, None
    if outcome is None and check.kind != "photos":
        now = shop_of(request).work.step(check.id)
        step = StepOut(words=now.words, number=now.number, of=now.of, ahead=now.ahead)
    return CheckOut(
        id=check.id, knife_id=check.knife_id, kind=check.kind, at=check.at, state=state_of(check),
        asked=dict(check.asked), again_of=check.again_of, photos=[_photo(one.photo) for one in check.photos],
        step=step,
        outcome=None if outcome is None else OutcomeOut(
            at=outcome.at, state=outcome.state, verdict=outcome.verdict, headline=outcome.headline,
            error=outcome.error, advice=outcome.advice, error_photo=outcome.error_photo,
            result=dict(outcome.result),
        ),
    )  # fmt: skip
