"""The API over a real journal and real readings: what it answers, and that it answers nothing else than it says."""

import asyncio
import csv
import io
import json
import os
import threading
from collections import Counter
from contextlib import asynccontextmanager

import aiohttp
import pytest
import web_sample
from openapi_spec_validator import OpenAPIV31SpecValidator
from test_shop import SPOOLS
from test_trips import ask as ask_for_round
from test_workdesk import tell, works
from test_yields import T0 as REPORT_S
from test_yields import one_day
from web_house import House, serving

from farmwatch.assemble_report import days_of
from farmwatch.shop import yields
from farmwatch.shop.usage import Rates
from farmwatch.stores.embedded import EmbeddedSeries
from farmwatch.stores.journal.disk import SqliteJournal
from farmwatch.web.api_table import KINDS, ROUTES
from farmwatch.words.model import Note, Observed
from farmwatch.words.shop_plan import ShopPlan

NOW_S = web_sample.NOW_S
TOKEN = {"Authorization": "Bearer cli-token"}


def build(number, *, ended=True, result="done", machine="avocet"):
    started_s = NOW_S - 40_000 + 600 * number
    return {
        "id": f"{machine}-{number}", "machine": machine, "job": "=latch", "material": "PETG", "started": started_s,
        "ended": started_s + 500 if ended else None, "result": result, "because": "it says so", "inferred": ["end"],
        "energy_wh": 120.5,
    }  # fmt: skip


class RealHouse(House):
    """With a journal and a series store of its own."""

    def __init__(self, folder):
        super().__init__()
        self.journal = SqliteJournal.open(folder / "journal.db")
        self.store = EmbeddedSeries(folder / "history.db")
        notes = [Note(NOW_S - 40_000 + 600 * n, "build", build(n)) for n in range(30)]
        notes.append(Note(NOW_S - 21_000, "build", build(31, ended=False)))
        notes.append(Note(NOW_S - 20_000, "build", build(3, result="failed")))
        notes += [Note(NOW_S - 5_000, "alarm", {"subject": "ibis", "n": n}) for n in range(5)]  # all of one moment
        self.journal.commit(NOW_S, notes, {})
        self.store.append(
            Observed(NOW_S - 7_200 + 10 * n, "avocet", "plug", {"power_w": 80.0 + n % 7}) for n in range(720)
        )

    async def history(self, kind, since_s, limit, **more):
        return self.journal.history(kind, since_s, limit, **more)

    async def read(self, *asked):
        return await self.store.read(*asked)

    async def rollups(self, *asked):
        return await self.store.rollups(*asked)

    async def held(self):
        return await self.store.held()


@asynccontextmanager
async def house_of(folder, **changed):
    house = RealHouse(folder)
    try:
        async with serving(house, **changed):
            yield house
    finally:
        await house.store.close()
        house.journal.close()


async def ask(house, path, headers=TOKEN, method="GET", **more):
    async with aiohttp.ClientSession() as session, session.request(
        method, house.url + path, headers=headers, **more
    ) as answer:  # fmt: skip
        return answer.status, await answer.text(), answer.headers


async def got(house, path):
    status, text, _ = await ask(house, path)
    assert status == 200, text
    return json.loads(text)


async def test_everything_that_the_page_shows(tmp_path):
    async with house_of(tmp_path) as house:
        house.shown["outages"] = {"open": [], "decisions": [], "last": None, "diary": [], "years": []}
        assert (await got(house, "/api/v1/machines/avocet"))["job"] == "hinge block x12"
        assert (await got(house, "/api/v1/backups/two"))["charge"] == 0.64
        circuit = await got(house, "/api/v1/circuits/west")
        assert circuit["machines"] == list(web_sample.NAMES[:6])
        assert circuit["backups"] == ["one", "two"]
        assert len((await got(house, "/api/v1/alarms"))["items"]) == 3
        assert (await got(house, "/api/v1/outages"))["diary"] == []
        assert (await got(house, "/api/v1/energy"))["energy_today_wh"] == 12_340.0
        for path in ("machines/dodo", "backups/x", "circuits/x", "nothing"):
            assert (await ask(house, f"/api/v1/{path}"))[0] == 404


