"""The house's rules: floors, purity, sizes, nothing left to do. Every rule is broken once on purpose.

The rules are DEVELOPERS.md's; there is no source outside for them.
"""

import ast
import functools
import re
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "farmwatch"

FLOORS: dict[str, int] = {
    # room: floor; a room imports from lower floors and from itself
    "": 0, "words": 0, "ports": 0,
    "machines": 1, "power": 1, "shop": 1, "alarms": 1, "farm": 1, "overview": 1, "brain": 1, "wire": 1, "scenario": 1,
    "engine": 2, "pulse": 2, "pair": 2,
    "actuate": 3, "clock": 3, "failpoints": 3, "heap": 3, "service": 3, "sqlitefile": 3, "tape": 3, "sources": 3,
    "stores": 3, "notify": 3, "channels": 3, "webhook": 3, "heartbeat": 3, "selftest": 3, "web": 3, "filler": 3,
    "backups": 4, "daemon": 4,
    "settings": 5,
    "assemble": 6,
    "cli": 7, "replay": 7, "score": 7, "whatif": 7, "__main__": 7,
}  # fmt: skip
THOUGHT = frozenset({"machines", "power", "shop", "alarms", "farm", "overview", "brain"})
PURE = THOUGHT | {"words", "wire", "scenario", "engine", "ports", "pulse", "pair"}
NEIGHBOURS: dict[int, frozenset[str]] = {
    # floor: rooms of it that others of the same floor may use
    1: THOUGHT,
    0: frozenset({"words"}),
    3: frozenset({"clock", "failpoints", "heap", "sqlitefile"}),
    7: frozenset({"cli", "replay", "score", "whatif"}),
}
ADAPTERS: dict[str, frozenset[str]] = {
    # room: its adapters, which never import each other; what else stands there is a tool for all of them
    "sources": frozenset({"mqtt", "http", "push", "ups", "snmp", "simulated", "recording"}),
    "stores": frozenset({"journal", "embedded", "influx"}),
}
IO = frozenset({
    "asyncio", "time", "logging", "os", "socket", "threading", "sqlite3", "pathlib", "subprocess",
    "multiprocessing", "concurrent", "signal", "ssl", "selectors", "select", "shutil", "tempfile", "io", "sys",
    "urllib", "http", "smtplib", "requests", "aiohttp", "paho", "apprise", "pydantic", "pydantic_settings",
    "importlib", "secrets", "uuid", "platform", "glob", "fcntl", "mmap", "queue", "sched", "contextvars",
    "warnings",
})  # fmt: skip
NUMERIC_ONLY_LAZY = frozenset({"scipy", "matplotlib", "pandas"})
CALLS = frozenset({"open", "print", "input", "exec", "eval", "breakpoint", "__import__"})
CLOCKS = frozenset({"now", "utcnow", "today", "time_ns", "monotonic", "perf_counter"})
LONGEST_MODULE = 900
LONGEST_FUNCTION = 90


def modules() -> dict[str, str]:
    """Dotted name below farmwatch: source text."""
    found = {}
    for path in sorted(PACKAGE.rglob("*.py")):
        parts = path.relative_to(PACKAGE).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path.read_text("utf-8")
    return found


@functools.cache
def tree(text: str) -> ast.Module:
    """The source parsed, once for all rules."""
    return ast.parse(text)


@functools.cache
def nodes(text: str) -> tuple[ast.AST, ...]:
    """Every node of the source."""
    return tuple(ast.walk(tree(text)))


def imports(name: str, text: str) -> Iterator[tuple[str, int]]:
    """Every module that is imported, absolute names, with its line."""
    for node in nodes(text):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                yield f"farmwatch.{name}.relative-import", node.lineno
            elif node.module == "farmwatch":
                for alias in node.names:
                    yield f"farmwatch.{alias.name}", node.lineno
            else:
                yield str(node.module), node.lineno
                if str(node.module).startswith("farmwatch."):
                    for alias in node.names:  # may be a module of a package
                        yield f"{node.module}.{alias.name}", node.lineno


def room_of(name: str) -> str:
    """The room of a module: its first part; ``settings_check`` belongs to ``settings``."""
    first = name.partition(".")[0]
    family = first.partition("_")[0]
    return family if first not in FLOORS and family in FLOORS and family else first


def neighbourly(room: str, other: str) -> bool:
    """Whether a room may use another of its own floor."""
    floor = FLOORS[room]
    return other in NEIGHBOURS.get(floor, frozenset()) and (floor != 1 or room in THOUGHT)


