"""`farmwatch export` and `farmwatch import`: readings to files and from files."""

import argparse
import asyncio
import codecs
import contextlib
import io
import math
import os
import sys
from array import array
from collections.abc import AsyncIterator, Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import TextIO

from farmwatch.cli_foreign import LocalClock, Mapping, moment, read_foreign
from farmwatch.cli_forms import (
    FIRST_S,
    LAST_S,
    BadLine,
    Parquet,
    Reading,
    form_of,
    read_csv,
    read_json_lines,
    read_lines,
    read_parquet,
    writer,
)
from farmwatch.settings import Settings, load
from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.stores.journal.opening import hold
from farmwatch.stores.rollup import roll_up
from farmwatch.words.errors import BadPayload, FarmwatchError, StoreError
from farmwatch.words.series import GAP_S, Columns, Holding

DAY_S = 86_400.0
BLOCK = 100_000  # readings that go to the store in one piece
SHOWN = 20
READERS = {"csv": read_csv, "jsonl": read_json_lines, "line": read_lines}


def add_export(parser: argparse.ArgumentParser) -> None:
    """Options of `farmwatch export`."""
    parser.add_argument("output", help='file, by its name .csv, .jsonl, .lp or .parquet; "-": standard output')
    parser.add_argument("--form", choices=("csv", "jsonl", "line", "parquet"), help="if the name does not say it")
    parser.add_argument("--from", dest="start", default="", metavar="TIME", help="RFC 3339, or a local day")
    parser.add_argument("--to", dest="end", default="", metavar="TIME", help="up to and including (default all)")
    parser.add_argument("--subject", action="append", default=[], metavar="NAME", help="only this one; may be repeated")
    parser.add_argument("--quantity", action="append", default=[], metavar="NAME", help="only this; may be repeated")
    parser.add_argument("--every", type=float, default=0.0, metavar="S", help="means of so many seconds")


def add_import(parser: argparse.ArgumentParser) -> None:
    """Options of `farmwatch import`."""
    parser.add_argument("input", help='file, by its name .csv, .jsonl, .lp or .parquet; "-": standard input')
    parser.add_argument("--form", choices=("csv", "jsonl", "line", "parquet"), help="if the name does not say it")
    parser.add_argument("--check", action="store_true", help="read all of it and say what is wrong; keep nothing")
    other = parser.add_argument_group("a CSV from elsewhere")
    other.add_argument("--subject", default="", metavar="NAME", help="whose values these are")
    other.add_argument("--time", default="", metavar="COLUMN", help="its column of times, or two as Date+Time")
    other.add_argument("--value", default="", metavar="COLUMN", help="its column of values; without a head: numbers")
    other.add_argument("--quantity", default="power_w", metavar="NAME", help="what they are (default power_w)")
    other.add_argument("--unit", default="", metavar="UNIT", help="in which unit, such as kW")
    other.add_argument("--timezone", default="", metavar="ZONE", help="of its local times (default site.timezone)")
    other.add_argument("--time-format", default="", metavar="FORM", help="such as %%d/%%m/%%Y %%H:%%M")


def talk(text: str) -> None:
    """Talk."""
    print(text, file=sys.stderr, flush=True)  # noqa: T201


