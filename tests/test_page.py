"""Pages and interface without a browser: what is asked is kept, what goes wrong is told beside its cause."""

import io
import os
import re
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import fixtures_record
import pytest
from fixtures_results import mismatch
from page_shop import SAMPLES, jpeg, open_shop
from PIL import Image

from grindcheck.page import sample
from grindcheck.page.given import asked_of, for_page
from grindcheck.page.plots import ticks
from grindcheck.page.work import failed
from grindcheck.record import checks, knives, vault
from grindcheck.record.entries import KnifeFacts, Outcome
from grindcheck.report.data import report_data
from grindcheck.verdict import Tolerances, judge


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    with open_shop(tmp_path) as found:
        yield found


@pytest.fixture
def knife(shop):
    return knives.add_knife(shop.record, KnifeFacts(name="Petty 4", thickness_mm=2.2, steel="1.2519"))


def test_a_knife_is_started_and_corrected(shop):
    client = shop.client()
    answer = client.post(
        "/knives", data={"name": "Field 7", "thickness": "3/16", "grind": "sabre", "private": "steel"}
    )
    assert answer.status_code == 303
    page = client.get(answer.headers["location"]).text
    assert "Field 7" in page
    found = knives.knife(shop.record, "Field 7")
    assert found.knife.facts.thickness_mm == pytest.approx(4.7625)  # 3/16 × 25.4, by hand
    assert found.knife.facts.private == ("steel",)
    form = client.get(f"/knives/{found.knife.id}/facts").text
    assert 'value="4.762 mm"' in form or 'value="4.763 mm"' in form
    client.post(f"/knives/{found.knife.id}/facts", data={"name": "Field 7a", "thickness": "5 mm"})
    page = client.get(f"/knives/{found.knife.id}").text
    assert "Field 7a" in page
    assert "What was said before" in page


def test_a_slip_comes_back_with_what_was_written(shop):
    answer = shop.client().post("/knives", data={"name": "Field 8", "thickness": "4", "steel": "1.2842"})
    assert answer.status_code == 422
    assert "has no unit" in answer.text
    assert 'value="Field 8"' in answer.text
    assert 'value="1.2842"' in answer.text
    assert "--thickness" not in answer.text


def test_the_list_is_searched_sorted_filtered_and_paged(shop):
    for number in range(45):  # a letter that no identifier has, which the search sees too
        knives.add_knife(
            shop.record, KnifeFacts(name=f"Knife q{number:02}", steel="odd" if number % 2 else "even")
        )
    client = shop.client()
    page = client.get("/").text
    assert page.count('<li><a href="/knives/') == 40
    assert "Knife q44" in page
    assert "Knife q04" not in page
    later = re.search(r'rel="next" href="([^"]+)"', page)[1].replace("&amp;", "&")
    assert "Knife q04" in client.get(later).text
    assert client.get("/?q=odd+knife+q03").text.count('<li><a href="/knives/') == 1
    by_name = client.get("/?sort=name").text
    assert by_name.index("Knife q00") < by_name.index("Knife q01")
    assert "No knife has all of that" in client.get("/?verdict=match").text
    assert client.get("/?sort=sideways").status_code == 422


def test_stages_and_notes_make_a_life(shop, knife):
    client, at = shop.client(), f"/knives/{knife.id}"
    assert client.post(f"{at}/stages", data={"name": "heat treated"}).status_code == 303
    client.post(f"{at}/stages", data={"own": "hung on the wall"})
    client.post(f"{at}/notes", data={"kind": "heat treatment", "quench": "oil", "soak": ""})
    page = client.get(at).text
    assert page.index("heat treated</b>") < page.index("hung on the wall</b>")
    (note,) = knives.knife(shop.record, knife.id).notes
    assert note.fields == {"quench": "oil"}
    client.post(f"/notes/{note.id}", data={"knife": knife.id, "quench": "plates"})
    page = client.get(at).text
    assert "plates" in page
    assert "Corrected 1×" in page
    answer = client.post(f"{at}/stages", data={})
    assert answer.status_code == 422
    assert "No stage is chosen." in answer.text


