"""The trend over knives: a sentence, the chart, the values."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from grindcheck.errors import NotInRecordError
from grindcheck.page.routes_photos import painted
from grindcheck.page.shop import page, shop_of
from grindcheck.record import checks
from grindcheck.record.trends import trend_of
from grindcheck.report.trend_text import habit_sentence, notes, signal_sentences

router = APIRouter(include_in_schema=False)

MOST_ROWS = 60
QUANTITIES = ("plunge.mid", "plunge.shoulder", "plunge.edge", "plunge.angle")


@router.get("/trend")
def show_trend(request: Request, quantity: str = QUANTITIES[0]) -> HTMLResponse:
    """Show how a difference goes from knife to knife."""
    quantity = quantity if quantity in QUANTITIES else QUANTITIES[0]
    points = checks.series(shop_of(request).record, quantity)
    found = trend_of(quantity, points)
    return page(
        request, "trend.html", quantity=quantity, quantities=QUANTITIES,
        points=points[: -MOST_ROWS - 1 : -1], count=len(points),
        sentence=None if found is None else habit_sentence(found, "mm"),
        remarks=() if found is None else (*signal_sentences(found), *notes(found, "mm")),
        chart=found is not None and len(points) > 1,
    )  # fmt: skip


@router.get("/trend/chart.png")
async def show_chart(request: Request, quantity: str = QUANTITIES[0]) -> Response:
    """Draw the chart of individuals and moving ranges."""
    record = shop_of(request).record

    def made() -> bytes:
        from grindcheck.report.trend_picture import trend_picture

        found = trend_of(quantity, checks.series(record, quantity)) if quantity in QUANTITIES else None
        if found is None:
            raise NotInRecordError("There is no trend yet.", advice="Check both sides of two knives first.")
        return trend_picture(found, units="mm")

    answer = await painted(made)
    answer.headers["content-type"] = "image/png"
    answer.headers["cache-control"] = "no-store"
    return answer
