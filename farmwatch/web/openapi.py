"""The API's description (OpenAPI 3.1.0) from the same types that the answers have. Pure.

`schema_of` turns a type hint into a JSON Schema (draft 2020-12, the dialect of OpenAPI 3.1); TypedDicts become
components, so that a field that is added to the view stands in the description at once. `Route` is one row of the API's
table: the server makes its routes of it and `describe` its paths, so neither can have what the other lacks.
"""

import types
import typing
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, NotRequired, Required, get_args, get_origin, get_type_hints, is_typeddict

Schema = dict[str, Any]
PLAIN: dict[Any, Schema] = {
    str: {"type": "string"},
    float: {"type": "number"},
    int: {"type": "integer"},
    bool: {"type": "boolean"},
    type(None): {"type": "null"},
    object: {},
    Any: {},
}


@dataclass(frozen=True, slots=True)
class Param:
    """A parameter in the query or the path."""

    name: str
    about: str
    schema: Mapping[str, Any] = field(default_factory=lambda: {"type": "string"})
    required: bool = False
    where: Literal["query", "path"] = "query"


@dataclass(frozen=True, slots=True)
class Route:
    """One row of the API.

    Attributes:
        method: GET or POST.
        path: as in OpenAPI, such as ``/api/v1/machines/{name}``.
        name: of the handler and of the operation.
        about: one line for the description.
        answer: type of the answer's JSON, None for one without JSON.
        params: of query and path.
        body: JSON Schema of the body of a POST.
        errors: statuses with a problem+json beside those that every route can have.
        media: of the answer.
        statuses: further statuses without a body, such as 304.
    """

    method: Literal["GET", "POST"]
    path: str
    name: str
    about: str
    answer: Any = None
    params: Sequence[Param] = ()
    body: Mapping[str, Any] | None = None
    errors: Sequence[int] = ()
    media: str = "application/json"
    statuses: Sequence[int] = ()


REASONS: dict[int, str] = {
    304: "Not modified.",
    400: "It cannot be read.",
    401: "Sign in first, or the token is wrong.",
    403: "Not from this page, or not allowed.",
    404: "There is no such thing.",
    405: "Not this method here.",
    406: "No such form of answer.",
    408: "The request did not arrive in time.",
    409: "Refused: the detail says why.",
    413: "The body is too large.",
    415: "The body has another form.",
    421: "This computer does not go by that host name.",
    429: "Too many requests.",
    500: "Something broke; it is in the log.",
    502: "The machine could not be reached; go and look.",
    503: "The store does not answer.",
}
ALWAYS = (400, 401, 421, 503)
WRITES = (403, 408, 409, 413, 415)
PROBLEM: Schema = {
    "type": "object",
    "description": "What went wrong (RFC 9457).",
    "properties": {
        "type": {"type": "string"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "hint": {"type": "string", "description": "What to do."},
    },
    "required": ["type", "title", "status"],
}


def schema_of(hint: Any, components: dict[str, Schema]) -> Schema:  # noqa: ANN401 - a type hint is anything
    """JSON Schema of a type hint; TypedDicts go into `components` and are referred to.

    Raises:
        TypeError: a hint that has no JSON form.
    """
    if hint in PLAIN:
        return dict(PLAIN[hint])
    if is_typeddict(hint):
        return _record(hint, components)
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (NotRequired, Required):
        return schema_of(inner[0], components)
    if origin is Literal:
        return {"enum": list(inner)}
    if origin in (types.UnionType, typing.Union):
        return _either([schema_of(part, components) for part in inner])
    if origin in (list, Sequence) or (origin is tuple and inner[-1:] == (Ellipsis,)):
        return {"type": "array", "items": schema_of(inner[0], components)}
    if origin is tuple:
        cells = [schema_of(part, components) for part in inner]
        either = _either([cell for n, cell in enumerate(cells) if cell not in cells[:n]])
        return {"type": "array", "items": either, "minItems": len(cells), "maxItems": len(cells)}
    if origin in (dict, Mapping):
        return {"type": "object", "additionalProperties": schema_of(inner[1], components)}
    raise TypeError(f"{hint} has no JSON form")


def _either(parts: list[Schema]) -> Schema:
    kinds = [part["type"] for part in parts if set(part) == {"type"} and isinstance(part["type"], str)]
    if len(parts) == 1:
        return parts[0]
    if len(kinds) == len(parts):
        return {"type": kinds}
    return {"anyOf": parts}


def _record(hint: Any, components: dict[str, Schema]) -> Schema:  # noqa: ANN401 - a TypedDict class
    name = hint.__name__.removesuffix("View") or hint.__name__
    if name not in components:
        components[name] = {}  # a record may hold itself
        hints = get_type_hints(hint, include_extras=True)
        components[name] = {
            "type": "object",
            "description": (hint.__doc__ or "").strip(),
            "properties": {key.rstrip("_"): schema_of(part, components) for key, part in hints.items()},
            "required": sorted(key.rstrip("_") for key in hint.__required_keys__),
        }
    return {"$ref": f"#/components/schemas/{name}"}


def describe(routes: Sequence[Route], version: str) -> dict[str, Any]:
    """The whole description."""
    components: dict[str, Schema] = {"Problem": PROBLEM}
    paths: dict[str, dict[str, Any]] = {}
    for route in routes:
        paths.setdefault(route.path, {})[route.method.lower()] = _operation(route, components)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Farmwatch",
            "version": version,
            "description": "Everything that the page shows and does. Times are seconds since 1970 in UTC unless a "
            "field says otherwise; null always means unknown.",
        },
        "security": [{"session": []}, {"token": []}],
        "paths": paths,
        "components": {
            "schemas": components,
            "securitySchemes": {
                "session": {"type": "apiKey", "in": "cookie", "name": "farmwatch"},
                "token": {"type": "http", "scheme": "bearer"},
            },
        },
    }


def _operation(route: Route, components: dict[str, Schema]) -> dict[str, Any]:
    operation: dict[str, Any] = {"operationId": route.name, "summary": route.about, "responses": {}}
    if route.params:
        operation["parameters"] = [
            {
                "name": param.name, "in": param.where, "description": param.about, "schema": dict(param.schema),
                "required": param.required or param.where == "path",
            }
            for param in route.params
        ]  # fmt: skip
    if route.body is not None:
        operation["requestBody"] = {"required": True, "content": {"application/json": {"schema": dict(route.body)}}}
    content: Schema = {"schema": {"type": "string"} if route.answer is None else schema_of(route.answer, components)}
    operation["responses"]["200"] = {"description": "Done.", "content": {route.media: content}}
    for status in route.statuses:
        operation["responses"][str(status)] = {"description": REASONS[status]}
    problem = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    for status in sorted({*ALWAYS, *(WRITES if route.method == "POST" else ()), *route.errors}):
        operation["responses"][str(status)] = {"description": REASONS[status], "content": problem}
    return operation
