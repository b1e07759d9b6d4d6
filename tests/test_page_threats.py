"""One test for each threat of DEVELOPERS.md, by its name there."""

import io
import re
import struct
import zipfile
import zlib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from page_shop import NETWORK, OWN, PORT, Open, jpeg, open_shop
from PIL import Image

from grindcheck.page import guard, pairing, serving
from grindcheck.page.pairing import COOKIE, Pairings
from grindcheck.record import knives, vault
from grindcheck.record.entries import KnifeFacts

ROOT = Path(__file__).parent.parent
PAGE = ROOT / "grindcheck" / "page"
PHONE = f"http://{NETWORK}:{PORT}"
STRANGER = "192.168.7.99"


@pytest.fixture
def shop(tmp_path, monkeypatch):
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    with open_shop(tmp_path) as found:
        yield found


def files(shop: Open) -> list[Path]:
    return [path for path in shop.record.place.photos.rglob("*") if path.is_file()]


def paired(shop: Open, name: str = "bench phone"):
    """Let a phone in by a link."""
    client = shop.client(STRANGER, PHONE)
    answer = client.post(f"/pair/{shop.shop.pairings.new_link()}", data={"name": name})
    assert answer.status_code == 303
    return client, answer


def test_each_threat_has_its_test_and_each_test_its_threat():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    part = text[text.index("## Threats to the page") : text.index("Left as it is: who is logged in")]
    told = re.findall(r"\| `(\w+)` \|$", part, re.MULTILINE)
    assert len(told) == len(set(told))
    here = {name.removeprefix("test_") for name in globals() if name.startswith("test_")}
    assert here - {"each_threat_has_its_test_and_each_test_its_threat"} == set(told)


def test_listens_on_loopback(monkeypatch, tmp_path):
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path))
    bound = []

    def served(self, sockets):
        bound.append(sockets[0].getsockname()[0])

    monkeypatch.setattr("uvicorn.Server.run", served)
    serving.serve(port=0, say=lambda line: None)
    serving.serve(port=0, network=True, say=lambda line: None)
    assert bound == ["127.0.0.1", "0.0.0.0"]


def test_strangers_see_nothing(shop):
    knife = knives.add_knife(shop.record, KnifeFacts(name="secret knife"))
    photo = vault.add_photo(shop.record, io.BytesIO(jpeg()))
    client = shop.client(STRANGER, PHONE)
    for path in (
        "/", f"/knives/{knife.id}", f"/photos/{photo.sha256}/small.jpg", f"/photos/{photo.sha256}/original",
        "/api/knives", "/api/openapi.json", "/export.zip", "/phones", "/more", "/trend",
    ):  # fmt: skip
        answer = client.get(path)
        assert answer.status_code == 401, path
        assert "secret" not in answer.text
    assert client.post("/knives", data={"name": "x"}).status_code == 401
    assert client.post("/api/photos", content=jpeg(1)).status_code == 401
    assert len(files(shop)) == 1
    assert client.cookies.get(COOKIE) is None
    client.cookies.set(COOKIE, "guessed")
    assert client.get("/").status_code == 401


@pytest.mark.parametrize(
    "host", ["evil.example:8765", "evil.example", f"localhost:{PORT + 1}", "localhost", ""]
)
def test_foreign_names_are_refused(shop, host):
    answer = shop.client().get("/", headers={"host": host})
    assert answer.status_code == 421
    assert "Field" not in answer.text


def test_posts_of_other_pages_are_refused(shop):
    client = shop.client()
    for headers in (
        {"origin": "http://evil.example"}, {"origin": "null"}, {"origin": f"http://localhost:{PORT + 1}"},
        {"origin": "http://evil.example", "sec-fetch-site": "same-origin"},
    ):  # fmt: skip
        assert client.post("/knives", data={"name": "x"}, headers=headers).status_code == 403, headers
    del client.headers["origin"]
    for headers in (
        {},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "none"},
    ):
        assert client.post("/knives", data={"name": "x"}, headers=headers).status_code == 403, headers
    assert (
        client.post("/knives", data={"name": "x"}, headers={"sec-fetch-site": "same-origin"}).status_code
        == 303
    )
    assert client.post("/knives", data={"name": "y"}, headers=OWN).status_code == 303


