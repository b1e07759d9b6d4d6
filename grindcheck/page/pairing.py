"""Phones that may come in: one-time links, the cookies they are exchanged for, and the list of both."""

import hashlib
import json
import secrets
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from grindcheck.errors import OutputError
from grindcheck.keptfile import read_json
from grindcheck.report.data import write_whole

LINK_LIVES = timedelta(minutes=10)
COOKIE_LIVES = timedelta(days=90)
COOKIE = "grindcheck_paired"

_FILE = "paired_phones.json"
_TIMES = ("paired_at", "expires_at", "seen_at")
_MOST_LINKS = 8  # open at once; the oldest goes
_LONGEST_NAME = 60
_SEEN_EVERY = timedelta(minutes=10)  # the file isn't written for each picture that a phone loads


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """A paired phone.

    Parameters
    ----------
    id : str
    name : str
        As its user calls it.
    token_sha256 : str
        Of its cookie; the cookie itself is kept nowhere but on the phone.
    paired_at, expires_at, seen_at : datetime
        UTC.
    """

    id: str
    name: str
    token_sha256: str
    paired_at: datetime
    expires_at: datetime
    seen_at: datetime


def _now() -> datetime:
    return datetime.now(UTC)


class Pairings:
    """Links and phones, kept in a file of the home folder.

    Parameters
    ----------
    home : Path
    now : callable
        The clock.

    Notes
    -----
    Links live in memory only, so that a restart ends them all. Tokens have 256 random bits, too many to be
    guessed, so a plain SHA-256 is enough to keep them by.
    """

    def __init__(self, home: Path, *, now: Callable[[], datetime] = _now) -> None:
        self._file = home / _FILE
        self._now = now
        self._lock = threading.Lock()
        self._links: dict[str, datetime] = {}
        self._phones = _read(self._file)

    def new_link(self) -> str:
        """Return the token of a new one-time link."""
        token = secrets.token_urlsafe(32)
        with self._lock:
            self._forget_old_links()
            while len(self._links) >= _MOST_LINKS:
                del self._links[next(iter(self._links))]
            self._links[_hashed(token)] = self._now() + LINK_LIVES
        return token

    def is_open(self, token: str) -> bool:
        """Whether a link can still be used."""
        with self._lock:
            self._forget_old_links()
            return _hashed(token) in self._links

    def exchange(self, token: str, name: str) -> str | None:
        """Use a link up and return the cookie for the phone, or None if the link is used, old or unknown."""
        with self._lock:
            self._forget_old_links()
            if self._links.pop(_hashed(token), None) is None:
                return None
            cookie, now = secrets.token_urlsafe(32), self._now()
            phone = Phone(
                id=secrets.token_hex(8),
                name=" ".join(name.split())[:_LONGEST_NAME] or "a phone",
                token_sha256=_hashed(cookie),
                paired_at=now,
                expires_at=now + COOKIE_LIVES,
                seen_at=now,
            )
            self._keep((*self._phones, phone))
            return cookie

    def phone(self, cookie: str) -> Phone | None:
        """Return whose cookie it is, or None if it is nobody's, revoked or expired."""
        hashed, now = _hashed(cookie), self._now()
        with self._lock:
            for phone in self._phones:
                if secrets.compare_digest(phone.token_sha256, hashed) and phone.expires_at > now:
                    if now - phone.seen_at > _SEEN_EVERY:
                        self._keep(
                            tuple(replace(one, seen_at=now) if one is phone else one for one in self._phones)
                        )
                    return phone
        return None

    def phones(self) -> tuple[Phone, ...]:
        """Return all that are paired and not expired, the newest first."""
        now = self._now()
        with self._lock:
            return tuple(phone for phone in reversed(self._phones) if phone.expires_at > now)

    def revoke(self, phone_id: str) -> bool:
        """Shut a phone out; whether there was such a one."""
        with self._lock:
            left = tuple(phone for phone in self._phones if phone.id != phone_id)
            there = len(left) < len(self._phones)
            if there:
                self._keep(left)
            return there

    def _forget_old_links(self) -> None:
        now = self._now()
        self._links = {hashed: until for hashed, until in self._links.items() if until > now}

    def _keep(self, phones: tuple[Phone, ...]) -> None:
        rows = [
            {key: value.isoformat() if isinstance(value, datetime) else value for key, value in row.items()}
            for row in map(asdict, phones)
        ]
        text = json.dumps(rows, indent=1) + "\n"
        self._file.parent.mkdir(parents=True, exist_ok=True)
        write_whole(self._file, lambda beside: beside.write_text(text, encoding="utf-8"))
        self._phones = phones


def _hashed(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()


def _read(file: Path) -> tuple[Phone, ...]:
    try:
        rows = read_json(file)
        if not isinstance(rows, list):
            raise ValueError("it is no list")
        return tuple(map(_phone, rows))
    except FileNotFoundError:
        return ()
    except (ValueError, TypeError) as problem:
        raise OutputError(
            f"The list of paired phones in {file} can't be read ({problem}).",
            advice="Delete or mend that file; phones are then paired anew.",
        ) from problem


def _phone(row: Any) -> Phone:
    """Return an entry of the file; a ValueError or TypeError if it isn't one."""
    if not isinstance(row, dict) or not all(isinstance(value, str) for value in row.values()):
        raise ValueError("an entry isn't laid out as it should be")
    times = {name: datetime.fromisoformat(row[name]) for name in _TIMES if name in row}
    if any(time.tzinfo is None for time in times.values()):
        raise ValueError("a time has no zone")
    return Phone(**(row | times))
