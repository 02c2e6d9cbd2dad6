"""Who may ask for what: allowed host names, same-origin writes, security headers, and errors in one form.

Host names are checked against a list (DNS rebinding); a literal address is also good if it is the one that the
connection came in on, since a rebinding attack needs a name. Writes need `Sec-Fetch-Site: same-origin` or an
`Origin` that equals the host, both of which browsers set and scripts of other sites cannot.
"""

import hashlib
import hmac
import ipaddress
from urllib.parse import urlsplit

from aiohttp import web

SECURITY_HEADERS: dict[str, str] = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
        "font-src 'self'; manifest-src 'self'; worker-src 'self'; base-uri 'none'; object-src 'none'; "
        "form-action 'self'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    # Not no-referrer: with it browsers send `Origin: null` with our own forms, and same-origin cannot be seen.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "Cache-Control": "no-store",
}
PROXIED = ("Forwarded", "X-Forwarded-For", "Via")  # who asked is not who is connected (RFC 7239, RFC 9110)
LOCAL = frozenset({"localhost", "127.0.0.1", "::1"})


async def add_headers(_request: web.Request, response: web.StreamResponse) -> None:
    """Put the security headers on a response that has not set its own."""
    for header, value in SECURITY_HEADERS.items():
        response.headers.setdefault(header, value)
    response.headers.popall("Server", None)


def is_loopback(bind: str) -> bool:
    """Whether nobody outside this computer can reach `bind`."""
    try:
        return ipaddress.ip_address(bind).is_loopback
    except ValueError:
        return bind == "localhost"


def host_name(authority: str) -> str | None:
    """The host of ``host:port``, lower case and without brackets; None if it is none."""
    try:
        parts = urlsplit(f"//{authority}")
        _ = parts.port  # ValueError if it is no port
    except ValueError:
        return None
    if parts.path or parts.query or parts.fragment or parts.username is not None:
        return None
    return parts.hostname


def allowed_hosts(bind: str, base_url: str, hosts: tuple[str, ...]) -> frozenset[str]:
    """Names under which a browser may call this computer."""
    named = {host_name(host) for host in (*hosts, f"[{bind}]" if ":" in bind else bind)}
    named.add(urlsplit(base_url).hostname if base_url else None)
    return LOCAL | {host for host in named if host and host not in ("0.0.0.0", "::")}  # noqa: S104  (not a binding)


def host_ok(request: web.Request, allowed: frozenset[str]) -> bool:
    """Whether the Host header names this computer."""
    host = host_name(request.headers.get("Host", ""))
    if host is None:
        return False
    if host in allowed:
        return True
    own = request.transport.get_extra_info("sockname") if request.transport else None
    return own is not None and host == str(own[0]).removeprefix("::ffff:")


def same_origin(request: web.Request) -> bool:
    """Whether a page of ours sent this write."""
    site = request.headers.get("Sec-Fetch-Site")
    if site is not None:
        return site == "same-origin"
    origin = request.headers.get("Origin")
    return origin is not None and urlsplit(origin).netloc.lower() == request.headers.get("Host", "").lower()


def encrypted(request: web.Request, base_url: str) -> bool:
    """Whether the browser came by TLS: ours, or that of the configured https address, which a proxy ends before us."""
    base = urlsplit(base_url)
    by_name = host_name(request.headers.get("Host", "")) == base.hostname
    return request.secure or (base.scheme == "https" and by_name)


def cookie_name(name: str, *, encrypted: bool) -> str:
    """Over TLS with the prefix that browsers let nobody but this very host set (RFC 6265bis, section 4.1.3.2)."""
    return f"__Host-{name}" if encrypted else name


def private(request: web.Request, base_url: str) -> bool:
    """Whether nobody on the way can read or change the request: over TLS, or within this computer.

    A proxy that ends TLS before us counts if it is asked by exactly the configured https address and does not itself
    say otherwise. Within this computer: the peer's address is our own, and the host name is that address or local.
    """
    authority = request.headers.get("Host", "").lower()
    base = urlsplit(base_url)
    if request.secure:
        return True
    if request.headers.get("X-Forwarded-Proto", "https").lower() != "https":
        return False
    if base.scheme == "https" and authority == base.netloc.lower():
        return True
    return within(request)


def within(request: web.Request) -> bool:
    """Whether the request comes from this computer itself: the peer's address is our own, and no proxy says otherwise.

    The host name is that address or local: a page elsewhere that a browser here was led to has another.
    """
    own = request.transport.get_extra_info("sockname") if request.transport else None
    if own is None or request.remote is None or any(header in request.headers for header in PROXIED):
        return False
    address = str(own[0]).removeprefix("::ffff:")
    inside = request.remote.removeprefix("::ffff:") == address or is_loopback(request.remote)
    return inside and host_name(request.headers.get("Host", "")) in LOCAL | {address}


def bearer(request: web.Request) -> str:
    """The token of ``Authorization: Bearer``, or ""."""
    kind, _, token = request.headers.get("Authorization", "").partition(" ")
    return token.strip() if kind.lower() == "bearer" else ""


def same_secret(given: str, wanted: str | None) -> bool:
    """Whether `given` is the secret; in constant time, whatever its length. None matches nothing."""
    if not wanted:
        return False
    one, other = (hashlib.sha256(secret.encode(errors="replace")).digest() for secret in (given, wanted))
    return hmac.compare_digest(one, other)


def wants_json(request: web.Request) -> bool:
    """Whether an answer for programs is wanted rather than a page."""
    if request.path.startswith(("/api/", "/events", "/panels", "/healthz", "/readyz", "/metrics")):
        return True
    return request.content_type == "application/json" or "application/json" in request.headers.get("Accept", "")


def problem(status: int, title: str, detail: str = "", hint: str = "") -> web.Response:
    """An error for programs: application/problem+json (RFC 9457)."""
    body = {"type": "about:blank", "title": title, "status": status}
    body |= {key: value for key, value in (("detail", detail), ("hint", hint)) if value}
    return web.json_response(body, status=status, content_type="application/problem+json")
