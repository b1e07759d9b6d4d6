"""What leaves the shop and comes back: exports, imports, the sheet for the buyer, and the bin."""

import re
import shutil
import tempfile
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import anyio
from fastapi import APIRouter, Form, Request
from fastapi.responses import FileResponse, HTMLResponse, Response
from starlette.background import BackgroundTask
from starlette.datastructures import UploadFile

from grindcheck.errors import GrindcheckError, InputError
from grindcheck.page.shop import go_to, page, shop_of
from grindcheck.record import binning, knives
from grindcheck.record.archive import export_record
from grindcheck.record.opening import Record
from grindcheck.record.sheet import sheet_of
from grindcheck.record.taking_in import TakenIn, import_record
from grindcheck.report.knife_sheet import knife_sheet

router = APIRouter(include_in_schema=False)

_carriers = anyio.CapacityLimiter(1)  # exports and imports: each keeps the disk busy
_ENTITIES: dict[str, binning.Entity] = {one: one for one in binning.ENTITIES}


@router.get("/knives/{knife_id}/export.zip")
async def export_knife(request: Request, knife_id: str) -> Response:
    """Hand out one knife with all of its photos."""
    record = shop_of(request).record

    def write(path: Path) -> str:
        knife = knives.knife(record, knife_id).knife
        export_record(record, path, [knife.id])
        return file_word(knife.facts.name)

    return await _handed_out(write, "zip", "application/zip")


@router.get("/knives/{knife_id}/sheet.pdf")
async def hand_out_sheet(request: Request, knife_id: str) -> Response:
    """Hand out a knife's sheet, without what is marked private."""
    record = shop_of(request).record

    def write(path: Path) -> str:
        found = knives.knife(record, knife_id)
        sheet = sheet_of(record, found, made_on=datetime.now().astimezone().date())
        path.write_bytes(knife_sheet(sheet))
        return file_word(sheet.name)

    return await _handed_out(write, "pdf", "application/pdf")


@router.get("/export.zip")
async def export_all(request: Request) -> Response:
    """Hand out all knives."""
    record = shop_of(request).record

    def write(path: Path) -> str:
        export_record(record, path)
        return "all"

    return await _handed_out(write, "zip", "application/zip")


@router.post("/import")
async def take_in_archive(request: Request) -> Response:
    """Take an exported file in."""
    record = shop_of(request).record
    async with request.form(max_files=1, max_fields=5) as form:
        file = form.get("archive")
        try:
            if not isinstance(file, UploadFile) or not file.filename:
                raise InputError("No file is chosen.", advice="Choose a zip that grindcheck exported.")
            taken = await anyio.to_thread.run_sync(_taken_in, record, file.file, limiter=_carriers)
        except GrindcheckError as problem:
            return page(request, "more.html", status=422, problem=problem, done="")
    shop_of(request).work.nudge()
    return page(request, "more.html", problem=None, done=_said(taken))


@router.get("/bin")
def show_bin(request: Request) -> HTMLResponse:
    """Show what was thrown away."""
    return page(request, "bin.html", things=binning.in_the_bin(shop_of(request).record))


@router.post("/bin")
def throw_away(
    request: Request, entity: Annotated[str, Form()] = "", id: Annotated[str, Form()] = ""
) -> Response:
    """Put something into the bin."""
    binning.throw_away(shop_of(request).record, _entity(entity), id)
    return go_to("/bin")


@router.post("/bin/restore")
def bring_back(
    request: Request, entity: Annotated[str, Form()] = "", id: Annotated[str, Form()] = ""
) -> Response:
    """Take something out of the bin."""
    binning.restore(shop_of(request).record, _entity(entity), id)
    return go_to("/bin")


@router.post("/bin/empty")
def empty_bin(request: Request) -> Response:
    """Remove for good what lies in the bin, kept pictures of its photos too."""
    shop = shop_of(request)
    binning.empty_bin(shop.record)
    shop.pictures.forget_lost()
    return go_to("/bin")


def file_word(name: str) -> str:
    """Return a word for a download's file name: letters, digits and hyphens of a knife's name.

    Examples
    --------
    >>> file_word("../Petty 12!")
    'Petty-12'
    """
    return re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-")[:60] or "knife"


async def _handed_out(write: Callable[[Path], str], suffix: str, media_type: str) -> Response:
    folder = Path(tempfile.mkdtemp(prefix="grindcheck-out-"))
    path = folder / f"out.{suffix}"
    try:
        word = await anyio.to_thread.run_sync(write, path, limiter=_carriers)
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return FileResponse(
        path, media_type=media_type, filename=f"grindcheck-{word}.{suffix}",
        background=BackgroundTask(shutil.rmtree, folder, ignore_errors=True),
    )  # fmt: skip


def _taken_in(record: Record, file: Any) -> TakenIn:
    with tempfile.TemporaryDirectory(prefix="grindcheck-in-") as folder:
        path = Path(folder) / "archive.zip"
        file.seek(0)
        with path.open("wb") as out:
            shutil.copyfileobj(file, out, 1 << 20)
        return import_record(record, path)


def _said(taken: TakenIn) -> str:
    said = f"{taken.knives} knives came, {taken.new_knives} of them new, with {taken.new_photos} new photos."
    binned = f" In the bin here: {', '.join(taken.binned)}." if taken.binned else ""
    return said + binned


def _entity(text: str) -> binning.Entity:
    if text not in _ENTITIES:
        raise InputError(f"There is no {text!r} that could be thrown away.", advice="Go back and try again.")
    return _ENTITIES[text]
