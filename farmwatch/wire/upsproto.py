"""The UPS management protocol (RFC 9271) without I/O: commands out as bytes, bytes in, replies out.

::

    IDLE --command--> WAITING --line--------------------> IDLE     one reply
                      WAITING --BEGIN LIST q--> LISTING
                                                LISTING --row-----> LISTING
                                                LISTING --END LIST q--> IDLE     one reply
    any  --garbage--> BROKEN      ProtocolError; only a new connection helps

The protocol has no request numbers: replies come in the order of the commands, so after garbage nobody can tell
what belongs to what. A `UpsClient` that has seen garbage refuses everything; the link is closed and opened again.

Tolerated, because the RFC's own text or servers in the field have it: any case in keywords and names, CR before
LF, several blanks, the old names of commands and errors (table 9), ``GET ATTACH`` for ``GET NUMATTACH`` (its
example against its grammar), quoted values with blanks (its example against its ABNF), ``OK STARTTLS`` or ``OK``
(table 2 against section 4.2.12), bytes beyond US-ASCII in values, unknown error names.
"""

import re
from collections import deque
from functools import lru_cache
from typing import NamedTuple

from farmwatch.words.errors import BadPayload, ConfigError, ProtocolError

PORT = 3493  # section 4.2
MOST_LINE = 4096
"""Bytes of a line; a longer one is garbage."""
MOST_ROWS, MOST_REPLY = 2000, 256 * 1024
MOST_PENDING = 32

OLD_NAMES: dict[str, str] = {
    # new: old (table 9)
    "ATTACH": "LOGIN",
    "DETACH": "LOGOUT",
    "PROTVER": "NETVER",
    "NUMATTACH": "NUMLOGINS",
    "PRIMARY": "MASTER",
    "ALREADY-ATTACHED": "ALREADY-LOGGED-IN",
    "TLS-ALREADY-ENABLED": "ALREADY-SSL-MODE",
}
NEW_NAMES: dict[str, str] = {old: new for new, old in OLD_NAMES.items()}

ERRORS: frozenset[str] = frozenset({
    "ACCESS-DENIED", "ALREADY-ATTACHED", "ALREADY-SET-PASSWORD", "ALREADY-SET-USERNAME", "CMD-NOT-SUPPORTED",
    "DATA-STALE", "DRIVER-NOT-CONNECTED", "FEATURE-NOT-CONFIGURED", "FEATURE-NOT-SUPPORTED", "INSTCMD-FAILED",
    "INVALID-ARGUMENT", "INVALID-PASSWORD", "INVALID-USERNAME", "INVALID-VALUE", "PASSWORD-REQUIRED", "READONLY",
    "SET-FAILED", "TLS-ALREADY-ENABLED", "TLS-NOT-ENABLED", "TOO-LONG", "UNKNOWN-COMMAND", "UNKNOWN-UPS",
    "USERNAME-REQUIRED", "VAR-NOT-SUPPORTED",
})  # fmt: skip
"""Table 3."""

FREE_TEXT = frozenset({"PROTVER", "VER", "HELP"})
"""Commands whose reply is a line of any text (table 2)."""


# ---- words and lines ---------------------------------------------------------------------------------------------

_WORD = re.compile(r'[ \t]*(?:"((?:[^"\\]|\\.)*)"(?=[ \t]|$)|([^ \t"]+)(?=[ \t]|$))')
_PLAIN = re.compile(r"[!#-\[\]-~]+", re.ASCII)
_ESCAPED = re.compile(r"\\(.)")


def quote(text: str) -> str:
    r"""A word as the wire wants it: quoted if it holds a blank, a quote or a backslash, or is empty (section 4.4).

    Raises:
        ConfigError: it holds a line break or another character that a line cannot hold.

    >>> print(quote("load.on"), quote("My UPS"), quote('say "hi" \\ now'))
    load.on "My UPS" "say \"hi\" \\ now"
    """
    if _PLAIN.fullmatch(text):
        return text
    if not text.isascii() or not text.isprintable():
        raise ConfigError("a UPS server takes only printable ASCII characters", hint="check names and password")
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def split(line: str) -> tuple[str, ...]:
    r"""The words of a line, unquoted.

    Raises:
        ProtocolError: a quote that never closes, or stands in the middle of a word.

    >>> split(r'VAR su700 ups.id "say \"hi\" \\ now"')
    ('VAR', 'su700', 'ups.id', 'say "hi" \\ now')
    """
    words, at, end = [], 0, len(line.rstrip(" \t"))
    while at < end:
        found = _WORD.match(line, at, end)
        if found is None:
            raise ProtocolError(f"a line with a quote too many or too few: {shown(line)}")
        quoted, plain = found.groups()
        words.append(plain if quoted is None else _ESCAPED.sub(r"\1", quoted))
        at = found.end()
    return tuple(words)


