"""The shop's desk as the view shows it; kept for a minute, as it is asked for far more often than it changes."""

from typing import cast

from farmwatch.farm import Farm
from farmwatch.shop.room import air_of
from farmwatch.shop.stock import Spool
from farmwatch.words.shop_view import (
    AirView,
    FailView,
    MaterialView,
    RemarkView,
    ServiceView,
    ShopView,
    SpoolView,
)

KEEP_S = 60.0
OUT = 0.05
REMARKS = 40


def shop_view(farm: Farm, now_s: float) -> ShopView:
    """All of it, at most a minute old, and never older than the last word of a person."""
    kept = farm.shop.shown
    if kept is None or not 0.0 <= now_s - kept[0] < KEEP_S:
        kept = farm.shop.shown = (now_s, _shop(farm, now_s))
    return cast("ShopView", kept[1])


def _shop(farm: Farm, now_s: float) -> ShopView:
    desk = farm.shop
    spools = sorted((s for s in desk.stock.spools.values() if not s.empty), key=lambda s: (s.machine is None, s.name))
    parts = {part: None for own in desk.upkeep.intervals.values() for part in own}
    return {
        "spools": [_spool(farm, spool, now_s) for spool in spools],
        "materials": [_material(farm, key, now_s) for key in desk.materials()],
        "air": [_air(farm, name) for name in farm.plan.sensors],
        "service": sorted(
            (row for name in farm.machines for row in _service(farm, name, now_s)),
            key=lambda row: (row["due_s"] is None, row["due_s"] or 0.0, -row["share"]),
        ),
        "failures": _failures(farm),
        "remarks": _remarks(farm),
        "parts": list(parts),
        "trials": sorted(desk.trials),
        "ventilate": desk.ventilate(),
    }


def _spool(farm: Farm, spool: Spool, now_s: float) -> SpoolView:
    desk = farm.shop
    row, air = desk.stock.row_of(spool.material), desk.exposures.of.get(spool.name)
    found = desk.enough(spool.machine) if spool.machine is not None else None
    pace = desk.stock.demand(now_s, machine=spool.machine) if spool.machine is not None else None
    left_g = found[1] if found is not None else spool.left_g
    return {
        "name": spool.name,
        "material": spool.material,
        "machine": spool.machine,
        "where": f"on {spool.machine}" if spool.machine is not None else "in its box" if spool.stored else "open",
        "left_g": round(left_g, 1),
        "left_sd_g": round(spool.left_sd_g, 1),
        "full_g": spool.full_g,
        "price": spool.price,
        "empty_g": spool.empty_g,
        "diameter_mm": spool.diameter_mm,
        "unknown_builds": spool.unknown_builds,
        "days": left_g / pace.mean_g if pace is not None and pace.mean_g > 0 else None,
        "enough": found[3] if found is not None else None,
        "needed_g": round(found[2], 1) if found is not None else None,
        "humid_h": air.humid_s / 3600.0 if air is not None else None,
        "dry_after_h": row.dry_after_h if row is not None else None,
        "dry_c": row.dry_c if row is not None else None,
        "dry_h": row.dry_h if row is not None else None,
        "dried_s": spool.dried_s,
        "mixed": _mixed(farm, spool),
    }


def _mixed(farm: Farm, spool: Spool) -> str:
    machine = farm.machines.get(spool.machine or "")
    if machine is None or machine.build is None or machine.build.material is None:
        return ""
    stock, said = farm.shop.stock, machine.build.material
    return "" if stock.key_of(said) == stock.key_of(spool.material) or "material" in machine.build.inferred else said


def _material(farm: Farm, key: str, now_s: float) -> MaterialView:
    desk = farm.shop
    row, found = desk.stock.row_of(key), desk.order(key, now_s)
    demand, point, lasts = found if found is not None else (None, None, None)
    return {
        "name": key,
        "known": row is not None,
        "stock_g": round(desk.stock.stock_g(key), 1),
        "a_day_g": demand.mean_g if demand is not None else None,
        "a_day_sd_g": demand.sd_g if demand is not None else None,
        "low_days": lasts.low_days if lasts is not None else None,
        "days": lasts.days if lasts is not None else None,
        "high_days": lasts.high_days if lasts is not None else None,
        "safety_g": point.safety_g if point is not None else None,
        "point_g": point.point_g if point is not None else None,
        "order_by_s": lasts.order_by_s if lasts is not None else None,
        "storage_rh": row.storage_rh if row is not None else None,
        "ventilate": row is not None and row.ventilate,
    }


def _air(farm: Farm, name: str) -> AirView:
    found = air_of(farm.others[name])
    dew = found.dew_point
    return {
        "sensor": name,
        "air_c": found.air_c,
        "humidity": found.humidity,
        "dew_point_c": dew.value if dew is not None else None,
        "dew_point_low_c": dew.low if dew is not None else None,
        "dew_point_high_c": dew.high if dew is not None else None,
        "water_g_m3": found.water_g_m3,
        "too_humid_for": farm.shop.too_humid_for(found.humidity),
    }


def _service(farm: Farm, name: str, now_s: float) -> list[ServiceView]:
    return [
        {
            "machine": name,
            "part": row.part,
            "used": getattr(row.wear, row.due.unit),
            "every": getattr(row.interval, row.due.unit),
            "unit": row.due.unit,
            "share": row.due.share,
            "due_s": row.due.at_s,
            "served_s": row.served_s,
        }
        for row in farm.shop.upkeep.parts(name, now_s)
    ]


def _failures(farm: Farm) -> list[FailView]:
    upkeep = farm.shop.upkeep
    suspects = upkeep.suspects()
    rows: list[FailView] = []
    for name, life in upkeep.lives.items():
        between, suspect = upkeep.mtbf(name), suspects.get(name)
        rows.append(
            {
                "machine": name,
                "hours": life.hours,
                "builds": life.builds,
                "heatings": life.heatings,
                "failures": life.failures,
                "faults": life.faults,
                "mtbf_low_h": between.low_h if between is not None else None,
                "mtbf_h": between.value_h if between is not None else None,
                "mtbf_high_h": between.high_h if between is not None else None,
                "expected": suspect.expected if suspect is not None else None,
                "p_corrected": suspect.corrected if suspect is not None else None,
                "stands_out": suspect is not None and suspect.corrected < OUT,
            }
        )
    return rows


def _remarks(farm: Farm) -> list[RemarkView]:
    rows: list[RemarkView] = [
        {"machine": name, "at_s": one["at_s"], "by": one["by"], "part": one.get("part", ""), "note": one["note"]}
        for name, life in farm.shop.upkeep.lives.items()
        for one in life.notes
    ]
    return sorted(rows, key=lambda row: -row["at_s"])[:REMARKS]
