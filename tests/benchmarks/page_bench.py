"""A page in a process of its own for the page's figures, and requests to it that are timed."""

import contextlib
import http.client
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import psutil

ROOT = Path(__file__).parent.parent.parent
SAMPLES = ROOT / "sample_images"


class Served:
    """A running page."""

    def __init__(self, port: int, process: psutil.Process) -> None:
        self.port, self.process = port, process

    def ask(
        self, path: str, *, method: str = "GET", body: bytes | None = None, kind: str = "text/html"
    ) -> tuple[float, int, bytes]:
        """Send a request; seconds to the whole answer, status, body."""
        link = http.client.HTTPConnection("localhost", self.port, timeout=120)
        headers = {"origin": f"http://localhost:{self.port}", "content-type": kind}
        begun = time.perf_counter()
        link.request(method, path, body=body, headers=headers)
        answer = link.getresponse()
        data = answer.read()
        seconds = time.perf_counter() - begun
        link.close()
        return seconds, answer.status, data

    def memory_mb(self) -> float:
        """Memory of the server and its workers together (RSS)."""
        total = 0
        for one in (self.process, *self.process.children(recursive=True)):
            with contextlib.suppress(psutil.Error):
                total += one.memory_info().rss
        return total / 1e6


@contextlib.contextmanager
def served(home: Path) -> Iterator[Served]:
    """Serve the record in a folder on a free port."""
    environment = {
        **os.environ,
        "GRINDCHECK_HOME": str(home),
        "PYTHONPATH": str(ROOT),
        "PYTHONUNBUFFERED": "1",
    }
    command = [sys.executable, "-m", "grindcheck", "serve", "--port", "0"]
    process = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        port = int(line.split("localhost:")[1].split("/")[0])
        found = Served(port, psutil.Process(process.pid))
        deadline = time.monotonic() + 30
        while time.monotonic() < deadline:
            with contextlib.suppress(OSError):
                found.ask("/")
                break
            time.sleep(0.05)
        yield found
    finally:
        process.terminate()
        process.wait(timeout=30)


def unique(photo: bytes, number: int) -> bytes:
    """Return a JPEG of the same picture with other bytes: a comment behind its first marker."""
    comment = f"benchmark photo {number}".encode()
    return photo[:2] + b"\xff\xfe" + (len(comment) + 2).to_bytes(2, "big") + comment + photo[2:]


def told(name: str, seconds: list[float], limit: float) -> str:
    """Write median, 95 % and largest in ms against a limit."""
    ordered = sorted(seconds)
    middle, most = ordered[len(ordered) // 2], ordered[int(0.95 * (len(ordered) - 1))]
    verdict = "met" if ordered[-1] <= limit else "MISSED" if most > limit else "met in 95 %"
    return (
        f"| {name} | {1e3 * middle:.0f} | {1e3 * most:.0f} | {1e3 * ordered[-1]:.0f} | {1e3 * limit:.0f} | "
        f"{verdict} |"
    )