def test_micrometer_readings_are_summed_up(shop, knife):
    sent = {"kind": "micrometer", "reading1": "3.98 mm", "reading2": "4.00 mm", "reading3": "4.02 mm",
            "place1": "10 mm", "place2": "60 mm", "place3": "110 mm"}  # fmt: skip
    assert shop.client().post(f"/knives/{knife.id}/notes", data=sent).status_code == 303
    page = shop.client().get(f"/knives/{knife.id}").text
    assert "Spread 0.040 mm" in page  # 4.02 - 3.98, by hand
    assert "mean 4.000 mm" in page
    assert "+0.040 mm thicker per 100 mm" in page  # 0.04 mm over 100 mm, by hand
    sent.pop("reading3")
    assert shop.client().post(f"/knives/{knife.id}/notes", data=sent).status_code == 422


def test_a_check_is_asked_for_with_photos_in_the_form(shop, knife):
    photos = [("files", (f"IMG {n}.JPG", jpeg(n), "image/jpeg")) for n in (1, 2)]
    sent = {"kind": "symmetry", "thickness": "2.2 mm", "tolerance": "10 thou", "stage": "new:profiled"}
    answer = shop.client().post(f"/knives/{knife.id}/checks", data=sent, files=photos)
    assert answer.status_code == 303
    (check,) = checks.waiting(shop.record)
    assert [one.name for one in check.photos] == ["IMG 1.JPG", "IMG 2.JPG"]
    assert check.asked["tolerance_mm"] == pytest.approx(0.254)  # 10 × 0.0254, by hand
    (stage,) = knives.knife(shop.record, knife.id).stages
    assert check.stage_id == stage.id
    page = shop.client().get(answer.headers["location"]).text
    assert "Measuring" in page
    assert "Finding mat and blade" in page


@pytest.mark.parametrize("kind", ["symmetry", "finish"])
def test_the_calibrated_lens_may_be_left_out(shop, knife, kind):
    client, at = shop.client(), f"/knives/{knife.id}/check"
    photos = [("files", (f"{n}.jpg", jpeg(n), "image/jpeg")) for n in (1, 2)]
    for sent, kept, ticked in (({}, True, False), ({"no_lens": "yes"}, False, True)):
        client.post(f"{at}s", data={"kind": kind, "thickness": "2.2 mm", **sent}, files=photos)
        check = checks.waiting(shop.record)[-1]
        assert check.asked.get("kept_lens", True) == kept
        form = client.get(f"{at}?kind={kind}&like={check.id}").text
        assert ('name="no_lens" value="yes" checked' in form) == ticked
    assert "no_lens" not in client.get(f"{at}?kind=photos").text


def test_the_thickness_is_remembered_with_the_knife(shop):
    bare = knives.add_knife(shop.record, KnifeFacts(name="bare"))
    photos = [("files", (f"{n}.jpg", jpeg(n), "image/jpeg")) for n in (1, 2)]
    shop.client().post(
        f"/knives/{bare.id}/checks", data={"kind": "symmetry", "thickness": "5/32"}, files=photos
    )
    assert knives.knife(shop.record, bare.id).knife.facts.thickness_mm == pytest.approx(3.96875)
    assert 'value="3.969 mm"' in shop.client().get(f"/knives/{bare.id}/check").text


def test_photos_that_came_aren_t_asked_for_twice(shop, knife):
    client = shop.client()
    sha = client.post("/api/photos?name=left.jpg", content=jpeg(3)).json()["sha256"]
    photos = {"files": ("right.jpg", b"no photo", "image/jpeg")}
    sent = {"kind": "symmetry", "thickness": "2.2 mm", "photo": f"{sha}|left.jpg"}
    answer = client.post(f"/knives/{knife.id}/checks", data=sent, files=photos)
    assert answer.status_code == 422
    assert f'value="{sha}|left.jpg"' in answer.text
    assert "right.jpg is no JPEG, PNG or HEIC picture" in answer.text
    answer = client.post(f"/knives/{knife.id}/checks", data=sent)
    assert "needs two photos" in answer.text
    assert f'value="{sha}|left.jpg"' in answer.text


