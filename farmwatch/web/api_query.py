"""A request's parameters, checked against its row of the API's table."""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from aiohttp import web

from farmwatch.web.openapi import Param, Route
from farmwatch.web.queries import bounded, moment_s
from farmwatch.web.said import BadWords


@dataclass(frozen=True, slots=True)
class Query:
    """Parameters that have passed the check, each with its words as they came."""

    path: Mapping[str, str]
    given: Mapping[str, list[str]]
    params: Mapping[str, Param]

    def text(self, name: str) -> str | None:
        """Words, None where it was left out."""
        return next(iter(self.given.get(name, ())), None)

    def many(self, name: str) -> list[str]:
        """All of a parameter that may be repeated."""
        return self.given.get(name, [])

    def number(self, name: str) -> int:
        """A whole number; what is usual where it was left out."""
        words, schema = self.text(name), self.params[name].schema
        return bounded(words, name, schema["default"], schema["minimum"], schema["maximum"])

    def moment_s(self, name: str, otherwise: float) -> float:
        """Epoch seconds."""
        return moment_s(self.text(name), otherwise)

    def cursor(self) -> tuple[float, int]:
        """Up to when, and how many of that moment have been given; (infinity, 0) at the first page."""
        words = self.text("cursor")
        if words is None:
            return math.inf, 0
        until, _, skip = words.partition("-")
        return float(until), int(skip)


def checked(request: web.Request, row: Route) -> Query:
    """The parameters; BadWords names the first that is unknown, missing, repeated or wrong."""
    params = {param.name: param for param in row.params if param.where == "query"}
    given: dict[str, list[str]] = {}
    for name, words in request.query.items():
        if name not in params:
            known = ", ".join(params) or "none"
            raise BadWords(f"Unknown parameter {name[:40]!r}", hint=f"known: {known}")
        given.setdefault(name, []).append(words)
    for name, param in params.items():
        _check(param, given.get(name, []))
    for param in row.params:
        if param.where == "path":
            _text(param.name, param.schema, request.match_info[param.name])
    return Query(dict(request.match_info), given, params)


def _check(param: Param, words: list[str]) -> None:
    schema, most = param.schema, 1
    if schema["type"] == "array":
        schema, most = schema["items"], schema["maxItems"]
    if param.required and not words:
        raise BadWords(f"{param.name} is missing", hint=param.about)
    if len(words) > most:
        raise BadWords(f"{param.name} may stand there at most {most} times")
    for one in words:
        if schema["type"] == "integer":
            bounded(one or "x", param.name, 0, schema["minimum"], schema["maximum"])
        else:
            _text(param.name, schema, one)


def _text(name: str, schema: Mapping[str, Any], words: str) -> None:
    least, most = schema.get("minLength", 0), schema.get("maxLength", 1_000)
    if not least <= len(words) <= most:
        raise BadWords(f"{name} must have {least} to {most} characters")
    if "enum" in schema and words not in schema["enum"]:
        raise BadWords(f"{name} is none of those that there are", hint=", ".join(schema["enum"]))
    if "pattern" in schema and re.search(schema["pattern"].replace("$", r"\Z"), words) is None:
        raise BadWords(f"{name} has another form than it must have", hint="see /api/v1/openapi.json")
