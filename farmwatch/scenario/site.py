"""Saltmarsh Works as tables: machines, backups, circuits, jobs, people, and where their devices speak.

Everything here is made up for the scenario. Power levels follow the published measurements that
tests/test_scenario.py names; what no source gives is common practice and marked so.
"""

from dataclasses import dataclass

CIRCUITS: dict[str, float] = {"west": 16.0, "east": 16.0}
"""Circuit: rated amperes of its breaker."""

VOLTAGE_V = 230.0
PEOPLE = ("ann", "bram")
INTERVAL_S, HTTP_INTERVAL_S, UPS_INTERVAL_S, AIR_INTERVAL_S = 2.0, 10.0, 5.0, 30.0


@dataclass(frozen=True, slots=True)
class Material:
    """Temperatures in Celsius of the bed and the nozzle, the bed at which parts let go, and the filament's weight.

    Inside the usual ranges (makers' data sheets differ); the release temperatures are common practice,
    no source. Grams of a metre: 1.75 mm at usual densities.
    """

    bed_c: float
    nozzle_c: float
    release_c: float
    metre_g: float = 3.0


MATERIALS: dict[str, Material] = {
    "PLA": Material(60.0, 210.0, 38.0, 2.98),
    "PETG": Material(75.0, 240.0, 45.0, 3.05),
    "ASA": Material(92.0, 250.0, 55.0, 2.57),
}


@dataclass(frozen=True, slots=True)
class Job:
    """A plate of parts: minutes on a machine of speed 1, and how the slicer's progress bends (|bend| < 1)."""

    name: str
    material: str
    minutes: float
    bend: float

    @property
    def grams(self) -> float:
        """Filament that it takes: 20 g an hour (common practice for a 0.4 mm nozzle, no source)."""
        return round(self.minutes / 3.0)


SPOOL_G = 1000.0
SPOOL_PRICE = 19.0


JOBS: dict[str, Job] = {
    job.name: job
    for job in (
        Job("hive-latch", "PETG", 48, 0.25),
        Job("frame-spacer", "PLA", 75, -0.30),
        Job("vent-collar", "PETG", 132, 0.40),
        Job("pane-clip", "ASA", 64, -0.20),
        Job("drip-elbow", "PETG", 96, 0.10),
        Job("queen-gate", "PLA", 45, 0.35),
        Job("gutter-hook", "ASA", 185, 0.30),
        Job("feeder-float", "PETG", 224, -0.40),
        Job("entrance-reducer", "PLA", 158, 0.20),
        Job("hose-cradle", "PETG", 310, 0.45),
        Job("louvre-pin", "ASA", 112, -0.10),
        Job("brace-corner", "PETG", 428, -0.25),
        Job("shade-ring", "PLA", 266, 0.50),
        Job("brood-divider", "PLA", 384, -0.45),
        Job("landing-board", "PETG", 612, 0.30),
        Job("bench-foot", "PETG", 840, -0.15),
        Job("sash-hinge", "ASA", 352, 0.15),
        Job("wasp-guard", "PLA", 515, 0.25),
        Job("roof-riser", "PLA", 728, -0.35),
        Job("glazing-bar-end", "ASA", 655, 0.20),
    )
}


@dataclass(frozen=True, slots=True)
class MachineSpec:
    """One machine and its habits.

    Attributes:
        name: as configured.
        bank: bank.
        backup: backup that feeds the bank.
        panel: how the machine itself reports: "mqtt", "http" or "" for not at all.
        plug: how its plug reports: "json" or "text" over MQTT, or "http".
        material: feedstock it is kept for.
        scale: size; heaters, losses and motors grow with it.
        idle_w: drawn at rest.
        speed: duration of a job here, as a multiple of its minutes.
        hold_min: minutes for which it keeps the bed hot after the end.
        linger_min: minutes after which its panel forgets that a build has ended; 0: never by itself.
        bias: remaining time that it reports, as a multiple of its best guess.
    """

    name: str
    bank: str
    backup: str
    panel: str
    plug: str
    material: str
    scale: float
    idle_w: float
    speed: float
    hold_min: float = 0.0
    linger_min: float = 0.0
    bias: float = 1.0


