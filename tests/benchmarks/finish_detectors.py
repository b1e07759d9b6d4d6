"""Four ways to find scratches on the same faces, side by side in one run: recall, false finds, time.

    python tests/benchmarks/finish_detectors.py

Writes ``FINISH.md`` and ``finish_detectors.png`` beside itself. Needs scikit-image for Sato's filter.
"""

import argparse
import sys
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))
from finish_textures import LAID, TEXTURES, Grey, Points, add_scratch, arc  # noqa: E402

from grindcheck.finish.search import find_lines  # noqa: E402

SIDE = 1024
CELLS = 2  # scratches lie in the cells of a grid, one in each, so that none meets another
SLOW = "Sato + Hough"  # looks at every other face only
CROWDS = (2, 3, 4)  # cells along a side, at one contrast, to see what many scratches do to each other
CROWD_CONTRAST = 2.0
LENGTH_PX, WIDTH_PX, BOW_PX = 200.0, 2.0, 6.0  # every other scratch is bowed
OFF = (0.3, 0.5, 1.0, 1.5, 2.0, 2.5, 4.0)  # contrasts in sigmas of the texture
ALONG = (1.0, 2.0, 4.0, 6.0)
NEAR_PX, NEAR_RAD, COVERED = 4.0, np.deg2rad(8.0), 0.5
SHORTEST_PX = 30.0  # a shorter segment counts for none of the four
ALLOWED_PER_MP = 1.0
TUNING, CLEAN, SCRATCHED = 1, 2, 3  # first figure of the seeds
KINDS = ("brushed", "satin", "blasted", "tumbled")

Segments = NDArray[np.float64]  # (N, 2, 2): two ends, x and y


def ours(grey: Grey, lay_rad: float | None) -> list[Segments]:
    """`grindcheck.finish.scan.find_lines`, one false find a field asked for: one entry a find."""
    scan = find_lines(grey, np.ones(grey.shape, bool), lay_rad=lay_rad, false_finds=1.0)
    finds = []
    for line in scan.lines:
        points = line.path.points_px
        few = points[np.unique(np.append(np.arange(0, len(points), 4), len(points) - 1))]  # every 32 px
        finds.append(np.stack([few[:-1], few[1:]], axis=1))
    return finds


def lsd(grey: Grey, lay_rad: float | None) -> list[Segments]:
    """OpenCV's line segment detector as it comes."""
    lines = cv2.createLineSegmentDetector().detect(_eight_bits(grey))[0]
    return _apart(lines)


def canny(grey: Grey, lay_rad: float | None) -> list[Segments]:
    """Blur of 1.5 px, Canny with the gradient's 80 % and 95 % quantiles, HoughLinesP."""
    soft = cv2.GaussianBlur(_eight_bits(grey), (0, 0), 1.5)
    steep = np.abs(cv2.Sobel(soft, cv2.CV_32F, 1, 0)) + np.abs(cv2.Sobel(soft, cv2.CV_32F, 0, 1))
    low, high = np.quantile(steep[::4, ::4], [0.8, 0.95])
    return _hough(cv2.Canny(soft, float(low), float(high)))


def sato(grey: Grey, lay_rad: float | None) -> list[Segments]:
    """Sato's ridges at 1.5 px, bright and dark, the strongest 5 % thinned, HoughLinesP."""
    from skimage.filters import sato as ridges
    from skimage.morphology import skeletonize

    response = np.maximum(*(ridges(grey, sigmas=(1.5,), black_ridges=dark) for dark in (False, True)))
    strong = response > np.quantile(response[::4, ::4], 0.95)
    return _hough(skeletonize(strong).astype(np.uint8) * 255)


DETECTORS: dict[str, Callable[[Grey, float | None], list[Segments]]] = {
    "grindcheck": ours,
    "LSD": lsd,
    "Canny + Hough": canny,
    "Sato + Hough": sato,
}


def _eight_bits(grey: Grey) -> NDArray[np.uint8]:
    return np.clip(np.rint(128.0 + 25.0 * grey), 0, 255).astype(np.uint8)


def _hough(edges: NDArray[np.uint8]) -> list[Segments]:
    return _apart(cv2.HoughLinesP(edges, 1, np.pi / 360, 30, minLineLength=SHORTEST_PX, maxLineGap=5))


def _apart(lines: NDArray[np.generic] | None) -> list[Segments]:
    ends = np.zeros((0, 2, 2)) if lines is None else np.asarray(lines, np.float64).reshape(-1, 2, 2)
    return [one[None] for one in ends]


