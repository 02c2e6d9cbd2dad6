"""Who is signed in: one password, signed cookies, and a limit on guessing.

The cookie says until when it holds and is signed with a key that is drawn from the link key and the password:
sign-ins outlive a restart, and a new password ends all of them.
"""

import base64
import hashlib
import hmac
import secrets
from collections import OrderedDict, deque

COOKIE = "farmwatch_session"
ACT_COOKIE = "farmwatch_act"
LASTS_S = 30 * 86_400.0
ACT_LASTS_S = 900.0  # of the right to act
TRIES = 5  # wrong passwords an address may send in WINDOW_S
TRIES_IN_ALL = 30  # and all addresses together
WINDOW_S = 60.0
MOST_ADDRESSES = 1_000
MOST_REVOKED = 10_000

# scrypt (RFC 7914): 16 MiB and some 50 ms a guess, which a small computer can bear once in a while.
_N, _R, _P = 2**14, 8, 1


class Sessions:
    """Checks the password and the cookies; pure but for random salts and session names."""

    def __init__(self, password: str, key: bytes, *, role: str = "session", lasts_s: float = LASTS_S) -> None:
        self._salt = secrets.token_bytes(16)
        self._hash = self._scrypt(password)
        self.lasts_s = lasts_s
        self._key = hmac.new(key, role.encode() + b"|" + password.encode(), hashlib.sha256).digest()
        self._revoked: OrderedDict[str, None] = OrderedDict()

    def right(self, attempt: str) -> bool:
        """Whether `attempt` is the password; takes some 50 ms of processor time: call it in a thread."""
        return hmac.compare_digest(self._scrypt(attempt[:1_024]), self._hash)

    def open(self, now_s: float) -> str:
        """A new session's cookie."""
        body = f"{int(now_s + self.lasts_s)}.{secrets.token_urlsafe(16)}"
        return f"{body}.{self._mac(body)}"

    def valid(self, cookie: str | None, now_s: float) -> bool:
        """Whether `cookie` is a session that has neither ended nor been closed."""
        if not cookie or len(cookie) > 256 or not cookie.isascii():
            return False
        body, _, mac = cookie.rpartition(".")
        if not hmac.compare_digest(self._mac(body), mac):
            return False
        until, _, name = body.partition(".")
        return until.isdecimal() and now_s < int(until) and name not in self._revoked

    def close(self, cookie: str | None, now_s: float) -> None:
        """Sign out: the cookie is worth nothing any more (until a restart; the browser forgets it too)."""
        if cookie and self.valid(cookie, now_s):
            self._revoked[cookie.split(".")[1]] = None
            while len(self._revoked) > MOST_REVOKED:
                self._revoked.popitem(last=False)

    def _scrypt(self, password: str) -> bytes:
        return hashlib.scrypt(password.encode(), salt=self._salt, n=_N, r=_R, p=_P)

    def _mac(self, body: str) -> str:
        mac = hmac.new(self._key, body.encode(), hashlib.sha256).digest()
        return base64.urlsafe_b64encode(mac).rstrip(b"=").decode()


class Limiter:
    """At most `each` events an address and `in_all` together within `window_s`; bounded memory."""

    def __init__(self, each: int = TRIES, in_all: int = TRIES_IN_ALL, window_s: float = WINDOW_S) -> None:
        self._each, self._in_all, self._window_s = each, in_all, window_s
        self._by_address: OrderedDict[str, deque[float]] = OrderedDict()
        self._all: deque[float] = deque()

    def wait_s(self, address: str, now_s: float) -> float:
        """Seconds until `address` may try again; 0 if it may now."""
        own = self._by_address.get(address, deque())
        return max(self._left_s(own, self._each, now_s), self._left_s(self._all, self._in_all, now_s))

    def count(self, address: str, now_s: float) -> None:
        """One event of `address`."""
        own = self._by_address.setdefault(address, deque())
        self._by_address.move_to_end(address)
        own.append(now_s)
        self._all.append(now_s)
        while len(self._by_address) > MOST_ADDRESSES:
            self._by_address.popitem(last=False)

    def forgive(self, address: str) -> None:
        """Forget the events of `address`; those of all together stay counted."""
        self._by_address.pop(address, None)

    def _left_s(self, times: deque[float], most: int, now_s: float) -> float:
        while times and now_s - times[0] >= self._window_s:
            times.popleft()
        return self._window_s - (now_s - times[-most]) if len(times) >= most else 0.0
