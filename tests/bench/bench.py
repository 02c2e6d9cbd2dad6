"""What the benches share: a farm of panels and plugs that publish like a real one, and figures of a process."""

import json
import math
import multiprocessing
import os
import sys
import time
from pathlib import Path

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion

REPOSITORY = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(REPOSITORY), str(REPOSITORY / "tests" / "real")]

CYCLE_S, HEAT_S, PRINT_S, COOL_S = 7_200, 240, 5_400, 1_200
TICKS = os.sysconf("SC_CLK_TCK")


def panel(machine: int, at_s: float) -> bytes:
    """What a machine's panel says: it heats, prints, cools, rests; a cycle of two hours, each at its own time."""
    phase_s = (at_s + machine * 613) % CYCLE_S
    number = int((at_s + machine * 613) // CYCLE_S)
    if phase_s < HEAT_S:
        state, percent, bed_c, target_c = "RUN", 0.0, 20 + 40 * phase_s / HEAT_S, 60
    elif phase_s < HEAT_S + PRINT_S:
        state, bed_c, target_c = "RUN", 60.0 + 0.4 * math.sin(phase_s), 60
        percent = round(100 * (phase_s - HEAT_S) / PRINT_S, 1)
    elif phase_s < HEAT_S + PRINT_S + COOL_S:
        state, percent, target_c = "END", 100.0, 0
        bed_c = 20 + 40 * math.exp(-(phase_s - HEAT_S - PRINT_S) / 500)
    else:
        state, percent, bed_c, target_c = "IDLE", 0.0, 22.0, 0
    doc = {"state": state, "job": f"clip-{number % 5}", "percent": percent, "left": round((100 - percent) * 0.9, 1)}
    return json.dumps(doc | {"bed": {"now": round(bed_c, 1), "set": target_c}}).encode()


def plug(machine: int, at_s: float) -> bytes:
    """What its plug says: full power while heating, then a heater that switches between two levels."""
    phase_s = (at_s + machine * 613) % CYCLE_S
    if phase_s < HEAT_S:
        watts = 330.0
    elif phase_s < HEAT_S + PRINT_S:
        watts = 185.0 if math.sin(phase_s / 5.0) > 0.2 else 75.0
    else:
        watts = 7.0
    watts += 1.5 * math.sin(at_s * 1.7 + machine)
    return json.dumps({"w": round(watts, 1), "wh": round(at_s * 0.03, 2)}).encode()


def publish_farm(port: int, names: list[str], plugs: bool, seconds: float, until: object = None) -> None:
    """Every machine every 2 s, spread evenly over the interval, for so long; for a process of its own."""
    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.max_queued_messages_set(0)
    client.connect("127.0.0.1", port)
    client.loop_start()
    began_s, count = time.monotonic(), 0
    slots = max(1, min(100, len(names)))
    while time.monotonic() - began_s < seconds and not (until is not None and until.is_set()):
        slot = count % slots
        for number in range(slot, len(names), slots):
            at_s = time.time()
            client.publish(f"works/{names[number]}/status", panel(number, at_s))
            if plugs:
                client.publish(f"plugs/{names[number]}", plug(number, at_s))
        count += 1
        time.sleep(max(0.0, began_s + count * 2.0 / slots - time.monotonic()))
    client.disconnect()
    client.loop_stop()


def in_background(work, *args):
    """A process that ends with us."""
    process = multiprocessing.get_context("fork").Process(target=work, args=args, daemon=True)
    process.start()
    return process


def cpu_s(pid: int) -> float:
    """Processor time of a process so far, user and system (proc(5), fields 14 and 15), all its threads."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def memory_mib(pid: int) -> dict[str, float]:
    """VmRSS, VmHWM and so on of a process, MiB (proc(5))."""
    rows = (line.split() for line in Path(f"/proc/{pid}/status").read_text().splitlines() if line.startswith("Vm"))
    return {row[0].rstrip(":"): int(row[1]) / 1024 for row in rows}


def load() -> str:
    """How busy the computer is, for the report."""
    return f"load average {' '.join(f'{value:.1f}' for value in os.getloadavg())} on {os.cpu_count()} cores"
