"""Every way into the API: the server makes its routes of this table, and the description its paths."""

from collections.abc import Mapping
from typing import Any

from farmwatch.web import acting, said
from farmwatch.web.api_types import (
    AlarmsView,
    BuildsView,
    CircuitView,
    DeedView,
    EnergyView,
    HeardView,
    HeldView,
    NotesView,
    ProposalView,
    ReportView,
    RollupsView,
    SeriesView,
    TakenView,
)
from farmwatch.web.openapi import Param, Route
from farmwatch.web.work import MEANT, MOST_FILE
from farmwatch.words.model import COMMANDS
from farmwatch.words.power_view import OutagesView
from farmwatch.words.quantities import QUANTITIES, Kind
from farmwatch.words.rounds import RoundsView, WorkView
from farmwatch.words.series import LEVELS
from farmwatch.words.shop_view import ShopView
from farmwatch.words.view import BackupView, MachineView, View

NUMBERS: tuple[str, ...] = tuple(name for name, row in QUANTITIES.items() if row.kind in (Kind.NUMBER, Kind.FLAG))
"""Quantities that are kept over time."""
KINDS: tuple[str, ...] = (
    "state", "build", "use", "alarm", "outage", "message", "undelivered", "energy", "said", "act", "awoke", "round",
)  # fmt: skip
MOST_POINTS = 5_000
MOST_ITEMS = 1_000
MOST_SERIES = 8

_WORDS = {"type": "string", "minLength": 1, "maxLength": 200}
_MOMENT = {
    "type": "string", "minLength": 1, "maxLength": 40, "pattern": r"^([0-9]{1,10}(\.[0-9]{1,6})?|"
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,6})?)?(Z|[+ -][0-9]{2}:[0-9]{2}))$",
}  # fmt: skip


def _count(name: str, about: str, most: int, usual: int) -> Param:
    return Param(name, about, {"type": "integer", "minimum": 1, "maximum": most, "default": usual})


