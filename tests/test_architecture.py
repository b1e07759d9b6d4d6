"""Imports never point up, and each heavy library stays where it belongs (DEVELOPERS.md, modules)."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "grindcheck"

# From the bottom up; a module imports from lower layers, or from its own.
LAYERS = (
    # "": for its version
    {
        "", "errors", "home", "settings", "units", "tablecell", "csvrows", "keptfile", "memory",
        "threads",
        "folderlock", "flags", "geometry", "chain",
        "registration",
    },
    {"mat.spec", "mat.strips", "photo"},
    {
        "mat", "mat.drawing", "mat.strip_sheet", "mat.markers", "mat.saddle", "mat.edges", "mat.finding",
        "printscale",
    },
    {"lens", "posefit", "lensstore", "lenscalibration", "camera", "oneprint", "lensguide"},
    {"rectify", "shown", "pixelscale", "edgefit", "lay"},
    {"silhouette", "outline"},
    {"strip", "flatend", "border", "creasefit", "plunge", "shoulder", "grindlines"},
    {"placing", "figures", "budget", "results", "sources"},
    {"compare"},
    {"verdict", "several"},
    {"finish", "finish.results"},
    {
        "finish.request", "finish.grits", "finish.groups", "finish.acceptance", "finish.lays",
        "finish.leftout", "finish.onblade", "finish.printed", "finish.closeup",
        "finish.beams", "finish.texture", "finish.directions", "finish.tail", "finish.evidence",
        "finish.trace", "finish.span", "finish.look", "finish.line", "finish.search", "finish.scan",
        "finish.findable", "finish.change",
    },
    {
        "pipeline", "pairs", "advice", "options", "finish.regions", "finish.searched", "finish.told",
        "finish.laid", "finish.face", "finish.check", "trend", "flatness",
        "gaugestudy", "gaugespread", "rangefactors", "agreement", "gaugetable", "selfcheck", "selffaces",
        "selfdrift", "batch", "batch_pairing",
    },
    {
        "report", "report.words", "report.data", "report.text", "report.picture", "report.finish_words",
        "report.finish_text", "report.finish_data", "report.finish_marks", "report.finish_picture",
        "report.trend_text", "report.trend_picture", "report.flatness_text", "report.plain_photo",
        "report.paper", "report.sheet_data", "report.sheet_sections", "report.knife_sheet",
        "report.drawing_data", "report.recorded_picture",
        "report.gauge_text", "report.agreement_picture", "report.budget_data", "report.uncertainty_text",
        "batch_workers", "batch_measuring",
    },
    {
        "record", "record.entries", "record.tables", "record.migrations", "record.migrations.v0001",
        "record.migrating",
    },
    {"record.opening", "record.given"},
    {"record.shelf", "record.vault", "record.asked"},
    {"record.checks", "record.measuring"},
    {"record.knives", "record.binning", "record.verifying"},
    {
        "record.listing", "record.rows", "record.finding", "record.note_words", "record.option_words",
        "record.telling", "record.trends", "record.sheet",
    },
    {"record.pictures", "record.spreadsheets"},
    {"record.archive", "record.taking_in"},
    {
        "page", "page.pairing", "page.work", "page.words", "page.given", "page.notes", "page.glance",
        "page.plots",
    },
    {"page.guard"},
    {"page.pictures"},
    {"page.shop"},
    {"page.results", "page.routes_photos"},
    {
        "page.api", "page.routes_knives", "page.routes_checks", "page.routes_trend", "page.routes_shop",
        "page.routes_archive",
    },
    {"page.app", "page.sample"},
    {"page.serving"},
    {"console", "cli_records", "cli_gauge", "cli_selftest", "cli_batch", "cli_calibrate"},
    {"cli_records_check", "cli_records_upkeep", "cli_records_sheet"},
    {"cli", "__main__"},
)  # fmt: skip
LEVEL = {name: level for level, names in enumerate(LAYERS) for name in names}

# A library, and the only modules that may import it.
ONLY_IN = {
    "cv2": {
        "photo", "mat.spec", "mat.drawing", "mat.edges", "mat.saddle", "mat.markers", "mat.finding", "camera",
        "lens", "posefit", "rectify", "edgefit", "silhouette", "outline", "lay", "strip", "flatend", "plunge",
        "shoulder", "border", "grindlines", "finish.lays", "finish.leftout", "finish.printed",
        "finish.closeup", "finish.regions", "finish.texture",
        "finish.evidence", "finish.tail", "finish.trace", "finish.look", "finish.search", "finish.findable",
        "shown", "page.pictures", "page.work", "batch_workers",
    },
    "matplotlib": {
        "mat.drawing", "report.picture", "report.finish_marks", "report.finish_picture",
        "report.trend_picture", "report.paper", "report.agreement_picture",
    },
    "typer": {
        "console", "cli_records", "cli_records_check", "cli_records_upkeep", "cli_records_sheet", "cli",
        "cli_gauge", "cli_selftest", "cli_batch", "cli_calibrate",
    },
    "fastapi": {
        "page.api", "page.app", "page.results", "page.routes_archive", "page.routes_checks",
        "page.routes_knives", "page.routes_photos", "page.routes_shop", "page.routes_trend", "page.shop",
    },
    "segno": {"page.routes_shop", "page.serving"},
    "uvicorn": {"page.serving"},
    "pint": {"units"},
    "pillow_heif": {"photo"},
    "uncertainties": {"budget", "compare"},
    "reportlab": {"report.paper"},
    "platformdirs": {"home"},
    "sqlalchemy": {
        "record.tables", "record.migrations.v0001", "record.migrating", "record.opening", "record.shelf",
        "record.vault", "record.checks", "record.knives", "record.listing",
        "record.binning", "record.verifying", "record.rows", "record.archive", "record.taking_in",
        "record.finding",
    },
    "alembic": {"record.migrations.v0001", "record.migrating"},
}  # fmt: skip


def modules() -> dict[str, Path]:
    out = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        out[".".join(parts if parts[-1] != "__init__" else parts[:-1])] = path
    return out


MODULES = modules()


def imports(path: Path) -> set[str]:
    """All that a module imports anywhere in it, at run time or for types."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} imports relatively"
            base = node.module or ""
            nested = {f"{base}.{alias.name}" for alias in node.names}
            own = {name for name in nested if name.removeprefix("grindcheck.") in MODULES}
            found |= own or {base}
    return found