async def test_pages_join_without_a_loss_or_a_double(tmp_path):
    async with house_of(tmp_path) as house:
        for path in ("history?kind=alarm&limit=2", "history?limit=7", "builds?limit=4&machine=avocet"):
            found, cursor, rounds = [], "", 0
            while cursor is not None:
                page = await got(house, f"/api/v1/{path}{cursor}")
                found += page["items"]
                cursor = None if page["next"] is None else f"&cursor={page['next']}"
                rounds += 1
            assert rounds > 1
            key = "n" if "alarm" in path else "id"
            count = Counter((row.get(key), row.get("n")) for row in found)
            assert len(count) == {"n": 5, "id": 31 if "builds" in path else 36}[key]
        (failed,) = [row for row in found if row["id"] == "avocet-3"][:1]
        assert failed["result"] == "failed", "what comes first holds"
        assert (await got(house, "/api/v1/builds?machine=dodo"))["items"] == []
        (running,) = [row for row in (await got(house, "/api/v1/builds"))["items"] if row["ended_s"] is None]
        assert running["id"] == "avocet-31"


async def test_readings_say_why_there_is_nothing(tmp_path):
    async with house_of(tmp_path) as house:
        ask_for = "/api/v1/series?subject={}&quantity={}&start={}&end={}"
        found = await got(house, ask_for.format("avocet", "power_w", NOW_S - 3_600, NOW_S))
        assert (len(found["rows"]), found["unit"], found["why"], found["step_s"]) == (360, "W", "", 0.0)
        found = await got(house, ask_for.format("avocet", "power_w", 10, 20))
        assert found["why"].startswith("Nothing was recorded then; there are records from 2025-06-26T11:00Z")
        found = await got(house, ask_for.format("avocet", "bed_c", 10, 20))
        assert found["why"] == "Nothing of the kind has ever been recorded."
        buckets = await got(house, f"/api/v1/rollups?subject=avocet&quantity=power_w&level=15min&start={NOW_S - 7200}")
        assert [row["count"] for row in buckets["items"]] == [90] * 8
        page = await got(
            house, f"/api/v1/rollups?subject=avocet&quantity=power_w&level=15min&start={NOW_S - 7200}&limit=3"
        )
        again = await got(house, "/api/v1/rollups?subject=avocet&quantity=power_w&level=15min&limit=3&cursor="
                          + page["next"])  # fmt: skip
        assert [row["start_s"] for row in page["items"] + again["items"]] == [
            row["start_s"] for row in buckets["items"][:6]
        ]
        assert (await ask(house, "/api/v1/rollups?subject=a&quantity=power_w&level=1min&start=0"))[0] == 400
        assert (await got(house, "/api/v1/held"))["items"] == [
            {"subject": "avocet", "quantity": "power_w", "unit": "W", "first_s": NOW_S - 7_200, "last_s": NOW_S - 10}
        ]


async def test_csv_is_harmless_in_a_spreadsheet(tmp_path):
    async with house_of(tmp_path) as house:
        house.store.append([Observed(NOW_S - 5, '=HYPERLINK("x")', "plug", {"power_w": 7.0})])
        path = f"/api/v1/table.csv?series=avocet/power_w&series=%3DHYPERLINK(%22x%22)/power_w&start={NOW_S - 30}"
        status, text, headers = await ask(house, path)
        assert status == 200, text
        assert headers["Content-Type"] == "text/csv; charset=utf-8"
        rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert rows[0] == ["time", "avocet/power_w", "'=HYPERLINK(\"x\")/power_w"]  # OWASP, CSV injection
    assert rows[1:] == [["2025-06-26T12:59:30.000Z", "83", ""], ["2025-06-26T12:59:40.000Z", "84", ""],
                        ["2025-06-26T12:59:50.000Z", "85", ""], ["2025-06-26T12:59:55.000Z", "", "7"]]  # fmt: skip


