"""Reading back from InfluxDB 2. The answers are written by hand after the documentation of annotated CSV and of Flux;
no server was asked."""

import asyncio
import math
import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
import yaml

from farmwatch.stores.influx import InfluxConfig, InfluxSeries
from farmwatch.stores.influx.flux import columns, readings_query, tables, text, with_gaps
from farmwatch.words.errors import StoreError
from farmwatch.words.quantities import QUANTITIES

ROWS = (
    b"#datatype,string,long,dateTime:RFC3339,double,string\r\n"
    b"#group,false,false,false,false,false\r\n"
    b"#default,_result,,,,\r\n"
    b",result,table,_time,_value,_measurement\r\n"
    b",,0,2026-11-18T12:00:00Z,120.5,farmwatch\r\n"
    b",,0,2026-11-18T12:00:02.123456789Z,0,farmwatch\r\n"
    b",,0,2026-11-18T12:00:04Z,1,farmwatch_unknown\r\n"
    b",,0,2026-11-18T12:00:06Z,1,farmwatch_unknown\r\n"
    b",,0,2026-11-18T12:00:08Z,7,farmwatch\r\n\r\n"
)
HELD = (
    b"#datatype,string,long,dateTime:RFC3339,string,string\r\n#group,false,false,false,false,false\r\n"
    b"#default,_result,,,,\r\n,result,table,_time,_field,machine\r\n"
    b",,0,2026-11-18T12:00:00Z,power_w,avocet\r\n\r\n"
    b"#datatype,string,long,dateTime:RFC3339,string,string\r\n#group,false,false,false,false,false\r\n"
    b"#default,_result,,,,\r\n,result,table,_time,_field,subject\r\n"
    b",,1,2026-11-18T12:00:01Z,charge,larder\r\n\r\n"
)
ERROR = (
    b"#datatype,string,string\r\n#group,true,true\r\n#default,,\r\n,error,reference\r\n"
    b",could not find bucket,897\r\n"
)
T0 = 1_795_003_200.0


def test_annotated_csv_is_read_zero_a_value_unknown_said_once():
    found = list(columns(ROWS).rows())
    assert [t - T0 for t, _ in found] == pytest.approx([0, 2.123, 4, 8], abs=1e-6)
    assert [v for _, v in found[:2]] == [120.5, 0.0]
    assert math.isnan(found[2][1])
    assert [row.get("machine") or row.get("subject") for row in tables(HELD)] == ["avocet", "larder"]
    assert len(columns(b"\r\n")) == 0
    with pytest.raises(StoreError, match="could not find bucket"):
        columns(ERROR)
    with pytest.raises(StoreError, match="cannot be read"):
        columns(ROWS.replace(b"120.5", b"high"))


def test_names_cannot_leave_their_quotation_marks():
    assert text('a"b\\c${d}') == '"a\\"b\\\\c\\${d}"'
    query = readings_query("farm", ("machine", 'x") |> drop('), "power_w", T0, T0 + 1)
    assert 'r["machine"] == "x\\") |> drop("' in query
    assert "range(start: 2026-11-18T12:00:00.000Z, stop: 2026-11-18T12:00:01.001Z)" in query


def test_a_gap_is_marked():
    found = columns(b",result,table,_time,_value,_measurement\r\n" + b"".join(
        f",,0,2026-11-18T12:{m:02}:00Z,{m},farmwatch\r\n".encode() for m in (0, 1, 2, 3, 30, 31)))  # fmt: skip
    marked = [t - T0 for t, v in with_gaps(found, 60.0).rows() if math.isnan(v)]
    assert marked == pytest.approx([180.001], abs=1e-6)


async def test_the_port_is_answered_over_a_socket(tmp_path):
    asked = []

    class Serve(BaseHTTPRequestHandler):
        def do_POST(self):
            asked.append((self.path, self.rfile.read(int(self.headers["Content-Length"])).decode()))
            words = asked[-1][1]
            held = "first()" in words or "last()" in words
            status, body = (404, b'{"message":"no"}') if "broken" in words else (200, HELD if held else ROWS)
            self.send_response(status)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_):
            pass

    server = HTTPServer(("127.0.0.1", 0), Serve)
    thread = threading.Thread(target=server.serve_forever, args=(0.05,))
    thread.start()
    config = InfluxConfig(f"http://127.0.0.1:{server.server_address[1]}", "o", "farm", lambda: "t", timeout_s=3.0)
    store = InfluxSeries(config, tmp_path / "spool", {"avocet": (("machine", "avocet"),)})
    try:
        found = await store.read("avocet", "power_w", T0, T0 + 10)
        assert len(found) == 4
        assert asked[0][0] == "/api/v2/query?org=o"
        assert "annotations" in asked[0][1]
        assert [(h.subject, h.quantity) for h in await store.held()] == [("avocet", "power_w"), ("larder", "charge")]
        minutes = await store.rollups("avocet", "power_w", "1min", T0, T0 + 60)
        assert (list(minutes.high), list(minutes.count)) == ([120.5], [3])
        with pytest.raises(StoreError, match="404"):
            await store.read("broken", "power_w", T0, T0 + 1)
        assert len(await store.read("avocet", "nothing", T0, T0 + 1)) == 0
    finally:
        await store.close()
        await asyncio.to_thread(server.shutdown)
        thread.join()
        server.server_close()


def test_the_dashboard_asks_for_what_is_written():
    page = yaml.safe_load((Path(__file__).parents[1] / "deploy/influxdb/dashboard.yml").read_text("utf-8"))
    assert (page["apiVersion"], page["kind"]) == ("influxdata.com/v2alpha1", "Dashboard")
    for chart in page["spec"]["charts"]:
        assert chart["kind"] in {"Xy", "Single_Stat", "Table"}
        query = chart["queries"][0]["query"]
        assert query.startswith('from(bucket: "farm")')
        assert query.split('r._measurement == "')[1].split('"')[0] in {"farmwatch", "farmwatch_words"}
        assert query.split('r._field == "')[1].split('"')[0] in QUANTITIES
