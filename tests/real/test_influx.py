"""Readings to a server by InfluxDB's version 2 writes, over real sockets.

Two servers: Debian's victoria-metrics, a real one, which takes ``/api/v2/write`` and is read back by
``/api/v1/export``; and one of our own that answers as the API's documentation says (204, 400, 401, 403, 404, 413, 422,
429, 503) or hangs. An InfluxDB 2 server itself was not tried.
"""

import asyncio
import gzip
import http.server
import json
import os
import random
import subprocess
import sys
import threading
import time
import tomllib
import urllib.parse
from array import array
from collections import Counter
from pathlib import Path

import pytest
from metrics_server import Metrics
from servers import Answer, HttpReceiver, until

from farmwatch.stores.influx import InfluxConfig, InfluxSeries
from farmwatch.wire.lines import parse
from farmwatch.words.errors import StoreError
from farmwatch.words.model import Observed

pytestmark = pytest.mark.real
T0 = 1_795_000_000.0
TOKEN = "canary-7f3a-token"
TAGS = {"avocet": (("machine", "avocet"), ("bank", "north"))}


@pytest.fixture
def metrics(tmp_path):
    server = Metrics(tmp_path / "metrics")
    yield server
    server.stop()


@pytest.fixture
def peer():
    server = HttpReceiver()
    server.always = Answer(204, b"")
    yield server
    server.close()


@pytest.fixture
def make(tmp_path):
    made = []

    def store(url, **changes):
        sizes = {"timeout_s": 2.0} | changes
        config = InfluxConfig(url, "saltmarsh", "farm", lambda: TOKEN, site="Saltmarsh Works", **sizes)
        found = InfluxSeries(config, tmp_path / "spool", TAGS)
        found.sender._first_pause_s = 0.1
        made.append(found)
        return found

    yield store
    for one in made:
        one.sender.stop(5.0)
        one.spool.close()


def seen(at_s, subject="avocet", source="plug", **values):
    return Observed(at_s, subject, source, values, False)


def plain(body):
    """A body's lines; aiohttp has already unpacked what its header says is packed."""
    return (gzip.decompress(body) if body.startswith(b"\x1f\x8b") else body).decode()


def received(peer):
    """Every line that the server of our own was given with an answer of 204, in the order in which it came."""
    return [parse(text) for request in peer.requests for text in plain(request.body).split("\n")]


async def all_sent(store, within_s=15.0):
    await until(lambda: not store.spool.state.lines, within_s=within_s, what="everything sent")


async def stop(store):
    await store.close()


# ---- the request ---------------------------------------------------------------------------------------------------


async def test_what_is_sent_is_what_the_api_asks_for(peer, make):
    store = make(peer.url)
    store.append([seen(T0, power_w=120.04, relay=True, state="printing", job='hook "A", 2')])
    store.append([seen(T0 + 2, power_w=None)])
    store.append([seen(T0, "larder", "ups", charge=0.5, status="OL CHRG"), seen(T0 + 3, power_w=float("nan"))])
    await store.flush()
    await all_sent(store)
    request = peer.requests[0]
    query = dict(urllib.parse.parse_qsl(urllib.parse.urlsplit(request.path).query))
    assert urllib.parse.urlsplit(request.path).path == "/api/v2/write"
    assert query == {"org": "saltmarsh", "bucket": "farm", "precision": "ms"}
    assert (request.method, request.headers["Authorization"]) == ("POST", f"Token {TOKEN}")
    assert request.headers["Content-Encoding"] == "gzip"
    text = plain(request.body)
    assert "nan" not in text.lower()
    rows = {(row.measurement, row.tags.get("machine") or row.tags["subject"], row.time): row for row in received(peer)}
    known = rows["farmwatch", "avocet", round(T0 * 1000)]
    assert known.tags == {"machine": "avocet", "bank": "north", "site": "Saltmarsh Works", "source": "plug"}
    assert known.fields == {"power_w": 120.0, "relay": 1.0}
    assert rows["farmwatch_unknown", "avocet", round(T0 * 1000) + 2000].fields == {"power_w": 1.0}
    assert rows["farmwatch_words", "avocet", round(T0 * 1000)].fields == {"state": "printing", "job": 'hook "A", 2'}
    assert rows["farmwatch", "larder", round(T0 * 1000)].fields == {"charge": 0.5}
    assert len(rows) == 5
    assert store.refused == 1, "NaN is no number"
    await stop(store)


async def test_words_are_sent_when_they_change(peer, make):
    store = make(peer.url)
    for n in range(10):
        store.append([seen(T0 + n, state="printing" if n < 6 else "cooling", power_w=float(n))])
    await store.flush()
    await all_sent(store)
    words = [row for row in received(peer) if row.measurement == "farmwatch_words"]
    assert [(row.time / 1000 - T0, row.fields["state"]) for row in words] == [(0, "printing"), (6, "cooling")]
    await stop(store)