_known_words = lru_cache(maxsize=1024)(split)  # most rows of a list are the same at every poll


def shown(line: str) -> str:
    """The beginning of a line, escaped."""
    text = line.encode("unicode_escape").decode("ascii")
    return f"{text[:80]}..." if len(text) > 80 else text


def error_of(words: tuple[str, ...]) -> str:
    """The name of an ERR line, an old name turned into the new one, with whatever else it says.

    >>> error_of(("ERR", "ALREADY-LOGGED-IN")), error_of(("ERR",))
    ('ALREADY-ATTACHED', 'UNNAMED')
    """
    if len(words) < 2:
        return "UNNAMED"
    name = words[1].upper()
    return " ".join((NEW_NAMES.get(name, name), *words[2:]))[:200]


def parse_address(address: str) -> tuple[str, str, int]:
    """Name, host and port of ``<ups>[@<host>[:<port>]]``; localhost and 3493 where they are missing (section 4.2).

    Raises:
        ConfigError: it is no such address.

    >>> parse_address("one@127.0.0.1:3493"), parse_address("su700"), parse_address("one@[::1]")
    (('one', '127.0.0.1', 3493), ('su700', 'localhost', 3493), ('one', '::1', 3493))
    """
    name, _, place = address.partition("@")
    found = re.fullmatch(r"(?:\[([^\]]+)\]|([^:\[\]]*))(?::(\d{1,5}))?", place, re.ASCII)
    port = int(found[3]) if found is not None and found[3] else PORT
    if found is None or not 0 < port < 65_536 or not _PLAIN.fullmatch(name):
        raise ConfigError(f'"{shown(address)}" is no address of a UPS', hint="write it like one@127.0.0.1:3493")
    return name, found[1] or found[2] or "localhost", port


# ---- the client --------------------------------------------------------------------------------------------------


class Reply(NamedTuple):
    """What a server said to one command.

    Attributes:
        query: the command's words, new names.
        kind: ok (done), row (one row of words), list (rows), text (a line of any text) or error.
        rows: words of each row without its keyword: ``("su700", "ups.status", "OL")`` for VAR.
        text: what follows OK; the free text; the error's name and what follows it.
        raw: the reply as it came, line feeds included.
    """

    query: tuple[str, ...]
    kind: str
    rows: tuple[tuple[str, ...], ...]
    text: str
    raw: bytes


