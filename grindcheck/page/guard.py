"""Who may come in, with what, and what a browser may do with the answers.

Every request passes here before anything else sees it; DEVELOPERS.md lists the threats that it answers.
"""

from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from ipaddress import ip_address
from typing import Any

from grindcheck.errors import GrindcheckError
from grindcheck.page.pairing import COOKIE, Pairings

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MAX_PHOTO_BYTES = (
    80_000_000  # a 48-megapixel photo has 10 to 25 MB, 108 megapixels as PNG rarely more than this
)
MAX_PHOTOS = 8  # of one check
MAX_FORM_BYTES = 200_000
MAX_ARCHIVE_BYTES = 8_000_000_000

SECURITY_HEADERS = (
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
        b"form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"geolocation=(), microphone=(), payment=(), usb=()"),
)
"""Of every answer. With ``no-referrer`` browsers send ``Origin: null`` even with our own forms, which would
be shut out then; ``same-origin`` tells other sites just as little."""

_OPEN_TO_ALL = ("/pair/", "/static/")  # what a phone needs before it is paired
_SAFE = ("GET", "HEAD")


class RefusedError(GrindcheckError):
    """A request that isn't let in.

    Parameters
    ----------
    status : int
        Of HTTP.
    """

    def __init__(self, message: str, *, advice: str, status: int) -> None:
        super().__init__(message, advice=advice)
        self.status = status


@dataclass(frozen=True, slots=True, kw_only=True)
class Door:
    """How the page is reached.

    Parameters
    ----------
    hosts : frozenset of str
        ``name:port`` as browsers may write it in the Host field.
    pairings : Pairings
    """

    hosts: frozenset[str]
    pairings: Pairings


def door(port: int, addresses: Iterable[str], pairings: Pairings) -> Door:
    """Make the door for a port of this computer, reached by loopback and by the addresses given."""
    names = ["localhost", "127.0.0.1", "[::1]", *addresses]
    hosts = {f"{name}:{port}" for name in names} | ({*names} if port == 80 else set())
    return Door(hosts=frozenset(hosts), pairings=pairings)


class Guard:
    """The outermost layer of the page (ASGI).

    Parameters
    ----------
    app : callable
        What answers once the request is let in. It gets ``scope["visitor"]``: ``local`` or the phone's name.
    entrance : Door
    refuse : callable
        Makes the answer to a request that isn't let in.
    """

    def __init__(self, app: App, entrance: Door, refuse: Callable[[Scope, RefusedError], App]) -> None:
        self._app, self._door, self._refuse = app, entrance, refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in or refuse it, and mark the answer."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # nothing else is served; the server closes the connection

        async def marked(message: Message) -> None:
            if message["type"] == "http.response.start":
                own = {name for name, _ in message.setdefault("headers", [])}
                message["headers"] = [
                    *message["headers"],
                    *((name, value) for name, value in SECURITY_HEADERS if name not in own),
                ]
                if b"cache-control" not in own:
                    message["headers"].append((b"cache-control", b"no-store"))
            await send(message)

        try:
            scope["visitor"] = self._let_in(scope)
            counted = _counted(receive, scope)
        except RefusedError as refusal:
            await self._refuse(scope, refusal)(scope, receive, marked)
            return
        await self._app(scope, counted, marked)

    def _let_in(self, scope: Scope) -> str:
        headers = _Headers(scope)
        host = headers.only("host")
        if host is None or host.lower() not in self._door.hosts:
            raise RefusedError(
                "This address isn't one of the page's own.",
                advice="Open the address that grindcheck serve prints.",
                status=421,
            )
        _check_sender(scope, headers, host.lower())
        if _is_loopback(scope):
            return "local"
        phone = self._door.pairings.phone(headers.cookie(COOKIE) or "")
        if phone is not None:
            return phone.name
        if scope["path"].startswith(_OPEN_TO_ALL):
            return ""
        raise RefusedError(
            "This phone isn't paired with the shop's computer.",
            advice="Open Phones on the page of the shop's computer and scan the code that it shows.",
            status=401,
        )


def limit_bytes(path: str) -> int:
    """Return how many bytes the body of a request to a path may have."""
    if path == "/api/photos":
        return MAX_PHOTO_BYTES
    if path == "/import":
        return MAX_ARCHIVE_BYTES
    if path.startswith("/knives/") and path.endswith("/checks"):
        return MAX_PHOTOS * MAX_PHOTO_BYTES
    return MAX_FORM_BYTES


def _check_sender(scope: Scope, headers: "_Headers", host: str) -> None:
    """Refuse what a foreign page makes the browser send."""
    origin, site = headers.only("origin"), headers.only("sec-fetch-site")
    if scope["method"] in _SAFE:
        foreign = site in ("cross-site", "same-site") and headers.only("sec-fetch-mode") != "navigate"
    elif origin is not None:
        foreign = origin.lower() != f"http://{host}"
    else:
        foreign = site != "same-origin"
    if foreign:
        raise RefusedError(
            "Another page sent this.",
            advice="Do it again from a page of grindcheck itself.",
            status=403,
        )


def _counted(receive: Receive, scope: Scope) -> Receive:
    """Refuse a body that is too large: by what it says first, then by what comes."""
    limit = limit_bytes(scope["path"])
    refusal = RefusedError(
        f"More than {limit / 1e6:g} MB were sent.",
        advice="Send the phone's own photos, at most "
        f"{MAX_PHOTOS} at once and each below {MAX_PHOTO_BYTES // 1_000_000} MB.",
        status=413,
    )
    told = _Headers(scope).only("content-length")
    if told is not None and told.isdecimal() and int(told) > limit:
        raise refusal
    came = 0

    async def counted() -> Message:
        nonlocal came
        message = await receive()
        came += len(message.get("body", b""))
        if came > limit:
            raise refusal
        return message

    return counted


def _is_loopback(scope: Scope) -> bool:
    client = scope.get("client")
    try:
        return client is not None and ip_address(client[0]).is_loopback
    except ValueError:
        return False


class _Headers:
    """The fields of a request; one that comes twice counts as if it were missing."""

    def __init__(self, scope: Scope) -> None:
        self._all: list[tuple[bytes, bytes]] = scope["headers"]

    def only(self, name: str) -> str | None:
        found = [value for key, value in self._all if key == name.encode()]
        return found[0].decode("latin-1") if len(found) == 1 else None

    def cookie(self, name: str) -> str | None:
        try:
            jar = SimpleCookie(self.only("cookie") or "")
        except CookieError:
            return None
        return jar[name].value if name in jar else None
