"""The rest of the shop: mat and bars, phones, bin, export and import."""

import tempfile
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Form, Request
from fastapi.responses import HTMLResponse, Response

from grindcheck import options
from grindcheck.errors import InputError
from grindcheck.page.guard import RefusedError
from grindcheck.page.pairing import COOKIE, COOKIE_LIVES
from grindcheck.page.shop import go_to, page, shop_of
from grindcheck.printscale import load_print_scale, save_print_scale

router = APIRouter(include_in_schema=False)

PAPERS = (("a4", "A4"), ("letter", "US Letter"), ("a3", "A3"), ("tabloid", "Tabloid"))
_PAPERS = dict(PAPERS)


@router.get("/more")
def show_more(request: Request) -> HTMLResponse:
    """Show what isn't needed every day."""
    return page(request, "more.html", problem=None, done="")


@router.get("/mat")
def show_mat(request: Request, kept: str = "") -> HTMLResponse:
    """Show how the mat is printed and measured."""
    return _mat(request, kept=kept if kept in (*_PAPERS, "strip") else "")


@router.get("/mat/{paper}.pdf")
def print_mat(paper: str) -> Response:
    """Draw a mat or a sheet of strips to be printed."""
    name = paper.removeprefix("strip-")
    if name not in _PAPERS or (name != paper and name not in ("a4", "letter")):
        raise RefusedError("There is no mat for this paper.", advice="Choose one of the list.", status=404)
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / "mat.pdf"
        if name != paper:
            from grindcheck.mat.strip_sheet import draw_strips
            from grindcheck.mat.strips import strip_sheet

            draw_strips(strip_sheet(name), target)
        else:
            from grindcheck.mat.drawing import draw_mat
            from grindcheck.mat.spec import mat_spec

            draw_mat(mat_spec(name), target)
        data = target.read_bytes()
    headers = {
        "content-disposition": f'attachment; filename="{"strip" if name != paper else "mat"}_{name}.pdf"'
    }
    return Response(data, media_type="application/pdf", headers=headers)


@router.post("/mat/bars")
def keep_bars(
    request: Request,
    paper: Annotated[str, Form()] = "",
    bar_x: Annotated[str, Form()] = "",
    bar_y: Annotated[str, Form()] = "",
) -> Response:
    """Keep what a calliper reads on the printed bars."""
    given = {"paper": paper, "bar_x": bar_x, "bar_y": bar_y}
    try:
        if paper not in (*_PAPERS, "strip"):
            raise InputError("There is no mat for this paper.", advice="Choose one of the list.")
        read = [options.read_bar(text.strip() or None, axis) for text, axis in ((bar_x, "x"), (bar_y, "y"))]
        save_print_scale(paper, *read)
    except InputError as problem:
        return _mat(request, given=given, problem=problem)
    return go_to(f"/mat?kept={paper}")


def _mat(
    request: Request,
    *,
    kept: str = "",
    given: dict[str, str] | None = None,
    problem: InputError | None = None,
) -> HTMLResponse:
    scales = [(label, load_print_scale(name)) for name, label in (*PAPERS, ("strip", "Strips"))]
    return page(
        request, "mat.html", status=200 if problem is None else 422, papers=PAPERS, scales=scales,
        given=given or {"paper": "a4", "bar_x": "", "bar_y": ""}, problem=problem,
        kept=f"Kept for {_PAPERS.get(kept, 'the strips')}." if kept else "",
    )  # fmt: skip


@router.get("/phones")
def show_phones(request: Request) -> HTMLResponse:
    """Show the phones that may come in."""
    return page(request, "phones.html", phones=shop_of(request).pairings.phones(), link=None, code=None)


@router.post("/phones/link")
def show_code(request: Request) -> HTMLResponse:
    """Make a one-time link and show it as a code."""
    shop = shop_of(request)
    _at_the_computer(request)
    if not shop.addresses:
        raise RefusedError(
            "This page isn't open to the shop's network.", advice="Start it with --network.", status=403
        )
    link = f"{shop.addresses[0]}/pair/{shop.pairings.new_link()}"
    return page(request, "phones.html", phones=shop.pairings.phones(), link=link, code=code_of(link))


@router.post("/phones/revoke")
def shut_out(request: Request, id: Annotated[str, Form()] = "") -> Response:
    """Shut a phone out."""
    _at_the_computer(request)
    shop_of(request).pairings.revoke(id)
    return go_to("/phones")


@router.get("/pair/{token}")
def show_pairing(request: Request, token: str) -> HTMLResponse:
    """Show a phone the button that pairs it; looking alone uses nothing up."""
    is_open = shop_of(request).pairings.is_open(token)
    return page(request, "pair.html", status=200 if is_open else 410, token=token, open=is_open)


@router.post("/pair/{token}")
def pair(request: Request, token: str, name: Annotated[str, Form()] = "") -> Response:
    """Exchange a one-time link for a cookie."""
    cookie = shop_of(request).pairings.exchange(token, name)
    if cookie is None:
        return page(request, "pair.html", status=410, token="", open=False)
    answer = go_to("/")
    answer.set_cookie(
        COOKIE, cookie, max_age=int(COOKIE_LIVES.total_seconds()), httponly=True, samesite="strict", path="/"
    )
    return answer


def code_of(link: str) -> tuple[int, str]:
    """Return a QR code as the number of its squares a side, quiet border included, and an SVG path."""
    import segno

    rows = [list(row) for row in segno.make(link, micro=False).matrix_iter(border=4)]
    dark = "".join(f"M{x} {y}h1v1h-1z" for y, row in enumerate(rows) for x, on in enumerate(row) if on)
    return len(rows), dark


def _at_the_computer(request: Request) -> None:
    if request.scope.get("visitor") != "local":
        raise RefusedError(
            "This is done on the shop's computer itself.", advice="Open the page there.", status=403
        )
