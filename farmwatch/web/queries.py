"""Reading what a request says, and answering in JSON."""

import asyncio
import contextlib
import json
import math
from base64 import b64decode
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from aiohttp import web

from farmwatch.web import guard
from farmwatch.web.said import BadWords

BODY_S = 10.0


async def fields(request: web.Request) -> dict[str, Any]:
    """The fields of a form or of a JSON object, read within BODY_S; BadWords if it is neither."""
    async with asyncio.timeout(BODY_S):
        if request.content_type == "application/json":
            try:
                fields = json.loads(await request.read())
            except (ValueError, RecursionError) as error:
                raise BadWords("The body is no JSON") from error
            if not isinstance(fields, dict):
                raise BadWords("The body must be a JSON object")
            return fields
        if request.content_type != "application/x-www-form-urlencoded":
            raise web.HTTPUnsupportedMediaType
        try:
            return dict(await request.post())
        except (ValueError, LookupError) as error:
            raise BadWords("The form cannot be read") from error


def page(html: str, status: int = 200, headers: Mapping[str, str] | None = None) -> web.Response:
    """A whole document as an answer."""
    response = web.Response(text=html, status=status, content_type="text/html", headers=headers)
    response.enable_compression()
    return response


def push_token(request: web.Request) -> str:
    """A device's token: Bearer, else the password of Basic (RFC 7617), else ``?token=``."""
    if token := guard.bearer(request):
        return token
    kind, _, encoded = request.headers.get("Authorization", "").partition(" ")
    if kind.lower() == "basic":
        with contextlib.suppress(ValueError):
            return b64decode(encoded, validate=True).decode().partition(":")[2]
    return request.query.get("token", "")


def moment_s(words: str | None, otherwise: float) -> float:
    """Epoch seconds or RFC 3339 with offset; BadWords if it is neither."""
    if not words:
        return otherwise
    try:
        at_s = float(words)
    except ValueError:
        try:
            moment = datetime.fromisoformat(words.replace(" ", "+"))  # a bare + in a query arrives as a space
        except ValueError as error:
            raise BadWords("A time must be epoch seconds or RFC 3339 with its offset") from error
        if moment.tzinfo is None:
            raise BadWords("A time needs its offset, such as Z or +01:00") from None
        at_s = moment.timestamp()
    if not math.isfinite(at_s) or abs(at_s) > 1e11:
        raise BadWords("A time is out of range")
    return at_s


def bounded(words: str | None, name: str, otherwise: int, least: int, most: int) -> int:
    """A whole number from `least` to `most`; BadWords if it is none."""
    if not words:
        return otherwise
    if not words.isdecimal() or len(words) > 9 or not least <= int(words) <= most:
        raise BadWords(f"{name} must be a whole number from {least} to {most}")
    return int(words)


def json_text(document: Any) -> str:  # noqa: ANN401  (whatever JSON can say)
    """JSON without NaN or infinity, which JSON does not have (RFC 8259, section 6): they become null."""
    try:
        return json.dumps(document, ensure_ascii=False, allow_nan=False)
    except ValueError:
        return json.dumps(_finite(document), ensure_ascii=False, allow_nan=False)


def json_answer(document: Any) -> web.Response:  # noqa: ANN401  (whatever JSON can say)
    """An answer in JSON."""
    return web.Response(text=json_text(document), content_type="application/json")


def _finite(value: Any) -> Any:  # noqa: ANN401  (whatever JSON can say)
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {key: _finite(part) for key, part in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(part) for part in value]
    return value

