"""The page's server: which addresses it listens on, and what it says on the console."""

import contextlib
import os
import signal
import socket
import tempfile
import threading
from collections.abc import Callable, Iterator
from ipaddress import ip_address
from pathlib import Path

from grindcheck.errors import InputError
from grindcheck.page.app import make_app
from grindcheck.page.guard import Door, door
from grindcheck.page.pairing import Pairings
from grindcheck.page.pictures import Pictures
from grindcheck.page.shop import Shop
from grindcheck.page.work import Work
from grindcheck.record.opening import Place, Record, open_record

USUAL_PORT = 8765

_LOOPBACK = "127.0.0.1"
_MOST_REQUESTS = 200  # at once; twenty phones with six connections each stay below
_IDLE_S = 15


def serve(
    *,
    port: int = USUAL_PORT,
    network: bool = False,
    sample: bool = False,
    workers: int | None = None,
    say: Callable[[str], None] = print,
) -> None:
    """Serve the page until it is ended by Ctrl-C.

    Parameters
    ----------
    port : int
        0: any that is free.
    network : bool
        Listen in the shop's network too; phones come in once they are paired.
    sample : bool
        Serve sample knives from a folder that goes away at the end.
    workers : int, optional
        Processes that measure; default: one fewer than cores.
    say : callable
        Prints a line.

    Raises
    ------
    InputError
        If the port is taken.
    RecordError
        If the record can't be opened.
    """
    import uvicorn

    listening = _listen("0.0.0.0" if network else _LOOPBACK, port)
    port = int(listening.getsockname()[1])
    names = addresses() if network else ()
    with (
        contextlib.suppress(KeyboardInterrupt),
        _ended_like_ctrl_c(),
        contextlib.closing(listening),
        home(sample=sample) as place,
        open_record(place) as record,
    ):
        if sample:
            from grindcheck.page.sample import fill

            fill(record)
        shop, entrance = make_shop(record, port=port, names=names, workers=workers, sample=sample)
        say(f"grindcheck is open at http://localhost:{port}/ (Ctrl-C ends it).")
        if network:
            _invite(shop, say)
        config = uvicorn.Config(
            make_app(shop, entrance), log_level="warning", access_log=False, server_header=False,
            limit_concurrency=_MOST_REQUESTS, timeout_keep_alive=_IDLE_S, timeout_graceful_shutdown=3,
            proxy_headers=False,  # who is there is told by the connection, never by a field
        )  # fmt: skip
        uvicorn.Server(config).run(sockets=[listening])


def make_shop(
    record: Record,
    *,
    port: int,
    names: tuple[str, ...] = (),
    workers: int | None = None,
    sample: bool = False,
) -> tuple[Shop, Door]:
    """Put together what is served, and the door to it.

    Parameters
    ----------
    record : Record
    port : int
    names : tuple of str
        Addresses of this computer in the shop's network; empty for loopback alone.
    workers : int, optional
    sample : bool
    """
    pairings = Pairings(record.place.photos.parent)
    shop = Shop(
        record=record,
        work=Work(record, workers=workers),
        pairings=pairings,
        pictures=Pictures(record),
        addresses=tuple(f"http://{name}:{port}" for name in names),
        sample=sample,
    )
    return shop, door(port, names, pairings)


@contextlib.contextmanager
def home(*, sample: bool) -> Iterator[Place | None]:
    """Give the place of the record; for the sample a folder that goes away, bars and phones with it."""
    if not sample:
        yield None
        return
    before = os.environ.get("GRINDCHECK_HOME")
    with tempfile.TemporaryDirectory(prefix="grindcheck-sample-", ignore_cleanup_errors=True) as folder:
        os.environ["GRINDCHECK_HOME"] = folder  # the workers inherit it
        try:
            yield Place.in_folder(Path(folder))
        finally:
            if before is None:
                del os.environ["GRINDCHECK_HOME"]
            else:
                os.environ["GRINDCHECK_HOME"] = before


def addresses() -> tuple[str, ...]:
    """Return this computer's IPv4 addresses in its networks, the one towards the outside first."""
    found: list[str] = []
    with contextlib.suppress(OSError), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        asking.connect(("192.0.2.1", 9))  # sends nothing; the system only chooses the way (RFC 5737)
        found.append(str(asking.getsockname()[0]))
    with contextlib.suppress(OSError):
        found += [str(info[4][0]) for info in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)]
    return tuple(dict.fromkeys(one for one in found if not ip_address(one).is_loopback and one != "0.0.0.0"))


@contextlib.contextmanager
def _ended_like_ctrl_c() -> Iterator[None]:
    """Let a request to end the process end it as Ctrl-C does, so that the sample's folder goes away too."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def _listen(address: str, port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if os.name != "nt":  # there it would let two programs share a port
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((address, port))
        listening.listen(128)
    except (OSError, OverflowError) as problem:
        listening.close()
        raise InputError(
            f"The page can't be opened at port {port} ({getattr(problem, 'strerror', None) or problem}).",
            advice="End the other program there, or give another one, as in --port 8766.",
        ) from problem
    return listening


def _invite(shop: Shop, say: Callable[[str], None]) -> None:
    """Show on the console how a phone is paired."""
    import io

    import segno

    if not shop.addresses:
        say("This computer is in no network; connect it and start again to pair phones.")
        return
    link = f"{shop.addresses[0]}/pair/{shop.pairings.new_link()}"
    drawn = io.StringIO()
    segno.make(link, micro=False).terminal(drawn, border=2, compact=True)
    say(f"To pair a phone scan this within ten minutes; it works once:\n{drawn.getvalue()}\n{link}")
    say("More codes: the page's Phones, on this computer.")
