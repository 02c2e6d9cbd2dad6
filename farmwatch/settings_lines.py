"""Where each key of a TOML text stands: tomllib reads values but forgets their lines.

A scanner of the TOML 1.0 grammar (toml.io/en/v1.0.0) that keeps places instead of values. It expects a text
that tomllib has accepted; on anything else it stops and returns what it has.
"""

import re
import tomllib
from bisect import bisect_right

Path = tuple[str | int, ...]
Lines = dict[Path, int]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SPACE = re.compile(r"[ \t]*")
_GAP = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BASIC = re.compile(r'"(?:[^"\\\n]|\\.)*"')
_LITERAL = re.compile(r"'[^'\n]*'")
_LONG_BASIC = re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''.*?'{3,5}", re.DOTALL)
_PLAIN = re.compile(r"[^,\]}\n#]*")


def locate(text: str) -> Lines:
    """Line (from 1) of every table, key and array item of `text`, by its path."""
    return _Scanner(text).scan()


def line_of(lines: Lines, path: Path) -> int | None:
    """Line of `path`, or of the nearest table above it that stands in the text."""
    for length in range(len(path), 0, -1):
        found = lines.get(path[:length])
        if found is not None:
            return found
    return None


class _Stop(Exception):
    """The text is not what the grammar says."""


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.lines: Lines = {}
        self.starts = [0, *(place.end() for place in re.finditer("\n", text))]
        self.counts: dict[Path, int] = {}

    def scan(self) -> Lines:
        base: Path = ()
        try:
            while True:
                self.skip(_GAP)
                if self.at >= len(self.text):
                    break
                if self.text[self.at] == "[":
                    base = self.header()
                else:
                    self.pair(base)
        except _Stop:
            pass
        return self.lines

    def skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise _Stop
        self.at = match.end()
        return match.group()

    def expect(self, mark: str) -> None:
        if not self.text.startswith(mark, self.at):
            raise _Stop
        self.at += len(mark)

    def mark(self, path: Path, at: int) -> None:
        line = bisect_right(self.starts, at)
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], line)

    def header(self) -> Path:
        many = self.text.startswith("[[", self.at)
        start = self.at
        self.expect("[[" if many else "[")
        keys = self.key()
        self.expect("]]" if many else "]")
        path: Path = ()
        for key in keys[:-1]:
            path = self.inside((*path, key))
        path = (*path, keys[-1])
        if many:
            self.counts[path] = self.counts.get(path, 0) + 1
            path = self.inside(path)
        else:
            self.lines.pop(path, None) if self.implied(path) else None
        self.mark(path, start)
        return path

    def implied(self, path: Path) -> bool:
        """Whether a table is so far known only through one below it: its own header is the better place."""
        return path in self.lines and any(len(other) > len(path) and other[: len(path)] == path for other in self.lines)

    def inside(self, path: Path) -> Path:
        """The last item where `path` is an array of tables, else `path`."""
        return (*path, self.counts[path] - 1) if path in self.counts else path

    def key(self) -> list[str]:
        parts = []
        while True:
            self.skip(_SPACE)
            parts.append(self.key_part())
            self.skip(_SPACE)
            if not self.text.startswith(".", self.at):
                return parts
            self.at += 1

    def key_part(self) -> str:
        if self.text.startswith('"', self.at):
            return str(tomllib.loads("k = " + self.skip(_BASIC))["k"])
        if self.text.startswith("'", self.at):
            return self.skip(_LITERAL)[1:-1]
        return self.skip(_BARE)

    def pair(self, base: Path) -> None:
        start = self.at
        path = (*base, *self.key())
        self.expect("=")
        self.mark(path, start)
        self.skip(_SPACE)
        self.value(path)

    def value(self, path: Path) -> None:
        opening = self.text[self.at : self.at + 1]
        if opening == "[":
            self.array(path)
        elif opening == "{":
            self.table(path)
        elif opening == '"':
            self.skip(_LONG_BASIC if self.text.startswith('"""', self.at) else _BASIC)
        elif opening == "'":
            self.skip(_LONG_LITERAL if self.text.startswith("'''", self.at) else _LITERAL)
        elif not self.skip(_PLAIN):
            raise _Stop  # nothing stands where a value should: going on would go on for ever

    def array(self, path: Path) -> None:
        self.expect("[")
        index = 0
        while True:
            self.skip(_GAP)
            if self.text.startswith("]", self.at):
                self.at += 1
                return
            self.mark((*path, index), self.at)
            self.value((*path, index))
            index += 1
            self.skip(_GAP)
            if self.text.startswith(",", self.at):
                self.at += 1

    def table(self, path: Path) -> None:
        self.expect("{")
        while True:
            self.skip(_GAP)
            if self.text.startswith("}", self.at):
                self.at += 1
                return
            self.pair(path)
            self.skip(_GAP)
            if self.text.startswith(",", self.at):
                self.at += 1
