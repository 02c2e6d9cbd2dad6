"""The configuration as a tree of models, and what the pure rooms get of it: plan, routes, buttons.

Every key's description is its documentation: the README's table and the JSON Schema are made from it.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PrivateAttr, SecretStr, field_validator
from pydantic_settings import BaseSettings, PydanticBaseSettingsSource, SettingsConfigDict

from farmwatch.alarms.hours import parse
from farmwatch.machines.deeds import Action
from farmwatch.power.load import PowerSite, Supply
from farmwatch.power.tariff import Tariff, period_of
from farmwatch.settings_fields import Count, Feeder, Number, Part, Text, TimeOfDay, Watts, Words, pointed
from farmwatch.settings_nightly import NightlyEntry
from farmwatch.settings_people import Hours, Person
from farmwatch.settings_rounds import Rounds
from farmwatch.settings_shop import IntervalEntry, MaterialEntry, SpoolEntry, Stock, releases, shop_plan
from farmwatch.wire.intake import Button, Route
from farmwatch.wire.payload import FieldSpec, MappingSpec, TimeSpec
from farmwatch.wire.upsvalues import TABLE as UPS_TABLE
from farmwatch.words.model import (
    BackupPlan,
    CircuitPlan,
    HoursPlan,
    JobPlan,
    LoadPlan,
    MachinePlan,
    RuleChange,
    SitePlan,
    SourcePlan,
)
from farmwatch.words.quantities import AVAILABILITY_WORDS, QUANTITIES

UPS_QUANTITIES = frozenset(
    {"status", "self_test", "self_test_age_s", "battery_date", *(row.quantity for row in UPS_TABLE)}
)
"""What a mapping via "ups" may yield (RFC 9271, section 5), and one via "snmp" (RFC 1628)."""
KNOWING = frozenset({"ups", "snmp"})
"""Transports that know their own values."""

PARAMETER = re.compile(r"\{([A-Za-z_]\w*)\}")
DEFAULT_INTERVAL_S: dict[str, float] = {"http": 10.0, "ups": 5.0, "snmp": 10.0}
"""Polled transports have a rhythm of their own; for the others the owner must say it."""


Level = Literal["raw", "1min", "15min", "1d"]
Via = Literal["mqtt", "http", "push", "ups", "snmp"]


class Site(Part):
    """The shop."""

    name: str = Field(
        default="Workshop", min_length=1, max_length=60, description="Name of the shop, as messages say it."
    )
    timezone: str = Field(
        default="UTC", description='Time zone of the clock times in messages, such as "Europe/London".'
    )
    voltage_v: Number = Field(default=230.0, ge=90, le=260, description="Nominal mains voltage.")
    continuous_share: Number = Field(
        default=0.8,
        gt=0,
        le=1,
        description="Share of a breaker's rating that may be drawn for 3 h and more: the site's own policy. 0.8 is "
        "1/1.25 (NEC 210.19, 210.20); local codes decide.",
    )
    start_risk: Number = Field(
        default=0.01,
        gt=0,
        le=0.5,
        description="Share of time above a limit, at each circuit and backup, that the start sequence accepts.",
    )
    blip_s: Number = Field(default=5.0, ge=0, le=600, description="A power blip shorter than this is logged, not sent.")
    collector_backup: str | None = Field(
        default=None, description="Backup that feeds this computer, router and switch; it is told before it is empty."
    )
    rounds: list[TimeOfDay] = Field(
        default=[],
        max_length=12,
        description='Clock times at which somebody usually comes by, such as ["08:30", "18:00"]; the page holds '
        "finish times against them.",
    )
    locale: Literal[
        "en-GB", "en-IE", "en-AU", "en-NZ", "en-CA", "en-US", "da-DK", "de-AT", "de-CH", "de-DE", "es-ES", "fi-FI",
        "fr-FR", "it-IT", "nb-NO", "nl-NL", "pl-PL", "pt-BR", "pt-PT", "sv-SE",
    ] = Field(default="en-GB", description="How the page writes numbers and dates; the words stay English.")
    clock: Literal[12, 24] | None = Field(default=None, description="Hours of the clock; left out: the locale's.")
    units: Literal["metric", "us"] = Field(default="metric", description="us: the page shows °F.")
    work_waits: bool = Field(
        default=True,
        description="Work usually waits for a free machine: beds are reminded of once after an hour, and a machine "
        "that stands clear counts as idle in rounds.",
    )
    closed: list[Hours] = Field(
        default=[],
        max_length=14,
        description='Hours in which nobody plans to run, such as ["sat 18:00-24:00", "sun 00:00-24:00"]: a machine '
        "that stands still then is nonscheduled (SEMI E10), one that builds is productive.",
    )

    def closed_hours(self) -> tuple[HoursPlan, ...]:
        """`closed` as the pure rooms see it."""
        return tuple(parse(text) for text in self.closed)


class Web(Part):
    """The page and the API."""

    bind: str = Field(
        default="127.0.0.1", description="Address to listen on. Anything but loopback needs a web_password."
    )
    port: Count = Field(default=8420, ge=0, le=65_535, description="Port of the page; 0 takes a free one.")
    base_url: str = Field(default="", description="Address of the page as phones reach it, for links in messages.")
    hosts: list[str] = Field(default=[], description="Further names that a browser may call this computer.")
    wall_distance_m: float = Field(
        default=3.0, ge=1.0, le=5.0,
        description="From how far the wall is read on a screen of 10 inches: nearer shows more lines, farther fewer.",
    )  # fmt: skip
    metrics: Literal["token", "local", "open"] = Field(
        default="local",
        description="Who may read /metrics without signing in: token (nobody without the API's token), local (this "
        "computer itself), open (everybody who reaches the page).",
    )
    sites: list[str] = Field(
        default=[], max_length=100, description="Collectors (their [mqtt] client_id) that the page /sites shows."
    )


class Tls(Part):
    """TLS towards the broker."""

    ca_file: str = Field(default="", description='Certificate authority; "" uses the system\'s.')
    cert_file: str = Field(default="", description="Client certificate.")
    key_file: str = Field(default="", description="Key of the client certificate.")
    insecure: Literal["", "i_know"] = Field(
        default="",
        description='"i_know" accepts any certificate: anybody on the network can read and forge.',
    )


class Mqtt(Part):
    """The MQTT broker. Its password stands in the secrets folder as mqtt_password."""

    host: str = Field(default="127.0.0.1", min_length=1, description="Broker.")
    port: Count = Field(default=1883, ge=1, le=65_535, description="Port; 8883 is customary with TLS.")
    protocol: Literal[3, 5] = Field(default=5, description="5, or 3 for MQTT 3.1.1.")
    user: str = Field(default="", description="User name.")
    client_id: str = Field(default="farmwatch", min_length=1, description="Client identifier, unique on the broker.")
    keepalive_s: Count = Field(default=30, ge=5, le=65_535, description="Keep-alive.")
    qos: Literal[0, 1, 2] = Field(default=1, description="Quality of service of the subscriptions.")
    command_topic: str = Field(
        default="farmwatch/command",
        description='What people say by MQTT: JSON with command, machine, by; "" listens to none.',
    )
    summary: bool = Field(default=False, description="Publish how this site stands, for another's page /sites.")
    tls: Tls | None = Field(default=None, description="Present: TLS is used.")


class HeartbeatEntry(Part):
    """A request to an address of yours while all is well. Its address is the secret heartbeat_url; without it, none."""

    every_s: Number = Field(default=60.0, ge=10, le=86_400, description="Seconds between two requests.")


class PairEntry(Part):
    """Two collectors of this site on one broker, of which one speaks; docs/several.md."""

    role: Literal["primary", "standby"] = Field(description="The standby speaks while the primary cannot.")
    peer: str = Field(min_length=1, description="The other's [mqtt] client_id.")
    fresh_s: Number = Field(default=15.0, ge=2, le=300, description="So long after its last beat the other is gone.")


class InfluxEntry(Part):
    """A server that takes InfluxDB's version 2 writes, beside the history here. Its token: the secret influx_token."""

    url: Text = Field(description='Its address, such as "http://192.168.1.20:8086".')
    org: str = Field(min_length=1, description="Its organisation.")
    bucket: str = Field(min_length=1, description="Where readings go; it must exist.")
    ca_file: str = Field(default="", description='Certificate authority of an https address; "" uses the system\'s.')
    spool_mb: Number = Field(default=200.0, ge=1, le=100_000, description="Room for what could not be sent yet.")
    spool_days: Number = Field(default=30.0, ge=1, le=3660, description="What is older is not sent any more.")
    charts: bool = Field(default=False, description="Draw the page's charts from this server, not the history here.")