def floors(name: str, text: str) -> Iterator[str]:
    """Imports go downwards; neighbours of a floor keep to themselves; thought knows neither wire nor scenario."""
    room = room_of(name)
    if room not in FLOORS:
        yield f"{name}: room {room} has no floor: give it one here and in DEVELOPERS.md"
        return
    for imported, line in imports(name, text):
        package, _, rest = imported.partition(".")
        if package != "farmwatch":
            continue
        other = room_of(rest)
        if other not in FLOORS:  # a name of the package itself, such as __version__
            continue
        if other != room and FLOORS[other] > FLOORS[room]:
            yield f"{name}:{line}: floor {FLOORS[room]} imports {other} from floor {FLOORS[other]}"
        elif other != room and FLOORS[other] == FLOORS[room] and not neighbourly(room, other):
            yield f"{name}:{line}: {room} imports its neighbour {other}"
        if room in ADAPTERS and other == room:
            mine, theirs = f"{name}.".split(".")[1], f"{rest}.".split(".")[1]
            if theirs in ADAPTERS[room] and mine != theirs:
                yield f"{name}:{line}: adapter {mine} imports adapter {theirs}"


def purity(name: str, text: str) -> Iterator[str]:
    """The core does no I/O, reads no clock and no chance of its own."""
    if room_of(name) not in PURE:
        return
    for imported, line in imports(name, text):
        if imported.partition(".")[0] in IO:
            yield f"{name}:{line}: a pure room imports {imported}"
    for node in nodes(text):
        if isinstance(node, ast.AsyncFunctionDef) and name != "ports":
            yield f"{name}:{node.lineno}: a pure room has an async function"
        if not isinstance(node, ast.Call):
            continue
        called = node.func
        if isinstance(called, ast.Name) and called.id in CALLS:
            yield f"{name}:{node.lineno}: a pure room calls {called.id}()"
        elif isinstance(called, ast.Attribute) and called.attr in CLOCKS:
            yield f"{name}:{node.lineno}: a pure room reads a clock: {ast.unparse(called)}()"
        elif isinstance(called, ast.Attribute) and ast.unparse(called.value) == "random" and called.attr != "Random":
            yield f"{name}:{node.lineno}: chance without a seed: {ast.unparse(called)}()"


def weight(name: str, text: str) -> Iterator[str]:
    """Heavy numeric libraries are imported where they are used, never at a module's head."""
    for node in tree(text).body:
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else [str(node.module)]
            for imported in names:
                if imported.partition(".")[0] in NUMERIC_ONLY_LAZY:
                    yield f"{name}:{node.lineno}: imports {imported} at its head"


def sizes(name: str, text: str) -> Iterator[str]:
    """Modules and functions that one can still read."""
    if text.count("\n") > LONGEST_MODULE:
        yield f"{name}: {text.count(chr(10))} lines"
    for node in nodes(text):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            lines = (node.end_lineno or node.lineno) - node.lineno + 1
            if lines > LONGEST_FUNCTION:
                yield f"{name}:{node.lineno}: {node.name} has {lines} lines"


def leftovers(name: str, text: str) -> Iterator[str]:
    """Nothing is left to do, nothing stands in for something else."""
    for number, line in enumerate(text.splitlines(), 1):
        if re.search(r"\b(?:TO[D]O|FIX[M]E|X[X]X|HA[C]K)\b", line):
            yield f"{name}:{number}: {line.strip()}"
    for node in nodes(text):
        if isinstance(node, ast.Raise) and node.exc is not None and "NotImplementedError" in ast.unparse(node.exc):
            yield f"{name}:{node.lineno}: not implemented"
        if isinstance(node, ast.If) and re.search(r"\bdemo\b", ast.unparse(node.test)):
            yield f"{name}:{node.lineno}: a special case for the demonstration"


def described(name: str, text: str) -> Iterator[str]:
    """Every module says what it is for."""
    if not ast.get_docstring(tree(text)):
        yield f"{name}: no docstring"


RULES = (floors, purity, weight, sizes, leftovers, described)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.__name__)
def test_the_house_keeps_its_rules(rule):
    broken = [line for name, text in modules().items() for line in rule(name, text)]
    assert not broken, "\n".join(broken)