def own(path: Path) -> set[str]:
    return {
        name.removeprefix("grindcheck").removeprefix(".")
        for name in imports(path)
        if name.split(".")[0] == "grindcheck"
    }


def test_every_module_has_its_layer() -> None:
    assert set(MODULES) == set(LEVEL)


@pytest.mark.parametrize("name", MODULES)
def test_imports_never_point_up(name: str) -> None:
    above = {other for other in own(MODULES[name]) if LEVEL.get(other, 0) > LEVEL[name]}
    assert not above


def test_no_circles() -> None:
    graph = {name: own(path) - {name} for name, path in MODULES.items()}
    done: set[str] = set()
    while len(done) < len(graph):
        free = {name for name, needs in graph.items() if name not in done and needs <= done}
        assert free, f"in a circle: {sorted(set(graph) - done)}"
        done |= free


@pytest.mark.parametrize("library", ONLY_IN)
def test_a_library_stays_where_it_belongs(library: str) -> None:
    users = {
        name for name, path in MODULES.items() if any(one.split(".")[0] == library for one in imports(path))
    }
    assert users <= ONLY_IN[library]


@pytest.mark.parametrize(
    "module",
    [
        "cli",
        "verdict",
        "report.text",
        "options",
        "finish.acceptance",
        "report.finish_text",
        "report.trend_text",
        "report.knife_sheet",
    ],
)
def test_heavy_imports_wait(module: str) -> None:
    # in a fresh interpreter, as the command starts
    heavy = (
        "reportlab",
        "cv2",
        "numpy",
        "scipy",
        "matplotlib",
        "PIL",
        "pint",
        "uncertainties",
        "pillow_heif",
        "sqlalchemy",
        "alembic",
    )
    code = f"import sys, grindcheck.{module}; print([name for name in {heavy!r} if name in sys.modules])"
    found = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT, timeout=60
    )
    assert found.stdout.strip() == "[]"
