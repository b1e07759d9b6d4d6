"""Checks: asked for with photos, watched while they are measured, shown, and measured again."""

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile

from grindcheck.errors import GrindcheckError, InputError
from grindcheck.page.given import asked_as_given, asked_of, lines_of
from grindcheck.page.guard import MAX_PHOTOS
from grindcheck.page.results import show_outcome, views_for_lines
from grindcheck.page.routes_photos import take_file
from grindcheck.page.shop import PHOTO_ID, Shop, go_to, page, shop_of
from grindcheck.page.words import when
from grindcheck.record import checks, knives
from grindcheck.record.entries import Check, CheckKind, KnifePage, Role
from grindcheck.record.measuring import steps_of_check

router = APIRouter(include_in_schema=False)

Kind = Literal["symmetry", "finish", "photos"]


class Kept:
    """A photo that a form holds already: in the record, with what was wrong with it the last time."""

    def __init__(self, sha256: str, name: str, problem: GrindcheckError | None = None) -> None:
        self.sha256, self.name, self.problem = sha256, name, problem


@router.get("/knives/{knife_id}/check")
def show_form(
    request: Request, knife_id: str, kind: Kind = "symmetry", like: str = "", before: str = ""
) -> HTMLResponse:
    """Show the form of a new check; `like` an earlier one with its photos and options."""
    record = shop_of(request).record
    found = knives.knife(record, knife_id)
    thickness = found.knife.facts.thickness_mm
    given = asked_as_given({"thickness_mm": thickness, "grind": found.knife.facts.grind})
    kept: list[Kept] = []
    if like:
        old = checks.check(record, like)
        given = asked_as_given(old.asked) | {"stage": old.stage_id or ""}
        for position, one in enumerate(old.photos):
            if one.role == "face":
                kept.append(Kept(one.photo.sha256, one.name, _problem_of(old, position)))
            else:
                given["before"] = one.photo.sha256
    if before:
        given["before"] = before
    return _form(request, found, kind, given, kept)


@router.post("/knives/{knife_id}/checks")
async def ask_for_check(request: Request, knife_id: str) -> Response:
    """Keep the photos of a form and ask for a check of them."""
    shop = shop_of(request)
    async with request.form(max_files=2 * MAX_PHOTOS, max_fields=80) as form:
        kept = [_named(text) for text in form.getlist("photo") if isinstance(text, str)]
        refused: GrindcheckError | None = None
        for file in form.getlist("files"):
            if isinstance(file, UploadFile) and file.filename:
                try:
                    photo = await take_file(request, file.file, file.filename)
                    kept.append(Kept(photo.sha256, file.filename))
                except GrindcheckError as problem:
                    refused = problem
        texts = {name: value for name, value in form.items() if isinstance(value, str)}
        return await run_in_threadpool(_asked, request, shop, knife_id, texts, kept, refused)


def _asked(
    request: Request,
    shop: Shop,
    knife_id: str,
    form: Mapping[str, str],
    kept: Sequence[Kept],
    refused: GrindcheckError | None,
) -> Response:
    found = knives.knife(shop.record, knife_id)
    kind: CheckKind = _kind(form.get("kind", ""))
    try:
        if refused is not None:
            raise refused
        if len(kept) > MAX_PHOTOS:
            raise InputError(
                f"{len(kept)} photos came; at most {MAX_PHOTOS} go into one check.",
                advice="Leave some out, or make two checks.",
            )
        asked = asked_of(kind, form)
        photos: list[tuple[str, str, Role]] = [(one.sha256, one.name, "face") for one in kept]
        if kind == "finish" and form.get("before"):
            earlier = _named(form["before"])
            photos.append((earlier.sha256, earlier.name, "before"))
        stage_id = _stage(shop, found, form.get("stage", ""))
        check = checks.add_check(
            shop.record, found.knife.id, kind, photos=photos, asked=asked, stage_id=stage_id
        )
    except GrindcheckError as problem:
        given = asked_as_given({}) | dict(form)
        return _form(request, found, kind, given, kept, problem=problem)
    _remember(shop, found, asked)
    shop.work.nudge()
    return go_to(f"/checks/{check.id}")


@router.get("/checks/{check_id}")
def show_check(request: Request, check_id: str) -> HTMLResponse:
    """Show a check: how far it is, what came out, or why nothing did."""
    shop = shop_of(request)
    check = checks.check(shop.record, check_id)
    knife = knives.knife(shop.record, check.knife_id).knife
    if check.kind == "photos":
        return page(request, "check_photos.html", check=check, knife=knife)
    if check.outcome is None:
        step = shop.work.step(check.id)
        steps = steps_of_check(check)
        return page(request, "check_waiting.html", check=check, knife=knife, step=step, steps=steps)
    if check.outcome.state == "failed":
        return page(request, "check_failed.html", check=check, knife=knife)
    return show_outcome(request, check, knife)


