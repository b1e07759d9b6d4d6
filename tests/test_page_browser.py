"""A real browser goes the maker's way: new knife, photos, result, a line by hand, finish, PDF, export.

Driven is a Chromium that is installed; without one these tests are skipped. Screenshots go to the folder that
``GRINDCHECK_SCREENSHOTS`` names.
"""

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from page_shop import SAMPLES, served

from grindcheck.record import checks, knives

playwright = pytest.importorskip("playwright.sync_api", reason="playwright isn't installed")

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed")

SHOTS = os.environ.get("GRINDCHECK_SCREENSHOTS")
SLOW_MS = 60_000  # a pair is measured in 2 s on an idle machine; this one may be busy
LEAST_PX = 44  # of what is touched, WCAG 2.5.5

AUDIT = (Path(__file__).parent / "page_audit.js").read_text(encoding="utf-8").replace("LEAST", str(LEAST_PX))


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    with playwright.sync_playwright() as started:
        made = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield made
        made.close()


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    with served(tmp_path) as found:
        yield found


def opened(browser, base, width, height, scheme="light"):
    context = browser.new_context(
        viewport={"width": width, "height": height},
        color_scheme=scheme,
        has_touch=width < 500,
        base_url=base,
        accept_downloads=True,
    )
    page = context.new_page()
    page.set_default_timeout(SLOW_MS)
    page.said = []
    page.on("console", lambda message: page.said.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda problem: page.said.append(str(problem)))
    return page


def audited(page, name):
    """Look for what hinders: labels, small targets, contrast, overflow, refused scripts; in both schemes."""
    page.wait_for_load_state("load")
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        if SHOTS:
            Path(SHOTS).mkdir(parents=True, exist_ok=True)
            width = page.viewport_size["width"]
            page.screenshot(path=str(Path(SHOTS) / f"{name}_{width}_{scheme}.png"), full_page=True)
        assert page.evaluate(AUDIT) == [], f"{name} in {scheme}"
    page.emulate_media(color_scheme="light")
    assert page.said == [], name