@contextlib.contextmanager
def progress(what: str, total: float) -> Iterator[Callable[[float], None]]:
    """A bar on a terminal, nothing elsewhere; what is called says how far it is."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    from rich.console import Console  # noqa: PLC0415  (for long work on a terminal alone)
    from rich.progress import Progress  # noqa: PLC0415

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=total)
        yield lambda done: bar.update(task, completed=done)


# ---- export ----------------------------------------------------------------------------------------------------


def run_export(args: argparse.Namespace) -> int:
    """Exit code 0."""
    settings = load(args.config, live=False)
    form = form_of(args.output, args.form)
    span = _time(args.start, settings, FIRST_S), _time(args.end, settings, LAST_S, end=True)
    if args.every < 0 or not math.isfinite(args.every):
        raise FarmwatchError("--every must be 0 or more seconds")
    path = settings.data_path / "history.db"
    if not path.exists():
        raise FarmwatchError(f"there is no history at {path}", hint="it is made when farmwatch has run for a minute")
    with _sink(form, args.output) as write:
        count = asyncio.run(_export(path, args, span, write))
    talk(f"{count} readings")
    return 0


def _time(text: str, settings: Settings, default: float, *, end: bool = False) -> float:
    if not text:
        return default
    from zoneinfo import ZoneInfo  # noqa: PLC0415

    local = LocalClock(ZoneInfo(settings.site.timezone)).seconds
    try:
        if len(text) == len("2026-11-18"):
            first_s = moment(text, local, "%Y-%m-%d")
            if not end:
                return first_s
            next_day = datetime.strptime(text, "%Y-%m-%d") + timedelta(days=1)  # noqa: DTZ007  (local, as it is given)
            return local(next_day) - 0.001  # a day is not always 24 hours long
        return moment(text, local)
    except BadPayload as error:
        raise FarmwatchError(str(error)) from None
    except OverflowError:  # the last day of all calendars: as far as there is anything
        return default


@contextlib.contextmanager
def _sink(form: str, output: str) -> Iterator[Callable[[list[Reading]], None]]:
    """A file that takes its name when it is whole."""
    if output == "-":
        if form == "parquet":
            raise FarmwatchError("Parquet cannot go to standard output")
        yield writer(form, sys.stdout)
        return
    new = f"{output}.new"
    try:
        if form == "parquet":
            parquet = Parquet(new)
            yield parquet.write
            parquet.close()
        else:
            with open(new, "w", encoding="utf-8", newline="") as file:  # noqa: PTH123
                yield writer(form, file)
        os.replace(new, output)  # noqa: PTH105
    except OSError as error:
        raise FarmwatchError(f"{output} could not be written: {error.strerror}") from error
    finally:
        with contextlib.suppress(OSError):
            os.unlink(new)  # noqa: PTH108


async def _export(path: Path, args: argparse.Namespace, span: tuple[float, float],
                  write: Callable[[list[Reading]], None]) -> int:  # fmt: skip
    store = EmbeddedSeries(path)
    count = 0
    try:
        held = [one for one in await store.held()
                if (not args.subject or one.subject in args.subject)
                and (not args.quantity or one.quantity in args.quantity)
                and one.last_s >= span[0] and one.first_s <= span[1]]  # fmt: skip
        with progress("export", max(1, len(held))) as done:
            for number, one in enumerate(held):
                async for part in _parts(store, one, span, args.every):
                    write([Reading(at_s, one.subject, one.quantity, value) for at_s, value in part.rows()])
                    count += len(part)
                done(number + 1)
    finally:
        await store.close()
    return count


async def _parts(store: EmbeddedSeries, one: Holding, span: tuple[float, float], every_s: float
                 ) -> AsyncIterator[Columns]:  # fmt: skip
    """A series in pieces of some days, so that memory stays small."""
    step_s = 8 * DAY_S if not every_s else max(8 * DAY_S, every_s)
    step_s = math.ceil(step_s / every_s) * every_s if every_s else step_s
    start_s = max(one.first_s, span[0])
    start_s = math.floor(start_s / every_s) * every_s if every_s else start_s
    last_s = min(one.last_s, span[1])
    while start_s <= last_s:
        end_s = min(start_s + step_s, last_s + 0.001)
        if every_s:
            found = await _read(store, one, start_s - GAP_S, end_s + GAP_S)
            buckets = roll_up(found, one.quantity, every_s, start_s, end_s)
            yield Columns(buckets.start_s, buckets.mean)
        else:
            yield await _read(store, one, start_s, end_s - 0.001)
        start_s += step_s


async def _read(store: EmbeddedSeries, one: Holding, start_s: float, end_s: float) -> Columns:
    try:
        async with asyncio.timeout(60.0):
            return await store.read(one.subject, one.quantity, start_s, end_s)
    except TimeoutError:
        raise FarmwatchError("the running farmwatch is just writing its blocks", hint="try again") from None


# ---- import ----------------------------------------------------------------------------------------------------


def run_import(args: argparse.Namespace) -> int:
    """Exit code 0, or 1 where lines were not taken; what is right is kept all the same."""
    settings = load(args.config, live=False)
    form = form_of(args.input, args.form)
    foreign = [bool(args.subject), bool(args.time), bool(args.value)]
    if any(foreign) and not all(foreign):
        raise FarmwatchError("a CSV from elsewhere wants --subject, --time and --value, all three")
    mapping = None
    if all(foreign):
        mapping = Mapping(args.subject, args.time, args.value, args.quantity, args.unit,
                          _zone(args.timezone or settings.site.timezone), args.time_format)  # fmt: skip
    if args.check:
        return asyncio.run(_import(None, args.input, form, mapping))
    settings.data_path.mkdir(mode=0o700, parents=True, exist_ok=True)
    lock = hold(settings.data_path / "journal.db")  # nobody else may write to the history meanwhile
    try:
        return asyncio.run(_import(settings.data_path / "history.db", args.input, form, mapping))
    finally:
        if lock is not None:
            lock.close()


def _zone(name: str) -> str:
    from zoneinfo import ZoneInfo  # noqa: PLC0415

    try:
        return ZoneInfo(name).key
    except (KeyError, OSError, ValueError):  # not found; a folder; a name that no file can have
        raise FarmwatchError(f'there is no time zone "{name}"', hint="such as Europe/London or UTC") from None


def _rows(name: str, form: str, mapping: Mapping | None, file: TextIO | None) -> Iterator[Reading | BadLine]:
    if form == "parquet":
        return read_parquet(name)
    if file is None:  # pragma: no cover  (the caller opens text)
        raise FarmwatchError(f"{name} is not open")
    return READERS[form](file) if mapping is None else read_foreign(file, mapping)


async def _import(path: Path | None, name: str, form: str, mapping: Mapping | None) -> int:
    bad, taken, kept = 0, 0, [0]
    waiting: dict[tuple[str, str], tuple[array[float], array[float]]] = {}
    store = None if path is None else EmbeddedSeries(path)

    async def put() -> None:
        if store is not None:
            for subject, quantity in list(waiting):
                times, values = waiting[subject, quantity]
                try:
                    kept[0] += await store.extend(subject, "import", times, {quantity: values})
                except StoreError as error:
                    raise FarmwatchError(
                        f"{str(error).partition(' (')[0]}; {kept[0]} readings of {name} are kept, the rest is not",
                        hint="put that right and import the same file again: no reading counts twice",
                    ) from None
                del waiting[subject, quantity]

    try:
        with _source(name, form) as file, progress("import", _size(name)) as done:
            for item in _rows(name, form, mapping, file):
                if isinstance(item, BadLine):
                    bad += 1
                    if bad <= SHOWN:
                        talk(f"{name}:{item.number}: {item.why}")
                    continue
                times, values = waiting.setdefault((item.subject, item.quantity), (array("d"), array("d")))
                times.append(item.at_s)
                values.append(item.value)
                taken += 1
                if taken % BLOCK == 0:
                    await put()
                    if file is not None and file.seekable():
                        with contextlib.suppress(OSError):
                            done(file.buffer.tell())
            await put()
    finally:
        if store is not None:
            await store.close()
    if bad > SHOWN:
        talk(f"and {bad - SHOWN} more")
    talk(f"{taken} readings {'are right' if path is None else 'taken'}, {bad} lines not")
    return 1 if bad else 0


@contextlib.contextmanager
def _source(name: str, form: str) -> Iterator[TextIO | None]:
    if form == "parquet":
        if not Path(name).is_file():
            raise FarmwatchError(f"there is no file {name}")
        yield None
    elif name == "-":
        if isinstance(sys.stdin, io.TextIOWrapper):
            sys.stdin.reconfigure(encoding="utf-8-sig", errors="replace", newline="")
        yield sys.stdin
    else:
        try:
            with open(name, encoding=_encoding(name), errors="replace", newline="") as file:  # noqa: PTH123
                yield file
        except OSError as error:
            raise FarmwatchError(f"{name} cannot be read: {error.strerror}") from error


def _encoding(name: str) -> str:
    """UTF-8, or what spreadsheets write besides it: UTF-16 with its byte-order mark, else Windows' Western European."""
    with open(name, "rb") as file:  # noqa: PTH123
        start = file.read(1 << 16)
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    try:
        codecs.getincrementaldecoder("utf-8")().decode(start)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _size(name: str) -> float:
    try:
        return float(Path(name).stat().st_size)
    except OSError:
        return 1.0