@router.post("/checks/{check_id}/again")
def measure_again(request: Request, check_id: str) -> Response:
    """Ask for the same check once more."""
    return _again(shop_of(request), check_id, {})


@router.get("/checks/{check_id}/lines")
def show_lines(request: Request, check_id: str) -> HTMLResponse:
    """Show both photos with lines that can be moved."""
    return _lines_page(request, check_id)


@router.post("/checks/{check_id}/lines")
async def measure_with_lines(request: Request, check_id: str) -> Response:
    """Ask for a check with lines that were moved by hand."""
    form = await request.form(max_files=0, max_fields=20)
    texts = {name: value for name, value in form.items() if isinstance(value, str)}

    def asked() -> Response:
        try:
            lines = lines_of(texts)
            if not lines:
                raise InputError("No line was moved.", advice="Pull a handle first, or go back.")
        except InputError as problem:
            return _lines_page(request, check_id, problem=problem)
        return _again(shop_of(request), check_id, lines)

    return await run_in_threadpool(asked)


def _again(shop: Shop, check_id: str, lines: Mapping[str, list[float]]) -> Response:
    old = checks.check(shop.record, check_id)
    asked = dict(old.asked)
    if lines:
        asked["hand_lines"] = {**asked.get("hand_lines", {}), **lines}
    check = checks.add_check(
        shop.record,
        old.knife_id,
        old.kind,
        photos=[(one.photo.sha256, one.name, one.role) for one in old.photos],
        asked=asked,
        stage_id=old.stage_id,
        again_of=old.id,
    )
    shop.work.nudge()
    return go_to(f"/checks/{check.id}")


def _lines_page(request: Request, check_id: str, *, problem: GrindcheckError | None = None) -> HTMLResponse:
    shop = shop_of(request)
    check = checks.check(shop.record, check_id)
    views = views_for_lines(check)
    if not views:
        raise InputError(
            "This check has no lines that could be moved.", advice="Measure both sides of the blade first."
        )
    knife = knives.knife(shop.record, check.knife_id).knife
    status = 200 if problem is None else 422
    return page(request, "lines.html", status=status, check=check, knife=knife, views=views, problem=problem)


def _form(
    request: Request,
    found: KnifePage,
    kind: Kind,
    given: Mapping[str, str],
    kept: Sequence[Kept],
    *,
    problem: GrindcheckError | None = None,
) -> HTMLResponse:
    earlier: dict[str, Any] = {}
    for check in reversed(found.checks):
        for one in check.faces:
            earlier.setdefault(
                one.photo.sha256, {"photo": one.photo, "name": one.name, "when": when(check.at)}
            )
    return page(
        request, "check_new.html", status=200 if problem is None else 422, knife=found.knife, kind=kind,
        given=given, kept=kept, stages=found.stages, before=list(earlier.values())[:24], most=MAX_PHOTOS,
        problem=problem,
    )  # fmt: skip


def _problem_of(check: Check, position: int) -> GrindcheckError | None:
    outcome = check.outcome
    if outcome is None or outcome.state != "failed" or outcome.error_photo != position:
        return None
    return GrindcheckError(outcome.error, advice=outcome.advice)


def _named(text: str) -> Kept:
    sha256, _, name = text.partition("|")
    if not PHOTO_ID.fullmatch(sha256):
        raise InputError("A photo of the form isn't in the record.", advice="Choose the photos again.")
    return Kept(sha256, name or "photo")


def _kind(text: str) -> CheckKind:
    kinds: dict[str, CheckKind] = {"symmetry": "symmetry", "finish": "finish", "photos": "photos"}
    if text not in kinds:
        raise InputError(f"There is no check of kind {text!r}.", advice="Go on from the knife's page.")
    return kinds[text]


def _stage(shop: Shop, found: KnifePage, text: str) -> str | None:
    if text.startswith("new:"):
        return knives.add_stage(shop.record, found.knife.id, text.removeprefix("new:")).id
    return text or None


def _remember(shop: Shop, found: KnifePage, asked: Mapping[str, Any]) -> None:
    """Keep a knife's stock thickness when it is told with its first check."""
    from dataclasses import replace

    facts = found.knife.facts
    if facts.thickness_mm is None and "thickness_mm" in asked:
        knives.correct_knife(shop.record, found.knife.id, replace(facts, thickness_mm=asked["thickness_mm"]))