def test_an_error_stands_beside_the_photo_that_caused_it(shop, knife):
    shas = [vault.add_photo(shop.record, io.BytesIO(jpeg(n))).sha256 for n in (1, 2)]
    photos = [(sha, f"{n}.jpg", "face") for n, sha in enumerate(shas)]
    check = checks.add_check(shop.record, knife.id, "symmetry", photos=photos, asked={"thickness_mm": 2.2})
    from grindcheck.record.measuring import measure_check

    checks.add_outcome(shop.record, check.id, measure_check(shop.record, check))
    page = shop.client().get(f"/checks/{check.id}").text
    items = re.findall(r"<li>.*?</li>", page[page.index('class="shots"') :], re.DOTALL)
    assert ["trouble" in item for item in items[:2]] == [True, False]  # the first one is looked at first
    assert "Measure again" in page
    again = shop.client().get(f"/knives/{knife.id}/check?kind=symmetry&like={check.id}").text
    assert all(f'value="{sha}|' in again for sha in shas)
    assert again.count("trouble") == 1


def test_a_check_is_measured_again_as_a_new_one(shop, knife):
    shas = [vault.add_photo(shop.record, io.BytesIO(jpeg(n))).sha256 for n in (1, 2)]
    photos = [(sha, "x.jpg", "face") for sha in shas]
    check = checks.add_check(shop.record, knife.id, "symmetry", photos=photos, asked={"thickness_mm": 2.2})
    failed(shop.record, check.id, "It is dark.", "Turn on a lamp.")
    answer = shop.client().post(f"/checks/{check.id}/again")
    new = checks.check(shop.record, answer.headers["location"].removeprefix("/checks/"))
    assert new.again_of == check.id
    assert new.asked == check.asked
    assert "It is dark." in shop.client().get(f"/checks/{check.id}").text


@pytest.mark.parametrize(("count", "status"), [(2, 303), (3, 422), (4, 303), (5, 422), (6, 303)])
def test_photos_come_two_and_two(shop, knife, count, status):
    photos = [("files", (f"{n}.jpg", jpeg(n), "image/jpeg")) for n in range(count)]
    sent = {"kind": "symmetry", "thickness": "2.2 mm"}
    answer = shop.client().post(f"/knives/{knife.id}/checks", data=sent, files=photos)
    assert answer.status_code == status
    if status == 422:
        assert f"needs two photos, one of each face; {count} came" in answer.text
        assert answer.text.count('name="photo"') == count  # none has to be sent again
        return
    (check,) = checks.waiting(shop.record)
    assert [one.name for one in check.photos] == [f"{n}.jpg" for n in range(count)]
    page = shop.client().get(answer.headers["location"]).text
    assert page.count("Finding mat and blade") == count // 2
    assert ("Pair 2 of 2: Comparing the faces" in page) == (count == 4)


def test_a_result_of_two_pairs_says_so_and_moves_no_line(shop, knife):
    line = {"plunge_px": [[9, 9], [9, 19]], "shoulder_px": [[9, 9], [99, 9]]}
    side = {
        **line, "plunge_mm": [[-9, 0], [-9, 9]], "shoulder_mm": [[-9, 9], [0, 9]], "photo_sha256": "0" * 64,
        "size_px": [160, 120], "picture": {"shape": [120, 160]},
    }  # fmt: skip
    drawing = {"x_mm": [-9, 0], "y_mm": [0, 9], "sides": {"left": side, "right": side}}
    assert "Move a line by hand" in measured(shop, knife, drawing=drawing)
    assert "Combined from" not in measured(shop, knife, drawing=drawing)
    page = measured(shop, knife, count=4, notes=["Left out: a.jpg and b.jpg."], drawing=drawing)
    assert "Combined from 2 pairs of photos" in page
    assert "<li>Left out: a.jpg and b.jpg.</li>" in page
    assert "Move a line by hand" not in page
    check = knives.knife(shop.record, knife.id).checks[-1]
    answer = shop.client().get(f"/checks/{check.id}/lines")
    assert answer.status_code == 422
    assert "no lines that could be moved" in answer.text


