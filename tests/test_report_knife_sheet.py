"""The knife's sheet: what it says, how many pages, every sign readable, nothing private in the file."""

import re
import shutil
import subprocess
import zlib
from dataclasses import replace
from datetime import date
from itertools import pairwise
from math import radians
from pathlib import Path

import numpy as np
import pypdf
import pytest
from PIL import Image

from grindcheck import __version__
from grindcheck.flatness import Reading, flatness
from grindcheck.report.flatness_text import flatness_sentences
from grindcheck.report.knife_sheet import CUT, HOW_TO_READ, knife_sheet
from grindcheck.report.paper import Paper, width_mm, wrapped
from grindcheck.report.sheet_data import KnifeSheet, SheetBudget, SheetCheck, SheetFigure, SheetPhoto
from grindcheck.report.sheet_sections import _budget, day

SAMPLES = Path(__file__).parent.parent / "sample_images"
EVEN = flatness([Reading(value_mm=v, at_mm=x) for x, v in ((15, 2.190), (70, 2.195), (130, 2.200))])
PETTY = KnifeSheet(
    name="Petty no. 7",
    made_on=date(2026, 11, 25),
    maker="Canteen batch",
    pattern="Kitchen petty",
    steel="14C28N",
    grind="full flat",
    thickness_mm=2.2,
    heat_treatment=(
        ("Hardened", "1060 °C, 8 min, plates"),
        ("Frozen", "−70 °C, 1 h"),
        ("Tempered", "2 × 190 °C"),
    ),
    abrasive_steps=("belt 120", "belt 400", "hand 600"),
    notes="Oil the handle twice a year.",
    symmetry=SheetCheck(
        decision="match",
        sentence="The largest difference is 0.08 mm.",
        on=date(2026, 11, 20),
        figures=(
            SheetFigure(
                name="plunge at mid-height", left=121.24, right=121.16, difference=0.08, expanded=0.06
            ),
            SheetFigure(
                name="plunge angle",
                left=radians(1.2),
                right=radians(1.5),
                difference=radians(-0.3),
                expanded=radians(0.25),
                unit="rad",
            ),
        ),
        budget=SheetBudget(
            name="plunge at mid-height",
            expanded=0.06,
            shares=(
                ("seeing the lines", 0.5),
                ("lens and pose", 0.3),
                ("how the blade lies", 0.12),
                ("the blade's outline", 0.05),
                ("the print's size", 0.03),
            ),
        ),
    ),
    finish=SheetCheck(decision="clean", sentence="No scratch is found.", on=date(2026, 11, 24)),
    flatness=EVEN,
)


@pytest.fixture(scope="module")
def photos(tmp_path_factory: pytest.TempPathFactory) -> tuple[SheetPhoto, ...]:
    """Both faces of a sample knife at a third of their size, so that the tests are quick."""
    folder = tmp_path_factory.mktemp("photos")
    made = []
    for number, side in ((1, "left"), (2, "right")):
        with Image.open(SAMPLES / f"petty_b_{number}.jpg") as picture:
            picture.reduce(3).save(folder / f"{side}.jpg")
        made.append(SheetPhoto(path=folder / f"{side}.jpg", caption=f"{side} face"))
    return tuple(made)


def text_of(data: bytes, folder: Path) -> str:
    """Read the words of a PDF, by poppler where it is installed, else by pypdf."""
    path = folder / "sheet.pdf"
    path.write_bytes(data)
    if shutil.which("pdftotext"):
        run = subprocess.run(
            ["pdftotext", "-layout", "-enc", "UTF-8", str(path), "-"],
            capture_output=True,
            check=True,
            timeout=60,
        )
        return run.stdout.decode("utf-8")
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(path).pages)


def flat(text: str) -> str:
    return " ".join(text.split())


def pages(data: bytes, folder: Path) -> int:
    path = folder / "count.pdf"
    path.write_bytes(data)
    return len(pypdf.PdfReader(path).pages)


