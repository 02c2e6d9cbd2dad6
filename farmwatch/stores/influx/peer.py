"""The server: one request, and what its answer means. The client library is loaded with the first request.

The library's own batching, retrying and long waits are not used: a batch is retried from the spool, and no redirect
is followed, so that the token goes nowhere else.
"""

import importlib
import json
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.utils import parsedate_to_datetime
from typing import Any, TypeVar
from urllib.parse import urlsplit

T = TypeVar("T")
LONGEST_PAUSE_S = 3600.0
TOKEN_FILE = "influx_token"  # noqa: S105  (the name of a file)


class Later(Exception):
    """Not taken, and it may be taken later; `lasting`: not before a person does something."""

    def __init__(self, why: str, *, after_s: float | None = None, lasting: bool = False) -> None:
        super().__init__(why)
        self.after_s, self.lasting = after_s, lasting


class Unfit(Exception):
    """The server will not have (some of) these lines, and never will."""


class TooLarge(Exception):
    """The body is larger than the server takes."""


@dataclass(frozen=True, slots=True)
class InfluxConfig:
    """Where to write to. `token` gives the secret; `url` may hold none."""

    url: str
    org: str
    bucket: str
    token: Callable[[], str] = field(repr=False)
    ca_file: str = ""
    site: str = ""
    spool_bytes: int = 200_000_000
    spool_age_s: float = 30 * 86_400.0
    timeout_s: float = 10.0
    degraded_after_s: float = 900.0

    @property
    def label(self) -> str:
        """What it is called in words to people."""
        parts = urlsplit(self.url)
        return f"{parts.hostname or 'the server'}:{parts.port or (443 if parts.scheme == 'https' else 80)}"


class Peer:
    """Talks to the server, from one thread. `send` returns when the lines are taken, or raises one of the above."""

    def __init__(self, config: InfluxConfig) -> None:
        self._config = config
        self._client: Any = None
        self._write: Any = None

    def _open(self) -> None:
        if self._client is None:
            library = importlib.import_module("influxdb_client")
            config = self._config
            self._client = library.InfluxDBClient(
                url=config.url.rstrip("/"), token=config.token(), org=config.org, enable_gzip=True, retries=False,
                timeout=round(config.timeout_s * 1000), verify_ssl=True, ssl_ca_cert=config.ca_file or None,
            )  # fmt: skip
            self._write = library.WriteService(self._client.api_client)

    def send(self, body: bytes) -> None:
        """Write lines with millisecond times."""
        self._ask(
            lambda: self._write.post_write(
                org=self._config.org, bucket=self._config.bucket, body=body, precision="ms",
                content_type="text/plain; charset=utf-8",
            )
        )  # fmt: skip

    def query(self, flux: str) -> bytes:
        """Annotated CSV that a Flux query answers."""
        library = importlib.import_module("influxdb_client")
        dialect = library.Dialect(header=True, annotations=["datatype", "group", "default"], delimiter=",")
        found: bytes = self._ask(lambda: self._client.query_api().query_raw(flux, self._config.org, dialect).data)
        return found

    def _ask(self, act: Callable[[], T]) -> T:
        try:
            self._open()
            return act()
        except Exception as error:  # noqa: BLE001  (whatever it is, the batch is kept)
            raise self._meaning(error) from None  # not the cause: it may show headers

    def _meaning(self, error: Exception) -> Exception:
        status = getattr(error, "status", None)
        if not isinstance(status, int) or not status:  # the library gives a TLS failure the status 0
            return Later(_reachable(error))
        said = self._said(getattr(error, "body", b"") or b"")
        headers = getattr(error, "headers", None) or {}
        config = self._config
        if status in (400, 422):
            return Unfit(f"{status}{said}")
        if status == 413:
            return TooLarge()
        if status == 401:
            return Later(f"{config.label} refuses the token (401): write one that may write to bucket {config.bucket}"
                         f" into secrets/{TOKEN_FILE} (chmod 600), then restart", lasting=True)  # fmt: skip
        if status == 403:
            return Later(f"the token may not write to bucket {config.bucket} of {config.org} at {config.label} (403):"
                         f" give it that right, or write another into secrets/{TOKEN_FILE}", lasting=True)  # fmt: skip
        if status == 404:
            return Later(f"{config.label} knows no bucket {config.bucket} of {config.org}, or takes no writes of"
                         f" version 2 (404{said}): make the bucket, or see influx.url", lasting=True)  # fmt: skip
        if 300 <= status < 400:
            return Later(f"{config.label} answers with a redirect ({status}), which is not followed: write the final"
                         " address into influx.url", lasting=True)  # fmt: skip
        return Later(f"{config.label} answers {status}{said}", after_s=retry_after_s(headers.get("Retry-After")))

    def _said(self, body: bytes | str) -> str:
        """The server's own words, short, without control characters, and without the token should it repeat it."""
        text = body.decode("utf-8", "replace") if isinstance(body, bytes) else str(body)
        try:
            found = json.loads(text)
            text = str(found.get("message", "")) if isinstance(found, dict) else text
        except ValueError:
            pass
        text = re.sub(r"[\x00-\x1f\x7f-\x9f]+", " ", text).strip()
        token = self._config.token()
        return f": {text.replace(token, '***')[:200]}" if text and token else f": {text[:200]}" if text else ""

    def close(self) -> None:
        """Close its connections."""
        if self._client is not None:
            self._client.close()
        self._client = None


def _reachable(error: Exception) -> str:
    """Words for what the transport met; the library's own would name addresses and headers."""
    name = f"{type(error).__name__} {type(error.__cause__).__name__} {getattr(error, 'reason', '')}"
    if "SSL" in name or "CERTIFICATE" in str(error).upper():
        return "its certificate is not trusted, or it speaks no TLS: see influx.ca_file and influx.url"
    if "Timeout" in name:
        return "it does not answer in time"
    if isinstance(error, ImportError):
        return "the library influxdb-client is not installed"
    return f"it cannot be reached ({type(error).__name__})"


def retry_after_s(text: str | None) -> float | None:
    """Seconds of a Retry-After header, a number or a date (RFC 9110, section 10.2.3), at most an hour."""
    if not text:
        return None
    try:
        wait_s = float(text) if text.strip().isdigit() else _until_s(text)
    except (ValueError, TypeError):
        return None
    return min(max(wait_s, 0.0), LONGEST_PAUSE_S)


def _until_s(text: str) -> float:
    when = parsedate_to_datetime(text)
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp() - datetime.now(UTC).timestamp()