class Channel(Part):
    """A way to a phone. Its service URL stands in the secrets folder as channel_<name>."""

    label: str = Field(default="", description="What pages and logs call it; the service URL is never shown.")
    self_test_days: Number = Field(
        default=7.0, ge=0, le=366, description="Silent test after so many days without a message; 0: never."
    )
    quiet: str = Field(
        default="",
        max_length=200,
        description="Options of the service URL that make a message silent: `priority=low`; of a webhook any word.",
    )


class Subject(Part):
    """Something that sources speak about."""

    uses: Words = Field(default=[], description="Names of the mappings that tell about it.")
    params: dict[str, Text] = Field(
        default={}, description="Values for {name} in the mappings' addresses and pointers."
    )


class Circuit(Subject):
    """What hangs behind one breaker; with `uses`, a meter there measures all of it."""

    rating_a: Number = Field(gt=0, le=400, description="Rated current of the breaker.")
    curve: Literal["B", "C", "D"] | None = Field(default=None, description="Tripping curve that is printed on it.")
    circuit: Feeder = Field(default=None, description="Circuit that feeds it, if it is not the site's own.")
    continuous_share: Number | None = Field(
        default=None, gt=0, le=1, description="Its own share for 3 h and more, if not [site] continuous_share."
    )


class Plug(Subject):
    """A metering plug or strip that feeds a backup, or several things."""

    circuit: Feeder = Field(default=None, description="Circuit that feeds it.")
    backup: Feeder = Field(default=None, description="Backup that feeds it, if one does.")
    plug: Feeder = Field(default=None, description="Another plug that feeds it, if one does.")


