"""The journal: facts, their history and the outbox, durable before the phone is told.

::

    schema    tables, migrations, what is kept how long
    disk      SqliteJournal: one file, one writer, every call one durable transaction
    salvage   what can still be read of a damaged file, and the rebuilding of a sound one
    guard     JournalGuard: goes on in memory while the disk does not work, and catches up afterwards
"""

from farmwatch.stores.journal.disk import SqliteJournal
from farmwatch.stores.journal.guard import JournalGuard
from farmwatch.stores.journal.schema import Unusable

__all__ = ["JournalGuard", "SqliteJournal", "Unusable"]