# ---- what a server may answer --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (Answer(401, b'{"code":"unauthorized","message":"unauthorized access"}'), "secrets/influx_token"),
        (Answer(403, b"{}"), "may not write to bucket farm"),
        (Answer(404, b'{"code":"not found","message":"bucket not found"}'), "bucket not found"),
        (Answer(429, b"{}", {"Retry-After": "1"}), "answers 429"),
        (Answer(500, b"oops canary-7f3a-token"), "answers 500"),
        (Answer(503, b"", {"Retry-After": "0"}), "answers 503"),
        (Answer(302, b"", {"Location": "http://127.0.0.1:9/steal"}), "redirect"),
        (Answer(0), "reached"),
    ],
    ids=lambda value: str(getattr(value, "status", "")),
)
async def test_what_is_not_taken_is_told_kept_and_sent_later(peer, make, answer, words, caplog):
    store = make(peer.url, degraded_after_s=0.0)
    peer.always = answer
    store.append(seen(T0 + n, power_w=float(n)) for n in range(10))
    await store.flush()
    await until(lambda: store.sender.delivery.why, within_s=10, what="a failure")
    with pytest.raises(StoreError, match=words):
        await store.flush()
    assert store.spool.state.lines == 10
    shown = f"{store.doing()} {store.sender.delivery.why} {caplog.text}"
    assert words in shown
    assert TOKEN not in shown, "the token is in no words"
    first, count = peer.requests[0].body, len(peer.requests)
    peer.always = Answer(204, b"")
    await all_sent(store)
    assert len(peer.requests) > count
    assert plain(peer.requests[-1].body) == plain(first), "sent again, it says the same"
    await store.flush()
    assert store.doing() == ""
    await stop(store)


async def test_retry_after_is_heeded(peer, make):
    store = make(peer.url)
    peer.answer(Answer(429, b"{}", {"Retry-After": "2"}))
    store.append([seen(T0, power_w=1.0)])
    await store.flush()
    await all_sent(store)
    assert peer.requests[1].at_s - peer.requests[0].at_s >= 2.0
    await stop(store)


class Strict(HttpReceiver):
    """Refuses as the documentation says: a malformed line refuses the batch (400), a field of another type is dropped
    and the rest written (422), a large body is not taken (413)."""

    def __init__(self, largest=1 << 30):
        super().__init__()
        self.largest, self.taken = largest, Counter()

    async def _take(self, request):
        self.script.clear()
        body = plain(await request.read()).split("\n")
        self.always = Answer(204, b"")
        if sum(map(len, body)) > self.largest:
            self.always = Answer(413, b'{"code":"request too large","message":"too large"}')
        elif any("broken" in text for text in body):
            self.always = Answer(400, b'{"code":"invalid","message":"unable to parse: missing field"}')
        else:
            self.taken.update(text for text in body if "clash" not in text)
            if any("clash" in text for text in body):
                self.always = Answer(422, b'{"code":"unprocessable entity","message":"partial write: type dropped=1"}')
        return await super()._take(request)


@pytest.mark.parametrize("kind", ["broken", "clash"])
async def test_a_bad_line_is_found_set_aside_and_shown_and_the_rest_is_written(make, kind):
    peer = Strict()
    store = make(peer.url)
    store.append(seen(T0 + n, kind if n == 700 else "avocet", power_w=float(n % 90)) for n in range(1000))
    await store.flush()
    await all_sent(store)
    assert len(peer.taken) == 999
    assert set(peer.taken.values()) <= set(range(1, 30)), "some lines more than once, the same each time"
    aside = (store.spool.folder / "refused.txt").read_text()
    assert aside.count(kind) >= 1
    assert ("400" if kind == "broken" else "422") in aside
    assert len(aside.strip().splitlines()) == 2
    assert store.spool.state.refused == 1
    await store.flush()
    assert "1 lines were refused by the server" in store.notice
    assert len(peer.requests) < 30
    await stop(store)
    peer.close()


async def test_a_server_that_refuses_everything_costs_a_bounded_number_of_requests_and_nothing_is_lost(make):
    peer = Strict()
    store = make(peer.url)
    store.append(seen(T0 + n, "broken", power_w=1.0) for n in range(2000))
    await store.flush()
    await all_sent(store)
    assert len(peer.requests) < 200
    aside = (store.spool.folder / "refused.txt").read_text().splitlines()
    assert sum("broken" in text for text in aside) == 2000
    await stop(store)
    peer.close()