class Backup(Subject):
    """A battery backup (UPS). Login, where its server or agent wants one: secrets ups_<name> or snmp_<name>."""

    circuit: Feeder = Field(default=None, description="Circuit that feeds it.")
    plug: Feeder = Field(default=None, description="Plug before it, which measures its charging and losses too.")
    rating_w: Number | None = Field(default=None, gt=0, description="Rated active power.")
    rating_va: Number | None = Field(default=None, gt=0, description="Rated apparent power.")
    battery_wh: Number | None = Field(default=None, gt=0, description="Energy of the battery, from its data sheet.")
    runtime_table: list[tuple[Number, Number]] = Field(
        default=[], description="Data sheet: [[load in W, minutes], ...], rising loads."
    )
    battery_date: date | None = Field(default=None, description="Day on which its battery was fitted: 2024-03-01.")
    self_test_days: Number | None = Field(
        default=None, gt=0, le=3660, description="Longest time between two tests of the battery; missing: not watched."
    )


class Bank(Part):
    """Machines that share a supply."""

    backup: Feeder = Field(default=None, description="Backup that feeds it.")
    circuit: Feeder = Field(default=None, description="Circuit that feeds it, if no backup does.")
    plug: Feeder = Field(default=None, description="Metering plug or strip that feeds all of it.")


class Load(Subject):
    """Something else that draws power: a dryer, fans, the router."""

    circuit: Feeder = Field(default=None, description="Circuit that feeds it.")
    backup: Feeder = Field(default=None, description="Backup that feeds it, if one does.")
    plug: Feeder = Field(default=None, description="Metering plug or strip that feeds it, if one does.")
    constant_w: Number | None = Field(default=None, ge=0, description="What it draws, if no plug measures it.")
    constant_range_w: tuple[Number, Number] | None = Field(
        default=None, description="The same as [least, greatest]; constant_w, or the middle, is what is reckoned with."
    )


class Sensor(Subject):
    """A sensor of the room's air."""


class Machine(Subject):
    """A machine. Every key can also stand in [machine_defaults]."""

    bank: str | None = Field(default=None, description="Its bank; backup and circuit come from there.")
    backup: Feeder = Field(default=None, description="Backup that feeds it, if not the bank's.")
    circuit: Feeder = Field(default=None, description="Circuit that feeds it, if not the bank's.")
    plug: Feeder = Field(default=None, description="Metering strip that feeds it and others, if not the bank's.")
    material: str | None = Field(default=None, min_length=1, description="Usual feedstock, where jobs do not say it.")
    release_c: Number | None = Field(
        default=None, ge=0, le=200, description="Bed temperature at which a build comes off."
    )
    cool_min: Number | None = Field(
        default=None, ge=0, le=1440, description="Minutes to cool, where no bed temperature comes."
    )
    actions: Words = Field(
        default=[], description="Actions that are turned on here; never by [machine_defaults], none by default."
    )
    row: Count | None = Field(default=None, ge=1, le=100, description="Row in the room, for the map.")
    column: Count | None = Field(default=None, ge=1, le=100, description="Column in the room, for the map.")
    service: dict[str, IntervalEntry] = Field(
        default={}, description="Service intervals of its parts, where they differ from [service]."
    )
    plug_levels: dict[Literal["off_w", "idle_w", "hold_low_w", "hold_high_w", "heat_w"], Watts] = Field(
        default={}, description="Watts on its plug in one state, where the learnt ones are wrong: idle_w = 14."
    )


class Job(Part):
    """A job that is built again and again; its name is the one that machines report."""

    pieces: Number | None = Field(
        default=None, gt=0, le=10_000, description="Pieces of one build, for energy and cost of a good part."
    )
    grams: Number | None = Field(
        default=None, gt=0, le=20_000, description="Filament of one build, where no report says what it used."
    )
    hours: Number | None = Field(
        default=None, gt=0, le=500, description="Length of one build, until builds of it have been seen."
    )
    material: str | None = Field(default=None, min_length=1, description="Its feedstock, for the work list.")
    machines: Words = Field(
        default=[], description="Machines that can make it; none: all that are fed with its material."
    )
    value: Number | None = Field(
        default=None, ge=0, description="What one build is worth, in any unit; missing: its hours."
    )