def unpacked(data: bytes) -> bytes:
    """Unpack a PDF's streams; photos stay as they are."""
    out = [data]
    for stream in re.findall(rb"stream\r?\n(.*?)\r?\n?endstream", data, re.DOTALL):
        body = stream.strip()
        if body.endswith(b"~>"):
            import base64

            body = base64.a85decode(body.removesuffix(b"~>"))
        try:
            out.append(zlib.decompress(body))
        except zlib.error:
            out.append(body)
    return b"\n".join(out)


def test_all_that_it_should_say(tmp_path: Path) -> None:
    told = flat(text_of(knife_sheet(PETTY), tmp_path))
    for words in (
        "Petty no. 7", "Canteen batch", "25 November 2026", "Kitchen petty, 14C28N", "2.20 mm", "full flat",
        "1060 °C, 8 min, plates", "−70 °C", "2 × 190 °C", "belt 120 → belt 400 → hand 600",
        "Oil the handle twice a year.", "The two faces match.", "The largest difference is 0.08 mm.",
        "Measured on 20 November 2026.", "121.24", "121.16", "+0.08 ± 0.06", "1.20°", "−0.30° ± 0.25°",
        "The finish is clean.", "No scratch is found.", "Even within 0.025 mm.", f"grindcheck {__version__}",
    ):  # fmt: skip
        assert words in told, words
    assert "k = 2" in told


def test_where_the_uncertainty_comes_from(tmp_path: Path) -> None:
    alone = KnifeSheet(name="Petty", made_on=PETTY.made_on, symmetry=PETTY.symmetry)  # in lines of its own
    told = flat(text_of(knife_sheet(alone), tmp_path)).replace("\N{NO-BREAK SPACE}", " ")
    assert "Where the ± 0.06 mm of the plunge at mid-height comes from, by variance:" in told
    for part in ("seeing the lines 50%,", "lens and pose 30%,", "how the blade lies 12%,", "all else 8%."):
        assert part in told  # all else: 5 and 3
    assert "outline" not in told
    assert PETTY.symmetry is not None
    bare = replace(alone, symmetry=replace(PETTY.symmetry, budget=None))
    assert "comes from" not in text_of(knife_sheet(bare), tmp_path)


@pytest.mark.parametrize("count", [1, 2, 4, 5])
def test_the_bar_s_parts_are_the_shares(count: int) -> None:
    assert PETTY.symmetry is not None
    assert PETTY.symmetry.budget is not None
    first = PETTY.symmetry.budget.shares[:count]
    whole = sum(share for _, share in first)
    budget = replace(PETTY.symmetry.budget, shares=tuple((name, share / whole) for name, share in first))
    drawn: list[tuple[float, float, float]] = []

    class Counted(Paper):
        def bar(self, x: float, y: float, width: float, height: float, *, grey: float) -> None:
            drawn.append((x, width, grey))

    _budget(budget, "mm", 80.0)[0].draw(Counted("a4", title="t"), 20.0, 100.0)
    shares = [share for _, share in budget.shares]
    if count == 5:
        shares[3:] = [sum(shares[3:])]  # all else
    long = sum(width for _, width, _ in drawn)
    assert [width / long for _, width, _ in drawn] == pytest.approx(shares)
    assert drawn[0][0] == 20.0
    assert drawn[-1][0] + drawn[-1][1] == pytest.approx(100.0)  # 20 + 80: as wide as its column
    for (x, width, grey), (after, _, other) in pairwise(drawn):
        assert x + width < after
        assert other - grey >= 0.2  # told apart in print


def test_faces_without_figures_have_no_columns(tmp_path: Path) -> None:
    assert PETTY.symmetry is not None
    figures = tuple(replace(one, left=None, right=None) for one in PETTY.symmetry.figures)
    alone = KnifeSheet(name="Petty", made_on=PETTY.made_on, symmetry=replace(PETTY.symmetry, figures=figures))
    told = flat(text_of(knife_sheet(alone), tmp_path))
    assert "mm, or ° difference plunge at mid-height +0.08 ± 0.06" in told