def test_pictures_for_other_pages_are_refused(shop):
    photo = vault.add_photo(shop.record, io.BytesIO(jpeg()))
    path = f"/photos/{photo.sha256}/small.jpg"
    for site in ("cross-site", "same-site"):
        headers = {"sec-fetch-site": site, "sec-fetch-mode": "no-cors", "sec-fetch-dest": "image"}
        assert shop.client().get(path, headers=headers).status_code == 403
    answer = shop.client().get(path, headers={"sec-fetch-site": "same-origin", "sec-fetch-mode": "no-cors"})
    assert answer.status_code == 200
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"


def test_no_frames(shop):
    for path in ("/", "/nothing", "/static/page.css", "/api/knives"):
        answer = shop.client().get(path)
        assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]
    assert (
        "frame-ancestors 'none'" in shop.client(STRANGER, PHONE).get("/").headers["content-security-policy"]
    )


def test_forwarded_fields_count_for_nothing(shop, monkeypatch, tmp_path):
    client = shop.client(STRANGER, PHONE)
    for name in ("x-forwarded-for", "x-real-ip", "forwarded"):
        assert client.get("/", headers={name: "127.0.0.1"}).status_code == 401
    made = []
    monkeypatch.setattr("uvicorn.Server.__init__", lambda self, config: made.append(config))
    monkeypatch.setattr("uvicorn.Server.run", lambda self, sockets: None)
    serving.serve(port=0, say=lambda line: None)
    assert made[0].proxy_headers is False


