"""Kill -9 between every two steps of the outbox, at places that have names, and while the receiver has the call.

A child accepts messages, says so, and delivers them to a real HTTP receiver through the product's own channel. It is
killed at one place, started again, and let finish. Then: every message that was accepted has arrived; none arrived
twice, except where a call was cut off after the receiver had it, and then once more, under the same key and marked as
a repeat. FARMWATCH_KILLS=500 adds as many random ones, by hand.
"""

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections import Counter
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from farmwatch import failpoints
from farmwatch.stores.journal import SqliteJournal

KILLS = int(os.environ.get("FARMWATCH_KILLS", "50")) // 10
"""Of the random ones; test_crash has the others, without a network between."""
MESSAGES = 3

CHILD = """
import asyncio, sys
from pathlib import Path
from farmwatch import notify
from farmwatch.clock import SteadyClock
from farmwatch.failpoints import pause
from farmwatch.notify import Notifier
from farmwatch.stores.journal import JournalGuard
from farmwatch.webhook import WebhookChannel
from farmwatch.words.model import Keep, Message

folder, url, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
notify.FIRST_WAIT_S, notify.LOOK_EVERY_S, notify.LEAST_TRIES = 0.05, 0.05, 8

async def run():
    journal, clock = JournalGuard(folder / "journal.db", reserve_bytes=0), SteadyClock()
    assert journal.ok and not journal.notice, (journal.trouble, journal.notice)
    ways = {name: WebhookChannel(name, name, lambda name=name: f"webhook+{url}/{name}") for name in ("pager", "mail")}
    people = {"ann": ("pager", "mail")}
    done = len([1 for kind, _, _ in journal.facts() if kind == "alarm"])
    print("ready", flush=True)
    for number in range(done, count):
        now_s = clock.now_s()
        message = Message(f"m{number}", now_s, "ann", "session", f"title {number}", "text", f"i{number}", "opened")
        await asyncio.to_thread(journal.commit, now_s, [Keep("alarm", f"a{number}", {}), message], people)
        await pause("outbox.committed")
        print(f"accepted m{number}", flush=True)
    notifier = Notifier(journal, ways, clock)
    task = asyncio.create_task(notifier.run())
    while journal.waiting():
        await asyncio.sleep(0.01)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    journal.close()
    print("done", flush=True)

asyncio.run(run())
"""


class Receiver:
    """Takes messages by HTTP. `kill_at` ends the child while it has the nth call; `refuse` answers the first so."""

    def __init__(self):
        self.got, self.child, self.kill_at, self.refuse = [], None, 0, []
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                key = self.headers["Idempotency-Key"]
                if receiver.refuse:
                    self.send_response(receiver.refuse.pop(0))
                    self.end_headers()
                    return
                receiver.got.append((body["id"], self.path, key, body["repeat"]))
                if len(receiver.got) == receiver.kill_at:
                    receiver.child.send_signal(signal.SIGKILL)
                    receiver.child.wait()
                with contextlib.suppress(OSError):
                    self.send_response(200)
                    self.send_header("Content-Length", "0")
                    self.end_headers()

            def log_message(self, *words):
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.url = f"http://127.0.0.1:{self.server.server_port}"
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.02,))
        self.thread.start()

    def close(self):
        self.server.shutdown()
        self.thread.join()
        self.server.server_close()


@pytest.fixture
def receiver():
    made = Receiver()
    yield made
    made.close()