async def test_what_is_unchanged_is_not_sent_again(tmp_path):
    async with house_of(tmp_path) as house:
        status, text, headers = await ask(house, "/api/v1/builds")
        again = await ask(house, "/api/v1/builds", TOKEN | {"If-None-Match": headers["ETag"]})
        assert (status, again[0], again[1]) == (200, 304, "")
        house.journal.commit(NOW_S, [Note(NOW_S, "build", build(40))], {})
        status, other, _ = await ask(house, "/api/v1/builds", TOKEN | {"If-None-Match": headers["ETag"]})
        assert status == 200
        assert other != text


async def test_the_server_has_the_routes_of_the_table_and_no_others(tmp_path):
    async with house_of(tmp_path) as house:
        served = {(route.method, route.resource.canonical)
                  for route in house.server._application().router.routes()
                  if "/api/" in route.resource.canonical and route.method not in ("HEAD", "*")}  # fmt: skip
        assert served == {(row.method, row.path) for row in ROUTES}
        document = await got(house, "/api/v1/openapi.json")
        OpenAPIV31SpecValidator(document).validate()
        assert set(document["paths"]) == {row.path for row in ROUTES}
        status, text, headers = await ask(house, "/api/v1/view", method="DELETE")
        assert (status, json.loads(text)["status"], headers["Allow"]) == (405, 405, "GET")


def test_kinds_are_those_that_the_journal_keeps():
    from farmwatch.stores.journal.schema import KEEP_NOTES

    assert set(KINDS) == set(KEEP_NOTES)


# ---- metrics, readiness ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("metrics", "headers", "status"),
    [("local", {}, 200), ("local", {"X-Forwarded-For": "10.0.0.9"}, 401), ("token", {}, 401), ("token", TOKEN, 200),
     ("token", {"Authorization": "Bearer wrong"}, 401), ("open", {"X-Forwarded-For": "10.0.0.9"}, 200)],
)  # fmt: skip
async def test_who_may_read_the_metrics(metrics, headers, status):
    async with serving(password="tide", metrics=metrics) as house:
        found, text, answer = await ask(house, "/metrics", headers)
        assert found == status
        if found == 200:
            # OpenMetrics 1.0, "Overall Structure" and the content type of "Protocol Negotiation"
            assert text.endswith("# EOF\n")
            assert answer["Content-Type"] == "application/openmetrics-text; version=1.0.0; charset=utf-8"
        assert (await ask(house, "/metrics", headers | {"Host": "evil.example"}))[0] == 421


async def test_ready_only_while_what_is_said_can_be_kept():
    why = []
    async with serving(password="tide", wiring={"unready": lambda: "".join(why)}) as house:
        assert (await ask(house, "/readyz", {}))[0] == 200
        why.append("the journal cannot be written: disk full")
        status, text, _ = await ask(house, "/readyz", {})
        assert (status, json.loads(text)["detail"]) == (503, why[0])
        assert (await ask(house, "/healthz", {}))[0] == 200, "alive all the same"


# ---- against its own description ---------------------------------------------------------------------------------


def the_shop():
    """What a brain shows of rounds, work list and spools."""
    d = works("avocet", "bittern", shop=ShopPlan(spools=dict(SPOOLS)))
    for name in ("avocet", "bittern"):
        d.panel(name, state="idle", bed_c=20.0)
    tell(d, "wanted", job="cradle", pieces=40.0, due="2025-11-26")
    ask_for_round(d)
    view = d.brain.view(d.now)
    return {key: view[key] for key in ("trips", "work", "shop")}


async def report(query):
    records = yields.records_of(one_day(), ["avocet"], REPORT_S + 86_400)
    days_of(query.get("from"), query.get("to"), query.get("days"), "2025-11-25")
    span = (REPORT_S, REPORT_S + 86_400, Rates(0.30, 0.50))
    rows = yields.reckon(records, query.get("by", "machine"), *span, "Europe/London")
    found = {"first": "2025-11-24", "last": "2025-11-24", "by": query.get("by", "machine"), "currency": "GBP"}
    return found | {"rows": [yields.row_of(row) for row in rows], "all": yields.row_of(yields.total(records, *span))}