MACHINES: tuple[MachineSpec, ...] = (
    MachineSpec("avocet", "quay", "one", "mqtt", "json", "PLA", 1.00, 9.0, 1.00, bias=1.08),
    MachineSpec("bittern", "quay", "one", "mqtt", "text", "PETG", 0.75, 8.0, 1.06, linger_min=8.0, bias=0.90),
    MachineSpec("curlew", "quay", "one", "", "json", "PLA", 0.60, 6.2, 1.15, hold_min=20.0),
    MachineSpec("dunlin", "loft", "two", "mqtt", "json", "ASA", 1.65, 12.0, 0.92, bias=1.15),
    MachineSpec("eider", "loft", "two", "mqtt", "http", "PETG", 1.20, 10.5, 0.97, bias=0.86),
    MachineSpec("fulmar", "loft", "two", "http", "json", "PLA", 0.90, 8.4, 1.02, bias=1.05),
    MachineSpec("gannet", "slip", "three", "mqtt", "json", "PETG", 1.30, 11.0, 0.95, linger_min=15.0, bias=1.12),
    MachineSpec("heron", "slip", "three", "http", "json", "PETG", 0.80, 7.6, 1.08, hold_min=12.0, bias=0.94),
    MachineSpec("ibis", "slip", "three", "", "text", "PETG", 1.00, 9.4, 1.03),
    MachineSpec("jackdaw", "yard", "four", "mqtt", "json", "PLA", 0.70, 7.0, 1.10, hold_min=35.0, bias=1.02),
    MachineSpec("knot", "yard", "four", "http", "http", "PLA", 0.55, 6.0, 1.18, bias=0.97),
    MachineSpec("lapwing", "yard", "four", "", "json", "ASA", 1.45, 11.6, 0.94),
)

SPOOLS: dict[str, tuple[str, float]] = {
    spec.name: (f"{spec.name}-0", 300.0 + 55.0 * number) for number, spec in enumerate(MACHINES)
}
"""Machine: the spool on it at the start, grams left, as demo.toml has them."""


@dataclass(frozen=True, slots=True)
class BackupSpec:
    """A battery backup: `blocks` lead-acid blocks of 12 V in series, `health` of them left (1 = new)."""

    name: str
    circuit: str
    rating_w: float
    rating_va: float
    blocks: int
    health: float = 1.0


BACKUPS: tuple[BackupSpec, ...] = (
    BackupSpec("one", "west", 1000, 1500, 6),
    BackupSpec("two", "west", 1200, 1500, 2),
    BackupSpec("three", "east", 1000, 1500, 4, 0.75),
    BackupSpec("four", "east", 900, 1000, 2),
)

LOADS: dict[str, tuple[str, str, float]] = {
    # load: (feeds from, its name, watts)
    "router": ("backup", "one", 15.0),
    "extractor": ("circuit", "east", 38.0),
}


# ---- addresses, as demo.toml maps them ------------------------------------------------------------------------

AIR_TOPIC = "shed/air"
_PANEL_HOST = {"fulmar": "192.0.2.21", "heron": "192.0.2.22", "knot": "192.0.2.23"}  # RFC 5737: documentation only
_PLUG_HOST = {"eider": "192.0.2.41", "knot": "192.0.2.42"}


def panel_address(machine: str, panel: str) -> str:
    """Topic or URL at which a machine reports."""
    return f"shed/panel/{machine}/now" if panel == "mqtt" else f"http://{_PANEL_HOST[machine]}/now"


def link_topic(machine: str) -> str:
    """Topic of a panel's birth and last will."""
    return f"shed/panel/{machine}/link"


def plug_addresses(machine: str, plug: str) -> tuple[str, ...]:
    """Where a plug reports: one topic or URL; two topics where it sends plain text."""
    if plug == "json":
        return (f"shed/plug/{machine}",)
    if plug == "text":
        return (f"shed/meter/{machine}/watts", f"shed/meter/{machine}/kwh")
    return (f"http://{_PLUG_HOST[machine]}/meter",)


def ups_address(backup: str) -> str:
    """UPS name at its RFC 9271 server."""
    return f"{backup}@127.0.0.1:3493"
