"""The print scale: arithmetic by hand, and readings that survive what happens to files."""

import json
import math
from datetime import datetime
from pathlib import Path

import pytest

from grindcheck import printscale
from grindcheck.errors import InputError, OutputError
from grindcheck.printscale import load_print_scale, print_scale, readings_file, save_print_scale


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    folder = tmp_path / "home"
    monkeypatch.setenv("GRINDCHECK_HOME", str(folder))
    return folder


# Arithmetic


def test_whole_bars() -> None:
    """By hand: A4's bars are 276 and 180 mm; 275.586 / 276 = 0.9985, 180.36 / 180 = 1.002.

    A calliper to DIN 862 is within 0.03 mm: 0.03 / √3 = 0.017321 mm; over the shorter bar 180.36 mm that is
    9.6033e-5.
    """
    scale = print_scale("a4", 275.586, 180.36)
    assert scale.x == pytest.approx(0.9985, abs=1e-12)
    assert scale.y == pytest.approx(1.002, abs=1e-12)
    assert scale.std == pytest.approx(9.6033e-5, rel=1e-4)
    assert scale.measured


def test_the_140_mm_pieces_of_a_six_inch_calliper() -> None:
    """By hand: 139.86 / 140 = 0.999, 140.28 / 140 = 1.002; 0.017321 mm / 139.86 mm = 1.23842e-4."""
    scale = print_scale("a3", 139.86, 140.28)
    assert scale.x == pytest.approx(0.999, abs=1e-12)
    assert scale.y == pytest.approx(1.002, abs=1e-12)
    assert scale.std == pytest.approx(1.23842e-4, rel=1e-4)


def test_one_whole_bar_and_one_piece() -> None:
    scale = print_scale("letter", 252.0, 140.0)
    assert (scale.x, scale.y, scale.measured) == (1.0, 1.0, True)


def test_unmeasured_print() -> None:
    """±0.5 % taken as rectangular: 0.005 / √3 = 0.0028868."""
    scale = print_scale("a4")
    assert (scale.x, scale.y, scale.measured) == (1.0, 1.0, False)
    assert scale.std == pytest.approx(0.0028868, abs=1e-7)


@pytest.mark.parametrize("bars", [(275.586, None), (None, 179.73)])
def test_one_bar_says_nothing_of_the_other_axis(bars: tuple[float | None, float | None]) -> None:
    """By hand: 179.73 / 180 = 0.9985."""
    scale = print_scale("a4", *bars)
    assert (scale.x, scale.y) == pytest.approx([1.0 if bar is None else 0.9985 for bar in bars])
    assert scale.std == pytest.approx(0.0028868, abs=1e-7)
    assert not scale.measured


@pytest.mark.parametrize("share", [0.94, 0.97])
@pytest.mark.parametrize("paper", ["a4", "letter", "a3", "tabloid"])
def test_fit_to_page_is_accepted(paper: str, share: float) -> None:
    """Fitting to the page shrinks to 94 to 97 % (from memory); the shrunk mat still measures."""
    width, height = printscale.mat_spec(paper).frame_mm
    whole = print_scale(paper, share * width, share * height)
    assert (whole.x, whole.y) == pytest.approx((share, share))
    piece = print_scale(paper, share * 140, share * 140)
    assert (piece.x, piece.y) == pytest.approx((share, share))


@pytest.mark.parametrize("reading", [10.85, 27.56, 127.0, 160.0, 2756.0, 0.0, -276.0, math.nan, math.inf])
def test_a_reading_that_fits_no_bar(reading: float) -> None:
    with pytest.raises(InputError, match=r"bar along x reads .* 276 mm long.*140 mm.*unit"):
        print_scale("a4", bar_x_mm=reading)
    with pytest.raises(InputError, match="bar along y"):
        print_scale("a4", bar_y_mm=reading)


def test_limit_of_a_reading() -> None:
    # 8 % of 276 mm is 22.08 mm.
    assert print_scale("a4", bar_x_mm=276 + 22.07).x > 1
    with pytest.raises(InputError):
        print_scale("a4", bar_x_mm=276 + 22.09)


