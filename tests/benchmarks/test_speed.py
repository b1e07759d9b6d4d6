"""Time and memory of a check, against decoding the pair and against the ordinary way.

    pytest tests/benchmarks --benchmark-only -s

Skipped in an ordinary run (``--benchmark-skip``). All times of one line are taken in turn in one run, since a
machine's clock and its other work change; the best of a few counts. Memory is the largest resident set of a
fresh process that does nothing but one check, its imports included.
"""

import json
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import psutil
import pytest
from ordinary import ordinary_difference
from PIL import Image

from grindcheck.pipeline import Request, check_pair
from grindcheck.selfcheck import sample_request

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
NAMES = [pair["name"] for pair in json.loads((SAMPLES / "pairs.json").read_text(encoding="utf-8"))["pairs"]]
TURNS = 5
MOST_RATIO = 6.0  # of a check to decoding its pair
MOST_MB = {12: 700.0, 48: 1600.0}


def truth(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((SAMPLES / f"{name}.json").read_text(encoding="utf-8"))
    return found


def request(name: str, folder: Path = SAMPLES) -> Request:
    """Ask as the accuracy study does."""
    return sample_request(folder, truth(name))


def decode(paths: tuple[Path, Path]) -> list[Any]:
    return [cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR) for path in paths]


def best_of(works: dict[str, Callable[[], Any]], turns: int = TURNS) -> dict[str, float]:
    """Shortest time of each, in seconds, all done once in every turn."""
    times: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(turns):
        for name, work in works.items():
            begin = time.perf_counter()
            work()
            times[name].append(time.perf_counter() - begin)
    return {name: min(taken) for name, taken in times.items()}


def test_time_of_a_pair(benchmark: Any, capsys: pytest.CaptureFixture[str]) -> None:
    name = "field_knife_a"
    ask = request(name)
    check_pair(ask)  # imports and tables
    works = {
        "decoding the pair": lambda: decode(ask.photos),
        "the check": lambda: check_pair(ask),
        "the ordinary way": lambda: ordinary_difference(ask.photos),
    }
    taken = best_of(works)
    benchmark.pedantic(check_pair, args=(ask,), rounds=3)
    unit = taken["decoding the pair"]
    with capsys.disabled():
        print(f"\n{name}, 12 MP, best of {TURNS}:")
        for what, seconds in taken.items():
            print(f"  {what:20} {1e3 * seconds:7.0f} ms {seconds / unit:6.1f} × decoding")
    assert taken["the check"] / unit < MOST_RATIO


def test_error_beside_the_ordinary_way(benchmark: Any, capsys: pytest.CaptureFixture[str]) -> None:
    """Left minus right at mid height, on every sample pair that has two plunges."""
    ours, theirs = [], []
    lines = []
    for name in NAMES:
        known = truth(name)
        if not known["differences"].get("plunge"):
            continue
        true = known["differences"]["plunge"]["mid"]
        ask = request(name)
        found = [f.value for f in check_pair(ask).differences if f.quantity == "plunge.mid"]
        faces = {photo["file"]: photo["face"] for photo in known["photos"]}
        plain = ordinary_difference(ask.photos, [faces[path.name] for path in ask.photos])
        ours += [abs(value - true) for value in found]
        theirs += [] if plain is None else [abs(plain - true)]
        lines.append(
            f"  {name:16} true {true:6.2f}  check {' '.join(f'{v:6.2f}' for v in found) or 'none':>6}  "
            f"ordinary {'none' if plain is None else f'{plain:6.2f}'}"
        )
    benchmark.pedantic(ordinary_difference, args=(request(NAMES[0]).photos,), rounds=1)
    with capsys.disabled():
        print("\nplunge difference at mid height, mm:", *lines, sep="\n")
        print(f"  median error: check {np.median(ours):.3f}, ordinary {np.median(theirs):.3f}")
    assert np.median(ours) < np.median(theirs)


def enlarged(name: str, folder: Path) -> Path:
    """Write a sample pair at twice its size, 48 MP, with its Exif block."""
    for photo in truth(name)["photos"]:
        with Image.open(SAMPLES / photo["file"]) as picture:
            exif = picture.getexif().tobytes()
            twice = picture.resize((2 * picture.width, 2 * picture.height), Image.Resampling.BICUBIC)
        twice.save(folder / photo["file"], quality=92, exif=exif)
    return folder


def peak_mb(ask: Request) -> float:
    """Largest resident set of a fresh process that checks one pair, in MB (10^6 bytes)."""
    numbers = {"thickness_mm": ask.thickness_mm, "height_mm": ask.height_mm, "edge_mm": ask.edge_mm}
    code = (
        "from pathlib import Path\n"
        "from grindcheck.pipeline import Request, check_pair\n"
        f"check_pair(Request(photos=tuple(map(Path, {[str(p) for p in ask.photos]})), **{numbers}))\n"
    )
    process = psutil.Popen([sys.executable, "-c", code])
    most = 0
    done = threading.Event()

    def watch() -> None:
        nonlocal most
        while not done.is_set():
            try:
                memory = process.memory_info()
            except psutil.NoSuchProcess:
                return
            most = max(most, getattr(memory, "peak_wset", memory.rss))  # Windows counts the peak itself
            time.sleep(0.002)

    watcher = threading.Thread(target=watch)
    watcher.start()
    try:
        code_back = process.wait(timeout=300)
    except subprocess.TimeoutExpired:
        process.kill()
        raise
    finally:
        done.set()
        watcher.join()
    assert code_back == 0
    return most / 1e6


@pytest.mark.parametrize("megapixels", [12, 48])
def test_memory(benchmark: Any, capsys: pytest.CaptureFixture[str], tmp_path: Path, megapixels: int) -> None:
    name = "field_knife_a"
    folder = SAMPLES if megapixels == 12 else enlarged(name, tmp_path)
    peak = benchmark.pedantic(peak_mb, args=(request(name, folder),), rounds=1)
    with capsys.disabled():
        print(f"\n{name}, {megapixels} MP: {peak:.0f} MB at most")
    assert peak < MOST_MB[megapixels]