def measured(shop, knife, count=2, **changes):
    """Add a check as measured, with some fields of its result other than they are; return its page."""
    result = mismatch()
    verdict = judge(result, Tolerances())
    data = report_data(result, verdict)
    data = {name: value for name, value in (data | changes).items() if value is not None}
    photos = [
        (vault.add_photo(shop.record, io.BytesIO(jpeg(n)), name="p.jpg").sha256, "p.jpg", "face")
        for n in range(count)
    ]
    check = checks.add_check(shop.record, knife.id, "symmetry", photos=photos, asked={"thickness_mm": 4.0})
    done = Outcome(
        at=datetime.now(UTC), state="done", verdict=verdict.decision, headline="It differs.", result=data,
        program_version="0.1.0",
    )  # fmt: skip
    checks.add_outcome(shop.record, check.id, done)
    answer = shop.client().get(f"/checks/{check.id}")
    assert answer.status_code == 200
    return answer.text


def bars(page):
    """Return the bars of a result's page: name, share as told, width, and the words below it."""
    row = r'<span class="name">([^<]+)</span><b>(\d+) %</b>.*?class="part" width="([\d.]+)".*?soft">([^<]+)<'
    return re.findall(row, page)


def test_a_result_shows_where_its_uncertainty_comes_from(shop, knife):
    page = measured(shop, knife)
    # 0.8² and 0.6² of each figure's variance (fixtures_results), here of 0.02 mm three times and of 0.15°
    found = bars(page)
    shares = [("seeing the lines", "64", "64.00"), ("lens and pose", "36", "36.00")]
    assert [one[:3] for one in found] == 4 * shares
    assert [one[3].split(";")[0] for one in found] == 3 * ["0.016 mm", "0.012 mm"] + ["0.120°", "0.090°"]
    assert "smaller with this: use softer light from the side" in found[0][3]
    assert "All together 0.020 mm; U is 2 times that, 0.04 mm." in page
    first, others = page.index("<h3>Plunge, upper end</h3>"), page.index("Of the other differences")
    assert first < others < page.index("<h3>Plunge, mid-height</h3>")


def test_a_result_from_before_the_budget_shows_the_same(shop, knife):
    page = measured(shop, knife, budget=None)
    assert len(bars(page)) == 8
    assert bars(page) == bars(measured(shop, knife))


def test_a_result_without_components_shows_no_bars(shop, knife):
    figure = {"quantity": "plunge.mid", "value": -0.6, "std": 0.02, "unit": "mm", "expanded": 0.04}
    page = measured(
        shop, knife, budget=None, differences=[{**figure, "tolerance": 0.25, "decision": "mismatch"}]
    )
    assert "Where the uncertainty comes from" not in page


def test_small_sources_have_a_line_together(shop, knife):
    result = mismatch()
    data = report_data(result, judge(result, Tolerances()))["budget"]
    one = next(one for one in data if one["decides"])
    one["sources"] += [
        {"name": "the tip", "std": 0.001, "share": 0.0025, "advice": "show it"},
        {"name": "<i>other</i>", "std": 0.002, "share": 0.01, "advice": ""},
    ]
    page = measured(shop, knife, budget=data)
    assert "none of it 2 % of the variance: the tip 0.001 mm, &lt;i&gt;other&lt;/i&gt; 0.002 mm.<" in page
    assert len(bars(page)) == 8


