"""Pages of knives: the list, one knife's life, its facts, stages and notes."""

from dataclasses import dataclass
from typing import Annotated, Any, Literal
from urllib.parse import urlencode

from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, Response
from starlette.concurrency import run_in_threadpool

from grindcheck.errors import InputError
from grindcheck.page.given import facts_as_given, facts_of
from grindcheck.page.notes import note_fields, readings_of
from grindcheck.page.shop import go_to, page, shop_of
from grindcheck.page.words import VERDICTS
from grindcheck.record import knives, listing
from grindcheck.record.entries import Check, KnifePage, Note, Stage

router = APIRouter(include_in_schema=False)

PER_PAGE = 40

_EMPTY = {
    "name": "", "thickness": "", "pattern": "", "steel": "", "grind": "", "notes": "", "buyer_reference": "",
    "private": ("buyer_reference", "notes"),
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A stage of a knife's life with what was checked and noted there; None before the first stage."""

    stage: Stage | None
    checks: tuple[Check, ...]
    notes: tuple[Note, ...]


@router.get("/")
def show_knives(
    request: Request,
    q: str = "",
    verdict: str = "",
    sort: Literal["newest", "name", "verdict"] = "newest",
    start: int = 0,
) -> HTMLResponse:
    """Show the list of knives."""
    record = shop_of(request).record
    start = min(max(start, 0), 10**9)
    only = None if not verdict else "" if verdict == "none" else verdict
    rows = listing.knives(record, q, sort, only, limit=PER_PAGE + 1, offset=start)

    def at(begin: int) -> str:
        return "/?" + urlencode({"q": q, "verdict": verdict, "sort": sort, "start": begin})

    return page(
        request, "knives.html", q=q, verdict=verdict, sort=sort, rows=rows[:PER_PAGE],
        verdicts=[one for one in VERDICTS if one != "failed"],
        earlier=at(max(0, start - PER_PAGE)) if start else None,
        later=at(start + PER_PAGE) if len(rows) > PER_PAGE else None,
    )  # fmt: skip


@router.get("/knives/new")
def show_new_knife(request: Request) -> HTMLResponse:
    """Show the form of a new knife."""
    return page(request, "knife_form.html", knife=None, given=_EMPTY, problem=None)


@router.post("/knives")
async def start_knife(request: Request) -> Response:
    """Start a knife."""
    form = await request.form(max_fields=40, max_files=0)
    return await run_in_threadpool(_keep_knife, request, _texts(form), _private(form), None)


@router.get("/knives/{knife_id}/facts")
def show_facts(request: Request, knife_id: str) -> HTMLResponse:
    """Show the form that corrects a knife's facts."""
    knife = knives.knife(shop_of(request).record, knife_id).knife
    return page(request, "knife_form.html", knife=knife, given=facts_as_given(knife.facts), problem=None)


@router.post("/knives/{knife_id}/facts")
async def correct_facts(request: Request, knife_id: str) -> Response:
    """Keep a knife's facts as corrected."""
    form = await request.form(max_fields=40, max_files=0)
    return await run_in_threadpool(_keep_knife, request, _texts(form), _private(form), knife_id)


def _keep_knife(
    request: Request, form: dict[str, str], private: tuple[str, ...], knife_id: str | None
) -> Response:
    record = shop_of(request).record
    knife = None if knife_id is None else knives.knife(record, knife_id).knife
    try:
        facts = facts_of(form, private)
        kept = (
            knives.add_knife(record, facts)
            if knife is None
            else knives.correct_knife(record, knife.id, facts)
        )
    except InputError as problem:
        given = _EMPTY | form | {"private": private}
        return page(request, "knife_form.html", status=422, knife=knife, given=given, problem=problem)
    return go_to(f"/knives/{kept.id}")


@router.get("/knives/{knife_id}")
def show_knife(request: Request, knife_id: str) -> HTMLResponse:
    """Show one knife's life."""
    found = knives.knife(shop_of(request).record, knife_id)
    return page(
        request, "knife.html", page=found, knife=found.knife, life=life_of(found),
        readings=readings_of(found.notes),
    )  # fmt: skip


@router.post("/knives/{knife_id}/stages")
def reach_stage(
    request: Request,
    knife_id: str,
    name: Annotated[str, Form()] = "",
    own: Annotated[str, Form()] = "",
    note: Annotated[str, Form()] = "",
) -> Response:
    """Say that a knife has reached a stage."""
    stage = own.strip() or name
    if not stage:
        raise InputError("No stage is chosen.", advice="Choose one, or write it in own words.")
    knives.add_stage(shop_of(request).record, knife_id, stage, note)
    return go_to(f"/knives/{knife_id}")


@router.post("/knives/{knife_id}/notes")
async def keep_note(request: Request, knife_id: str) -> Response:
    """Keep a note with its fields."""
    form = _texts(await request.form(max_fields=40, max_files=0))

    def keep() -> None:
        kind = form.pop("kind", "free")
        knives.add_note(shop_of(request).record, knife_id, kind, note_fields(kind, form))

    await run_in_threadpool(keep)
    return go_to(f"/knives/{knife_id}")


@router.post("/notes/{note_id}")
async def correct_note(request: Request, note_id: str) -> Response:
    """Keep a note as corrected."""
    form = _texts(await request.form(max_fields=40, max_files=0))
    knife_id = form.pop("knife", "")
    fields = {name: text for name, text in form.items() if text.strip()}
    note = await run_in_threadpool(knives.correct_note, shop_of(request).record, note_id, fields)
    return go_to(f"/knives/{note.knife_id or knife_id}")


def life_of(found: KnifePage) -> list[Part]:
    """Lay out a knife's stages with the checks and notes of each; what names no stage goes by its time."""
    stages = list(found.stages)

    def stage_of(one: Any) -> str | None:
        if any(stage.id == one.stage_id for stage in stages):
            return str(one.stage_id)
        reached = [stage.id for stage in stages if stage.at <= one.at]
        return reached[-1] if reached else None

    parts = [
        Part(
            stage=stage,
            checks=tuple(one for one in found.checks if stage_of(one) == (stage.id if stage else None)),
            notes=tuple(one for one in found.notes if stage_of(one) == (stage.id if stage else None)),
        )
        for stage in (None, *stages)
    ]
    return [part for part in parts if part.stage or part.checks or part.notes]


def _texts(form: Any) -> dict[str, str]:
    return {name: value for name, value in form.items() if isinstance(value, str)}


def _private(form: Any) -> tuple[str, ...]:
    return tuple(str(one) for one in form.getlist("private"))
