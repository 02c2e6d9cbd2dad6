"""Debian's victoria-metrics as a test server, and in front of it what our own queries to InfluxDB 2 ask for.

`FluxFront` passes writes on to victoria-metrics unchanged and answers the queries of `stores/influx/flux.py`, and no
others, from its export: written after the documentation of Flux (range, filter, window, first, min, max, last, union,
sort) and of annotated CSV. An InfluxDB 2 server itself was not tried.
"""

import gzip
import json
import re
import signal
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from datetime import UTC, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from real.servers import Process, free_port, need


class Metrics:
    """Debian's victoria-metrics on a free port; what it holds outlives a kill."""

    def __init__(self, folder):
        self.program = need("victoria-metrics", "victoria-metrics")
        self.folder, self.port, self.process = folder, free_port(), None
        folder.mkdir()

    @property
    def url(self):
        return f"http://127.0.0.1:{self.port}"

    def start(self):
        self.process = Process(
            [self.program, f"-storageDataPath={self.folder}/data", f"-httpListenAddr=127.0.0.1:{self.port}",
             "-retentionPeriod=100y", "-search.latencyOffset=0s"], self.folder / "log",
        )  # fmt: skip
        for _ in range(400):
            try:
                return self.get("/health") and self
            except OSError:
                time.sleep(0.05)
        raise AssertionError(self.process.output())

    def get(self, path, **words):
        query = urllib.parse.urlencode(words)
        with urllib.request.urlopen(f"{self.url}{path}?{query}", timeout=20) as answer:  # noqa: S310  (loopback)
            return answer.read()

    def exported(self, match, start_s=0.0, end_s=4e9):
        """(labels, [(s, value), ...]) of every series that matches, by its own export."""
        self.get("/internal/force_flush")
        answer = self.get("/api/v1/export", **{"match[]": match, "start": start_s, "end": end_s})
        for row in map(json.loads, answer.splitlines()):
            yield row["metric"], list(zip((t / 1000 for t in row["timestamps"]), row["values"], strict=True))

    def export(self, match):
        """{(name, machine or subject): [(s, value), ...]}."""
        found = {}
        for metric, rows in self.exported(match):
            found.setdefault((metric["__name__"], metric.get("machine") or metric.get("subject")), []).extend(rows)
        return found

    def stop(self):
        if self.process is not None:
            self.process.end(signal.SIGTERM, within_s=20.0)
            self.process = None


class FluxFront:
    """See the module."""

    def __init__(self, metrics):
        self.metrics, front = metrics, self

        class Serve(BaseHTTPRequestHandler):
            def do_POST(self):
                body = self.rfile.read(int(self.headers["Content-Length"]))
                if self.headers.get("Content-Encoding") == "gzip":
                    body = gzip.decompress(body)
                status, answer = front.write(self.path, body) if "/write" in self.path else (200, front.query(body))
                self.send_response(status)
                self.send_header("Content-Length", str(len(answer)))
                self.end_headers()
                self.wfile.write(answer)

            def log_message(self, *_):
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Serve)
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.05,))
        self.thread.start()

    def close(self):
        self.server.shutdown()
        self.thread.join()
        self.server.server_close()

    def write(self, path, body):
        try:
            request = urllib.request.Request(self.metrics.url + path, body)  # noqa: S310  (loopback)
            with urllib.request.urlopen(request, timeout=20) as answer:  # noqa: S310
                return answer.status, answer.read()
        except urllib.error.HTTPError as error:
            return error.code, error.read()

    def query(self, body):
        flux = json.loads(body)["query"]
        start_s, stop_s = (datetime.fromisoformat(at).timestamp()
                           for at in re.search(r"range\(start: (\S+), stop: (\S+)\)", flux).groups())  # fmt: skip
        site = re.search(r'r\["site"\] == "(.*?)"\)', flux)
        only = f',site="{site[1]}"' if site else ""
        if "r._field ==" not in flux:
            return self._held(start_s, stop_s, only, first="|> first()" in flux)
        field, tag, value = re.search(r'r\._field == "(.*?)" and r\["(.*?)"\] == "(.*?)"\)', flux).groups()
        names = {"farmwatch_" + field: "farmwatch", "farmwatch_unknown_" + field: "farmwatch_unknown"}
        every = re.search(r"window\(every: (\d+)ms\)", flux)
        rows = []
        match = f'{{__name__=~"{"|".join(names)}",{tag}="{value}"{only}}}'
        for metric, found in self.metrics.exported(match, start_s, stop_s):
            name = names[metric["__name__"]]
            found = [(t, v) for t, v in found if start_s <= t < stop_s]
            rows += [(t, v, name) for t, v in
                     (_windows(found, int(every[1])) if every and name == "farmwatch" else found)]  # fmt: skip
        rows.sort(key=lambda row: row[0])
        return _csv("_value,_measurement", [(t, f"{v:g}" if v == int(v) else repr(v), m) for t, v, m in rows])

    def _held(self, start_s, stop_s, only, *, first):
        answer = b""
        for metric, rows in self.metrics.exported(f'{{__name__=~"farmwatch_.*"{only}}}', start_s, stop_s):
            name = metric["__name__"]
            if not name.startswith(("farmwatch_unknown_", "farmwatch_words_")):
                tag = "machine" if "machine" in metric else "subject"
                at_s = rows[0 if first else -1][0]
                answer += _csv(f"_field,{tag}", [(at_s, name.removeprefix("farmwatch_"), metric[tag])])
        return answer


def _windows(rows, every_ms):
    """First, least, greatest and last of each window, as four tables one after another."""
    found = {}
    for t, v in rows:
        found.setdefault(round(t * 1000) // every_ms, []).append((t, v))
    for part in found.values():
        yield from (part[0], min(part, key=lambda row: row[1]), max(part, key=lambda row: row[1]), part[-1])


def _csv(names, rows):
    count = names.count(",") + 1
    head = ("#datatype,string,long,dateTime:RFC3339" + ",string" * count, "#group,false,false,false" + ",false" * count,
            "#default,_result,," + "," * count, f",result,table,_time,{names}")  # fmt: skip
    lines = [*head, *(f",,0,{datetime.fromtimestamp(row[0], UTC).isoformat(timespec='milliseconds')[:-6]}Z,"
                      + ",".join(row[1:]) for row in rows)]  # fmt: skip
    return "".join(f"{text}\r\n" for text in [*lines, ""]).encode()