def test_bars_are_kept_and_slips_come_back(shop):
    client = shop.client()
    answer = client.post("/mat/bars", data={"paper": "a4", "bar_x": "275.586 mm", "bar_y": "179.8 mm"})
    page = client.get(answer.headers["location"]).text
    assert "Kept for A4." in page
    assert "99.85 %" in page  # 275.586 of 276, as in printscale's example
    answer = client.post("/mat/bars", data={"paper": "a4", "bar_x": "200 mm", "bar_y": ""})
    assert answer.status_code == 422
    assert 'value="200 mm"' in answer.text


@pytest.mark.parametrize("name", ["a4", "letter", "strip-a4"])
def test_the_mat_is_printed_from_the_page(shop, name):
    answer = shop.client().get(f"/mat/{name}.pdf")
    assert answer.content.startswith(b"%PDF")
    assert answer.headers["content-disposition"].startswith("attachment")


def test_heic_photos_are_shown(shop):
    import pillow_heif

    out = io.BytesIO()
    picture = Image.new("RGB", (128, 96), "red")
    pillow_heif.from_pillow(picture).save(out)
    sha = shop.client().post("/api/photos?name=IMG_1.HEIC", content=out.getvalue()).json()["sha256"]
    with Image.open(io.BytesIO(shop.client().get(f"/photos/{sha}/full.jpg").content)) as shown:
        assert shown.size == (128, 96)
        assert shown.getpixel((60, 50))[0] > 200


def test_a_photo_is_shown_large(shop):
    sha = shop.client().post("/api/photos", content=jpeg(4)).json()["sha256"]
    page = shop.client().get(f"/photos/{sha}").text
    assert 'viewBox="0 0 160 120"' in page
    assert f"/photos/{sha}/full.jpg" in page
    assert shop.client().get(f"/photos/{'0' * 64}").status_code == 404


def test_export_and_import_give_the_same_knife(shop, knife, tmp_path):
    vault.add_photo(shop.record, io.BytesIO(jpeg()))
    sent = {"kind": "photos"}
    photos = {"files": ("x.jpg", jpeg(9), "image/jpeg")}
    shop.client().post(f"/knives/{knife.id}/checks", data=sent, files=photos)
    archive = shop.client().get(f"/knives/{knife.id}/export.zip").content
    with open_shop(tmp_path / "other") as other:
        answer = other.client().post("/import", files={"archive": ("x.zip", archive)})
        assert "1 knives came, 1 of them new, with 1 new photos." in answer.text
        assert knives.knife(other.record, knife.id).checks == knives.knife(shop.record, knife.id).checks


def test_the_bin_gives_back_and_takes_for_good(shop, knife):
    sent, photos = {"kind": "photos"}, {"files": ("x.jpg", jpeg(9), "image/jpeg")}
    shop.client().post(f"/knives/{knife.id}/checks", data=sent, files=photos)
    (check,) = knives.knife(shop.record, knife.id).checks
    sha = check.photos[0].photo.sha256
    assert shop.client().get(f"/photos/{sha}/small.jpg").status_code == 200
    throw = {"entity": "check", "id": check.id}
    shop.client().post("/bin", data=throw)
    assert knives.knife(shop.record, knife.id).checks == ()
    shop.client().post("/bin/restore", data=throw)
    assert len(knives.knife(shop.record, knife.id).checks) == 1
    shop.client().post("/bin", data=throw)
    shop.client().post("/bin/empty")
    assert shop.client().get(f"/photos/{sha}/small.jpg").status_code == 404
    assert not list((shop.record.place.photos.parent / "shown").glob("*/*.jpg"))
    assert shop.client().post("/bin", data={"entity": "photo", "id": "x"}).status_code == 422


@pytest.mark.parametrize(
    "path", ["/knives/nothing", "/checks/nothing", "/photos/0", "/nothing", "/mat/a9.pdf", "/checks/x/lines"]
)
def test_what_isn_t_there_is_told_in_one_shape(shop, path):
    answer = shop.client().get(path)
    assert answer.status_code == 404
    assert "What to do" in answer.text
    error = shop.client().get(f"/api{path}").json()["error"]
    assert set(error) == {"message", "advice"}


