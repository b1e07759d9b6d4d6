"""A shop for the page's tests: a record in a temporary folder, clients, and a server where one is needed."""

import contextlib
import io
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import uvicorn
from PIL import Image
from starlette.testclient import TestClient

from grindcheck.page.app import make_app
from grindcheck.page.guard import App
from grindcheck.page.serving import make_shop
from grindcheck.page.shop import Shop
from grindcheck.record.opening import Record, open_record

PORT = 8765
HOST = f"http://localhost:{PORT}"
OWN = {"origin": HOST}
NETWORK = "192.168.7.20"
SAMPLES = Path(__file__).parent.parent / "sample_images"


class Open:
    """An open shop and its application."""

    def __init__(self, record: Record, shop: Shop, app: App) -> None:
        self.record, self.shop, self.app = record, shop, app

    def client(self, address: str = "127.0.0.1", host: str = HOST, **headers: str) -> TestClient:
        """Return a client at an address; it doesn't start the workers."""
        return TestClient(
            self.app, base_url=host, client=(address, 50000), headers={"origin": host, **headers},
            follow_redirects=False, raise_server_exceptions=False,
        )  # fmt: skip


@contextlib.contextmanager
def open_shop(home: Path, *, port: int = PORT, names: tuple[str, ...] = (NETWORK,)) -> Iterator[Open]:
    """Open a shop in a folder."""
    with open_record(home) as record:
        shop, entrance = make_shop(record, port=port, names=names, workers=1)
        yield Open(record, shop, make_app(shop, entrance))


@contextlib.contextmanager
def served(home: Path) -> Iterator[tuple[str, Open]]:
    """Open a shop and serve it on a free port of this computer; yields its address."""
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen(128)
        port = listening.getsockname()[1]
        with open_shop(home, port=port) as found:
            config = uvicorn.Config(found.app, log_level="error", access_log=False, proxy_headers=False)
            server = uvicorn.Server(config)
            thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]})
            thread.start()
            deadline = time.monotonic() + 20
            while not server.started and time.monotonic() < deadline:
                time.sleep(0.02)
            try:
                yield f"http://localhost:{port}", found
            finally:
                server.should_exit = True
                thread.join(timeout=30)


def jpeg(seed: int = 0, *, size: tuple[int, int] = (160, 120), exif: bytes = b"") -> bytes:
    """Make a small photo of noise."""
    rng = np.random.default_rng(seed)
    out = io.BytesIO()
    noise = rng.integers(0, 255, (size[1], size[0], 3), dtype=np.uint8)
    Image.fromarray(noise).save(out, "JPEG", quality=80, exif=exif)
    return out.getvalue()