def test_how_to_read_is_there_where_figures_are(tmp_path: Path) -> None:
    first = HOW_TO_READ[:40]
    assert first in flat(text_of(knife_sheet(PETTY), tmp_path))
    bare = replace(PETTY, symmetry=None, flatness=None)
    assert first not in flat(text_of(knife_sheet(bare), tmp_path))


def test_inches(tmp_path: Path) -> None:
    told = flat(text_of(knife_sheet(PETTY, units="in"), tmp_path))
    assert "0.0866 in" in told  # 2.2 / 25.4
    assert "4.7732" in told  # 121.24 / 25.4
    assert "+0.0031 ± 0.0024" in told
    assert "Even within 0.0010 in." in told
    assert "0.0866 in (" not in told


def test_what_is_missing_is_left_out(tmp_path: Path) -> None:
    told = text_of(knife_sheet(KnifeSheet(name="14", made_on=date(2026, 11, 25))), tmp_path)
    assert flat(told) == f"25 November 2026 14 grindcheck {__version__}"


@pytest.mark.parametrize(
    ("check", "words"),
    [
        ("mismatch", "The two faces differ."),
        ("cannot tell", "The photos don’t decide whether the faces match."),
    ],
)
def test_other_verdicts(check: str, words: str, tmp_path: Path) -> None:
    sheet = replace(PETTY, symmetry=replace(PETTY.symmetry, decision=check))
    assert words in flat(text_of(knife_sheet(sheet), tmp_path))


def test_a_common_knife_fits_one_page(photos: tuple[SheetPhoto, ...], tmp_path: Path) -> None:
    for paper in ("a4", "letter"):
        assert pages(knife_sheet(replace(PETTY, photos=photos), paper=paper), tmp_path) == 1
    assert pages(knife_sheet(KnifeSheet(name="14", made_on=date(2026, 1, 1))), tmp_path) == 1


def test_more_goes_to_a_second_page_and_the_rest_is_cut_and_said(
    photos: tuple[SheetPhoto, ...], tmp_path: Path
) -> None:
    steps = tuple((f"Step {i}", "held until the colour is even all through, then oil") for i in range(12))
    two = knife_sheet(replace(PETTY, heat_treatment=steps, photos=photos))
    assert pages(two, tmp_path) == 2
    told = flat(text_of(two, tmp_path))
    assert "1 of 2" in told
    assert "Step 11" in told
    assert CUT.replace("'", "’") not in told
    assert CUT not in told
    long = knife_sheet(replace(PETTY, heat_treatment=steps * 9, photos=photos))
    assert pages(long, tmp_path) == 2
    assert CUT in flat(text_of(long, tmp_path))


def test_signs_of_many_languages(tmp_path: Path) -> None:
    words = "Großes Küchenmesser é à ñ ø ł č Жёлудь θ ≤ 15° ± 0,1 ⅛″ → ½ “a” 120×"
    sheet = replace(PETTY, name="Küche ß", notes=words)
    told = flat(text_of(knife_sheet(sheet), tmp_path))
    assert "Küche ß" in told
    for word in words.split():
        assert word in told, word
    # a sign that no font has doesn't stop it
    knife_sheet(replace(PETTY, name="刀 🔪", steel="鋼"))


def test_long_names_stay_inside(tmp_path: Path) -> None:
    endless = "Donaudampfschifffahrtsgesellschaftskapitänsmesser" * 4
    data = knife_sheet(
        replace(PETTY, name=endless, pattern=endless, steel=endless, maker=endless, grind=endless)
    )
    path = tmp_path / "long.pdf"
    path.write_bytes(data)
    if not shutil.which("pdftoppm"):
        pytest.skip("pdftoppm (poppler) isn't installed")
    subprocess.run(
        ["pdftoppm", "-r", "50", "-gray", str(path), str(tmp_path / "long")], check=True, timeout=60
    )
    for page in sorted(tmp_path.glob("long*.pgm")):
        ink = np.asarray(Image.open(page)) < 200
        margin = int(20 / 25.4 * 50)  # 4 mm less than the page's own
        assert not ink[:, :margin].any()
        assert not ink[:, -margin:].any()


