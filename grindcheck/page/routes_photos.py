"""Photos: taken in as they come, shown as new pictures, handed back as they came only to be kept."""

import tempfile
from collections.abc import Callable
from typing import IO, BinaryIO, Literal, cast

import anyio
from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from grindcheck.page.guard import MAX_PHOTO_BYTES, RefusedError
from grindcheck.page.shop import PHOTO_ID, download, page, shop_of
from grindcheck.record import checks, vault
from grindcheck.record.entries import StoredPhoto
from grindcheck.record.given import file_name
from grindcheck.record.opening import Record

router = APIRouter(include_in_schema=False)

_AT_ONCE = 2  # pictures: decoded, a photo has 36 to 360 MB
_IN_MEMORY = 1 << 20  # bytes of an upload before it goes to the disk
_MEDIA = {".jpg": "image/jpeg", ".png": "image/png", ".heic": "image/heic"}
_FOR_GOOD = {"cache-control": "private, max-age=31536000, immutable"}

_painters = anyio.CapacityLimiter(_AT_ONCE)
_porters = anyio.CapacityLimiter(4)


@router.get("/photos/{sha256}/original")
def hand_back(request: Request, sha256: str) -> Response:
    """Hand a photo back as it came, as a download."""
    path = vault.photo_path(shop_of(request).record, _checked(sha256))
    return download(path, path.name, _MEDIA[path.suffix])


@router.get("/photos/{sha256}/{size}.jpg")
async def show_photo(request: Request, sha256: str, size: Literal["small", "screen", "full"]) -> Response:
    """Show a photo as a new JPEG of its pixels."""
    pictures = shop_of(request).pictures
    return await painted(lambda: pictures.photo(_checked(sha256), size), for_good=True)


@router.get("/photos/{sha256}")
def look_at_photo(request: Request, sha256: str) -> HTMLResponse:
    """Show a photo large."""
    found = vault.stored_photo(shop_of(request).record, _checked(sha256))
    return page(request, "photo.html", sha=sha256, width=found.width, height=found.height)


@router.get("/checks/{check_id}/face/{side}.jpg")
async def show_face(request: Request, check_id: str, side: Literal["left", "right"]) -> Response:
    """Show a face of a comparison in the blade frame."""
    shop = shop_of(request)

    def made() -> bytes:
        outcome = checks.check(shop.record, check_id).outcome
        return shop.pictures.face({} if outcome is None else outcome.result, side)

    return await painted(made)


@router.get("/checks/{check_id}/finish/{number}.jpg")
async def show_searched(request: Request, check_id: str, number: int) -> Response:
    """Show the picture in which scratches were searched for."""
    shop = shop_of(request)

    def made() -> bytes:
        outcome = checks.check(shop.record, check_id).outcome
        return shop.pictures.searched(check_id, {} if outcome is None else outcome.result, number)

    return await painted(made)


@router.get("/checks/{check_id}/finish/{number}/{scratch}.jpg")
async def show_scratch(request: Request, check_id: str, number: int, scratch: int) -> Response:
    """Show one scratch enlarged."""
    shop = shop_of(request)

    def made() -> bytes:
        outcome = checks.check(shop.record, check_id).outcome
        return shop.pictures.crop(check_id, {} if outcome is None else outcome.result, number, scratch)

    return await painted(made)


async def painted(make: Callable[[], bytes], *, for_good: bool = False) -> Response:
    """Answer with a picture; few are made at once, whoever asks, so that memory stays bounded."""
    data = await anyio.to_thread.run_sync(make, limiter=_painters)
    headers = _FOR_GOOD if for_good else {"cache-control": "private, max-age=300"}
    return Response(data, media_type="image/jpeg", headers=headers)


async def take_in(request: Request, name: str) -> StoredPhoto:
    """Take the body of a request into the record as a photo, in pieces."""
    record = shop_of(request).record
    with tempfile.SpooledTemporaryFile(max_size=_IN_MEMORY) as arriving:
        async for piece in request.stream():
            if len(piece) < _IN_MEMORY:
                arriving.write(piece)
            else:
                await anyio.to_thread.run_sync(arriving.write, piece)
        return await anyio.to_thread.run_sync(_kept, record, arriving, name, limiter=_porters)


async def take_file(request: Request, file: IO[bytes], name: str) -> StoredPhoto:
    """Take a file of a form into the record as a photo."""
    record = shop_of(request).record
    return await anyio.to_thread.run_sync(_kept, record, file, name, limiter=_porters)


def _kept(record: Record, arriving: IO[bytes], name: str) -> StoredPhoto:
    arriving.seek(0)
    return vault.add_photo(
        record, cast(BinaryIO, arriving), name=file_name(name), limit_bytes=MAX_PHOTO_BYTES
    )


def _checked(sha256: str) -> str:
    if not PHOTO_ID.fullmatch(sha256):
        raise RefusedError("There is no such photo.", advice="Go on from the list of knives.", status=404)
    return sha256
