"""Spools, air, service and failures as page, API and terminal show them; a part of `words.view`. None is unknown."""

from typing import TypedDict


class SpoolView(TypedDict):
    """A spool that is not empty."""

    name: str
    material: str
    machine: str | None
    where: str  # "on avocet", "open", "in its box"
    left_g: float
    left_sd_g: float
    full_g: float
    price: float | None  # of the full spool
    empty_g: float | None  # weight of the empty reel
    diameter_mm: float
    unknown_builds: int  # that took nobody knows how much since it was weighed
    days: float | None  # at the machine's present pace
    enough: float | None  # chance that it suffices for the build in hand, else a usual one
    needed_g: float | None
    humid_h: float | None  # in air too humid for it
    dry_after_h: float | None
    dry_c: float | None
    dry_h: float | None
    dried_s: float | None
    mixed: str  # "" or what the machine's build says that it is made of instead


class MaterialView(TypedDict):
    """A material that there are spools of, or that was used lately."""

    name: str
    known: bool
    stock_g: float
    a_day_g: float | None
    a_day_sd_g: float | None
    low_days: float | None
    days: float | None
    high_days: float | None
    safety_g: float | None
    point_g: float | None
    order_by_s: float | None
    storage_rh: float | None
    ventilate: bool


class AirView(TypedDict):
    """One sensor's air."""

    sensor: str
    air_c: float | None
    humidity: float | None
    dew_point_c: float | None  # below 0: frost point
    dew_point_low_c: float | None
    dew_point_high_c: float | None
    water_g_m3: float | None
    too_humid_for: list[str]  # of the materials of open spools


class ServiceView(TypedDict):
    """A part of a machine."""

    machine: str
    part: str
    used: float
    every: float
    unit: str  # hours builds heatings
    share: float
    due_s: float | None  # None: no pace is known
    served_s: float | None


class FailView(TypedDict):
    """How often a machine's builds fail."""

    machine: str
    hours: float
    builds: int
    heatings: int
    failures: int  # builds that failed, but for those that a reported fault ended
    faults: int  # that the machine reported
    mtbf_low_h: float | None
    mtbf_h: float | None
    mtbf_high_h: float | None
    expected: float | None  # failures by its share of the hours
    p_corrected: float | None  # after Holm; below 0.05 it fails more than its sisters
    stands_out: bool


class RemarkView(TypedDict):
    """What was noted of a machine."""

    machine: str
    at_s: float
    by: str
    part: str
    note: str


class ShopView(TypedDict):
    """All of it."""

    spools: list[SpoolView]
    materials: list[MaterialView]
    air: list[AirView]
    service: list[ServiceView]
    failures: list[FailView]
    remarks: list[RemarkView]
    parts: list[str]  # with a service interval
    trials: list[str]  # machines that run trials
    ventilate: list[str]  # materials being built that give off vapours