async def test_a_body_that_is_too_large_is_split(make):
    peer = Strict(largest=4000)
    store = make(peer.url)
    store.append(seen(T0 + n, power_w=float(n % 90)) for n in range(1000))
    await store.flush()
    await all_sent(store)
    assert len(peer.taken) == 1000
    assert store.spool.state.refused == 0
    await stop(store)
    peer.close()


async def test_a_server_that_hangs_or_answers_slowly_delays_nothing(peer, make):
    store = make(peer.url, timeout_s=1.0)
    peer.always = Answer(204, b"", delay_s=3.0)
    slowest = 0.0
    for n in range(20):
        store.append(seen(T0 + n + k / 100, power_w=float(n)) for k in range(50))
        begun = time.monotonic()
        await store.flush()
        slowest = max(slowest, time.monotonic() - begun)
        await asyncio.sleep(0.05)
    assert slowest < 0.9, "a flush waits for the disk alone"
    await until(lambda: "in time" in store.sender.delivery.why, within_s=5, what="the time-out")
    begun = time.monotonic()
    await store.close()
    assert time.monotonic() - begun < 2.0, "nor does the end wait"
    assert store.spool.look().lines == 1000


async def test_a_certificate_is_checked_against_ca_file(make, tls_files):
    got = []

    class Take(http.server.BaseHTTPRequestHandler):
        def do_POST(self):
            got.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(204)
            self.end_headers()

        def log_message(self, *_):
            pass

    server = http.server.HTTPServer(("127.0.0.1", 0), Take)
    server.socket = tls_files.server_context().wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    try:
        url = f"https://localhost:{server.server_address[1]}"
        wrong = make(url)
        wrong.append([seen(T0, power_w=1.0)])
        await wrong.flush()
        await until(lambda: wrong.sender.delivery.why, within_s=10, what="a failure")
        assert "certificate is not trusted" in wrong.sender.delivery.why
        await wrong.close()
        right = make(url, ca_file=str(tls_files.ca))
        await right.flush()
        await all_sent(right)
        assert len(got) == 1
        await right.close()
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


async def test_the_library_is_loaded_when_something_is_sent_and_not_before():
    code = "import sys, farmwatch.assemble, farmwatch.stores.influx; print('influxdb_client' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


# ---- a real server ---------------------------------------------------------------------------------------------------


async def test_a_real_server_holds_what_was_written_zero_and_unknown_apart(metrics, make):
    metrics.start()
    store = make(metrics.url)
    rows = [(T0 + n * 2.0, round(n * 0.7 % 300, 1)) for n in range(500)]
    store.append(seen(t, power_w=v, bed_c=60.0) for t, v in rows)
    store.append([seen(T0 + 1000, power_w=0.0), seen(T0 + 1002, power_w=None), seen(T0 + 1002.123, current_a=1.2344)])
    await store.flush()
    assert await store.extend("bittern", "import", array("d", [T0, T0 + 10]), {"power_w": array("d", [5.0, 6.0])}) == 2
    await all_sent(store)
    found = metrics.export('{__name__=~"farmwatch.*"}')
    assert found["farmwatch_power_w", "avocet"] == [*rows, (T0 + 1000, 0.0)]
    assert found["farmwatch_unknown_power_w", "avocet"] == [(T0 + 1002, 1.0)]
    assert found["farmwatch_current_a", "avocet"] == [(T0 + 1002.123, 1.234)]
    assert found["farmwatch_power_w", "bittern"] == [(T0, 5.0), (T0 + 10, 6.0)]
    assert len(found["farmwatch_bed_c", "avocet"]) == 500
    await stop(store)


async def test_a_gap_of_a_week_closes_by_itself_with_every_reading_once_or_the_same(metrics, make, monkeypatch):
    """A week without the server, readings every minute, two restarts of ours on the way.

    Batches of ten minutes; FARMWATCH_LONG=1 writes one a minute, as the daemon does.
    """
    monkeypatch.setattr("farmwatch.stores.influx.spool.os.fsync", lambda _: None)  # syncing is tried elsewhere
    store = make(metrics.url)
    minutes, batch = 7 * 24 * 60, 1 if os.environ.get("FARMWATCH_LONG") else 10
    for minute in range(minutes):
        store.append([seen(T0 + minute * 60, power_w=float(minute % 300)),
                      seen(T0 + minute * 60, "bittern", power_w=float(minute % 200))])  # fmt: skip
        if minute % batch == batch - 1:
            await store._spool(store._lines())
        if minute in (2999, 6999):
            store.spool.close()
            store = make(metrics.url)
    assert store.spool.state.lines == 2 * minutes
    size = store.spool.state.bytes
    await store.flush()
    await until(lambda: store.sender.delivery.why, within_s=10, what="the server away")
    metrics.start()
    begun = time.monotonic()
    await all_sent(store, within_s=100.0)
    print(f"a week: {size / 1e6:.1f} MB, sent in {time.monotonic() - begun:.1f} s")
    found = metrics.export("farmwatch_power_w")
    for name, cycle in (("avocet", 300), ("bittern", 200)):
        rows = found["farmwatch_power_w", name]
        assert sorted(set(rows)) == [(T0 + m * 60, float(m % cycle)) for m in range(minutes)]
        assert len({t for t, _ in rows}) == len(set(rows)), "no moment has two values"
    await stop(store)