def test_names_are_no_scripts(shop):
    evil = "<script>alert(1)</script>\"'><img src=x onerror=alert(1)>"
    knife = knives.add_knife(shop.record, KnifeFacts(name=evil, notes=evil, steel=evil))
    knives.add_stage(shop.record, knife.id, evil, evil)
    knives.add_note(shop.record, knife.id, "free", {evil: evil})
    client = shop.client()
    for path in (
        "/",
        f"/knives/{knife.id}",
        f"/knives/{knife.id}/facts",
        f"/knives/{knife.id}/check",
        f"/?q={evil}",
    ):
        text = client.get(path).text
        assert "<script>alert" not in text
        assert "<img src=x" not in text
        assert "alert(1)" in text  # it is shown, as text
    policy = dict(
        part.strip().split(" ", 1) for part in client.get("/").headers["content-security-policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == "'self'"
    for template in sorted((PAGE / "templates").glob("*.html")):
        text = template.read_text(encoding="utf-8")
        assert not re.search(r"<style|\sstyle=|\son\w+=|javascript:|\|safe|autoescape", text), template.name
        assert all("src=" in tag for tag in re.findall(r"<script[^>]*>", text)), template.name


def test_nothing_from_outside(shop):
    for path in sorted([*(PAGE / "templates").iterdir(), *(PAGE / "static").iterdir()]):
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"(https?:)?//[a-z0-9.-]+\.[a-z]{2,}|@import", text), path.name
    assert shop.client().get("/docs").status_code == 404  # these fetch scripts from elsewhere
    assert shop.client().get("/redoc").status_code == 404


def test_links_work_once_and_not_long(tmp_path):
    clock = [datetime(2026, 1, 1, tzinfo=UTC)]
    pairings = Pairings(tmp_path, now=lambda: clock[0])
    link = pairings.new_link()
    assert len(link) >= 43  # 256 bits in base64
    assert pairings.exchange(link + "x", "phone") is None
    assert pairings.exchange(link, "phone") is not None
    assert pairings.exchange(link, "phone") is None
    late = pairings.new_link()
    clock[0] += pairing.LINK_LIVES + timedelta(seconds=1)
    assert not pairings.is_open(late)
    assert pairings.exchange(late, "phone") is None
    many = [pairings.new_link() for _ in range(20)]
    assert sum(map(pairings.is_open, many)) == 8  # as told in the module; the newest
    assert pairings.is_open(many[-1])


def test_looking_at_a_link_uses_nothing(shop):
    link = shop.shop.pairings.new_link()
    client = shop.client(STRANGER, PHONE)
    for _ in range(3):
        assert client.get(f"/pair/{link}").status_code == 200
    assert client.post(f"/pair/{link}", data={"name": "phone"}).status_code == 303
    assert client.get(f"/pair/{link}").status_code == 410
    assert client.post(f"/pair/{link}", data={"name": "phone"}).status_code == 410


def test_cookies_are_out_of_reach(shop):
    _, answer = paired(shop)
    said = answer.headers["set-cookie"].lower()
    assert "httponly" in said
    assert "samesite=strict" in said
    assert f"max-age={int(pairing.COOKIE_LIVES.total_seconds())}" in said


def test_tokens_are_kept_as_hashes(shop, tmp_path):
    link = shop.shop.pairings.new_link()
    cookie = shop.shop.pairings.exchange(link, "phone")
    kept = b"".join(path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())
    assert b"token_sha256" in kept
    assert cookie.encode() not in kept
    assert link.encode() not in kept
    again = Pairings(tmp_path)
    assert again.phone(cookie).name == "phone"
    assert again.phone(again.phones()[0].token_sha256) is None  # what the file says opens nothing


def test_a_lost_phone_is_shut_out(shop, tmp_path):
    client, _ = paired(shop)
    assert client.get("/").status_code == 200
    page = shop.client().get("/phones").text
    assert "bench phone" in page
    (phone,) = shop.shop.pairings.phones()
    assert shop.client().post("/phones/revoke", data={"id": phone.id}).status_code == 303
    assert client.get("/").status_code == 401
    clock = [datetime.now(UTC)]
    pairings = Pairings(tmp_path, now=lambda: clock[0])
    cookie = pairings.exchange(pairings.new_link(), "phone")
    clock[0] += timedelta(days=89)
    assert pairings.phone(cookie) is not None
    clock[0] += timedelta(days=2)
    assert pairings.phone(cookie) is None
    assert pairings.phones() == ()


def test_phones_dont_pair_phones(shop):
    client, _ = paired(shop)
    assert client.post("/phones/link").status_code == 403
    (phone,) = shop.shop.pairings.phones()
    assert client.post("/phones/revoke", data={"id": phone.id}).status_code == 403
    assert len(shop.shop.pairings.phones()) == 1
    assert "/pair/" in shop.client().post("/phones/link").text


def test_uploads_end_at_their_limit(shop, monkeypatch):
    monkeypatch.setattr(guard, "MAX_PHOTO_BYTES", 100_000)
    taken = []

    def pieces():
        for _ in range(1000):
            taken.append(1)
            yield bytes(10_000)

    answer = shop.client().post("/api/photos", content=pieces())
    assert answer.status_code == 413
    assert answer.json()["error"]["advice"]
    said = shop.client().post("/api/photos", content=b"x", headers={"content-length": "100001"})
    assert said.status_code == 413
    assert shop.client().post("/mat/bars", content=bytes(300_000)).status_code == 413  # a form of a few words
    assert files(shop) == []


def test_giant_pictures_are_refused(shop):
    def chunk(kind, data):
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = struct.pack(">IIBBBBB", 60_000, 60_000, 8, 2, 0, 0, 0)
    bomb = (
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", header)
        + chunk(b"IDAT", zlib.compress(bytes(100)))
        + chunk(b"IEND", b"")
    )
    answer = shop.client().post("/api/photos?name=bomb.png", content=bomb)
    assert answer.status_code == 422
    assert (
        "3600 megapixels" in answer.json()["error"]["message"] or "60000" in answer.json()["error"]["message"]
    )
    assert files(shop) == []


def test_too_many_files_are_refused(shop):
    knife = knives.add_knife(shop.record, KnifeFacts(name="k"))
    sent = [("files", (f"{n}.jpg", jpeg(n), "image/jpeg")) for n in range(17)]
    answer = shop.client().post(f"/knives/{knife.id}/checks", data={"kind": "photos"}, files=sent)
    assert answer.status_code in (400, 422)
    assert files(shop) == []
    answer = shop.client().post(f"/knives/{knife.id}/checks", data={"kind": "photos"}, files=sent[:9])
    assert answer.status_code == 422
    assert "at most 8" in answer.text
    many = {f"field{n}": "x" for n in range(100)}
    assert shop.client().post("/knives", data=many).status_code == 400


def test_names_are_no_paths(shop, tmp_path):
    knife = knives.add_knife(shop.record, KnifeFacts(name="../../k"))
    before = {path for path in tmp_path.parent.rglob("*") if tmp_path not in path.parents}
    name = "../../../evil\\..\\x.jpg"
    answer = shop.client().post(
        f"/knives/{knife.id}/checks", data={"kind": "photos"}, files={"files": (name, jpeg())}
    )
    assert answer.status_code == 303
    (check,) = knives.knife(shop.record, knife.id).checks
    assert check.photos[0].name == "x.jpg"
    (kept,) = files(shop)
    assert kept.stem == check.photos[0].photo.sha256
    assert before == {path for path in tmp_path.parent.rglob("*") if tmp_path not in path.parents}
    for path in ("/photos/..%2f..%2frecord.sqlite/original", "/static/..%2fapp.py", "/static/../app.py",
                 "/mat/..%2fx.pdf",
                 "/photos/%2e%2e/small.jpg"):  # fmt: skip
        assert shop.client().get(path).status_code == 404, path


def test_originals_are_downloads(shop):
    for fake in (
        b"<html><script>alert(1)</script>",
        b"GIF89a",
        b"%PDF-1.4",
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
    ):
        assert shop.client().post("/api/photos?name=x.jpg", content=fake).status_code == 422
    photo = vault.add_photo(shop.record, io.BytesIO(jpeg()))
    answer = shop.client().get(f"/photos/{photo.sha256}/original")
    assert answer.content == jpeg()
    assert answer.headers["content-disposition"] == f'attachment; filename="{photo.sha256}.jpg"'
    assert answer.headers["x-content-type-options"] == "nosniff"
    text = "".join(path.read_text(encoding="utf-8") for path in (PAGE / "templates").glob("*.html"))
    assert not re.search(r"<(img|image)[^>]*/original", text)


def test_pictures_tell_nothing_else(shop):
    told = Image.Exif()
    told[0x010F], told[0x0112] = "Workshop", 6  # maker; turned by a quarter
    told.get_ifd(0x8769)[0xA431] = "SERIAL77"  # of the camera's body
    told.get_ifd(0x8825)[2] = (48.0, 8.0, 0.0)  # latitude
    data = jpeg(size=(200, 100), exif=told.tobytes())
    assert b"SERIAL77" in data
    photo = vault.add_photo(shop.record, io.BytesIO(data))
    for size in ("small", "screen", "full"):
        shown = shop.client().get(f"/photos/{photo.sha256}/{size}.jpg").content
        assert b"SERIAL77" not in shown
        assert b"Workshop" not in shown
        with Image.open(io.BytesIO(shown)) as picture:
            assert not picture.getexif()
            assert picture.size == (100, 200)  # turned upright


def test_archives_write_nowhere_else(shop, tmp_path):
    before = {path for path in tmp_path.parent.rglob("*")}
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("../../evil.txt", "x")
        archive.writestr("record.json", '{"kind": "grindcheck record", "format": 1, "tables": {}}')
    answer = shop.client().post("/import", files={"archive": ("x.zip", out.getvalue())})
    assert answer.status_code == 422
    answer = shop.client().post("/import", files={"archive": ("x.zip", b"no zip")})
    assert answer.status_code == 422
    assert not any(path.name == "evil.txt" for path in {path for path in tmp_path.parent.rglob("*")} - before)


def test_names_break_no_header(shop):
    knife = knives.add_knife(shop.record, KnifeFacts(name='x"; filename="evil.exe é ✓'))
    answer = shop.client().get(f"/knives/{knife.id}/export.zip")
    assert answer.status_code == 200
    assert (
        answer.headers["content-disposition"] == 'attachment; filename="grindcheck-x-filename-evil-exe.zip"'
    )


def test_pages_arent_kept(shop):
    knife = knives.add_knife(shop.record, KnifeFacts(name="k"))
    for path in ("/", f"/knives/{knife.id}", "/api/knives", f"/knives/{knife.id}/export.zip", "/nothing"):
        assert shop.client().get(path).headers["cache-control"] == "no-store", path
    photo = vault.add_photo(shop.record, io.BytesIO(jpeg()))
    kept = shop.client().get(f"/photos/{photo.sha256}/small.jpg").headers["cache-control"]
    assert kept.startswith("private")


def test_errors_show_no_insides(shop, monkeypatch):
    def broken(*arguments, **more):
        raise RuntimeError("secret insides at /home/somebody")

    monkeypatch.setattr("grindcheck.page.routes_knives.listing.knives", broken)
    for path, accept in (("/", "text/html"), ("/api/knives", "application/json")):
        answer = shop.client().get(path, headers={"accept": accept})
        assert answer.status_code == 500
        assert "secret" not in answer.text
        assert "Traceback" not in answer.text
        assert "What to do" in answer.text or answer.json()["error"]["advice"]
        assert answer.headers["x-content-type-options"] == "nosniff"