def lengths(finds: list[Segments]) -> NDArray[np.float64]:
    """Length of each find, px."""
    return np.array([float(np.hypot(*(one[:, 1] - one[:, 0]).T).sum()) for one in finds])


def covers(segments: Segments, points: Points) -> bool:
    """Whether segments within 4 px and 8° lie along at least half of a scratch: one rule for all."""
    low, high = points.min(axis=0) - NEAR_PX, points.max(axis=0) + NEAR_PX
    near = np.all((segments.min(axis=1) <= high) & (segments.max(axis=1) >= low), axis=1)
    segments = segments[near]
    if not len(segments):
        return False
    way = segments[:, 1] - segments[:, 0]
    long = np.maximum(np.hypot(*way.T), 1e-9)
    way /= long[:, None]
    tangent = np.gradient(points, axis=0)
    tangent /= np.hypot(*tangent.T)[:, None]
    apart = points[:, None] - segments[None, :, 0]
    along = np.einsum("psk,sk->ps", apart, way)
    across = apart[..., 0] * way[:, 1] - apart[..., 1] * way[:, 0]
    same = np.abs(tangent @ way.T) >= np.cos(NEAR_RAD)
    at = same & (np.abs(across) <= NEAR_PX) & (along >= 0) & (along <= long)
    return float(at.any(axis=1).mean()) >= COVERED