def test_unknown_paper() -> None:
    with pytest.raises(InputError, match="no mat for the paper 'b5'"):
        print_scale("b5", 200.0, 100.0)
    with pytest.raises(InputError, match="no mat for the paper 'b5'"):
        load_print_scale("b5")


# Keeping


def test_nothing_kept_is_an_unmeasured_print(home: Path) -> None:
    assert load_print_scale("a4") == print_scale("a4")
    assert not home.exists()  # reading makes nothing


def test_kept_readings_come_back(home: Path) -> None:
    saved = save_print_scale("A4", 275.586, 180.36)
    assert saved == load_print_scale("a4") == print_scale("a4", 275.586, 180.36)
    assert load_print_scale("letter") == print_scale("letter")
    assert readings_file() == home / "print_scale.json"


def test_history_is_kept_and_the_last_counts(home: Path) -> None:
    save_print_scale("a4", 275.586, 180.36)
    save_print_scale("letter", 252.1, 180.1)
    save_print_scale("a4", 276.1, 180.0)
    assert load_print_scale("a4") == print_scale("a4", 276.1, 180.0)
    kept = json.loads((home / "print_scale.json").read_text(encoding="utf-8"))
    assert [(entry["bar_x_mm"], entry["bar_y_mm"]) for entry in kept["a4"]] == [
        (275.586, 180.36),
        (276.1, 180.0),
    ]
    for entry in kept["a4"]:
        offset = datetime.fromisoformat(entry["time"]).utcoffset()
        assert offset is not None and offset.total_seconds() == 0


def test_bars_may_be_kept_one_after_the_other() -> None:
    assert not save_print_scale("a4", bar_x_mm=275.586).measured
    assert save_print_scale("a4", bar_y_mm=180.36) == print_scale("a4", 275.586, 180.36)


def test_a_bad_reading_is_not_kept(home: Path) -> None:
    save_print_scale("a4", 275.586, 180.36)
    before = (home / "print_scale.json").read_bytes()
    with pytest.raises(InputError):
        save_print_scale("a4", 27.5586, 180.36)
    with pytest.raises(InputError, match=r"No bar is given.*--bar-x"):
        save_print_scale("a4")
    assert (home / "print_scale.json").read_bytes() == before


def test_a_failing_write_leaves_the_earlier_readings(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    save_print_scale("a4", 275.586, 180.36)

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", fail)
    with pytest.raises(OutputError, match=r"can't be kept.*No space left.*GRINDCHECK_HOME"):
        save_print_scale("a4", 276.1, 180.0)
    assert load_print_scale("a4") == print_scale("a4", 275.586, 180.36)
    assert [path.name for path in home.iterdir()] == ["print_scale.json"]  # nothing half-written is left


def test_home_that_is_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    monkeypatch.setenv("GRINDCHECK_HOME", str(tmp_path / "file"))
    with pytest.raises(OutputError):
        save_print_scale("a4", 276.1, 180.0)


@pytest.mark.parametrize(
    "content",
    [
        "",
        "{",
        "[]",
        "3",
        '{"a4": 3}',
        '{"a4": [3]}',
        '{"a4": [{"bar_x_mm": "276"}]}',
        '{"a4": [{"bar_x_mm": [276]}]}',
        "\xff",
        '{"a4": {}}',  # an empty one let reading pass and saving fail
        '{"a4": [{"bar_x_mm": NaN}]}',
        '{"a4": [{"bar_x_mm": true}]}',
        '{"a4": [{"bar_x_mm": 1' + 400 * "0" + "}]}",  # more than a float holds
        "[" * 100_000,
    ],
)
def test_a_damaged_file_is_told_and_not_overwritten(home: Path, content: str) -> None:
    home.mkdir()
    path = home / "print_scale.json"
    path.write_bytes(content.encode("latin-1"))
    with pytest.raises(OutputError, match=r"can't be read.*Mend or rename"):
        load_print_scale("a4")
    with pytest.raises(OutputError, match="can't be read"):
        save_print_scale("a4", 276.1, 180.0)
    assert path.read_bytes() == content.encode("latin-1")


def test_without_the_variable_the_users_own_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    from platformdirs import user_data_dir

    monkeypatch.delenv("GRINDCHECK_HOME")
    assert readings_file().is_relative_to(user_data_dir())
    assert readings_file().parent.name == "grindcheck"