def test_advice_names_fields_not_options():
    assert for_page("Give it, as in --edge-thickness 0.5mm.") == "Give it, as in edge thickness 0.5mm."
    assert "grindcheck records" not in for_page("Take it out first: grindcheck records bin --restore x.")


def test_options_of_a_form_by_hand():
    asked = asked_of("symmetry", {"thickness": "3/16", "edge_thickness": "0.5 mm", "angle_tolerance": "2"})
    assert asked["thickness_mm"] == pytest.approx(4.7625)
    assert asked["angle_tolerance_deg"] == pytest.approx(2.0)
    assert asked_of("finish", {"thickness": "", "accept": "count 2"}) == {"accept": "count 2"}
    assert asked_of("finish", {"no_lens": "yes"}) == {"kept_lens": False}
    assert asked_of("photos", {"thickness": "x", "no_lens": "yes"}) == {}
    assert asked_of("finish", {"accept": __file__})["accept"] == __file__  # words, never a file that is read


@pytest.mark.parametrize(("low", "high"), [(0, 104), (-0.3, 0.3), (14.2, 15.8), (0, 1e-3)])
def test_ticks_are_round_and_within(low, high):
    found = ticks(low, high, 5)
    assert 2 <= len(found) <= 6
    assert low <= found[0]
    assert found[-1] <= high


def test_sample_knives_come_from_the_sample_photos(shop):
    sample.fill(shop.record, SAMPLES)
    assert len(checks.waiting(shop.record)) == 5
    page = shop.client().get("/").text
    assert page.count('<li><a href="/knives/') == len(sample.EXAMPLES)


def test_the_sample_leaves_the_users_record_alone(tmp_path, monkeypatch):
    from grindcheck.page import serving

    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    seen = []
    monkeypatch.setattr("uvicorn.Server.run", lambda self, sockets: seen.append(self))
    serving.serve(port=0, sample=True, say=lambda line: None)
    assert len(seen) == 1
    assert list(Path(tmp_path).iterdir()) == []


@pytest.mark.skipif(os.name == "nt", reason="Windows ends a process without asking it")
def test_a_sample_that_is_ended_leaves_nothing_behind(tmp_path):
    environment = {**os.environ, "TMPDIR": str(tmp_path), "PYTHONUNBUFFERED": "1"}
    command = [sys.executable, "-m", "grindcheck", "serve", "--sample", "--port", "0"]
    with subprocess.Popen(
        command, env=environment, cwd=SAMPLES.parent, stdout=subprocess.PIPE, text=True
    ) as page:
        assert "is open at" in page.stdout.readline()
        assert list(tmp_path.glob("grindcheck-sample-*"))
        page.terminate()
        page.wait(timeout=30)
    assert list(tmp_path.glob("grindcheck-sample-*")) == []


@pytest.mark.parametrize(
    "result",
    [
        {"verdict": "match"}, {"faces": [], "differences": 5}, {"faces": {"left": 1}, "drawing": 7},
        {"drawing": {"sides": {"left": {"size_px": 1}}}},
    ],
)  # fmt: skip
def test_a_result_of_another_layout_is_told_and_kept(shop, knife, result):
    """As an archive may bring it that another program wrote: the record keeps it, the page can't draw it."""
    check = fixtures_record.pair(shop.record, knife)
    checks.add_outcome(shop.record, check.id, replace(fixtures_record.done(), result=result))
    client = shop.client()
    answer = client.get(f"/checks/{check.id}")
    assert answer.status_code == 422
    assert "isn&#39;t laid out as this program writes it" in answer.text
    assert "Add a check of the same photos" in answer.text
    assert client.get(f"/checks/{check.id}/lines").status_code == 422
    for path in (f"/knives/{knife.id}", "/", "/trend", f"/api/checks/{check.id}"):
        assert client.get(path).status_code == 200
    assert checks.check(shop.record, check.id).outcome.result == result
