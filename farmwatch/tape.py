"""Writes down everything that comes in while the daemon watches, as a recording that `farmwatch replay` reads."""

import logging
from pathlib import Path
from typing import TextIO

from farmwatch.engine import Engine, Step
from farmwatch.ports import Decoder, Thinker
from farmwatch.wire.recording import write
from farmwatch.words.errors import StoreError
from farmwatch.words.model import Input, Worked

log = logging.getLogger("farmwatch.tape")

FLUSH_S = 1.0


class Tape:
    """A recording that grows; one that is there already goes on at its end.

    It never stops the watching: when it cannot be written, it says so once and ends.

    Raises:
        StoreError: the file cannot be opened.
    """

    def __init__(self, path: Path) -> None:
        self._path, self._last_s, self._flushed_s = path, 0.0, 0.0
        try:
            self._file: TextIO | None = path.open("a", encoding="utf-8", newline="\n")
        except OSError as error:
            raise StoreError(f"{path}: {error.strerror}", hint="the folder of --record must be there") from None

    def write(self, item: Input) -> None:
        """One input. What was taken up late is dated as late: a recording is in order of time."""
        if self._file is None:
            return
        self._last_s = max(self._last_s, item.at_s)
        try:
            self._file.write(write(item._replace(at_s=self._last_s)) + "\n")
            if self._last_s - self._flushed_s >= FLUSH_S:
                self._file.flush()
                self._flushed_s = self._last_s
        except OSError as error:
            log.error("%s: %s; recording has ended", self._path, error.strerror)  # noqa: TRY400
            self.close()

    def engine(self, decoder: Decoder, brain: Thinker) -> Engine:
        """An engine whose inputs are written down here as it takes them."""
        return _TapedEngine(decoder, brain, self)

    def close(self) -> None:
        """Safe to call twice."""
        file, self._file = self._file, None
        if file is not None:
            try:
                file.close()
            except OSError as error:
                log.error("%s: %s; its end is lost", self._path, error.strerror)  # noqa: TRY400


class _TapedEngine(Engine):
    def __init__(self, decoder: Decoder, brain: Thinker, tape: Tape) -> None:
        super().__init__(decoder, brain)
        self._tape = tape

    def feed(self, item: Input | Worked) -> Step:
        """Write it down, whatever becomes of it, and take it."""
        if not isinstance(item, Worked):
            self._tape.write(item)
        return super().feed(item)