NAME = Param("name", "As configured.", {"type": "string", "minLength": 1, "maxLength": 200}, where="path")
START = Param("start", "Epoch seconds, or RFC 3339 with offset; a day before the end if it is left out.", _MOMENT)
END = Param("end", "Epoch seconds, or RFC 3339 with offset; now if it is left out.", _MOMENT)
SUBJECT = Param("subject", "Machine, backup, circuit or sensor.", _WORDS, required=True)
QUANTITY = Param("quantity", "What was measured.", {"type": "string", "enum": list(NUMBERS)}, required=True)
_CURSOR = {"type": "string", "pattern": r"^[0-9]{1,11}(\.[0-9]{1,9})?-[0-9]{1,5}$"}
CURSOR = Param("cursor", "`next` of the page before.", _CURSOR)
LIMIT = _count("limit", "Most items in the answer.", MOST_ITEMS, 200)
SINCE = Param("since", "Nothing older than this: epoch seconds, or RFC 3339 with offset.", _MOMENT)
MACHINE = Param("machine", "Of this machine alone.", _WORDS)
KIND = Param("kind", "Of this kind alone.", {"type": "string", "enum": list(KINDS)})
ABOUT = Param("about", "About this machine, subject or place alone.", _WORDS)
POINTS = _count("points", "Most rows, about; four make a column of pixels.", MOST_POINTS, 800)
LEVEL = Param("level", "Length of a bucket.", {"type": "string", "enum": list(LEVELS)}, required=True)
_DAY = {"type": "string", "minLength": 10, "maxLength": 10, "pattern": r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"}
FIRST = Param("from", "First local day; seven days before the last if it is left out.", _DAY)
LAST = Param("to", "Last local day, in it; yesterday if it is left out.", _DAY)
DAYS = _count("days", "Number of days, where `from` is left out.", 800, 7)
BY = Param("by", "A row for each.", {"type": "string", "enum": ["machine", "job", "day", "week", "month"]})
SHOWN = Param(
    "series", "subject/quantity, as often as there are series.",
    {"type": "array", "minItems": 1, "maxItems": MOST_SERIES, "items": {
        "type": "string", "minLength": 3, "maxLength": 240, "pattern": f"^[^/]+/({'|'.join(NUMBERS)})$"}},
    required=True,
)  # fmt: skip


def _say_body() -> dict[str, Any]:
    fields: dict[str, Any] = {"command": {"type": "string", "enum": list(COMMANDS)}}
    fields |= {key: {"type": "string", "maxLength": most} for key, most in said.WORDS.items()}
    fields |= {key: {"type": "number", "maximum": most} | (
        {"minimum": above} if key in said.FROM else {"exclusiveMinimum": above})
        for key, (above, most) in said.NUMBERS.items()}  # fmt: skip
    fields |= {key: {"type": "boolean"} for key in said.FLAGS}
    return {"type": "object", "properties": fields, "required": ["command"], "additionalProperties": False}


def _import_body() -> dict[str, Any]:
    fields = {
        "what": {"type": "string", "enum": list(MEANT)}, "csv": {"type": "string", "maxLength": MOST_FILE},
        "by": {"type": "string", "maxLength": 40},
    }  # fmt: skip
    return {"type": "object", "properties": fields, "required": ["what", "csv"], "additionalProperties": False}


def _act_body() -> Mapping[str, Any]:
    fields = {key: {"type": "string", "maxLength": most} for key, most in acting.WORDS.items()}
    return {"type": "object", "properties": fields, "additionalProperties": False}


ROUTES: tuple[Route, ...] = (
    Route("GET", "/api/v1/view", "view", "Everything as it is now.", View, statuses=(304,)),
    Route("GET", "/api/v1/machines/{name}", "machine", "A machine now.", MachineView, (NAME,), errors=(404,),
          statuses=(304,)),
    Route("GET", "/api/v1/backups/{name}", "backup", "A battery backup now.", BackupView, (NAME,), errors=(404,),
          statuses=(304,)),
    Route("GET", "/api/v1/circuits/{name}", "circuit", "A circuit now, and what hangs on it.", CircuitView, (NAME,),
          errors=(404,), statuses=(304,)),
    Route("GET", "/api/v1/builds", "builds", "Builds that have ended or go on.", BuildsView,
          (MACHINE, SINCE, LIMIT, CURSOR), statuses=(304,)),
    Route("GET", "/api/v1/alarms", "alarms", "Alarms that are not in their normal state.", AlarmsView,
          statuses=(304,)),
    Route("GET", "/api/v1/outages", "outages", "Outages: in hand, decisions, diary, years.", OutagesView,
          errors=(404,), statuses=(304,)),
    Route("GET", "/api/v1/energy", "energy", "Energy and cost.", EnergyView, statuses=(304,)),
    Route("GET", "/api/v1/rounds", "rounds", "The next rounds, what they gain, and the round sheet.", RoundsView,
          errors=(404,), statuses=(304,)),
    Route("GET", "/api/v1/work", "work", "What is wanted, and which build on which machine next.", WorkView,
          errors=(404,), statuses=(304,)),
    Route("GET", "/api/v1/work.csv", "wanted_table", "What is still wanted, as CSV (RFC 4180).", None,
          media="text/csv", statuses=(304,)),
    Route("GET", "/api/v1/shop", "shop", "Spools, stock, air, service, failures.", ShopView, errors=(404,),
          statuses=(304,)),
    Route("GET", "/api/v1/spools.csv", "spool_table", "Spools that are not empty, as CSV (RFC 4180).", None,
          media="text/csv", statuses=(304,)),
    Route("GET", "/api/v1/report", "report", "What the machines gave: builds, time, energy, filament, cost.",
          ReportView, (FIRST, LAST, DAYS, BY), errors=(404, 409), statuses=(304,)),
    Route("GET", "/api/v1/history", "history", "Notes of what happened.", NotesView,
          (KIND, ABOUT, SINCE, LIMIT, CURSOR), statuses=(304,)),
    Route("GET", "/api/v1/series", "series", "Readings of one quantity, thinned for a chart.", SeriesView,
          (SUBJECT, QUANTITY, START, END, POINTS), statuses=(304,)),
    Route("GET", "/api/v1/rollups", "rollups", "Readings of one quantity in buckets.", RollupsView,
          (SUBJECT, QUANTITY, LEVEL, START, END, LIMIT, CURSOR), statuses=(304,)),
    Route("GET", "/api/v1/held", "held", "Every series that is kept.", HeldView, statuses=(304,)),
    Route("GET", "/api/v1/table.csv", "table", "What a chart of these series shows, as CSV (RFC 4180).", None,
          (SHOWN, START, END, POINTS), media="text/csv", statuses=(304,)),
    Route("POST", "/api/v1/say", "say", "Say something, as the page's buttons do.", HeardView, body=_say_body()),
    Route("POST", "/api/v1/import", "taken", "Take a file of wanted pieces or of spools: every row of it, or none.",
          TakenView, body=_import_body()),
    Route("POST", "/api/v1/act", "act", "Ask for an action at a machine, or confirm it with the token of the answer.",
          ProposalView | DeedView, body=_act_body(), errors=(404, 502)),
    Route("GET", "/api/v1/act/{id}", "receipt", "What became of an action.", DeedView,
          (Param("id", "Of the action.", {"type": "string", "minLength": 1, "maxLength": 80}, where="path"),),
          errors=(404,)),
    Route("GET", "/api/v1/openapi.json", "description", "This description.", dict[str, Any], statuses=(304,)),
)  # fmt: skip
"""The table. The page's own act forms stand in `web.acting`; these two rows share their handlers."""