class Life:
    """Children over one folder, one after the other."""

    def __init__(self, folder, receiver):
        self.folder, self.receiver, self.accepted = folder, receiver, set()

    def start(self, failpoint="", count=MESSAGES):
        environment = os.environ | {"FARMWATCH_FAILPOINT": failpoint}
        words = [sys.executable, "-c", CHILD, str(self.folder), self.receiver.url, str(count)]
        child = self.receiver.child = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment)
        return child

    def end(self, child):
        """Its exit code, once it is over; what it said to have accepted is remembered."""
        with child.stdout:
            for line in child.stdout.read().splitlines(keepends=True):
                if line.startswith("accepted ") and line.endswith("\n"):
                    self.accepted.add(line.split()[1])
        return child.wait(30)

    def judge(self, may_repeat):
        """Copies beyond the first, after checking that nothing is lost."""
        with contextlib.closing(SqliteJournal.open(self.folder / "journal.db")) as journal:
            assert journal.waiting() == []
            told = {row["message"] for row in journal.sent(limit=1_000_000) if row["ok"]}
            assert journal.history("undelivered") == []
        counts = Counter(message for message, *_ in self.receiver.got)
        assert self.accepted <= told
        assert set(counts) == told, "all that is told has arrived, and nothing else"
        copies = sum(counts.values()) - len(counts)
        assert copies <= may_repeat
        seen = set()
        for message, path, key, repeat in self.receiver.got:
            assert repeat or (message, path) not in seen, "a second copy says so"
            assert len({k for m, p, k, _ in self.receiver.got if (m, p) == (message, path)} | {key}) == 1
            seen.add((message, path))
        return copies


OUTBOX = [name for name in failpoints.NAMES if name.startswith("outbox.")]
AFTER_THE_CALL = {"outbox.answered", "outbox.delivered.commit"}
"""Between these and the call the receiver has the message and the journal does not know: one more copy."""


@pytest.mark.parametrize("place", OUTBOX)
def test_a_kill_between_any_two_steps_loses_nothing(tmp_path, receiver, place):
    life = Life(tmp_path, receiver)
    if ".failed" in place:
        receiver.refuse = [500]
    assert life.end(life.start(f"{place}=kill")) == -signal.SIGKILL, "the place is on the way"
    assert life.end(life.start()) == 0
    may = 1 if place in AFTER_THE_CALL else 0
    assert life.judge(may) == may
    assert len({message for message, *_ in receiver.got}) == MESSAGES
    assert life.accepted >= {f"m{n}" for n in range(1, MESSAGES)}


def test_a_kill_while_the_receiver_has_the_call_sends_it_once_more_as_a_repeat(tmp_path, receiver):
    receiver.kill_at = 2
    life = Life(tmp_path, receiver)
    assert life.end(life.start()) == -signal.SIGKILL
    assert life.end(life.start()) == 0
    assert life.judge(1) == 1
    (first, second) = (got for got in receiver.got if got[0] == receiver.got[1][0])
    assert first[:3] == second[:3]
    assert (first[3], second[3]) == (False, True)


def test_random_kills(tmp_path, receiver):
    rng = random.Random(5)
    life, count = Life(tmp_path, receiver), 0
    for _ in range(KILLS):
        count += 20
        receiver.refuse = [500] * rng.randrange(3)
        child = life.start(count=count)
        assert child.stdout.readline() == "ready\n"
        time.sleep(rng.uniform(0.0, 0.25))
        child.send_signal(signal.SIGKILL)
        life.end(child)
    receiver.refuse = []
    assert life.end(life.start(count=count)) == 0
    copies = life.judge(KILLS)
    print(f"{KILLS} kills, {len(life.accepted)} accepted, 0 lost, {copies} second copies")


def test_a_place_that_does_not_exist_is_refused_and_outside_of_tests_none_is_heeded():
    code = "import farmwatch.failpoints as f; f.hit('outbox.commit'); print('alive')"
    for place, more, wanted in (
        ("outbox.nowhere=kill", {}, (1, "")),
        ("outbox.commit=explode", {}, (1, "")),
        ("outbox.commit=kill", {}, (-signal.SIGKILL, "")),
        ("outbox.commit=kill", {"PYTEST_CURRENT_TEST": None}, (0, "alive\n")),
    ):
        environment = {k: v for k, v in (os.environ | {"FARMWATCH_FAILPOINT": place} | more).items() if v is not None}
        done = subprocess.run(
            [sys.executable, "-c", code], env=environment, capture_output=True, text=True, check=False
        )
        assert (done.returncode, done.stdout) == wanted
