"""Replays a recording through the full engine in virtual time, as fast as it can, and prints what was derived."""

import argparse
import gc
import json
import math
import sys
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import Any, TextIO

from farmwatch.alarms.wording import clock
from farmwatch.engine import Engine
from farmwatch.words.errors import BadRecording, Refused
from farmwatch.words.model import Effect, Input, Message, Note

KINDS: tuple[str, ...] = ("state", "build", "estimate", "load", "energy", "backup", "alarm", "message", "outage")
TIMES = frozenset({"started", "ended"})
PACED: dict[str, str] = {"estimate": "machine", "load": "place"}
"""Kinds of which there is at most one line a minute, and what they are about."""
MINUTE_S = 60.0


def replayed(engine: Engine, inputs: Iterable[Input]) -> Iterator[Effect]:
    """Effects in order of time; the clock stops at the last input. A command that is refused is left out."""
    last_s: float | None = None
    for item in inputs:
        last_s = item.at_s
        yield from engine.advance(last_s)  # first: a refusal must not take them with it
        try:
            yield from engine.feed(item).effects
        except Refused as refusal:
            print(f"{iso(item.at_s)}: refused: {refusal}", file=sys.stderr)
    if last_s is not None:
        yield from engine.advance(last_s)


def iso(at_s: float) -> str:
    """RFC 3339 in UTC, to the millisecond.

    >>> iso(1764057600.25)
    '2025-11-25T08:00:00.250+00:00'
    """
    return datetime.fromtimestamp(round(at_s, 3), UTC).isoformat(timespec="milliseconds")


def line(effect: Effect) -> dict[str, Any] | None:
    """A line of ``replay --json``; None for effects that are none of its kinds."""
    if isinstance(effect, Message):
        return {
            "at": iso(effect.at_s),
            "kind": "message",
            "to": effect.to,
            "priority": effect.priority,
            "title": effect.title,
            "text": effect.text,
            "incident": effect.incident,
            "step": effect.step,
        }
    if not isinstance(effect, Note) or effect.kind not in KINDS:
        return None
    doc: dict[str, Any] = {"at": iso(effect.at_s), "kind": effect.kind}
    for key, value in effect.doc.items():
        if key in TIMES:
            doc[key] = None if value is None else iso(value)
        elif key == "finish":
            doc[key] = {name: None if at_s is None else iso(at_s) for name, at_s in value.items()}
        else:
            doc[key] = value
    return doc


def sentence(effect: Effect, timezone: str) -> str | None:
    """The same for people; None for what would only be noise."""
    if isinstance(effect, Message):
        return f"{clock(effect.at_s, timezone)}  to {effect.to}: {effect.title}\n       {effect.text}"
    if not isinstance(effect, Note):
        return None
    doc, at = effect.doc, clock(effect.at_s, timezone)
    if effect.kind == "state":
        return f"{at}  {doc['machine']}: {doc['previous']} -> {doc['state']} ({doc['because']})"
    if effect.kind == "build":
        ended = f"{doc['result']} at {clock(doc['ended'], timezone)}" if doc["ended"] is not None else "begun"
        return f"{at}  {doc['machine']}: build {doc['job'] or 'without a name'} {ended}"
    if effect.kind == "alarm":
        return f"{at}  alarm {doc['alarm']} {doc['subject']}: {doc['state']}"
    if effect.kind == "outage":
        ended = "over" if doc["ended"] is not None else "begun"
        return f"{at}  outage {doc['cause']} {doc['place']}: {ended}"
    return None


def paced(effects: Iterable[Effect]) -> Iterator[Effect]:
    """The same without those that come within a minute of the one before of their kind and subject."""
    last_s: dict[tuple[str, str], float] = {}
    for effect in effects:
        if isinstance(effect, Note) and effect.kind in PACED:
            about = effect.kind, effect.doc[PACED[effect.kind]]
            if effect.at_s - last_s.get(about, -math.inf) < MINUTE_S - 1e-3:
                continue
            last_s[about] = effect.at_s
        yield effect


def write(effects: Iterable[Effect], out: TextIO, *, as_json: bool, timezone: str) -> None:
    """Print effects as JSON Lines or as text."""
    for effect in paced(effects):
        if as_json:
            doc = line(effect)
            if doc is not None:
                out.write(json.dumps(doc, ensure_ascii=False, separators=(", ", ": ")) + "\n")
        else:
            text = sentence(effect, timezone)
            if text is not None:
                out.write(text + "\n")


def run(args: argparse.Namespace) -> int:
    """``farmwatch replay RECORDING --config FILE [--json]``. Exit code 2 for what cannot be read."""
    from farmwatch.assemble import build_engine
    from farmwatch.settings import load
    from farmwatch.wire.recording import read

    # Nothing here makes garbage in circles worth a look at every turn: it costs a tenth of the time and more.
    gc.freeze()
    gc.set_threshold(100_000, 50, 50)
    settings = load(args.config, live=False)
    engine = build_engine(settings)
    stream = sys.stdin if args.recording == "-" else None
    try:
        if stream is None:
            with open(args.recording, encoding="utf-8", newline="\n") as file:  # noqa: PTH123
                write(replayed(engine, read(file)), sys.stdout, as_json=args.json, timezone=settings.site.timezone)
        else:
            write(replayed(engine, read(stream)), sys.stdout, as_json=args.json, timezone=settings.site.timezone)
    except OSError as error:
        print(f"{args.recording}: {error.strerror}", file=sys.stderr)
        return 2
    except BadRecording as error:
        print(f"{args.recording}: {error}", file=sys.stderr)
        return 2
    return 0
