"""Rows of a file, said at once: all of them count, or none."""

from __future__ import annotations

from typing import TYPE_CHECKING

from farmwatch.words.errors import Refused
from farmwatch.words.model import IN_FILES, Effect, Note, Said

if TYPE_CHECKING:
    from farmwatch.farm import Farm


def several(farm: Farm, said: Said, now_s: float) -> list[Effect]:
    """What follows from the rows of `words.model.SEVERAL`.

    Raises:
        Refused: with the line that is wrong; spools and wanted pieces are as before then.
    """
    stock, book, effects = farm.shop.stock, farm.work.book, list[Effect]()
    spools, wanted = dict(stock.spools), dict(book.wanted)
    rows = said.fields.get("rows")
    for row in rows if isinstance(rows, list | tuple) else ():
        one = Said(said.at_s, str(row["command"]), row["machine"], said.by, row["fields"])
        try:
            _one(farm, one, effects)
        except Refused as refusal:
            stock.spools, book.wanted = spools, wanted
            raise Refused(f"nothing was taken: line {row['line']}: {refusal}", hint=refusal.hint) from None
        note = {"command": one.command, "machine": one.machine, "by": one.by, "fields": dict(one.fields)}
        effects.append(Note(now_s, "said", note))
    farm.shop.shown = None
    farm.shop.minute(now_s, effects)
    if book.wanted != wanted:
        farm.work.ask(now_s, effects)
    return effects


def _one(farm: Farm, said: Said, effects: list[Effect]) -> None:
    if said.command not in IN_FILES:
        raise Refused(f"{said.command!r} cannot stand in a file")
    if said.command == "wanted":
        farm.work.book.want(said, effects)
    else:
        farm.shop.stock.said(said, effects)