class FieldEntry(Part):
    """Where a value stands in a payload. A plain string is a pointer to a value in SI units."""

    pointer: str = Field(default="", description='JSON Pointer (RFC 6901); "" is the whole payload.')
    unit: str | None = Field(default=None, description="Unit in the payload; missing: the quantity's own.")
    scale: Number = Field(default=1.0, description="Multiplied first.")
    offset: Number = Field(default=0.0, description="Then added, still in the payload's unit.")
    words: dict[str, Words] | None = Field(default=None, description="The device's words to ours, one or several.")


class TimeEntry(Part):
    """Where a payload's own time stands."""

    pointer: str = Field(description="JSON Pointer.")
    unit: Literal["s", "ms", "rfc3339"] = Field(
        default="s", description="Seconds or milliseconds since 1970, or RFC 3339."
    )


class MappingEntry(Part):
    """How one kind of device speaks; used by any number of them."""

    via: Via = Field(
        description="Transport: mqtt, http (polled), push (the device posts), ups (RFC 9271) or snmp (RFC 1628)."
    )
    address: str = Field(
        min_length=1, description="Topic, URL, path, upsname@host:port or host:port, with {parameters}."
    )
    version: Literal["2c", "3"] = Field(
        default="2c", description="SNMP: 2c, or 3 with authentication (SHA) and privacy (AES)."
    )
    interval_s: Number | None = Field(
        default=None,
        ge=0,
        le=86_400,
        description="Seconds between messages; 0: only on change. Polled: 10 (http, snmp), 5 (ups).",
    )
    timeout_s: Number = Field(default=4.0, gt=0, le=60, description="Longest wait for an answer to begin (http, ups).")
    deadline_s: Number = Field(default=10.0, gt=0, le=120, description="Longest time for a whole request (http).")
    format: Literal["json", "text"] = Field(default="json", description="What the payload is.")
    starttls: Literal["never", "verified", "i_know"] = Field(
        default="never",
        description='RFC 9271: "verified" checks the certificate; "i_know" takes any, which can be forged.',
    )
    ca_file: str = Field(default="", description='Certificate authority for starttls; "" uses the system\'s.')
    time: TimeEntry | None = Field(default=None, description="The device's own time, if it sends one.")
    values: dict[str, Annotated[FieldEntry, BeforeValidator(pointed, json_schema_input_type=str | FieldEntry)]] = (
        Field(default={}, description="Quantity: where it stands. `ups` and `snmp` know their own.")
    )

    @property
    def rhythm_s(self) -> float:
        """Seconds between messages; 0: on change only."""
        return DEFAULT_INTERVAL_S.get(self.via, 0.0) if self.interval_s is None else self.interval_s


class ButtonEntry(Part):
    """A button at the machines that publishes to MQTT."""

    topic: str = Field(min_length=1, description="Topic.")
    payload: str | None = Field(default=None, description="Only this payload; missing: any.")
    command: str = Field(default="cleared", description="What pressing it says.")
    machine: str | None = Field(default=None, description="About which machine.")


class ActionEntry(Part):
    """Something that a person may have done to a machine, asked for and confirmed. Off until a machine names it."""

    kind: Literal["pause", "resume", "stop", "off"] = Field(description="What it does to the machine.")
    via: Literal["mqtt", "http"] = Field(description="mqtt: published to the broker; http: a request to the device.")
    address: str = Field(min_length=1, description="Topic or URL, with {parameters} of the machine.")
    payload: str = Field(default="", max_length=4_000, description="Body, with {parameters}.")
    method: Literal["POST", "PUT", "GET"] = Field(default="POST", description="Of the HTTP request.")
    cuts_power: bool = Field(
        default=False, description="The machine loses its power by it (off always does): refused while hot."
    )
    answer_s: Number = Field(
        default=60.0, ge=2, le=900, description="Time within which the machine's own reports must show it."
    )


class RuleKeys(Part):
    """What can be changed in a row of the alarm table."""

    on_delay_s: Number | None = Field(default=None, ge=0, le=86_400, description="How long the condition must hold.")
    off_delay_s: Number | None = Field(default=None, ge=0, le=86_400, description="How long it must be gone.")
    priority: Literal["danger", "session", "digest"] | None = Field(default=None, description="Priority.")
    off: bool | None = Field(default=None, description="Never raise it.")
    limit: Number | None = Field(default=None, description="Its threshold, in the unit of the alarm table.")
    deadband: Number | None = Field(
        default=None, ge=0, description="How far a value must come back within the limit, in the same unit."
    )
    realarm_s: Number | None = Field(
        default=None, ge=0, le=86_400, description="Acknowledged and still true, it asks again after so long; 0: never."
    )
    people: list[str] = Field(
        default=[], description="All of these are told and nobody else; none: one person, the next after an hour."
    )

    def change(self, subjects: "dict[str, RuleChange] | None" = None) -> RuleChange:
        """As the pure rooms see it."""
        return RuleChange(
            self.on_delay_s, self.off_delay_s, self.priority, self.off, self.limit, self.deadband, self.realarm_s,
            tuple(self.people), subjects or {},
        )  # fmt: skip