def test_words_are_wrapped_by_their_width() -> None:
    lines = wrapped("The handle is bog oak; oil it twice a year. " * 3, "roman", 10.5, 60.0)
    assert len(lines) > 2
    assert all(width_mm(line, "roman", 10.5) <= 60 for line in lines)
    assert " ".join(lines) == " ".join(("The handle is bog oak; oil it twice a year. " * 3).split())
    pieces = wrapped("x" * 200, "roman", 10.5, 30.0)
    assert "".join(pieces) == "x" * 200
    assert wrapped("a\nb", "roman", 10.5, 30.0) == ["a", "b"]
    joined = "it is 0.007\N{NO-BREAK SPACE}mm"
    narrow = width_mm("it is 0.007 m", "roman", 10.5)
    assert wrapped(joined, "roman", 10.5, narrow) == ["it is", "0.007\N{NO-BREAK SPACE}mm"]


def test_widths_are_the_fonts_own() -> None:
    # read by fontTools, which matplotlib needs, too
    from fontTools.ttLib import TTFont
    from matplotlib import get_data_path

    font = TTFont(Path(get_data_path()) / "fonts" / "ttf" / "STIXGeneral.ttf")
    advance = font["hmtx"][font.getBestCmap()[ord("7")]][0] / font["head"].unitsPerEm
    assert width_mm("7", "roman", 12) == pytest.approx(12 * advance * 25.4 / 72)


def told_photo(folder: Path) -> Path:
    """Save a sample photo with all that a phone may write into a file."""
    exif = Image.Exif()
    exif[0x010F] = "PHONEMAKER"
    exif[0x0110] = "PHONEMODEL"
    exif[0x013B] = "OWNERNAME"
    exif.get_ifd(0x8769)[0xA431] = "BODYSERIAL77"
    exif.get_ifd(0x8769)[0xA435] = "LENSSERIAL88"
    exif.get_ifd(0x8769)[0x9286] = b"ASCII\0\0\0USERCOMMENT"
    exif.get_ifd(0x8825)[0x0001] = "N"
    exif.get_ifd(0x8825)[0x0002] = (48.0, 13.0, 37.5)
    exif.get_ifd(0x8825)[0x001D] = "2026:11:25"
    path = folder / "IMG_PRIVATE_NAME.jpg"
    picture = Image.open(SAMPLES / "petty_b_1.jpg")
    picture.thumbnail((1200, 900))
    picture.save(path, exif=exif, comment=b"JPEGCOMMENT")
    return path


def test_nothing_of_a_photos_metadata_gets_in(tmp_path: Path) -> None:
    photo = told_photo(tmp_path)
    words = (
        b"PHONEMAKER", b"PHONEMODEL", b"OWNERNAME", b"BODYSERIAL77", b"LENSSERIAL88", b"USERCOMMENT",
        b"JPEGCOMMENT", b"Exif\0", b"2026:11:25",
    )  # fmt: skip
    assert all(word in photo.read_bytes() for word in words)
    data = unpacked(knife_sheet(replace(PETTY, photos=(SheetPhoto(path=photo, caption="left face"),))))
    assert b"JFIF" in data  # the photo is in it
    for word in (*words, b"IMG_PRIVATE", b"GPS", str(tmp_path).encode()):
        assert word not in data, word


def test_the_photos_inside_are_small_and_bare(photos: tuple[SheetPhoto, ...], tmp_path: Path) -> None:
    path = tmp_path / "sheet.pdf"
    path.write_bytes(knife_sheet(replace(PETTY, photos=photos)))
    assert path.stat().st_size < 700_000
    images = [image.image for page in pypdf.PdfReader(path).pages for image in page.images]
    assert len(images) == 2
    for image in images:
        assert max(image.size) <= 1600
        assert not dict(image.getexif())


