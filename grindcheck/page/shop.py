"""What every route works with: the record, the workers, the paired phones, and the pages' templates."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from jinja2 import Environment, PackageLoader, StrictUndefined

from grindcheck import __version__
from grindcheck.page import words
from grindcheck.page.pairing import Pairings
from grindcheck.page.work import Work

if TYPE_CHECKING:
    from grindcheck.page.pictures import Pictures
    from grindcheck.record.opening import Record

PHOTO_ID = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """All that the page serves.

    Parameters
    ----------
    record : Record
    work : Work
    pairings : Pairings
    pictures : Pictures
    addresses : tuple of str
        Under which the shop's network reaches this page, as ``http://192.168.1.5:8765``; empty without
        ``--network``.
    sample : bool
        The record is the sample's and goes away at the end.
    """

    record: "Record"
    work: Work
    pairings: Pairings
    pictures: "Pictures"
    addresses: tuple[str, ...] = ()
    sample: bool = False


def shop_of(request: Request) -> Shop:
    """Return the shop that a request came to."""
    shop: Shop = request.app.state.shop
    return shop


def templates() -> Environment:
    """Make the environment of the templates: all is escaped, and a name that is missing is an error."""
    made = Environment(
        loader=PackageLoader("grindcheck.page", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters |= words.FILTERS
    made.globals |= {"version": __version__, "STAGES": words.STAGES}
    return made


_TEMPLATES = templates()


def page(request: Request, name: str, /, *, status: int = 200, **values: Any) -> HTMLResponse:
    """Answer with a page."""
    shop = shop_of(request)
    text = _TEMPLATES.get_template(name).render(
        shop=shop, here=request.url.path, visitor=request.scope.get("visitor", ""), **values
    )
    return HTMLResponse(text, status_code=status)


def go_to(path: str) -> RedirectResponse:
    """Answer a post with the page to go on with."""
    return RedirectResponse(path, status_code=303)


def wants_json(scope: Mapping[str, Any]) -> bool:
    """Whether who asks is a program."""
    return str(scope["path"]).startswith("/api/")


def download(path: Path, name: str, media_type: str) -> Response:
    """Answer with a file to be kept, never shown by the browser itself."""
    from fastapi.responses import FileResponse

    return FileResponse(path, media_type=media_type, filename=name, content_disposition_type="attachment")