async def test_the_shop_around_the_machines(tmp_path):
    async with house_of(tmp_path, wiring={"report": report}) as house:
        for path in ("rounds", "work", "shop"):
            assert (await ask(house, f"/api/v1/{path}"))[0] == 404, "nothing is known of it yet"
        house.shown |= the_shop()
        rounds, work, shop = [await got(house, f"/api/v1/{path}") for path in ("rounds", "work", "shop")]
        assert rounds["free"] == ["avocet", "bittern"]
        assert work["short"][0]["job"] == "cradle"
        assert shop["spools"][0]["name"] == "black-1"
        for path, begin in (("work.csv", "job,pieces,due\r\ncradle,40,"), ("spools.csv", "spool,material,")):
            status, text, answer = await ask(house, f"/api/v1/{path}")
            assert (status, answer["Content-Type"]) == (200, "text/csv; charset=utf-8")
            assert text.startswith(begin)
        found = await got(house, "/api/v1/report?by=job&from=2025-11-24&to=2025-11-24")
        assert found["by"] == "job"
        assert sum(row["builds"] for row in found["rows"]) == found["all"]["builds"]
        assert (await ask(house, "/api/v1/report?by=moon"))[0] == 400
        assert (await ask(house, "/api/v1/report?from=2025-13-01"))[0] == 409


class Away(threading.Thread):
    """The house on a thread of its own, so that a test may block."""

    def __init__(self, folder):
        super().__init__(daemon=True)
        self.folder, self.up, self.url = folder, threading.Event(), ""

    def run(self):
        asyncio.run(self._serve())

    async def _serve(self):
        self.end, self.loop = asyncio.Event(), asyncio.get_running_loop()
        async with house_of(self.folder, wiring={"report": report}) as house:
            house.shown |= the_shop()
            self.url = house.url
            self.up.set()
            await self.end.wait()


def test_no_answer_that_the_description_does_not_have(tmp_path):
    import schemathesis
    from hypothesis import HealthCheck, Phase, given, settings
    from schemathesis.checks import not_a_server_error
    from schemathesis.specs.openapi.checks import (
        content_type_conformance,
        response_schema_conformance,
        status_code_conformance,
        unsupported_method,
    )

    checks = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance,
              unsupported_method]  # fmt: skip
    examples = int(os.environ.get("FARMWATCH_API_EXAMPLES", "4"))  # more by hand: tests/bench/fuzz.py described
    away = Away(tmp_path)
    away.start()
    assert away.up.wait(10)
    try:
        schema = schemathesis.openapi.from_url(f"{away.url}/api/v1/openapi.json", headers=TOKEN)
        tried = Counter()
        for found in schema.get_all_operations():
            operation = found.ok()
            for mode in schemathesis.GenerationMode:
                strategy = operation.as_strategy(generation_mode=mode)

                @settings(max_examples=examples, deadline=None, database=None, phases=[Phase.generate],
                          suppress_health_check=list(HealthCheck), derandomize=examples == 4)  # fmt: skip
                @given(case=strategy)
                def try_it(case):
                    answer = case.call(headers=TOKEN)
                    if len(answer.request.url) > 8_000:  # too long a line is refused below the API, in plain words
                        assert answer.status_code == 400
                        return
                    case.validate_response(answer, checks=checks)
                    tried[case.operation.path, answer.status_code // 100] += 1

                try_it()
        # The description itself is left out by schemathesis, which has just read it.
        assert {path for path, _ in tried} == {row.path for row in ROUTES if row.name != "description"}
        for row in ROUTES:
            if "{" not in row.path and row.name not in ("act", "outages", "say", "taken", "description"):
                assert tried[row.path, 2], f"{row.path} was never answered well"
    finally:
        away.loop.call_soon_threadsafe(away.end.set)
        away.join(10)