def test_the_file_says_its_title_and_no_more(tmp_path: Path) -> None:
    path = tmp_path / "sheet.pdf"
    path.write_bytes(knife_sheet(PETTY))
    assert dict(pypdf.PdfReader(path).metadata) == {
        "/Title": "Petty no. 7",
        "/Author": "Canteen batch",
        "/Producer": f"grindcheck {__version__}",
    }


def test_fonts_are_embedded(tmp_path: Path) -> None:
    path = tmp_path / "sheet.pdf"
    path.write_bytes(knife_sheet(PETTY))
    for page in pypdf.PdfReader(path).pages:
        for font in page["/Resources"]["/Font"].values():
            descriptor = font.get_object().get("/FontDescriptor")
            name = font.get_object()["/BaseFont"]
            assert descriptor is not None, name
            assert "/FontFile2" in descriptor.get_object(), name


def test_the_same_sheet_gives_the_same_bytes(photos: tuple[SheetPhoto, ...]) -> None:
    sheet = replace(PETTY, photos=photos[:1])
    assert knife_sheet(sheet) == knife_sheet(sheet)


def test_photos_don_t_cover_words(photos: tuple[SheetPhoto, ...], tmp_path: Path) -> None:
    if not shutil.which("pdftotext"):
        pytest.skip("pdftotext (poppler) isn't installed")
    path = tmp_path / "sheet.pdf"
    path.write_bytes(knife_sheet(replace(PETTY, photos=photos)))
    boxes = subprocess.run(
        ["pdftotext", "-bbox", str(path), "-"], capture_output=True, check=True, timeout=60, text=True
    ).stdout
    words = [
        (float(top), float(bottom), word)
        for top, bottom, word in re.findall(r'yMin="([\d.]+)".*?yMax="([\d.]+)">(.*?)</word>', boxes)
    ]
    captions = sorted(top for top, _, word in words if word == "face")
    heading = min(top for top, _, word in words if word == "KNIFE")
    assert len(captions) == 2
    assert captions[1] < heading
    assert all(
        not captions[0] < top < captions[1] for top, _, word in words if word not in ("left", "right", "face")
    )


def test_a_date_in_words() -> None:
    assert day(date(2026, 3, 2)) == "2 March 2026"


def test_flatness_in_words() -> None:
    assert flatness_sentences(EVEN, "mm") == (
        "Even within 0.025 mm.",
        "3 readings differ by 0.010 mm, U = 0.007 mm; their mean is 2.195 mm.",
        # x − x̄ = −56.7, −1.7, 58.3, Sxx = 6617; slope (56.7 + 58.3) · 0.005/6617 = 0.000087;
        # U = 2 · 0.0023/√6617 = 0.000057
        "It thickens towards the handle by 0.009 mm over 100 mm, U = 0.006 mm.",
    )
    back = flatness([Reading(value_mm=v, at_mm=x) for x, v in ((15, 2.23), (70, 2.21), (130, 2.19))])
    assert "thickens towards the tip" in flatness_sentences(back, "mm")[2]
    level = flatness([Reading(value_mm=v, at_mm=x) for x, v in ((15, 2.20), (70, 2.201), (130, 2.20))])
    assert flatness_sentences(level, "mm")[2].startswith("No taper beyond")
    assert len(flatness_sentences(flatness([Reading(value_mm=2.2)] * 3))) == 2


def test_a_page_has_its_size() -> None:
    # ISO 216: A4 is 210 mm × 297 mm; ANSI A is 8.5 in × 11 in
    assert (Paper("a4", title="").width, Paper("a4", title="").height) == (210, 297)
    letter = Paper("letter", title="")
    assert (letter.width, letter.height) == pytest.approx((8.5 * 25.4, 11 * 25.4))