@pytest.mark.parametrize(("width", "height"), [(390, 844), (1600, 1000)])
def test_from_a_new_knife_to_its_export(browser, shop, tmp_path, width, height):
    base, found = shop
    page = opened(browser, base, width, height)
    page.goto("/")
    audited(page, "empty")
    page.get_by_role("link", name="New knife").click()
    page.get_by_label("Name or number").fill("Field 7")
    page.get_by_role("textbox", name="Stock thickness").fill("5/32")
    audited(page, "new_knife")
    page.get_by_role("button", name="Start this knife").click()
    audited(page, "knife_empty")

    page.get_by_role("link", name="Check both sides").click()
    assert (
        page.get_by_role("textbox", name="Stock thickness").input_value() == "3.969 mm"
    )  # remembered with the knife
    page.locator("#choose").set_input_files([str(SAMPLES / f"field_knife_a_{n}.jpg") for n in (2, 1)])
    page.get_by_text("2 kept.").wait_for()
    audited(page, "new_check")
    page.get_by_role("button", name="Measure").click()
    page.get_by_role("heading", name="Mismatch").wait_for()
    much, sure = (
        float(re.search(r"[\d.]+", page.locator(".tiles dd").nth(n).inner_text())[0]) for n in (1, 2)
    )
    assert abs(much - 0.60) <= sure < 0.2  # mm; rendered with 0.60 mm, field_knife_a.json
    audited(page, "pair")

    box = page.locator("[data-wipe] svg")
    start = page.locator("[data-over]").get_attribute("x")
    page.locator("[data-wiper]").press("ArrowLeft")
    assert float(page.locator("[data-over]").get_attribute("x")) < float(start)
    before = box.get_attribute("viewBox")
    page.locator("[data-wipe]").get_by_role("button", name="Zoom in").click()
    assert float(box.get_attribute("viewBox").split()[2]) < float(before.split()[2])

    page.get_by_role("link", name="Move a line by hand").click()
    audited(page, "lines")
    handle = page.locator("[data-line=plunge-left] .handle").nth(1)
    handle.scroll_into_view_if_needed()
    at = handle.bounding_box()
    assert min(at["width"], at["height"]) >= LEAST_PX
    x, y = at["x"] + at["width"] / 2, at["y"] + at["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 12, y, steps=4)
    page.mouse.up()
    handle.press("ArrowRight")
    assert "left" in page.locator("[data-moved]").inner_text()
    page.get_by_role("button", name="Measure with these lines").click()
    page.get_by_text("Placed by hand:").wait_for()
    first, second = knives.knife(found.record, "Field 7").checks
    assert second.again_of == first.id
    assert list(second.asked["hand_lines"]) == ["plunge-left"]
    assert second.outcome.result["faces"]["left"]["by_hand"] == ["plunge"]
    mids = [check.outcome.result["faces"]["left"]["plunge"]["mid"]["value"] for check in (first, second)]
    assert abs(mids[1] - mids[0]) > 0.05  # mm: the figures follow
    audited(page, "by_hand")

    page.get_by_role("link", name="Next: the finish").click()
    page.locator("#choose").set_input_files(str(SAMPLES / "face_leftover.jpg"))
    page.get_by_text("1 kept.").wait_for()
    audited(page, "new_finish")
    page.get_by_role("button", name="Measure").click()
    page.get_by_role("heading", name="Scratched").wait_for()
    audited(page, "finish")
    page.locator("a.tag").first.press("Enter")
    assert "#s0-" in page.url
    crop = page.locator(".crops li img").first
    crop.scroll_into_view_if_needed()
    playwright.expect(crop).to_have_js_property("naturalWidth", 640, timeout=SLOW_MS)

    page.goto(f"/knives/{first.knife_id}")
    audited(page, "knife")
    for words, beginning in (("Sheet for the buyer", b"%PDF"), ("Export with its photos", b"PK")):
        with page.expect_download() as waiting:
            page.get_by_role("link", name=words).click()
        target = tmp_path / waiting.value.suggested_filename
        waiting.value.save_as(target)
        assert target.read_bytes().startswith(beginning)
        assert "Field-7" in target.name
    for path in ("/", "/trend", "/mat", "/more", "/phones", "/bin"):
        page.goto(path)
        audited(page, path.strip("/") or "list")
    page.context.close()


def test_a_photo_that_is_none_is_told_beside_it_and_the_other_is_kept(browser, shop, tmp_path):
    base, found = shop
    page = opened(browser, base, 390, 844)
    page.goto("/knives/new")
    page.get_by_label("Name or number").fill("Field 8")
    page.get_by_role("button", name="Start this knife").click()
    page.get_by_role("link", name="Check both sides").click()
    fake = tmp_path / "fake.jpg"
    fake.write_bytes(b"no photo at all")
    page.locator("#choose").set_input_files([str(SAMPLES / "field_knife_a_1.jpg"), str(fake)])
    page.get_by_text("1 kept; 1 more needed.").wait_for()
    item = page.locator("[data-shots] li", has_text="fake.jpg")
    assert "is no JPEG, PNG or HEIC picture" in item.inner_text()
    page.reload()
    page.get_by_text("1 kept; 1 more needed.").wait_for()  # nothing has to be taken twice
    page.locator("#choose").set_input_files(str(SAMPLES / "face_clean.jpg"))
    page.get_by_text("2 kept.").wait_for()
    page.get_by_role("textbox", name="Stock thickness").fill("4 mm")
    page.get_by_role("button", name="Measure").click()
    page.get_by_role("heading", name="Not measured").wait_for()
    page.said.clear()  # the refused upload of before
    audited(page, "failed")
    page.get_by_role("link", name="Change photos or options").click()
    assert page.locator("[data-shots] li").count() == 2
    page.context.close()
    assert [one.outcome.state for one in knives.knife(found.record, "Field 8").checks] == ["failed"]


def test_it_works_without_scripts_too(browser, shop):
    base, found = shop
    context = browser.new_context(
        java_script_enabled=False, base_url=base, viewport={"width": 390, "height": 844}
    )
    page = context.new_page()
    page.set_default_timeout(SLOW_MS)
    page.goto("/knives/new")
    page.get_by_label("Name or number").fill("Plain")
    page.get_by_role("textbox", name="Stock thickness").fill("5/32")
    page.get_by_role("button", name="Start this knife").click()
    page.get_by_role("link", name="Check both sides").click()
    page.locator("#choose").set_input_files([str(SAMPLES / f"field_knife_a_{n}.jpg") for n in (1, 2)])
    page.get_by_role("button", name="Measure").click()
    page.get_by_role("heading", name=re.compile("Measuring|Mismatch")).wait_for()
    (check,) = knives.knife(found.record, "Plain").checks
    assert len(check.photos) == 2
    context.close()


def test_a_phone_is_paired_by_its_link(browser, shop):
    base, found = shop
    link = found.shop.pairings.new_link()
    page = opened(browser, base, 390, 844)
    page.goto(f"/pair/{link}")
    page.get_by_label("Name of this phone").fill("bench")
    page.get_by_role("button", name="Pair this phone").click()
    page.get_by_role("heading", name="Knives").wait_for()
    (cookie,) = page.context.cookies()
    assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
    assert [phone.name for phone in found.shop.pairings.phones()] == ["bench"]
    page.goto("/phones")
    page.get_by_role("button", name="Show a code").click()
    page.locator("svg.qr").wait_for()
    audited(page, "phones_code")
    assert checks.waiting(found.record) == []
    page.context.close()
