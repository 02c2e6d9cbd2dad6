"""Farmwatch with an ear for SIGUSR1, for `soak.py --look` alone: on it, what the process holds goes to a file.

    python tests/bench/soak_inside.py FILE demo --speed 60 ...

Each signal appends a line of JSON to FILE: what smaps(5) says by kind of mapping, what the C library's allocator has
handed out and keeps (mallinfo(3)), blocks of Python's own allocator, the count of objects by type, and, under
PYTHONTRACEMALLOC, the lines that hold most memory.
"""

import _sqlite3
import asyncio
import contextlib
import ctypes
import gc
import json
import logging
import re
import signal
import sys
import threading
import tracemalloc
from collections import Counter
from pathlib import Path
from types import BuiltinFunctionType, FunctionType, MethodType, ModuleType

from farmwatch import assemble

MIB = 2.0**20
LINES = 60
HOUSES = []


class Mallinfo(ctypes.Structure):
    _fields_ = tuple((name, ctypes.c_size_t) for name in (
        "arena", "ordblks", "smblks", "hblks", "hblkhd", "usmblks", "fsmblks", "uordblks", "fordblks", "keepcost",
    ))  # fmt: skip


def mappings():
    """Resident MiB by kind of mapping."""
    kinds, kind = Counter(), ""
    for line in Path("/proc/self/smaps").read_text().splitlines():
        if head := re.match(r"[0-9a-f]+-[0-9a-f]+ \S+ \S+ \S+ \d+\s*(.*)", line):
            path = head[1]
            kind = path if path.startswith("[") else "anonymous" if not path else "file " + path.rpartition(".")[2][:4]
        elif line.startswith("Rss:"):
            kinds[kind] += int(line.split()[1]) / 1024
    return {name: round(mib, 2) for name, mib in kinds.most_common() if mib > 0.05}


def c_allocator():
    """What malloc(3) has handed out, and what it keeps though it is free, in MiB; of arenas and of mmap."""
    with contextlib.suppress(AttributeError):
        call = ctypes.CDLL(None).mallinfo2
        call.restype = Mallinfo
        found = call()
        return {"used": found.uordblks / MIB, "free": found.fordblks / MIB, "mmap": found.hblkhd / MIB}
    return {}


def types():
    """Objects the collector knows, by type."""
    counted = Counter(f"{type(one).__module__}.{type(one).__qualname__}" for one in gc.get_objects())
    return {name: number for name, number in counted.most_common(LINES) if number > 50}


def deep(*roots):
    """KiB that hang on each of the roots, (name, object); what hangs on several counts for the first."""
    seen, sizes = {id(one) for _, one in roots}, {}
    plain = (type, ModuleType, FunctionType, BuiltinFunctionType, MethodType, logging.Logger)
    for name, root in roots:
        held, waiting = 0, [root]
        while waiting:
            one = waiting.pop()
            held += sys.getsizeof(one, 0)
            for other in gc.get_referents(one):
                if id(other) not in seen and not isinstance(other, plain):
                    seen.add(id(other))
                    waiting.append(other)
        sizes[name] = round(held / 1024, 1)
    return sizes


def parts(house):
    """What the daemon's parts hold."""
    brain, page = house.brain, house.daemon._p.page
    roots = [("settings", house.settings), ("plan", brain.farm.plan)]
    roots += [(f"world.{k}", v) for source in house.daemon._p.sources if hasattr(source, "world")
              for k, v in vars(source.world).items()]  # fmt: skip
    roots += [(f"farm.{k}", v) for k, v in vars(brain.farm).items()]
    roots += [(f"brain.{k}", v) for k, v in vars(brain).items()]
    roots += [(f"series.{k}", v) for k, v in vars(house.series).items()]
    roots += [("journal", house.journal), ("notifier", house.notifier), ("intake", house.intake)]
    roots += [(f"news.{k}", v) for k, v in vars(page._news).items()]
    roots += [("page", page), ("daemon", house.daemon), ("house", house), ("modules", sys.modules)]
    modules = [(f"module {name}", dict(vars(one))) for name, one in sys.modules.items() if name.startswith("farmwatch")]
    modules += [("other modules", [dict(vars(one)) for one in sys.modules.values() if hasattr(one, "__dict__")])]
    return {k: v for k, v in deep(*roots, *modules).items() if v > 8.0}


def sqlite_kib():
    """What SQLite holds, all connections together (sqlite.org/c3ref/memory_highwater.html)."""
    with contextlib.suppress(OSError, AttributeError):
        call = ctypes.CDLL(_sqlite3.__file__).sqlite3_memory_used
        call.restype = ctypes.c_int64
        return call() / 1024
    return None


def traced():
    """The lines that hold most, in KiB and blocks."""
    if not tracemalloc.is_tracing():
        return {}
    shot = tracemalloc.take_snapshot().filter_traces((tracemalloc.Filter(False, tracemalloc.__file__),))
    return {
        f"{Path(s.traceback[0].filename).parent.name}/{Path(s.traceback[0].filename).name}:{s.traceback[0].lineno}":
        (s.size // 1024, s.count) for s in shot.statistics("lineno")[:LINES]
    }  # fmt: skip


def look(path, house=None):
    """Append a line to the file."""
    house = house or (HOUSES[-1] if HOUSES else None)
    freed = gc.collect()
    found = {
        "smaps": mappings(), "malloc": c_allocator(), "blocks": sys.getallocatedblocks(), "freed": freed,
        "threads": [one.name for one in threading.enumerate()], "types": types(), "sqlite": sqlite_kib(),
        "parts": parts(house) if house is not None else {},
        "traced": tracemalloc.get_traced_memory()[0] / MIB, "lines": traced(),
    }  # fmt: skip
    with path.open("a") as stream:
        stream.write(json.dumps(found) + "\n")


def main():
    from farmwatch.cli import main as run

    path, build = Path(sys.argv.pop(1)), assemble.House.__init__

    def built(house, *args, **keys):
        build(house, *args, **keys)
        HOUSES.append(house)

    assemble.House.__init__ = built
    # between two turns of the loop: in the middle of one an object may be half made
    signal.signal(signal.SIGUSR1, lambda *_: asyncio.get_running_loop().call_soon_threadsafe(look, path))
    return run()


if __name__ == "__main__":
    sys.exit(main())