class UpsClient:
    """One connection to a UPS server, seen from the client.

    Every command returns the bytes to send; `receive` takes bytes as they come and returns the replies that are
    complete. Passwords are only ever in the bytes to send.

    Args:
        old_names: send the names from before the RFC (LOGIN for ATTACH), for a server that knows no others.

    Raises:
        ProtocolError: from `receive` when the server sends what cannot be its answer, if nothing readable came
            before it in the same bytes; else, and from then on, from every call.
    """

    def __init__(self, *, old_names: bool = False) -> None:
        self.old_names = old_names
        self.error: ProtocolError | None = None
        self._pending: deque[tuple[str, ...]] = deque()
        self._buffer = bytearray()
        self._rows: list[tuple[str, ...]] | None = None
        self._size = 0
        self._raw: list[bytes] = []

    @property
    def pending(self) -> int:
        """Commands that wait for a reply."""
        return len(self._pending)

    # ---- commands: bytes out

    def list_var(self, ups: str) -> bytes:
        """All variables of a unit."""
        return self._send("LIST", "VAR", ups)

    def list_ups(self) -> bytes:
        """All units."""
        return self._send("LIST", "UPS")

    def list_of(self, what: str, ups: str, variable: str | None = None) -> bytes:
        """Any other list: CLIENT, CMD, RW of a unit; ENUM, RANGE of a variable."""
        return self._send("LIST", what.upper(), ups, *([variable] if variable is not None else []))

    def get(self, what: str, ups: str, name: str | None = None) -> bytes:
        """CMDDESC, DESC, NUMATTACH, TYPE, UPSDESC or VAR."""
        return self._send("GET", what.upper(), ups, *([name] if name is not None else []))

    def set_var(self, ups: str, variable: str, value: str) -> bytes:
        """Set a variable."""
        return self._send("SET", "VAR", ups, variable, value)

    def instcmd(self, ups: str, command: str) -> bytes:
        """Have an instant command done."""
        return self._send("INSTCMD", ups, command)

    def protver(self) -> bytes:
        """The protocol's version."""
        return self._send("PROTVER")

    def ver(self) -> bytes:
        """The server's version."""
        return self._send("VER")

    def help(self) -> bytes:
        """The commands that the server knows."""
        return self._send("HELP")

    def username(self, name: str) -> bytes:
        """Who we are."""
        return self._send("USERNAME", name)

    def password(self, word: str) -> bytes:
        """The password; the query that its reply names holds none."""
        return self._send("PASSWORD", word)

    def attach(self, ups: str) -> bytes:
        """Say that this computer hangs on the unit (a reader need not)."""
        return self._send("ATTACH", ups)

    def detach(self) -> bytes:
        """Take leave."""
        return self._send("DETACH")

    def logout(self) -> bytes:
        """Take leave by the old name, which servers from before the RFC know too."""
        return self._send("DETACH", old=True)

    def starttls(self) -> bytes:
        """Ask for TLS; after the reply's ok both sides switch, and a new `UpsClient` goes on inside."""
        return self._send("STARTTLS")

    def _send(self, *words: str, old: bool = False) -> bytes:
        self._check()
        if len(self._pending) >= MOST_PENDING:
            raise ProtocolError("the UPS server answers no more", hint="connect again")
        names = (OLD_NAMES.get(word, word) for word in words[:2]) if self.old_names or old else words[:2]
        line = " ".join(map(quote, (*names, *words[2:]))).encode("ascii") + b"\n"
        if len(line) > MOST_LINE:
            raise ConfigError("a command for a UPS server is too long", hint="check names and password")
        self._pending.append(words[:1] if words[0] == "PASSWORD" else words)
        return line

    # ---- replies: bytes in

    def receive(self, data: bytes) -> list[Reply]:
        """Replies that these bytes complete; none may just mean that more is to come."""
        self._check()
        self._buffer += data
        replies: list[Reply] = []
        try:
            while (line := self._take_line()) is not None:
                reply = self._line(line)
                if reply is not None:
                    replies.append(reply)
        except ProtocolError as error:
            error.hint = error.hint or "connect again"
            self.error = error
            self._buffer.clear()
            self._raw.clear()
            if not replies:
                raise
        return replies

    def _take_line(self) -> bytes | None:
        end = self._buffer.find(b"\n", 0, MOST_LINE) + 1
        if not end:
            if len(self._buffer) >= MOST_LINE:
                raise ProtocolError(f"a line of more than {MOST_LINE} bytes")
            return None
        line = bytes(self._buffer[:end])
        del self._buffer[:end]
        return line

    def _check(self) -> None:
        if self.error is not None:
            raise self.error

    def _line(self, raw: bytes) -> Reply | None:
        line = raw.decode("utf-8", "replace").rstrip("\r\n")
        if not self._pending:
            raise ProtocolError(f"an answer that nobody asked for: {shown(line)}")
        query = self._pending[0]
        self._raw.append(raw)
        keyword = line.partition(" ")[0].upper()
        if keyword == "ERR":
            return self._done("error", (), error_of(split(line)))
        if query[0] in FREE_TEXT:
            if not line or not line.isprintable():
                raise ProtocolError(f"no answer to {query[0]}: {shown(line)}")
            return self._done("text", (), line)
        if query[0] == "LIST":
            return self._listed(query, _known_words(line), line)
        words = split(line)
        if query[0] == "GET":
            return self._done("row", (_row(query, words, line),), "")
        return self._agreed(query, words, line)

    def _listed(self, query: tuple[str, ...], words: tuple[str, ...], line: str) -> Reply | None:
        if self._rows is None:
            if not _frames("BEGIN", query, words):
                raise ProtocolError(f"no list {' '.join(query[1:])}: {shown(line)}")
            self._rows, self._size = [], 0
            return None
        if words and words[0].upper() == "END":
            if not _frames("END", query, words):
                raise ProtocolError(f"the end of another list than {' '.join(query[1:])}: {shown(line)}")
            return self._done("list", tuple(self._rows), "")
        self._size += len(line)
        if len(self._rows) >= MOST_ROWS or self._size > MOST_REPLY:
            raise ProtocolError(f"a list of more than {MOST_ROWS} rows or {MOST_REPLY} bytes")
        self._rows.append(_row(query, words, line))
        return None

    def _agreed(self, query: tuple[str, ...], words: tuple[str, ...], line: str) -> Reply:
        first = words[0].upper() if words else ""
        if first != "OK" and not (query[0] == "DETACH" and first == "GOODBYE"):
            raise ProtocolError(f"no answer to {query[0]}: {shown(line)}")
        if query[0] == "STARTTLS" and self._buffer:
            # What came in the clear must never be taken for part of the encrypted talk.
            raise ProtocolError("plain text after the switch to TLS")
        return self._done("ok", (), " ".join(words[1:]))

    def _done(self, kind: str, rows: tuple[tuple[str, ...], ...], text: str) -> Reply:
        reply = Reply(self._pending.popleft(), kind, rows, text, b"".join(self._raw))
        self._rows = None
        self._raw.clear()
        return reply


