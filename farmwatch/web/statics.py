"""The static files: read once, served under an address that changes with them, kept for ever by browsers."""

import gzip
import hashlib
from importlib import resources

from aiohttp import web

STATIC: dict[str, str] = {
    "page.css": "text/css",
    "page.js": "text/javascript",
    "round.css": "text/css",
    "round.js": "text/javascript",
    "chart.css": "text/css",
    "chart.js": "text/javascript",
    "uplot.css": "text/css",
    "uplot.js": "text/javascript",
    "icon.svg": "image/svg+xml",
    "page.webmanifest": "application/manifest+json",
}


class Statics:
    """The files in `static/`.

    Attributes:
        addresses: name: where a page finds it.
    """

    def __init__(self) -> None:
        self._files = _load()
        self._packed: dict[str, bytes] = {}
        self.addresses = {name: f"/static/{name}?v={tag}" for name, (_, tag) in self._files.items()}

    async def get(self, request: web.Request) -> web.StreamResponse:
        """One of them."""
        name = request.match_info["name"]
        found = self._files.get(name)
        if found is None:
            raise web.HTTPNotFound
        data, tag = found
        headers = {"Cache-Control": "public, max-age=31536000, immutable", "ETag": f'"{tag}"'}
        headers["Vary"] = "Accept-Encoding"
        if f'"{tag}"' in request.headers.get("If-None-Match", ""):
            return web.Response(status=304, headers=headers)
        if "gzip" in request.headers.get("Accept-Encoding", ""):
            headers["Content-Encoding"] = "gzip"
            if name not in self._packed:
                self._packed[name] = gzip.compress(data, 9, mtime=0)
            data = self._packed[name]
        return web.Response(body=data, content_type=STATIC[name], charset="utf-8", headers=headers)


def _load() -> dict[str, tuple[bytes, str]]:
    """Static files with the beginning of their SHA-256, read once: a request never names a path."""
    folder = resources.files("farmwatch.web") / "static"
    found = {name: (folder / name).read_bytes() for name in STATIC}
    return {name: (data, hashlib.sha256(data).hexdigest()[:16]) for name, data in found.items()}