BREACHES = [
    # (rule, module, source): each must be found
    (floors, "words.model", "from farmwatch.ports import Clock"),
    (floors, "machines.state", "from farmwatch.wire.payload import decode"),
    (floors, "brain", "import farmwatch.scenario.world"),
    (floors, "wire.payload", "from farmwatch.scenario import world"),
    (floors, "wire.payload", "from farmwatch.machines import state"),
    (floors, "scenario.world", "from farmwatch.wire.payload import decode"),
    (floors, "engine", "from farmwatch import daemon"),
    (floors, "sources.mqtt", "from farmwatch.stores.embedded import Series"),
    (floors, "sources.mqtt", "from farmwatch.settings import Settings"),
    (floors, "sources.mqtt", "from farmwatch.sources.http import HttpSource"),
    (floors, "sources.mqtt", "from farmwatch.sources import http"),
    (floors, "stores.journal.disk", "from farmwatch.stores.embedded import x"),
    (floors, "web.server", "from farmwatch.notify import Postman"),
    (floors, "daemon", "def f():\n    from farmwatch.assemble import build_engine"),
    (floors, "settings", "from farmwatch.assemble import build_engine"),
    (floors, "manager", "x = 1"),
    (purity, "machines.state", "import time"),
    (purity, "power.load", "from pathlib import Path"),
    (purity, "alarms.rules", "def f():\n    import logging"),
    (purity, "wire.payload", "import urllib.parse"),
    (purity, "shop.rounds", "print('x')"),
    (purity, "brain", "open('x')"),
    (purity, "brain", "async def f(): ..."),
    (purity, "machines.eta", "from datetime import datetime\nx = datetime.now()"),
    (purity, "scenario.world", "import random\nx = random.random()"),
    (weight, "power.battery", "import scipy.optimize"),
    (weight, "web.panels", "from matplotlib import pyplot"),
    (sizes, "brain", "x = 1\n" * (LONGEST_MODULE + 1)),
    (sizes, "brain", "def f():\n" + "    x = 1\n" * LONGEST_FUNCTION),
    (leftovers, "brain", "x = 1  # {}: later".format("TO" + "DO")),
    (leftovers, "brain", "raise NotImplementedError"),
    (leftovers, "brain", "if settings.demo:\n    x = 1"),
    (described, "brain", "x = 1"),
]


@pytest.mark.parametrize(
    ("rule", "name", "text"), BREACHES, ids=lambda value: str(getattr(value, "__name__", value))[:50]
)
def test_the_rule_finds_its_breach(rule, name, text):
    assert list(rule(name, text)), "this breach is not noticed"


ALLOWED = [
    (floors, "brain", "from farmwatch.machines import state"),
    (floors, "sources.mqtt", "from farmwatch.sources.backoff import Backoff\nfrom farmwatch.ports import Deliver"),
    (floors, "stores.journal.disk", "from farmwatch.stores.journal import schema"),
    (floors, "cli", "from farmwatch import __version__, cli_live"),
    (purity, "scenario.world", "import random\nx = random.Random(7).random()"),
    (purity, "daemon", "import time\nprint(time.time())"),
    (purity, "machines.eta", "from datetime import datetime\nx = datetime.fromtimestamp(0)"),
    (weight, "power.battery", "def f():\n    import scipy"),
]


@pytest.mark.parametrize(
    ("rule", "name", "text"), ALLOWED, ids=lambda value: str(getattr(value, "__name__", value))[:50]
)
def test_the_rule_lets_the_rest_alone(rule, name, text):
    assert not list(rule(name, text))


def test_every_room_with_a_floor_exists_or_is_named_in_the_map():
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    for room in {room_of(name) for name in modules()} - {"", "__main__"}:
        assert re.search(rf"`?{re.escape(room)}\b", text), f"DEVELOPERS.md does not know {room}"


def tracked() -> list[Path]:
    done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    names = [name for name in done.stdout.split("\0") if name] if done.returncode == 0 else []
    return [ROOT / name for name in names] or [p for p in ROOT.rglob("*") if p.is_file() and ".venv" not in p.parts]


def test_nothing_is_left_to_do_anywhere():
    marks = re.compile("TO[D]O|FIX[M]E")
    for path in tracked():
        if (
            path.name != "pyproject.toml"
            and path.suffix in {".py", ".md", ".toml", ".sh", ".js", ".css", ".yml", ".service"}
            and path.is_file()
        ):
            assert not marks.search(path.read_text("utf-8")), path
