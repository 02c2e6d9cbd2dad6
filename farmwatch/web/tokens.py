"""Tokens of programs: named, with a role, kept as SHA-256; the token itself is shown once, when it is made.

A token is 32 random bytes, so that a plain hash of it is enough: nobody guesses one, and no word list holds it. The
list is a file beside the databases. It is read again when it has changed: a token that was removed is refused from
the next request on. RFC 6750 has the header field and the answers.
"""

import contextlib
import hashlib
import hmac
import json
import logging
import math
import os
import re
import secrets
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path

from aiohttp import web

from farmwatch.ports import Clock
from farmwatch.web import guard, roles
from farmwatch.web.sessions import Limiter
from farmwatch.words.errors import StoreError

LOG = logging.getLogger(__name__)
FILE = "api_tokens.json"
NAME = re.compile(r"[A-Za-z0-9_.-]{1,40}")
ROLES = (roles.LOOK, roles.ACT)
MOST = 100
USES_A_MINUTE = 600
BYTES = 32


@dataclass(frozen=True, slots=True)
class Token:
    """A program's right.

    Attributes:
        name: of whom it is; what is said with it is on record under this name.
        role: look reads; act says what people say as well. Neither does anything at a machine.
        sha256: of the token, in hexadecimal digits.
        made_s: when, epoch seconds.
    """

    name: str
    role: str
    sha256: str
    made_s: float


OWN = Token("", roles.ACT, "", 0.0)
"""The command line's, which reads a file that its user alone can read."""
KEY = web.RequestKey("token", Token)
"""Where a request carries the token that it was let in by."""


def make(name: str, role: str, now_s: float) -> tuple[Token, str]:
    """A new token: what is kept of it, and the token."""
    text = secrets.token_urlsafe(BYTES)
    return Token(name, role, digest(text), now_s), text


def digest(text: str) -> str:
    """SHA-256 (FIPS 180-4) of a token."""
    return hashlib.sha256(text.encode(errors="replace")).hexdigest()


def load(path: Path) -> list[Token]:
    """Tokens in a file; none where there is no file.

    Raises:
        StoreError: it cannot be read, or is no such list.
    """
    try:
        rows = json.loads(path.read_bytes())
        found = [Token(str(row["name"]), str(row["role"]), str(row["sha256"]), float(row["made_s"])) for row in rows]
    except FileNotFoundError:
        return []
    except OSError as error:
        raise StoreError(f"{path}: {error.strerror}") from None
    except (ValueError, KeyError, TypeError):
        raise StoreError(f"{path}: no list of tokens", hint="remove the file and make the tokens anew") from None
    if any(token.role not in ROLES or not NAME.fullmatch(token.name) for token in found):
        raise StoreError(f"{path}: a name or role in it cannot be one", hint=f"roles are {' and '.join(ROLES)}")
    return found


def save(path: Path, tokens: Iterable[Token]) -> None:
    """Write the list, whole or not at all; for its owner alone, who is the folder's.

    Raises:
        StoreError: it cannot be written.
    """
    new = path.with_name(f"{path.name}.new")
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        new.unlink(missing_ok=True)
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            json.dump([asdict(token) for token in tokens], file, indent=1)
            file.flush()
            os.fsync(file.fileno())
        owner = path.parent.stat()
        if os.geteuid() == 0:  # made by root for the service: that must be able to read it
            os.chown(new, owner.st_uid, owner.st_gid)
        new.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            new.unlink(missing_ok=True)
        raise StoreError(f"{path}: {error.strerror}", hint="run it as the user that Farmwatch runs as") from None


class Bearers:
    """Who may ask with a token.

    Args:
        own: the command line's; None: it has none.
        path: the list of the programs' tokens; None: there are none.
        clock: the house's.
    """

    def __init__(self, own: str | None, path: Path | None, clock: Clock) -> None:
        self._own, self._path, self._clock = own, path, clock
        self._wrong = Limiter()
        self._uses = Limiter(each=USES_A_MINUTE, in_all=5 * USES_A_MINUTE)
        self._read: tuple[int, int, int] | None = None
        self._tokens: list[Token] = []

    def refusal(self, request: web.Request) -> web.Response | None:
        """The answer to a token that does not open this; None where it does, and then the request carries it."""
        given, now_s, address = guard.bearer(request), self._clock.now_s(), request.remote or ""
        token = OWN if guard.same_secret(given, self._own) else self._find(given)
        if token is None:
            # Looked up before anything is counted: nobody who guesses keeps a right token out.
            if (wait_s := self._wrong.wait_s(address, now_s)) > 0:
                return _wait(wait_s, "Too many wrong tokens")
            self._wrong.count(address, now_s)
            LOG.warning("wrong token for the API from %s", address)
            return _refused(401, "Wrong token", "invalid_token")
        if token is not OWN:
            if (wait_s := self._uses.wait_s(token.name, now_s)) > 0:
                return _wait(wait_s, "Too many requests with this token")
            self._uses.count(token.name, now_s)
        if not roles.may(token.role, request.method, request.path):
            return _refused(403, "This token can look only", "insufficient_scope")
        request[KEY] = token
        return None

    def _find(self, given: str) -> Token | None:
        self._refresh()
        mine = digest(given)
        found = [token for token in self._tokens if hmac.compare_digest(token.sha256, mine)]
        return found[0] if found else None

    def _refresh(self) -> None:
        """Read the list again if it is another; one that cannot be read opens nothing."""
        if self._path is None:
            return
        try:
            stat = self._path.stat()
            now = (stat.st_mtime_ns, stat.st_size, stat.st_ino)
        except OSError:
            self._read, self._tokens = None, []
            return
        if now != self._read:
            self._read, self._tokens = now, []
            try:
                self._tokens = load(self._path)
            except StoreError as error:
                LOG.error("no token of a program is good: %s", error)  # noqa: TRY400


def _wait(wait_s: float, title: str) -> web.Response:
    response = guard.problem(429, title, f"Try again in {math.ceil(wait_s)} s.")
    response.headers["Retry-After"] = str(math.ceil(wait_s))
    return response


def _refused(status: int, title: str, error: str) -> web.Response:
    response = guard.problem(status, title)
    response.headers["WWW-Authenticate"] = f'Bearer error="{error}"'
    return response