class Rule(RuleKeys):
    """The owner's change to a row of the alarm table."""

    subjects: dict[str, RuleKeys] = Field(default={}, description="Changes for one subject of the rule alone.")


class TimeOfUse(Part):
    """A price that holds at certain times, by the wall clock of [site] timezone."""

    per_kwh: Number = Field(description="Price of a kWh.")
    days: list[Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]] = Field(
        default=[], description="Weekdays on which it begins; none: every day."
    )
    start: TimeOfDay = Field(description='When it begins, such as "00:30".')
    end: TimeOfDay = Field(description="When it ends; earlier than its start: on the next day.")


class TariffEntry(Part):
    """What energy costs."""

    currency: str = Field(default="", max_length=8, description="As it is to be shown, such as GBP.")
    per_kwh: Number = Field(description="Price of a kWh, where no time of use holds.")
    standing_per_day: Number = Field(default=0.0, description="Standing charge of a day.")
    times: dict[str, TimeOfUse] = Field(default={}, description="Times of use; the first that holds counts.")


class History(Part):
    """What is kept of readings, and for how long."""

    keep_days: dict[Level, Count] = Field(
        default={},
        description='Days for which readings ("raw") and each level of rollups are kept; none or 0: for good.',
    )
    quantities: dict[str, dict[Level, Count]] = Field(
        default={}, description="The same for one quantity, where it differs."
    )
    numpy: bool = Field(
        default=False, description="Use numpy, where it is installed: faster charts for some 15 MB more memory."
    )

    @field_validator("quantities")
    @classmethod
    def _known(cls, value: dict[str, dict[str, int]]) -> dict[str, dict[str, int]]:
        for name in value:
            if name not in QUANTITIES:
                raise ValueError(f'"{name}" is no quantity; see the table of quantities')
        return value


class Simulated(Part):
    """The scenario as a source, at the same door as devices."""

    seed: Count = Field(default=7, ge=0, description="Seed of the days.")
    start: str = Field(default="", description='RFC 3339; "": one day before now.')
    speed: Number = Field(default=240.0, ge=1, le=100_000, description="Times real time until it meets the present.")
    replaces: list[Via] = Field(
        default=["mqtt", "http", "push", "ups"], description="Transports that it stands in for."
    )


class Secrets(BaseModel):
    """What stands in the secrets folder. Never in the configuration, never in logs."""

    model_config = ConfigDict(extra="forbid", frozen=True, hide_input_in_errors=True)

    mqtt_password: SecretStr | None = Field(default=None, description="Password of [mqtt] user.")
    push_token: SecretStr | None = Field(default=None, description="Token that pushing devices send.")
    web_password: SecretStr | None = Field(default=None, description="Password of the page.")
    look_password: SecretStr | None = Field(
        default=None, description="A second password of the page, with which one can look but say nothing."
    )
    heartbeat_url: SecretStr | None = Field(default=None, description="Where [heartbeat] sends its requests.")
    influx_token: SecretStr | None = Field(default=None, description="Token for [influx].")
    act_password: SecretStr | None = Field(default=None, description="Password for actions at machines.")
    channel: dict[str, SecretStr] = Field(default={}, description="channel_<name>: service URL of a channel.")
    http: dict[str, SecretStr] = Field(
        default={}, description="http_<mapping>: Authorization header of a polled mapping."
    )
    ups: dict[str, SecretStr] = Field(default={}, description="ups_<backup>: user:password for a UPS server.")
    act: dict[str, SecretStr] = Field(
        default={}, description="act_<action>: Authorization header of an action's request."
    )
    snmp: dict[str, SecretStr] = Field(
        default={}, description="snmp_<backup>: community (2c), or user:authentication:privacy (3)."
    )


