"""Notes of a journal that may be in use meanwhile, oldest first, without holding up whoever writes it."""

import contextlib
import json
import sqlite3
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from farmwatch.sqlitefile import connect_read_only, store_error


def notes(path: Path, kinds: Sequence[str], since_s: float) -> Iterator[dict[str, Any]]:
    """Notes of these kinds from `since_s` on, each with `at_s` and `kind`; a line that has rotted is left out.

    Raises:
        StoreError: the journal cannot be read.
    """
    marks = ", ".join("?" for _ in kinds)
    sql = f"SELECT at_s, kind, doc FROM note WHERE kind IN ({marks}) AND at_s >= ? ORDER BY at_s, id"  # noqa: S608
    try:
        with contextlib.closing(connect_read_only(path)) as db:
            for at_s, kind, doc in db.execute(sql, (*kinds, since_s)):
                with contextlib.suppress(ValueError):
                    yield json.loads(doc) | {"at_s": at_s, "kind": kind}
    except sqlite3.Error as error:
        raise store_error(path, "read", error) from error
