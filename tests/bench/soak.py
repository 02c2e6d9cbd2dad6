"""A simulated day in a real process: what grows, hour by hour, and how fast.

    .venv/bin/python tests/bench/soak.py [--speed 60] [--hours 24] [--seed N]

Starts `farmwatch demo`, which plays Saltmarsh Works through the real daemon, stores and page included, and asks it the
time by /healthz. At every simulated hour: resident memory and open file handles (proc(5)), bytes that the process gave
to the disk (write_bytes of /proc/PID/io, see proc(5): a file system in memory counts none, so wchar stands beside it),
and the size of its databases. A browser's stream of the page is read all the while. At the end least-squares slopes
over the second half, in which caches are filled.

    .venv/bin/python tests/bench/soak.py --week [--days 7] [--every 24] [--interval 30] [--seed N]

Days of one life on the simulation's clock (`soak_week.py`), one after the other as fast as the computer goes, and the
same figures every so many simulated hours. With either, `--look FILE` also writes what is held inside and by which
part (`soak_inside.py`).
"""

import argparse
import contextlib
import json
import logging
import os
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.request
from pathlib import Path

from bench import cpu_s, load, memory_mib

MIB = 2.0**20


def slope(rows, name):
    """Least-squares slope of a column against the hour, over the second half."""
    half = rows[len(rows) // 2 :]
    if len(half) < 2:
        return float("nan")
    mean_x, mean_y = (sum(row[key] for row in half) / len(half) for key in ("hour", name))
    above = sum((row["hour"] - mean_x) * (row[name] - mean_y) for row in half)
    return above / sum((row["hour"] - mean_x) ** 2 for row in half)


def free_port():
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        return sock.getsockname()[1]


def sample(pid, folder, hour):
    """What the process holds now."""
    written = dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text().splitlines())
    sizes = 0
    for path in folder.rglob("*"):
        with contextlib.suppress(FileNotFoundError):  # it turns files over while we look
            sizes += path.stat().st_size if path.is_file() and not path.name.endswith(".reserve") else 0
    return {
        "hour": hour, "rss": memory_mib(pid)["VmRSS"], "handles": len(list(Path(f"/proc/{pid}/fd").iterdir())),
        "kept": sizes / MIB, "disk": int(written["write_bytes"]) / MIB, "said": int(written["wchar"]) / MIB,
        "cpu": cpu_s(pid),
    }  # fmt: skip


def asked(port):
    """The daemon's own time, or None."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/healthz", timeout=20) as answer:
            return json.load(answer)["at_s"]
    except (OSError, urllib.error.URLError, KeyError, ValueError):
        return None


def read_stream(port, counted):
    """An open page: takes what the server pushes, and throws it away."""
    while True:
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), timeout=60) as sock:
            sock.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
            while part := sock.recv(65_536):
                counted[0] += len(part)
        time.sleep(2)


def day(args):
    port, rows, counted = free_port(), [], [0]
    if args.folder:
        Path(args.folder).mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="soak-", dir=args.folder) as folder:
        inside = [str(Path(__file__).with_name("soak_inside.py")), args.look]
        command = [sys.executable, *(inside if args.look else ("-m", "farmwatch")), "demo"]
        command += ["--speed", str(args.speed), "--port", str(port)]
        command += ["--seed", str(args.seed)] if args.seed is not None else []
        log = Path(folder) / "log"
        with log.open("wb") as stream:
            process = subprocess.Popen(command, env=os.environ | {"TMPDIR": folder}, stdout=stream, stderr=stream)
        threading.Thread(target=read_stream, args=(port, counted), daemon=True).start()
        print(f"{load()}; folder {folder}")
        print(" hour  RSS MiB  handles  kept MiB  write_bytes MiB  wchar MiB  cpu s", flush=True)
        began_s, first_s = time.monotonic(), None
        try:
            while process.poll() is None and time.monotonic() - began_s < args.minutes * 60:
                time.sleep(1)
                now_s = asked(port)
                if now_s is None:
                    continue
                first_s = first_s if first_s is not None else now_s
                hour = int((now_s - first_s) // 3600)
                if not rows or hour > rows[-1]["hour"]:
                    rows.append(sample(process.pid, Path(folder), hour))
                    print("{hour:5d} {rss:8.1f} {handles:8d} {kept:9.2f} {disk:16.1f} {said:10.1f} {cpu:6.0f}"
                          .format(**rows[-1]), flush=True)  # fmt: skip
                    if args.look is not None and (hour < 3 or hour % 3 == 0):
                        process.send_signal(signal.SIGUSR1)
                if hour >= args.hours:
                    break
            died = process.poll()
        finally:
            process.send_signal(signal.SIGINT)
            process.wait(60)
        words = log.read_text("utf-8", "replace")
    if died is not None or not rows:
        print(words[-2000:])
        return 1
    print(f"{rows[-1]['hour']} simulated hours in {(time.monotonic() - began_s) / 60:.1f} min; {load()}")
    print(f"an hour, second half: RSS {slope(rows, 'rss'):+.3f} MiB, handles {slope(rows, 'handles'):+.2f}, "
          f"kept {slope(rows, 'kept'):+.3f} MiB, write_bytes {slope(rows, 'disk'):+.2f} MiB, "
          f"wchar {slope(rows, 'said'):+.2f} MiB")  # fmt: skip
    print(f"page's stream: {counted[0] / MIB:.1f} MiB; log: {len(words)} bytes, {words.count('ERROR')} errors, "
          f"{words.count('Traceback')} tracebacks; end with {process.returncode}")  # fmt: skip
    return 0


def week(args):
    """Days of one life on the simulation's clock (`soak_week.py`), in this very process."""
    from soak_week import Week

    print(load(), flush=True)
    logging.basicConfig(level=logging.WARNING)
    with tempfile.TemporaryDirectory(prefix="soak-week-", dir=args.folder) as folder:
        lived = Week(folder, seed=args.seed or 7, days=args.days, every_h=args.every, interval_s=args.interval,
                     tell=args.look)  # fmt: skip
        rows = lived.run()
    after = [row for row in rows if row["hour"] >= 24.0]
    print(f"messages accepted: {sum(phone.took for phone in lived.phones.values())}; {load()}")
    print("a day, after the first: " + ", ".join(
        f"{name} {24 * slope([*after, *after], key):+.3f}{unit}" for name, key, unit in (
            ("RSS", "rss", " MiB"), ("C heap", "heap", " MiB"), ("blocks", "blocks", " k"), ("handles", "handles", ""),
            ("kept", "kept", " MiB"), ("write_bytes", "disk", " MiB"), ("wchar", "said", " MiB"))))  # fmt: skip
    return 0


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--speed", type=float, default=60.0)
    parser.add_argument("--hours", type=int, default=23, help="simulated; after a day the demo meets the present")
    parser.add_argument("--minutes", type=float, default=60.0, help="at most, of the wall's clock")
    parser.add_argument("--seed", type=int)
    parser.add_argument("--folder", help="where it keeps its files")
    parser.add_argument("--look", metavar="FILE", help="what it holds inside, every second hour (soak_inside.py)")
    parser.add_argument("--week", action="store_true")
    parser.add_argument("--days", type=float, default=7.0)
    parser.add_argument("--every", type=float, default=24.0, metavar="HOURS", help="of the week: between two rows")
    parser.add_argument("--interval", type=float, default=30.0, metavar="S", help="of the week: between two readings")
    args = parser.parse_args()
    return week(args) if args.week else day(args)


if __name__ == "__main__":
    sys.exit(main())