def scratched(
    kind: str, contrast: float, *, along: bool, seed: list[int], cells: int = CELLS
) -> tuple[Grey, list[Points]]:
    """Make a face with cells² scratches of one contrast, bright and dark in turn."""
    rng = np.random.default_rng(seed)
    grey = TEXTURES[kind](rng, (SIDE, SIDE))
    cell = SIDE / cells
    paths = []
    for number in range(cells * cells):
        middle = (np.array([number % cells, number // cells]) + 0.5) * cell + rng.uniform(-12.0, 12.0, 2)
        degrees = rng.uniform(0.0, 10.0) if along else rng.uniform(15.0, 90.0)
        angle = np.deg2rad(degrees) * rng.choice([-1, 1])
        path = arc(middle, float(angle), LENGTH_PX, BOW_PX * (number // 2 % 2) * (0.3 if along else 1.0))
        add_scratch(grey, path, contrast * (1 - 2 * (number % 2)), WIDTH_PX)
        paths.append(path)
    return grey, paths


def measure(fields: int, clean: int) -> dict[str, object]:
    """Run all four on all faces."""
    least: dict[tuple[str, str], float] = {}
    false: dict[tuple[str, str], tuple[float, float]] = {}
    seconds: dict[tuple[str, str], list[float]] = defaultdict(list)
    recall: dict[tuple[str, str, bool, float], list[tuple[bool, bool]]] = defaultdict(list)

    def area(name: str) -> float:
        return (-(-clean // 2) if name == SLOW else clean) * SIDE * SIDE / 1e6

    def found(name: str, kind: str, grey: Grey) -> list[Segments]:
        begin = time.perf_counter()
        finds = DETECTORS[name](grey, 0.0 if kind in LAID else None)
        seconds[kind, name].append(time.perf_counter() - begin)
        return finds

    for name in DETECTORS:  # imports and first calls are nobody's time
        DETECTORS[name](TEXTURES["white"](np.random.default_rng(0), (128, 128)), None)
    for kind in KINDS:
        number = list(TEXTURES).index(kind)
        for group in (TUNING, CLEAN):
            long: dict[str, list[float]] = defaultdict(list)
            for field in range(clean):
                grey = TEXTURES[kind](np.random.default_rng([group, number, field]), (SIDE, SIDE))
                for name in _awake(field):
                    long[name] += lengths(found(name, kind, grey)).tolist()
            for name in DETECTORS:
                sizes = np.array(long[name])
                if group == TUNING:
                    longest = np.sort(sizes)[::-1]
                    allowed = int(ALLOWED_PER_MP * area(name))
                    limit = longest[allowed] + 1e-6 if len(longest) > allowed else 0.0
                    least[kind, name] = 0.0 if name == "grindcheck" else max(limit, SHORTEST_PX)
                else:
                    usual = 0.0 if name == "grindcheck" else SHORTEST_PX
                    false[kind, name] = (
                        float(np.sum(sizes >= usual)) / area(name),
                        float(np.sum(sizes >= least[kind, name])) / area(name),
                    )
        for along, contrasts in ((False, OFF), (True, ALONG if kind in LAID else ())):
            for step, contrast in enumerate(contrasts):
                for field in range(fields):
                    seed = [SCRATCHED, number, int(along), step, field]
                    grey, paths = scratched(kind, contrast, along=along, seed=seed)
                    for name in _awake(field):
                        finds = found(name, kind, grey)
                        size = lengths(finds)
                        kept = []
                        for limit in (0.0 if name == "grindcheck" else SHORTEST_PX, least[kind, name]):
                            some = [one for one, long_px in zip(finds, size, strict=True) if long_px >= limit]
                            kept.append(np.concatenate([*some, np.zeros((0, 2, 2))]))
                        recall[kind, name, along, contrast] += [
                            (covers(kept[0], path), covers(kept[1], path)) for path in paths
                        ]
        print(kind, {name: round(float(np.median(seconds[kind, name])), 2) for name in DETECTORS}, flush=True)
    return {"least": least, "false": false, "seconds": seconds, "recall": recall}


def _awake(field: int) -> list[str]:
    return [name for name in DETECTORS if name != SLOW or field % 2 == 0]


def crowd() -> dict[tuple[str, int], float]:
    """Recall of grindcheck by the number of equal scratches of all directions on one face, in per cent."""
    out = {}
    for kind in KINDS:
        for cells in CROWDS:
            seed = [5, list(TEXTURES).index(kind), cells]
            grey, paths = scratched(kind, CROWD_CONTRAST, along=False, seed=seed, cells=cells)
            finds = np.concatenate([*ours(grey, 0.0 if kind in LAID else None), np.zeros((0, 2, 2))])
            out[kind, cells] = 100 * float(np.mean([covers(finds, path) for path in paths]))
    return out


def large_face() -> dict[str, float]:
    """Time of `find_lines` on a face of 4 MP, the best of three, s."""
    out = {}
    for kind in KINDS:
        grey = TEXTURES[kind](np.random.default_rng([4, list(TEXTURES).index(kind)]), (2000, 2000))
        times = []
        for _ in range(3):
            begin = time.perf_counter()
            find_lines(grey, np.ones(grey.shape, bool), lay_rad=0.0 if kind in LAID else None)
            times.append(time.perf_counter() - begin)
        out[kind] = min(times)
    return out


def table(
    result: dict[str, object],
    large: dict[str, float],
    crowded: dict[tuple[str, int], float],
    fields: int,
    clean: int,
) -> str:
    """Write the figures as Markdown."""
    least, false, seconds, recall = (result[key] for key in ("least", "false", "seconds", "recall"))
    count = fields * CELLS * CELLS
    lines = [
        "# Finding scratches: four detectors side by side",
        "",
        "Written by `python tests/benchmarks/finish_detectors.py`; all figures from one run, two cores.",
        "",
        f"Faces of {SIDE} × {SIDE} px, textures of `tests/finish_textures.py` (variance 1). Scratches",
        f"{LENGTH_PX:.0f} × {WIDTH_PX:.0f} px, every other pair bowed, bright and dark in turn, "
        f"{count} to each figure",
        f"({fields} fields of {CELLS * CELLS}; {SLOW} has every other field only).",
        f"Seeds: `[{SCRATCHED}, texture, along, contrast's number, field]`; clean fields",
        f"`[{CLEAN}, texture, field]`, tuning `[{TUNING}, texture, field]`, {clean} fields each.",
        "A scratch is found if segments within",
        f"{NEAR_PX:.0f} px and 8° lie along half of it, the same rule for all.",
        f"Recall of {count} has a standard error of up to {50 / count**0.5:.0f} points.",
        "",
        "*as usual*: the others with segments of 30 px and more. *tuned*: only their segments longer than",
        "all but one per megapixel on the tuning fields of that texture, a limit that no user could know;",
        "it shows what is left of them at as few false finds. The 30 px may cost LSD dear,",
        "which breaks lines up. grindcheck has one setting for all (`false_finds=1` a field)",
        "and is told the lay (0°) or that there is none.",
        "",
    ]
    for along, contrasts in ((False, OFF), (True, ALONG)):
        lines += [
            "## Within 10° of the lay"
            if along
            else "## 15° to 90° to the lay (any direction where there is none)",
            "",
            "Recall in per cent by contrast in sigmas.",
            "",
            "| texture | detector | " + " | ".join(f"{c:g}" for c in contrasts) + " |",
            "|---" * (2 + len(contrasts)) + "|",
        ]
        for kind in KINDS:
            if along and kind not in LAID:
                continue
            for name in DETECTORS:
                for which, word in enumerate((" as usual", " tuned")):
                    if name == "grindcheck" and which:
                        continue
                    label = name if name == "grindcheck" else name + word
                    cells = [
                        f"{100 * np.mean([one[which] for one in recall[kind, name, along, c]]):.0f}"
                        for c in contrasts
                    ]
                    lines.append(f"| {kind} | {label} | " + " | ".join(cells) + " |")
        lines.append("")
    lines += [
        "## False finds and time",
        "",
        "False finds per megapixel on the clean fields; time is the median of all fields of the texture.",
        "",
        "| texture | detector | false, as usual | false, tuned | tuned length, px | time, s | against LSD |",
        "|---|---|---|---|---|---|---|",
    ]
    for kind in KINDS:
        base = float(np.median(seconds[kind, "LSD"]))
        for name in DETECTORS:
            took = float(np.median(seconds[kind, name]))
            usual, tuned = false[kind, name]
            more = ["", ""] if name == "grindcheck" else [f"{tuned:.1f}", f"{least[kind, name]:.0f}"]
            lines.append(
                f"| {kind} | {name} | {usual:.1f} | {' | '.join(more)} | {took:.2f} | {took / base:.2f} |"
            )
    lines += [
        "",
        "`find_lines` on 4 MP (2000 × 2000), best of three: "
        + ", ".join(f"{kind} {took:.2f} s" for kind, took in large.items())
        + ".",
        "",
        "## Many scratches on one face",
        "",
        f"Recall of grindcheck in per cent at {CROWD_CONTRAST:g} sigmas by the number of scratches of all",
        "directions on one face of 1 MP. What a texture itself makes is learnt from the face: scratches",
        "of all directions pass for texture.",
        "",
        "| texture | " + " | ".join(f"{cells * cells}" for cells in CROWDS) + " |",
        "|---" * (1 + len(CROWDS)) + "|",
    ]
    for kind in KINDS:
        cells_text = " | ".join(f"{crowded[kind, cells]:.0f}" for cells in CROWDS)
        lines.append(f"| {kind} | {cells_text} |")
    lines.append("")
    return "\n".join(lines)


def plot(result: dict[str, object], path: Path) -> None:
    """Draw recall against contrast, one panel a texture."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    recall = result["recall"]
    panels = [(kind, False) for kind in KINDS] + [(kind, True) for kind in LAID]
    figure, axes = pyplot.subplots(2, 3, figsize=(10, 6), sharey=True, layout="constrained")
    for axis, (kind, along) in zip(axes.ravel(), panels, strict=True):
        contrasts = ALONG if along else OFF
        for colour, name in enumerate(DETECTORS):
            for which, style in ((1, "-"), (0, ":")):
                if name == "grindcheck" and not which:
                    continue
                share = [
                    100 * np.mean([one[which] for one in recall[kind, name, along, c]]) for c in contrasts
                ]
                label = name if name == "grindcheck" else f"{name}, {'tuned' if which else 'as usual'}"
                axis.plot(contrasts, share, style, color=f"C{colour}", marker=".", label=label)
        axis.axhline(90, color="0.8", lw=0.8, zorder=0)
        axis.set(title=f"{kind}, {'along the lay' if along else 'off the lay'}", xscale="log", ylim=(-3, 103))
        axis.set_xticks(contrasts, [f"{c:g}" for c in contrasts])
        axis.minorticks_off()
    for axis in axes[1]:
        axis.set_xlabel("contrast, sigmas")
    for axis in axes[:, 0]:
        axis.set_ylabel("recall, %")
    axes[0, 0].legend(fontsize=6)
    figure.savefig(path, dpi=90)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--fields", type=int, default=2, help="faces to each texture and contrast")
    parser.add_argument("--clean", type=int, default=2, help="clean faces to each texture, and to tune on")
    parser.add_argument("--folder", type=Path, default=HERE)
    asked = parser.parse_args()
    begin = time.perf_counter()
    result = measure(asked.fields, asked.clean)
    text = table(result, large_face(), crowd(), asked.fields, asked.clean)
    text += f"\nThe whole run took {time.perf_counter() - begin:.0f} s.\n"
    print(text)
    (asked.folder / "FINISH.md").write_text(text, encoding="utf-8")
    plot(result, asked.folder / "finish_detectors.png")


if __name__ == "__main__":
    main()
