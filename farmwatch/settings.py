"""Loads the configuration: options before environment before secrets before TOML before defaults.

Nothing is used until everything is right: `load` raises one `ConfigErrors` that lists every mistake with
file, line, key, what is wrong and what to do.
"""

import os
import re
import stat
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import UnionType
from typing import Any, TypeGuard, Union, get_args, get_origin

from pydantic import BaseModel, SecretStr, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails
from pydantic_settings import EnvSettingsSource, SettingsError

from farmwatch.settings_check import Finding, Subject, check_all, meant
from farmwatch.settings_lines import Lines, line_of, locate
from farmwatch.settings_lines import Path as Keys
from farmwatch.settings_model import Poll, Settings
from farmwatch.words.errors import ConfigError

__all__ = ["ConfigErrors", "Poll", "Problem", "Settings", "json_schema", "load", "reference", "shown"]

PREFIX = "FARMWATCH__"
SECRET_FILES = (
    "mqtt_password", "push_token", "web_password", "look_password", "act_password", "heartbeat_url", "influx_token",
)  # fmt: skip
SECRET_KINDS = ("channel", "http", "ups", "snmp", "act")
SECRET_NAMES = (
    f"known: {', '.join(SECRET_FILES)}, channel_<name>, http_<mapping>, ups_<backup>, snmp_<backup>, act_<action>; "
    "rename or delete it"
)
SECRET_KEYS = {
    "password": "mqtt_password", "token": "push_token",
    "url": "channel_<name>", "service": "channel_<name>",
    "authorization": "http_<mapping>", "community": "snmp_<backup>", "secret": "<name>",
    "mqtt_password": "mqtt_password", "push_token": "push_token", "web_password": "web_password",
    "look_password": "look_password",
    "act_password": "act_password", "heartbeat_url": "heartbeat_url", "influx_token": "influx_token",
}  # fmt: skip
"""Keys that people write for secrets, and the file where the secret belongs."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake.

    Attributes:
        file: the file, "environment" or "options".
        line: line in the file, from 1; None where there is none.
        key: dotted key; "" for the file as a whole.
        what: what is wrong.
        suggestion: what to do.
    """

    file: str
    line: int | None
    key: str
    what: str
    suggestion: str

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        key = f"{self.key}: " if self.key else ""
        return f"{_visible(f'{place}: {key}{self.what}')}\n    {_visible(self.suggestion)}"


def _visible(text: str) -> str:
    """Text for a terminal: what it would take for an order is escaped, for it quotes what stands in the file."""
    return "".join(one if one.isprintable() else one.encode("unicode_escape").decode("ascii") for one in text)


