"""Kill -9 at random moments: nothing that was accepted is lost, and no message comes more often than it must.

A child commits facts, notes and messages and says what was accepted; a notifier in it hands the messages to a
"phone", a file that notes the start and the end of each call. The parent kills the child, starts it again, and in
the end compares. FARMWATCH_KILLS=500 runs the long form by hand.
"""

import contextlib
import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter

from farmwatch.stores.journal import SqliteJournal

KILLS = int(os.environ.get("FARMWATCH_KILLS", "50"))

CHILD = """
import asyncio, os, sys
from pathlib import Path
from farmwatch.clock import SteadyClock
from farmwatch.notify import Notifier
from farmwatch.stores.journal import JournalGuard
from farmwatch.words.model import Keep, Message, Note

folder, busy = Path(sys.argv[1]), sys.argv[2] == "busy"
phone = os.open(folder / "phone", os.O_WRONLY | os.O_CREAT | os.O_APPEND)

class Phone:
    name = "pager"
    async def send(self, message, links, **more):
        os.write(phone, f"begin {message.id}\\n".encode())
        await asyncio.sleep(0.002)
        os.write(phone, f"end {message.id}\\n".encode())

async def run():
    journal, clock = JournalGuard(folder / "journal.db", reserve_bytes=0), SteadyClock()
    assert journal.ok and not journal.notice, (journal.trouble, journal.notice)
    notifier = Notifier(journal, {"pager": Phone()}, clock)
    task = asyncio.create_task(notifier.run())
    n = max([doc["n"] for kind, _, doc in journal.facts() if kind == "alarm"], default=0)
    print("ready", flush=True)
    while busy:
        n += 1
        now_s = clock.now_s()
        message = Message(f"m{n}", now_s, "ann", "session", f"title {n}", "text", f"i{n}", "opened")
        facts = [Keep("alarm", f"a{n}", {"n": n}), Keep("bed", "avocet", {"n": n})]
        effects = [*facts, Note(now_s, "alarm", {"n": n}), message]
        await asyncio.to_thread(journal.commit, now_s, effects, {"ann": ("pager",)})
        print(f"accepted {n}", flush=True)
        notifier.wake()
        await asyncio.sleep(0.003)
    while journal.waiting():
        await asyncio.sleep(0.01)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)
    journal.close()
    print("done", flush=True)

asyncio.run(run())
"""


def start(folder, mode):
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(folder), mode], stdout=subprocess.PIPE, text=True)
    assert child.stdout.readline() == "ready\n"
    return child


def test_nothing_accepted_is_lost_in_random_kills(tmp_path):
    rng = random.Random(11)
    accepted = 0
    for _ in range(KILLS):
        child = start(tmp_path, "busy")
        time.sleep(rng.uniform(0.0, 0.15))
        child.send_signal(signal.SIGKILL)
        for line in child.stdout.read().splitlines(keepends=True):
            if line.startswith("accepted ") and line.endswith("\n"):
                accepted = int(line.split()[1])
        child.wait()
        child.stdout.close()
    assert accepted > KILLS, "the children did something"
    last = start(tmp_path, "quiet")
    assert last.stdout.read() == "done\n"
    assert last.wait() == 0
    last.stdout.close()

    with contextlib.closing(SqliteJournal.open(tmp_path / "journal.db")) as journal:
        facts = {key: doc["n"] for kind, key, doc in journal.facts() if kind == "alarm"}
        committed = len(facts)
        notes = {row["n"] for row in journal.history("alarm", limit=1_000_000)}
        bed = next(doc["n"] for kind, _, doc in journal.facts() if kind == "bed")
        sent = {row["message"] for row in journal.sent(limit=1_000_000)}
        assert journal.waiting() == []
    # Accepted, or committed by a call that the kill cut off before it could say so: never fewer, never a part.
    assert accepted <= committed <= accepted + 1
    assert sorted(facts.values()) == list(range(1, committed + 1))
    assert notes == set(facts.values())
    assert bed == committed
    assert sent == {f"m{n}" for n in notes}

    words = Counter((tmp_path / "phone").read_text().splitlines())
    delivered = [words[f"end m{n}"] for n in range(1, committed + 1)]
    assert min(delivered) >= 1, "every message reached the phone"
    copies = sum(delivered) - committed
    assert copies <= KILLS, "at most one second copy for each call that a kill cut off"
    assert sum(words[f"begin m{n}"] for n in range(1, committed + 1)) - committed <= KILLS
    print(f"{KILLS} kills, {accepted} accepted, {committed} committed, 0 lost, {copies} second copies")
