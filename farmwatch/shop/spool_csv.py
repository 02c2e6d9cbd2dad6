"""Spools as CSV, in and out: what a file says of a spool becomes the words that a person would say."""

from collections.abc import Collection, Iterable, Mapping
from typing import Any, NamedTuple

from farmwatch.shop.feedstock import FEEDSTOCKS, feedstock_of
from farmwatch.shop.sheets import Sheet, bare, written
from farmwatch.words.shop_view import SpoolView

HEAD = ("spool", "material", "full_g", "left_g", "price", "empty_g", "diameter_mm", "machine")
MEANT = {name: name for name in HEAD} | {
    "name": "spool", "grams": "full_g", "full": "full_g", "weight": "full_g", "left": "left_g", "diameter":
    "diameter_mm", "reel": "empty_g", "on": "machine",
}  # fmt: skip
BOUNDS = {"full_g": (0.0, 20_000.0), "left_g": (0.0, 20_000.0), "price": (0.0, 1e6), "empty_g": (0.0, 20_000.0),
          "diameter_mm": (1.0, 4.0)}  # fmt: skip


class Words(NamedTuple):
    """What a line says, as commands of a person: (command, machine, fields) in their order."""

    line: int
    said: tuple[tuple[str, str | None, dict[str, Any]], ...]


def read(
    data: bytes, spools: Mapping[str, str | None], machines: Collection[str], materials: Iterable[str] = ()
) -> tuple[list[Words], list[str]]:
    """What the lines say, and what is wrong, each with its line. A file with anything wrong should not be taken.

    Args:
        data: the file; columns spool, material, full_g, and left_g, price, empty_g, diameter_mm, machine as there are.
        spools: those that there are already, with the machine each hangs on; a line on one of them weighs it and says
            where it hangs, its other cells change nothing.
        machines: names of machines.
        materials: of the owner's own, beside the usual ones.
    """
    table = Sheet(data, MEANT)
    if "spool" not in table.head or not {"full_g", "left_g"} & set(table.head):
        return [], ["line 1: columns spool, material and full_g are needed (left_g and machine, as there are)"]
    reader = _Reader(table, spools, machines, {name.upper() for name in materials})
    return table.each(reader.take)


class _Reader:
    """Lines of one file, each looked at with those before it in mind."""

    def __init__(
        self, table: Sheet, spools: Mapping[str, str | None], machines: Collection[str], known: Collection[str]
    ) -> None:
        self._table, self._spools, self._machines, self._known = table, spools, machines, known
        self._lines: dict[str, int] = {}
        self._hangs: dict[str, int] = {}

    def take(self, line: int, cells: dict[str, str]) -> Words:
        """What a line says; ValueError with what is wrong."""
        name, machine = _name(cells), cells.get("machine", "")
        if name in self._lines:
            raise ValueError(f"{name!r} stands on line {self._lines[name]} already")
        if machine and machine in self._hangs:
            raise ValueError(f"{machine} has the spool of line {self._hangs[machine]} already; one spool a machine")
        if machine and machine not in self._machines:
            raise ValueError(f"no machine is called {machine[:40]!r}")
        said = _said(self._table, name, cells, self._spools, self._known)
        self._lines[name] = line
        if machine:
            self._hangs[machine] = line
        return Words(line, said)


def _name(cells: Mapping[str, str]) -> str:
    name = bare(cells.get("spool", ""), "a spool")
    if not name or len(name) > 40 or not all(c.isalnum() or c in " _-" for c in name):
        raise ValueError(f"{name[:40]!r} is no usable name: letters, digits, blanks, _ and -, at most 40")
    return name


def _said(
    table: Sheet, name: str, cells: Mapping[str, str], spools: Mapping[str, str | None], known: Collection[str]
) -> tuple[tuple[str, str | None, dict[str, Any]], ...]:
    figures = {key: _figure(table, key, cells[key]) for key in BOUNDS if cells.get(key)}
    machine = cells.get("machine") or None
    full_g, left_g = figures.pop("full_g", None), figures.pop("left_g", None)
    said: list[tuple[str, str | None, dict[str, Any]]] = []
    if name not in spools:
        material = bare(cells.get("material", ""), "a material")
        if not any(material.upper().startswith(own) for own in known) and feedstock_of(material) is None:
            raise ValueError(f"unknown material {material[:40]!r}: {', '.join(sorted({*FEEDSTOCKS, *known}))}")
        grams = full_g if full_g is not None else left_g
        if not grams:
            raise ValueError("how many grams did it hold when it was full?")
        if left_g is not None and left_g > grams:
            raise ValueError(f"{left_g:g} g are left of {grams:g} g")
        said.append(("spool_added", None, {"spool": name, "material": material, "grams": grams} | figures))
    if left_g is not None and not (name not in spools and left_g == full_g):
        said.append(("spool_weighed", None, {"spool": name, "grams": left_g}))
    hangs = spools.get(name)
    if hangs is not None and "machine" in cells and machine != hangs:
        said.append(("spool_stored", None, {"spool": name}))
    if machine is not None and machine != hangs:
        said.append(("spool_loaded", machine, {"spool": name}))
    return tuple(said)


def _figure(table: Sheet, key: str, cell: str) -> float:
    value, (least, most) = table.number(cell), BOUNDS[key]
    if not least <= value <= most or (value == least and key != "left_g"):
        raise ValueError(f"{key} must be above {least:g} and at most {most:g}, not {cell[:20]}")
    return value


def write(spools: Iterable[SpoolView]) -> str:
    """The spools that are not empty (RFC 4180). No cell is a formula to a spreadsheet."""
    return written(HEAD, ((s["name"], s["material"], s["full_g"], s["left_g"], s["price"], s["empty_g"],
                           s["diameter_mm"], s["machine"]) for s in spools))  # fmt: skip