class Settings(BaseSettings):
    """The whole configuration, version 1."""

    model_config = SettingsConfigDict(
        extra="forbid",
        frozen=True,
        hide_input_in_errors=True,
        env_prefix="FARMWATCH__",
        env_nested_delimiter="__",
        title="Farmwatch configuration",
    )

    config_version: Literal[1] = Field(default=1, description="Version of the configuration's form.")
    data_dir: str = Field(
        default="farmwatch-data", min_length=1, description="Databases; relative to the configuration file."
    )
    secrets_dir: str = Field(
        default="secrets", description="Folder of secrets, one a file; relative to the configuration file."
    )
    site: Site = Field(default=Site(), description="The shop.")
    web: Web = Field(default=Web(), description="The page.")
    mqtt: Mqtt | None = Field(default=None, description="The broker.")
    pair: PairEntry | None = Field(default=None, description="Present: another collector watches the same site.")
    heartbeat: HeartbeatEntry | None = Field(
        default=None, description="A request to an address of yours while all is well."
    )
    channels: dict[str, Channel] = Field(default={}, description="Ways to phones.")
    influx: InfluxEntry | None = Field(default=None, description="A second place for readings.")
    people: dict[str, Person] = Field(default={}, description="Who is told.")
    rounds: Rounds = Field(default=Rounds(), description="Rounds to the machines.")
    circuits: dict[str, Circuit] = Field(default={}, description="Breakers.")
    plugs: dict[str, Plug] = Field(default={}, description="Metering plugs before backups, and strips.")
    backups: dict[str, Backup] = Field(default={}, description="Battery backups.")
    banks: dict[str, Bank] = Field(default={}, description="Banks of machines.")
    loads: dict[str, Load] = Field(default={}, description="Other loads.")
    sensors: dict[str, Sensor] = Field(default={}, description="Sensors of the room's air.")
    machine_defaults: Machine = Field(
        default=Machine(), description="What holds for every machine that says nothing else."
    )
    machines: dict[str, Machine] = Field(default={}, description="The machines.")
    jobs: dict[str, Job] = Field(default={}, description="Jobs that are built again and again.")
    materials: dict[str, MaterialEntry] = Field(default={}, description="Materials, where yours differ.")
    spools: dict[str, SpoolEntry] = Field(default={}, description="Spools that are there at the start.")
    stock: Stock = Field(default=Stock(), description="Ordering filament, and what machines cost.")
    service: dict[str, IntervalEntry] = Field(default={}, description="Service intervals by part.")
    mappings: dict[str, MappingEntry] = Field(default={}, description="How devices speak.")
    buttons: dict[str, ButtonEntry] = Field(default={}, description="Buttons at the machines.")
    actions: dict[str, ActionEntry] = Field(default={}, description="What a person may have done to a machine.")
    rules: dict[str, Rule] = Field(default={}, description="Changes to the alarm table.")
    tariff: TariffEntry | None = Field(default=None, description="What energy costs.")
    history: History = Field(default=History(), description="What is kept of readings.")
    nightly: NightlyEntry = Field(default=NightlyEntry(), description="The nightly backup.")
    simulated: Simulated | None = Field(default=None, description="The scenario as a source.")
    secrets: Secrets = Field(default=Secrets(), exclude=True, description="Not in the file: the secrets folder.")

    _file: Path = PrivateAttr(Path("farmwatch.toml"))
    _origins: dict[tuple[str, ...], str] = PrivateAttr({})

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],  # noqa: ARG003  (the library's signature)
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,  # noqa: ARG003
        dotenv_settings: PydanticBaseSettingsSource,  # noqa: ARG003
        file_secret_settings: PydanticBaseSettingsSource,  # noqa: ARG003
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        """Only what `load` hands over: it merges the sources itself, to know where each value came from."""
        return (init_settings,)

    @property
    def file(self) -> Path:
        """The configuration file."""
        return self._file

    @property
    def data_path(self) -> Path:
        """The folder of the databases."""
        return self.beside(self.data_dir)

    @property
    def secrets_path(self) -> Path:
        """The folder of the secrets."""
        return self.beside(self.secrets_dir)

    def keep_days(self) -> dict[str, dict[str, int]]:
        """Level to quantity ("" for all others) to days, as the series store wants it."""
        found: dict[str, dict[str, int]] = {level: {"": days} for level, days in self.history.keep_days.items()}
        for name, rule in self.history.quantities.items():
            for level, days in rule.items():
                found.setdefault(level, {})[name] = days
        return found

    def beside(self, name: str) -> Path:
        """A path that the configuration gives, relative to its own folder."""
        return self._file.parent / Path(name).expanduser()

    def replaced(self, via: str) -> bool:
        """Whether the scenario stands in for this transport."""
        return self.simulated is not None and via in self.simulated.replaces

    def machine(self, name: str) -> Machine:
        """A machine with the defaults filled in."""
        own, common = self.machines[name], self.machine_defaults
        given = own.model_dump(exclude_unset=True)
        merged = common.model_dump()
        if given.keys() & {
            "bank",
            "backup",
            "circuit",
            "plug",
        }:  # the supply is one thought: never half of it from elsewhere
            merged |= {"backup": None, "circuit": None, "plug": None}
        merged |= given
        merged["params"] = common.params | own.params
        return Machine.model_construct(**merged)

    def subjects(self) -> Iterator[tuple[str, str, Subject]]:
        """(section, name, what is configured) of everything that sources speak about."""
        for name in self.machines:
            yield "machines", name, self.machine(name)
        for section in ("circuits", "plugs", "backups", "loads", "sensors"):
            for name, subject in getattr(self, section).items():
                yield section, name, subject

    def spec(self, name: str) -> MappingSpec:
        """A mapping as the wire understands it, parameters not yet filled in."""
        entry = self.mappings[name]
        fields = tuple(_field(quantity, value) for quantity, value in entry.values.items())
        time = TimeSpec(entry.time.pointer, entry.time.unit) if entry.time else None
        return MappingSpec(name, entry.via, entry.format, fields, time)

    def routes(self) -> tuple[Route, ...]:
        """Every mapping applied to every subject that uses it, addresses and pointers filled in."""
        specs = {name: self.spec(name) for name in self.mappings}
        yields = {name: _yields(spec) for name, spec in specs.items()}
        return tuple(
            self._route(subject_name, subject, specs[mapping], yields[mapping])
            for _, subject_name, subject in self.subjects()
            for mapping in subject.uses
        )

    def _route(self, name: str, subject: Subject, spec: MappingSpec, yields: frozenset[str]) -> Route:
        mapping = spec.name
        entry = self.mappings[mapping]
        values = subject.params | {"machine": name}
        filled = spec  # one for all whose pointers name no parameter: it is compiled once, however many there are
        if any(PARAMETER.search(f.pointer) for f in (*spec.fields, *([spec.time] if spec.time else ()))):
            fields = tuple(
                FieldSpec(f.quantity, fill(f.pointer, values), f.unit, f.scale, f.offset, f.words) for f in spec.fields
            )
            time = TimeSpec(fill(spec.time.pointer, values), spec.time.unit) if spec.time else None
            filled = MappingSpec(spec.name, spec.via, spec.format, fields, time)
        source = SourcePlan(
            id=f"{name}.{mapping}",
            subject=name,
            via=entry.via,
            address=fill(entry.address, values),
            interval_s=entry.rhythm_s,
            quantities=UPS_QUANTITIES if entry.via in KNOWING else yields,
        )
        return Route(source, filled)

    def polls(self) -> dict[str, "Poll"]:
        """How to ask each polled source (http, ups, snmp), by source id."""
        found = {}
        for route in self.routes():
            entry = self.mappings[route.mapping.name]
            if entry.via not in DEFAULT_INTERVAL_S:
                continue
            secrets: dict[str, SecretStr] = getattr(self.secrets, entry.via)
            secret = secrets.get(route.mapping.name if entry.via == "http" else route.source.subject)
            found[route.source.id] = Poll(
                entry.rhythm_s, entry.timeout_s, entry.deadline_s, secret, entry.version, entry.starttls,
                str(self.beside(entry.ca_file)) if entry.ca_file else "",
            )  # fmt: skip
        return found

    def button_routes(self) -> tuple[Button, ...]:
        """The mapped buttons."""
        return tuple(Button(b.topic, b.payload, b.command, b.machine) for b in self.buttons.values())

    def deeds(self) -> dict[str, Action]:
        """The templates of the actions."""
        return {
            name: Action(name, a.kind, a.via, a.address, a.payload, a.method, a.cuts_power, a.answer_s)
            for name, a in self.actions.items()
        }

    def allowed(self) -> dict[str, tuple[str, ...]]:
        """The actions that are turned on, by machine: those that its own table names."""
        return {name: tuple(machine.actions) for name, machine in self.machines.items() if machine.actions}

    def plan(self) -> SitePlan:
        """The site as the pure rooms see it."""
        return PowerSite(
            supply=self.supply(),
            name=self.site.name,
            timezone=self.site.timezone,
            voltage_v=self.site.voltage_v,
            machines={name: self._machine_plan(name) for name in self.machines},
            backups={
                name: BackupPlan(
                    name,
                    self._circuit_above(b),
                    b.rating_w,
                    b.rating_va,
                    b.battery_wh,
                    tuple((w, t) for w, t in b.runtime_table),
                    self._day_s(b.battery_date),
                    b.self_test_days,
                )
                for name, b in self.backups.items()
            },
            circuits={
                name: CircuitPlan(name, c.rating_a, self.site.voltage_v, self._share(c))
                for name, c in self.circuits.items()
            },
            loads={
                name: LoadPlan(name, self._circuit_above(x), self._backup_above(x), x.constant_w)
                for name, x in self.loads.items()
            },
            sensors=tuple(self.sensors),
            sources={route.source.id: route.source for route in self.routes()},
            people={
                name: person.plan(name, silent=self.can_be_silent(person.channels))
                for name, person in self.people.items()
            },
            rules={
                name: rule.change({subject: keys.change() for subject, keys in rule.subjects.items()})
                for name, rule in self.rules.items()
            },
            jobs={
                name: JobPlan(name, j.pieces, j.grams, j.hours, j.material, tuple(j.machines), j.value)
                for name, j in self.jobs.items()
            },
            blip_s=self.site.blip_s,
            collector_backup=self.site.collector_backup,
            work_waits=self.site.work_waits,
            closed=self.site.closed_hours(),
            shop=shop_plan(self),
            rounds=self.rounds.plan(),
        )

    def can_be_silent(self, channels: Sequence[str]) -> bool:
        """Whether the first of a person's channels can lay a message down without a sound."""
        first = self.channels.get(channels[0]) if channels else None
        return first is not None and bool(first.quiet)

    def _share(self, circuit: Circuit) -> float:
        return self.site.continuous_share if circuit.continuous_share is None else circuit.continuous_share

    def _day_s(self, day: date | None) -> float | None:
        """Noon of a day in UTC: nothing hangs on the hour."""
        return None if day is None else datetime.combine(day, datetime.min.time(), UTC).timestamp() + 43_200.0

    def _machine_plan(self, name: str) -> MachinePlan:
        machine = self.machine(name)
        fed = self._fed(name)
        return MachinePlan(
            name, machine.bank, self._backup_above(fed), self._circuit_above(fed), machine.material, machine.release_c,
            machine.cool_min, machine.row, machine.column, releases(self),
            tuple(machine.plug_levels.items()),
        )  # fmt: skip

    def _fed(self, name: str) -> "Machine | Bank":
        """What says how a machine is fed: itself, or its bank."""
        machine = self.machine(name)
        own = machine.backup is not None or machine.circuit is not None or machine.plug is not None
        return machine if own or machine.bank is None else self.banks[machine.bank]

    def _backup_above(self, item: "Fed") -> str | None:
        """The backup that feeds something, directly or through plugs."""
        for _ in range(len(self.plugs) + 1):
            if item.backup is not None or item.plug is None:
                return item.backup
            item = self.plugs[item.plug]
        return None

    def _circuit_above(self, item: "Fed | Backup") -> str | None:
        """The circuit that feeds something without a backup in between, directly or through plugs."""
        for _ in range(len(self.plugs) + 1):
            if item.circuit is not None or item.plug is None:
                return item.circuit
            item = self.plugs[item.plug]
        return None

    def supply(self) -> Supply:
        """What the power rooms must know beside circuits and backups."""
        fed: dict[str, Fed | Backup | Circuit] = {name: self._fed(name) for name in self.machines}
        for part in (self.loads, self.plugs, self.backups, self.circuits):
            fed.update(part)
        inside = {}
        for name, item in fed.items():
            above = getattr(item, "plug", None) or getattr(item, "backup", None) or item.circuit
            if above is not None:
                inside[name] = above
        entry = self.tariff
        tariff = None
        if entry is not None:
            periods = [period_of(n, t.per_kwh, list(t.days), t.start, t.end) for n, t in entry.times.items()]
            tariff = Tariff(self.site.timezone, entry.per_kwh, entry.standing_per_day, entry.currency, tuple(periods))
        return Supply(
            plugs=tuple(self.plugs),
            inside=inside,
            ranges_w={name: x.constant_range_w for name, x in self.loads.items() if x.constant_range_w is not None},
            curves={name: c.curve for name, c in self.circuits.items() if c.curve is not None},
            tariff=tariff,
            start_risk=self.site.start_risk,
        )