WRITER = """
import asyncio, sys
from pathlib import Path
from farmwatch.stores.influx import InfluxConfig, InfluxSeries
from farmwatch.words.model import Observed

async def main():
    config = InfluxConfig(sys.argv[1], "o", "b", lambda: "t", timeout_s=2.0)
    store = InfluxSeries(config, Path(sys.argv[2]), {})
    n = int(sys.argv[3])
    while True:
        store.append([Observed(1795000000.0 + n * 20 + k, "avocet", "plug", {"power_w": float(n % 300)}, False)
                      for k in range(20)])
        await store.flush()
        print(n, flush=True)
        n += 1

asyncio.run(main())
"""


async def test_kill_9_in_mid_batch_loses_nothing_that_was_flushed_and_says_nothing_twice_differently(
    metrics, make, tmp_path
):
    metrics.start()
    flushed, n = set(), 0
    for turn in range(5):
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER, metrics.url, str(tmp_path / "spool"), str(n)],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        for _ in range(15 + 7 * turn):
            n = int(process.stdout.readline())
            flushed.add(n)
        process.kill()
        flushed.update(int(text) for text in process.stdout.read().split())
        process.wait()
        process.stdout.close()
        n = max(flushed) + 1
        n += 1  # the one that was under way may be there too
    store = make(metrics.url)
    await store.flush()
    await all_sent(store)
    rows = metrics.export("farmwatch_power_w")["farmwatch_power_w", "avocet"]
    wanted = {(T0 + n * 20 + k, float(n % 300)) for n in flushed for k in range(20)}
    assert wanted <= set(rows)
    assert len({t for t, _ in rows}) == len(set(rows))
    assert store.spool.state.damaged <= 5
    await stop(store)


async def test_a_full_disk_below_the_spool_still_sends_and_recovers(peer, make, tmp_path):
    """A file system of 1 MB of its own (tmpfs); needs root, as the other tests with mounts do."""
    folder = tmp_path / "spool"
    folder.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)]
    done = subprocess.run(command, capture_output=True, check=False)
    assert done.returncode == 0, "mounting needs root"
    try:
        store = make(peer.url)
        peer.always = Answer(503, b"", {"Retry-After": "0"})
        (folder / "ballast").write_bytes(b"x" * 200_000)
        full, n = None, 0
        rng = random.Random(3)
        while full is None and n < 400:
            store.append(seen(T0 + n * 100 + k, power_w=rng.random() * 300) for k in range(100))
            n += 1
            try:
                await store.flush()
            except StoreError as error:
                full = str(error)
        assert "the disk is full" in full
        peer.always = Answer(204, b"")
        await all_sent(store)
        assert len({row.time for row in received(peer)}) == n * 100
        (folder / "ballast").unlink()
        store.append([seen(T0 - 1, power_w=1.0)])
        await store.flush()
        await all_sent(store)
        await stop(store)
    finally:
        store.spool.close()
        subprocess.run(["umount", str(folder)], check=False)


async def test_every_query_of_the_list_answers_on_a_real_server(metrics, make):
    metrics.start()
    store = make(metrics.url)
    values = {"power_w": 120.0, "bed_c": 60.0, "progress": 0.5}
    store.append(seen(T0 + n * 10, **values) for n in range(720))
    store.append(seen(T0 + n * 10, "larder", charge=0.9, runtime_s=600.0) for n in range(720))
    store.append([seen(T0 + 7150.5, power_w=None)])
    await store.flush()
    await all_sent(store)
    metrics.get("/internal/force_flush")
    path = Path(__file__).parents[2] / "deploy/influxdb/queries.toml"
    found = {}
    for row in tomllib.loads(path.read_text("utf-8"))["query"]:
        answer = json.loads(metrics.get("/api/v1/query", query=row["query"], time=T0 + 7190))
        assert answer["status"] == "success"
        found[row["title"]] = [float(one["value"][1]) for one in answer["data"]["result"]]
    assert all(len(values) == 1 for values in found.values()), found
    wanted = {"Power of each machine": 120, "Power of each bank": 120, "Bed temperatures": 60,
              "Energy of each machine in an hour, from power": 120, "Charge of each backup": 0.9,
              "Readings a minute, by source": 6, "What became unknown in an hour": 1}  # fmt: skip
    assert {title: found[title][0] for title in wanted} == pytest.approx(wanted)
    await stop(store)