class ConfigErrors(ConfigError):
    """Everything that is wrong with a configuration, in the order of its lines."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = tuple(sorted(problems, key=lambda p: (p.line is None, p.file, p.line or 0, p.key)))
        super().__init__("\n".join(map(str, self.problems)))


def load(path: Path | str, overrides: Mapping[str, Any] | None = None, *, live: bool = True) -> Settings:
    """Read a configuration.

    Args:
        path: the TOML file.
        overrides: options of the command line, as a nested mapping like the TOML's.
        live: whether it is to run: then the secrets folder is read, and secrets and peers must be there.
            A replay needs neither.

    Raises:
        ConfigErrors: with everything that is wrong.
    """
    return _Loading(Path(path), overrides or {}, live).run()


def json_schema() -> dict[str, Any]:
    """JSON Schema (2020-12) of the TOML file, for editors."""
    schema = Settings.model_json_schema()
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["properties"].pop("secrets", None)
    schema["$defs"].pop("Secrets", None)
    return schema


@dataclass
class _Loading:
    path: Path
    overrides: Mapping[str, Any]
    live: bool
    problems: list[Problem] = field(default_factory=list)
    lines: Lines = field(default_factory=dict)
    layers: dict[str, dict[str, Any]] = field(default_factory=dict)  # origin: values, the strongest first
    origins: dict[tuple[str, ...], str] = field(default_factory=dict)
    seen: dict[tuple[str, ...], str] = field(default_factory=dict)  # path of each mistake: its suggestion

    def run(self) -> Settings:
        toml = self.read_toml()
        self.layers = {"options": dict(self.overrides), "environment": self.read_environment()}
        early = _merge(_merge(toml, self.layers["environment"]), self.layers["options"])
        if self.live:
            self.layers["secrets"] = self.read_secrets(early.get("secrets_dir", "secrets"))
        self.layers["file"] = toml
        merged: dict[str, Any] = {}
        for origin, layer in reversed(self.layers.items()):
            merged = _merge(merged, layer)
            self.origins |= dict.fromkeys(_leaves(layer), origin)
        names = {key: list(value) for key, value in merged.items() if isinstance(value, dict)}
        names = {name: [] for name in Settings.model_fields} | names | {"top": list(merged)}
        settings = self.validate(merged)
        if settings is not None:
            for finding in check_all(Subject(settings, names, self.live)):
                self.add(finding)
        if self.problems or settings is None:
            raise ConfigErrors(list(dict.fromkeys(self.problems)))
        return settings

    # ---- reading ------------------------------------------------------------

    def read_toml(self) -> dict[str, Any]:
        shown = str(self.path)
        try:
            text = self.path.read_bytes().decode("utf-8")
        except OSError as error:
            near = "write one with: farmwatch init" if isinstance(error, FileNotFoundError) else "check its permissions"
            raise ConfigErrors([Problem(shown, None, "", error.strerror or "cannot be read", near)]) from None
        except UnicodeDecodeError as error:
            line = error.object[: error.start].count(b"\n") + 1
            what = "is not UTF-8"
            raise ConfigErrors([Problem(shown, line, "", what, "save it as UTF-8 in your editor")]) from None
        try:
            values = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise ConfigErrors([_syntax(shown, text, str(error))]) from None
        self.lines = locate(text)
        if "secrets" in values:
            del values["secrets"]
            what = "secrets never stand in the configuration"
            self.add(Finding(("secrets",), what, "write each into a file of the secrets folder (chmod 600)"))
        return values

    def read_environment(self) -> dict[str, Any]:
        known = Settings.model_fields
        for variable in os.environ:
            first = variable[len(PREFIX) :].split("__")[0].lower()
            if variable.upper().startswith(PREFIX) and first not in known:
                near = meant(first, known).replace(f'"{first}"', first)
                self.problems.append(Problem("environment", None, variable, "unknown key", near))
        try:
            values = EnvSettingsSource(Settings)()
        except SettingsError as error:
            found = re.search(r'field "(\w+)"', str(error))
            name = PREFIX + (found[1].upper() if found else "...")
            near = 'a table or list is written as JSON, for example ["phone"]'
            self.problems.append(Problem("environment", None, name, "cannot be read", near))
            return {}
        return dict(values)

    def read_secrets(self, folder_name: object) -> dict[str, Any]:
        given = os.environ.get("CREDENTIALS_DIRECTORY")  # systemd's LoadCredential= (systemd.exec(5))
        folder = self.path.parent / Path(str(folder_name)).expanduser()
        found: dict[str, Any] = {}
        for place in (folder, Path(given)) if given else (folder,):
            try:
                files = sorted(place.iterdir())
            except (FileNotFoundError, NotADirectoryError):
                continue
            except OSError as error:
                if not given:  # beside credentials, the folder is for the service manager alone
                    near = f"the user that runs Farmwatch must own it: chown -R USER {place}"
                    self.problems.append(Problem(str(place), None, "secrets_dir", error.strerror or "", near))
                continue
            for file in files:
                if not file.name.startswith("."):
                    self.read_secret(file, found)
        return {"secrets": found} if found else {}

    def read_secret(self, file: Path, found: dict[str, Any]) -> None:
        kind, _, name = file.name.partition("_")
        problem = None
        try:
            if file.name not in SECRET_FILES and not (kind in SECRET_KINDS and name):
                problem = "no secret is called so", meant(file.name, SECRET_FILES, otherwise=SECRET_NAMES)
            elif file.stat().st_mode & (stat.S_IROTH | stat.S_IWOTH):
                problem = "can be read or changed by everyone on this computer", f"type: chmod 600 {file}"
            elif not (text := file.read_text("utf-8").strip()):
                problem = "is empty", "write the secret into it, or delete the file"
            elif file.name in SECRET_FILES:
                found[file.name] = SecretStr(text)
            else:
                found.setdefault(kind, {})[name] = SecretStr(text)
        except (OSError, UnicodeDecodeError) as error:
            why = error.strerror if isinstance(error, OSError) else "is not UTF-8"
            problem = why or "cannot be read", f"type: chmod 600 {file}, as its owner"
        if problem:
            self.problems.append(Problem(str(file), None, file.name, *problem))
            found.setdefault("bad", []).append(file.name)

    # ---- checking ------------------------------------------------------------

    def validate(self, merged: dict[str, Any]) -> Settings | None:
        """Settings without the parts that are wrong, so that the rest can be checked in the same run."""
        bad = merged.get("secrets", {}).pop("bad", []) if isinstance(merged.get("secrets"), dict) else []
        for name in bad:  # named already: not missing as well
            kind, _, rest = name.partition("_")
            if name in SECRET_FILES:
                merged["secrets"].setdefault(name, SecretStr(""))
            elif kind in SECRET_KINDS:
                merged["secrets"].setdefault(kind, {}).setdefault(rest, SecretStr(""))
        for _ in range(20):
            try:
                settings = Settings(**merged)
            except ValidationError as error:
                found = sorted(error.errors(include_url=False), key=lambda d: d["type"] == "missing")
                for details in found:
                    self.add(_explain(details, merged))
                    _prune(merged, details["loc"], drop_parent=details["type"] == "missing")
            else:
                settings._file = self.path  # noqa: SLF001  (our own, set once here)
                settings._origins = self.origins  # noqa: SLF001
                return settings
        return None

    def add(self, finding: Finding) -> None:
        """Put a mistake on the list, unless it is but the echo of one that stands there."""
        path = tuple(str(part) for part in finding.path)
        if path in self.seen or any(
            path[:-1] == other[:-1] and f'"{path[-1]}"' in suggestion for other, suggestion in self.seen.items() if path
        ):
            return
        self.seen[path] = finding.suggestion
        origin = self.origin(path)
        key = ".".join(f'"{p}"' if "." in p or not p else p for p in path)
        if origin == "environment":
            problem = Problem(origin, None, PREFIX + "__".join(path).upper(), finding.what, finding.suggestion)
        elif origin == "secrets":
            folder = self.path.parent / str(self.layers["file"].get("secrets_dir", "secrets"))
            name = "_".join(path[1:])
            problem = Problem(str(folder / name), None, name, finding.what, finding.suggestion)
        elif origin == "options":
            problem = Problem(origin, None, key, finding.what, finding.suggestion)
        else:
            problem = Problem(str(self.path), line_of(self.lines, finding.path), key, finding.what, finding.suggestion)
        self.problems.append(problem)

    def origin(self, path: tuple[str, ...]) -> str:
        for length in range(len(path), 0, -1):
            if (found := self.origins.get(path[:length])) is not None:
                return found
        return "file"


def _syntax(file: str, text: str, message: str) -> Problem:
    found = re.search(r"\s*\(at (?:line (\d+), column \d+|end of document)\)", message)
    line = int(found[1]) if found and found[1] else text.count("\n") + 1
    what = message[: found.start()] if found else message
    lines = text.split("\n")  # as TOML counts them; splitlines would end a line at a form feed too
    written = lines[line - 1].strip() if 0 < line <= len(lines) else ""
    hints = (
        ("Cannot overwrite", "this key stands twice: remove one of them"),
        ("Cannot declare", "this table stands twice: put its keys under one heading"),
        ("Invalid value", "text is written in quotes, true and false small, numbers without units"),
        ("Expected newline", "one key a line; text is written in quotes"),
        ("Expected '='", "write key = value"),
        ("Unclosed", "a bracket or brace is still open"),
        ("Unterminated", "a quote is still open"),
        ("Illegal character", "a quote is still open"),
    )
    near = next((hint for start, hint in hints if what.startswith(start)), "see toml.io for the form of the file")
    return Problem(file, line, "", f"TOML: {what[:1].lower()}{what[1:]}: {written[:80]}", near)


# ---- words for pydantic's errors ------------------------------------------------------------


def _explain(details: ErrorDetails, merged: dict[str, Any]) -> Finding:
    path: Keys = details["loc"]
    kind, leaf = details["type"], str(path[-1]) if path else ""
    about = _about(path)
    if kind == "extra_forbidden":
        return Finding(path, "unknown key", _unknown(path, leaf))
    if kind == "missing" and isinstance(path[-1], int):
        return Finding(path[:-1], "has too few items", about)
    if kind == "missing":
        return Finding(path, "is missing", f"add {leaf} = ...  ({about})")
    given = _value_at(merged, path)
    what = details["msg"].removeprefix("Value error, ")
    what = what[:1].lower() + what[1:]
    if path[0] != "secrets" and isinstance(given, str | int | float):
        what = f"{_short(given)}: {what}"
    return Finding(path, what, _advice(details, given, leaf, about))


def _advice(details: ErrorDetails, given: object, leaf: str, about: str) -> str:
    context = details.get("ctx", {})
    if isinstance(given, str) and (number := re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*[^\d\s]*\s*", given)):
        return f"write the number alone: {leaf} = {number[1]}"
    if details["type"] == "literal_error":
        choices = re.findall(r"'([^']*)'|(\d+)", str(context.get("expected", "")))
        known = [text or number for text, number in choices]
        written = " or ".join(number or f'"{text}"' for text, number in choices)
        return meant(str(given), known, otherwise=f"use {written}")
    if details["type"] == "value_error" and about:
        return f"{leaf}: {about}"
    if details["type"] in {"model_type", "dict_type", "model_attributes_type"}:
        return f"write a table: {{ key = value, ... }}  ({about})"
    if details["type"] in {"list_type", "tuple_type"}:
        return f"write a list: [...]  ({about})"
    if details["type"] == "string_type":
        return f'write text in quotes: {leaf} = "..."  ({about})'
    return f"{leaf}: {about}" if about else "see the README, Configuration"


def _unknown(path: Keys, leaf: str) -> str:
    model = _model_at(path[:-1])
    known = [key for key in model.model_fields if key != "secrets"] if model else []
    if leaf.lower() in SECRET_KEYS:
        return f"secrets stand in the secrets folder: write it into {SECRET_KEYS[leaf.lower()]} (chmod 600)"
    for key in known:  # a key that lacks its unit, or has another one
        stem = key.rpartition("_")[0]
        if (
            stem
            and leaf.partition("_")[0] == stem.partition("_")[0]
            and leaf != key
            and stem in (leaf, leaf.rpartition("_")[0])
        ):
            return f'did you mean "{key}"? units stand in the names'
    return meant(leaf, known)


def _short(value: object) -> str:
    text = repr(value) if not isinstance(value, str) else f'"{value}"'
    return text if len(text) <= 40 else text[:39] + "…"


def _model_at(path: Keys) -> type[BaseModel] | None:
    """The model of the table at `path`."""
    current: Any = Settings
    for part in path:
        if isinstance(current, type) and issubclass(current, BaseModel):
            info = current.model_fields.get(str(part))
            current = _inner(info.annotation) if info else None
        elif get_origin(current) is dict:
            current = _inner(get_args(current)[1])
        else:
            return None
    return current if isinstance(current, type) and issubclass(current, BaseModel) else None


def _inner(annotation: Any) -> Any:  # noqa: ANN401  (an annotation may be anything)
    """An annotation without Annotated and without None."""
    while hasattr(annotation, "__metadata__"):
        annotation = annotation.__origin__
    if get_origin(annotation) in (Union, UnionType):
        return _inner(next(arg for arg in get_args(annotation) if arg is not type(None)))
    return annotation


def _about(path: Keys) -> str:
    """The description of the nearest key on `path` that has one."""
    for length in range(len(path), 0, -1):
        model = _model_at(path[: length - 1])
        info = model.model_fields.get(str(path[length - 1])) if model else None
        if info is not None and info.description:
            return info.description
    return ""


# ---- nested mappings ------------------------------------------------------------


def _merge(weak: Mapping[str, Any], strong: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(weak)
    for key, value in strong.items():
        below = merged.get(key)
        merged[key] = _merge(below, value) if isinstance(below, dict) and isinstance(value, dict) else _copy(value)
    return merged


def _copy(value: object) -> object:
    """A copy that may be pruned without harm to its origin."""
    if isinstance(value, dict):
        return {key: _copy(item) for key, item in value.items()}
    return [_copy(item) for item in value] if isinstance(value, list) else value


def _leaves(values: object, path: tuple[str, ...] = ()) -> Iterator[tuple[str, ...]]:
    if isinstance(values, dict) and values:
        for key, value in values.items():
            yield from _leaves(value, (*path, str(key)))
    elif path:
        yield path


def _value_at(values: Any, path: Keys) -> Any:  # noqa: ANN401  (a TOML value)
    for part in path:
        try:
            values = values[part]
        except (KeyError, IndexError, TypeError):
            return None
    return values


def _prune(values: dict[str, Any], path: Keys, *, drop_parent: bool) -> None:
    """Leave out what is wrong; where a key is missing, the table that lacks it."""
    path = path[:-1] if drop_parent else path
    while path:
        parent = _value_at(values, path[:-1])
        if isinstance(parent, dict) and path[-1] in parent:
            del parent[path[-1]]
            return
        path = path[:-1]


# ---- showing ------------------------------------------------------------


def shown(settings: Settings) -> list[tuple[str, str, str]]:
    """(key, value, origin) of every value, secrets masked."""
    rows = []
    for path, value in _flat(settings):
        own = settings._origins.get(path)  # noqa: SLF001  (same house, private to everybody else)
        origin = own or next((o for p, o in settings._origins.items() if p[: len(path)] == path), "default")  # noqa: SLF001
        rows.append((".".join(path), "********" if isinstance(value, SecretStr) else _toml(value), origin))
    return rows


def _flat(value: object, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], object]]:
    if isinstance(value, BaseModel):
        for name in type(value).model_fields:
            yield from _flat(getattr(value, name), (*path, name))
    elif isinstance(value, dict):
        for name, item in value.items():
            yield from _flat(item, (*path, name))
    elif value is not None:
        yield path, value


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    return f"{value:g}" if isinstance(value, float) else str(value)


def reference() -> str:
    """The README's table of keys, in Markdown."""
    rows = ["| key | default | what |", "|---|---|---|"]
    for key, default, about in _keys(Settings, ""):
        rows.append(f"| `{key}` | {default} | {about} |")
    return "\n".join(rows) + "\n"


def _keys(model: type[BaseModel], prefix: str) -> Iterator[tuple[str, str, str]]:
    for name, info in model.model_fields.items():
        if name == "secrets" and model is Settings:
            continue
        inner = _inner(info.annotation)
        place = f"{prefix}{name}"
        if get_origin(inner) is dict and (value := _inner(get_args(inner)[1])) and _is_model(value):
            yield from _keys(value, f"{place}.<{'quantity' if name == 'values' else 'name'}>.")
        elif name == "machine_defaults":
            yield f"{place}.*", "", info.description or ""
        elif _is_model(inner):
            yield from _keys(inner, f"{place}.")
        else:
            yield place, _default(info), _cell(info.description or "")


def _is_model(value: object) -> TypeGuard[type[BaseModel]]:
    return isinstance(value, type) and issubclass(value, BaseModel)


def _default(info: FieldInfo) -> str:
    if info.is_required():
        return "**must be given**"
    return f"`{_toml(info.default)}`" if info.default not in (None, {}, []) else ""


def _cell(text: str) -> str:
    return text.replace("|", "\\|")