Fed = Machine | Bank | Load | Plug


@dataclass(frozen=True, slots=True)
class Poll:
    """How a polled source is asked."""

    interval_s: float
    timeout_s: float
    deadline_s: float
    secret: SecretStr | None
    version: str
    starttls: str = "never"
    ca_file: str = ""


def fill(text: str, values: Mapping[str, str]) -> str:
    """`text` with every {parameter} that `values` knows put in, as it is."""
    return PARAMETER.sub(lambda found: values.get(found[1], found[0]), text)


def parameters(entry: MappingEntry) -> dict[str, tuple[str, ...]]:
    """The parameters that a mapping wants, each with the path of the key below the mapping that wants it."""
    places: dict[tuple[str, ...], str] = {("address",): entry.address}
    for quantity, value in entry.values.items():
        places["values", quantity, "pointer"] = value.pointer
    if entry.time:
        places["time", "pointer"] = entry.time.pointer
    return {found: path for path, text in places.items() for found in PARAMETER.findall(text)}


def _field(quantity: str, entry: FieldEntry) -> FieldSpec:
    unit = entry.unit if entry.unit is not None else QUANTITIES[quantity].unit
    words = {word: tuple(ours) for word, ours in entry.words.items()} if entry.words is not None else None
    return FieldSpec(quantity, entry.pointer, unit, entry.scale, entry.offset, words)


def _yields(spec: MappingSpec) -> frozenset[str]:
    found = {field.quantity for field in spec.fields}
    words = {ours for field in spec.fields for several in (field.words or {}).values() for ours in several}
    return frozenset(found | ({"availability"} if words & set(AVAILABILITY_WORDS) else set()))