def _frames(edge: str, query: tuple[str, ...], words: tuple[str, ...]) -> bool:
    """Whether a line is BEGIN or END of the list that was asked for."""
    return tuple(map(str.upper, words)) == (edge, *map(str.upper, query))


ROW_WORDS: dict[str, tuple[int, int]] = {
    # keyword: least and most words after it (section 4.2)
    "VAR": (3, 3), "RW": (3, 3), "UPS": (2, 2), "CMD": (2, 2), "CLIENT": (2, 2), "ENUM": (3, 3), "RANGE": (4, 4),
    "CMDDESC": (3, 3), "DESC": (3, 3), "NUMATTACH": (2, 2), "TYPE": (3, 64), "UPSDESC": (2, 2),
}  # fmt: skip
OTHER_NAMES: dict[str, str] = {"ATTACH": "NUMATTACH", "NUMLOGINS": "NUMATTACH", "LOGIN": "NUMATTACH"}


def _row(query: tuple[str, ...], words: tuple[str, ...], line: str) -> tuple[str, ...]:
    """The words after the keyword of a row that answers the query."""
    first = words[0].upper() if words else ""
    keyword, wanted = OTHER_NAMES.get(first, first), OTHER_NAMES.get(query[1], query[1])
    low, high = ROW_WORDS.get(wanted, (1, 64))
    if keyword != wanted or not low <= len(words) - 1 <= high:
        raise ProtocolError(f"no row of {' '.join(query)}: {shown(line)}")
    for asked, told in zip(query[2:], words[1:], strict=False):
        if asked.upper() != told.upper():
            raise ProtocolError(f"an answer about another one than {' '.join(query)}: {shown(line)}")
    return words[1:]


# ---- a whole reply ----------------------------------------------------------------------------------------------


class UpsError(NamedTuple):
    """The server's refusal, such as DATA-STALE: it knows nothing true at the moment."""

    name: str


def read_variables(body: bytes, ups: str | None = None) -> dict[str, str] | UpsError:
    """Variables (lower case) of a whole reply to LIST VAR, or the error that the server said instead.

    Rows alone, without their BEGIN and END, are read too; a list that begins and does not end is cut short.

    Args:
        body: the reply as it came.
        ups: the unit that it must speak of; None: any one.

    Raises:
        BadPayload: it is no reply to LIST VAR, is cut short, or speaks of another unit.
    """
    if len(body) > MOST_REPLY:
        raise BadPayload(f"it has {len(body)} bytes, at most {MOST_REPLY} are read")
    lines = [line.rstrip(b"\r") for line in body.removesuffix(b"\n").split(b"\n")]
    first = lines[0].decode("utf-8", "replace")
    try:
        if first.partition(" ")[0].upper() == "ERR":
            return UpsError(error_of(split(first)))
        return dict(_variables(lines, ups))
    except ProtocolError as error:
        raise BadPayload(f"no reply to LIST VAR: {error}") from None


@lru_cache(maxsize=1024)
def _variable(raw: bytes, name: str | None) -> tuple[str, str, str]:
    """Unit, variable in lower case and value of one row. Most rows are the same at every poll: they are read once."""
    if len(raw) > MOST_LINE:
        raise ProtocolError(f"a line of more than {MOST_LINE} bytes")
    line = raw.decode("utf-8", "replace")
    query = ("LIST", "VAR") if name is None else ("LIST", "VAR", name)
    row = _row(query, split(line), line)
    return row[0], row[1].lower(), row[2]


@lru_cache(maxsize=256)
def _frame(raw: bytes) -> tuple[str, ...]:
    """The words of a list's first or last line: the same at every poll."""
    return split(raw.decode("utf-8", "replace"))


def _variables(lines: list[bytes], ups: str | None) -> list[tuple[str, str]]:
    name = ups
    framed = lines[0][:5].upper() == b"BEGIN"
    if framed:
        begin = _frame(lines[0][:MOST_LINE])
        name = ups or (begin[3] if len(begin) == 4 else "")
        if not _frames("BEGIN", ("LIST", "VAR", name), begin):
            raise ProtocolError(f"a list of something else: {shown(' '.join(begin))}")
        last = _frame(lines[-1][:MOST_LINE])
        if not _frames("END", ("LIST", "VAR", name), last):
            raise ProtocolError("it has no end, or another one's")
        lines = lines[1:-1]
    if len(lines) > MOST_ROWS:
        raise ProtocolError(f"a list of {len(lines)} rows, at most {MOST_ROWS} are read")
    if not name and lines:
        name = _variable(lines[0], name)[0]
    return [_variable(raw, name)[1:] for raw in lines]
