"""The page put together: routes, guard, and the one way in which anything that goes wrong is told."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from grindcheck import __version__
from grindcheck.errors import GrindcheckError, NotInRecordError, RecordError
from grindcheck.page import (
    api,
    routes_archive,
    routes_checks,
    routes_knives,
    routes_photos,
    routes_shop,
    routes_trend,
)
from grindcheck.page.given import for_page
from grindcheck.page.guard import App, Door, Guard, RefusedError, Scope
from grindcheck.page.shop import Shop, page, wants_json

_WORDS = {
    404: ("There is no such page.", "Go on from the list of knives."),
    405: ("That can't be done with this address.", "Go on from the list of knives."),
}


def make_app(shop: Shop, entrance: Door) -> App:
    """Make the whole page.

    Parameters
    ----------
    shop : Shop
    entrance : Door

    Returns
    -------
    callable
        An ASGI application that starts and ends the workers with itself.
    """

    @asynccontextmanager
    async def open_hours(_: FastAPI) -> AsyncIterator[None]:
        shop.work.start()
        try:
            yield
        finally:
            shop.work.stop()

    app = FastAPI(
        title="grindcheck",
        version=__version__,
        lifespan=open_hours,
        openapi_url="/api/openapi.json",
        docs_url=None,  # these pages fetch their scripts from elsewhere
        redoc_url=None,
    )
    app.state.shop = shop
    for router in (
        api.router, routes_knives.router, routes_checks.router, routes_photos.router, routes_trend.router,
        routes_shop.router, routes_archive.router,
    ):  # fmt: skip
        app.include_router(router)
    app.mount("/static", StaticFiles(packages=[("grindcheck.page", "static")]))
    app.add_exception_handler(GrindcheckError, _told)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(Exception, _unforeseen)

    def refuse(scope: Scope, refusal: RefusedError) -> App:
        scope["app"] = app
        return tell(Request(scope), refusal.status, refusal.message, refusal.advice)

    return Guard(app, entrance, refuse)


def tell(request: Request, status: int, message: str, advice: str) -> Response:
    """Answer with what went wrong and what to do: the one shape of all errors."""
    advice = for_page(advice)
    if wants_json(request.scope):
        return JSONResponse({"error": {"message": message, "advice": advice}}, status_code=status)
    return page(request, "error.html", status=status, message=message, advice=advice)


def _told(request: Request, problem: Exception) -> Response:
    if not isinstance(problem, GrindcheckError):
        raise problem
    if isinstance(problem, RefusedError):
        status = problem.status
    elif isinstance(problem, NotInRecordError):
        status = 404
    else:
        status = 503 if isinstance(problem, RecordError) else 422
    return tell(request, status, problem.message, problem.advice)


def _http(request: Request, problem: Exception) -> Response:
    status = problem.status_code if isinstance(problem, HTTPException) else 500
    message, advice = _WORDS.get(status, ("That request can't be read.", "Go back and try again."))
    answer = tell(request, status, message, advice)
    if isinstance(problem, HTTPException) and problem.headers:
        answer.headers.update(problem.headers)
    return answer


def _invalid(request: Request, problem: Exception) -> Response:
    found: list[Any] = list(problem.errors()) if isinstance(problem, RequestValidationError) else []
    said = "; ".join(f"{'.'.join(str(part) for part in one['loc'][1:])}: {one['msg']}" for one in found[:3])
    return tell(request, 422, f"Something in it can't be read ({said}).", "Fill it in again and send it.")


def _unforeseen(request: Request, problem: Exception) -> Response:
    return tell(
        request,
        500,
        f"Something unforeseen went wrong ({type(problem).__name__}).",
        "Go back and try again; if it stays, report what the window of grindcheck serve shows.",
    )
