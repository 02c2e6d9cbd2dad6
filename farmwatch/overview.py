"""PURE: the view of everything, and the verdict in one sentence."""

from farmwatch.alarms.phrases import Phrases, beds_title, words_of
from farmwatch.alarms.rules import RULES
from farmwatch.alarms.wording import TITLE_MAX, count, duration, fit, moment, names, plain, ranged
from farmwatch.farm import Farm
from farmwatch.machines import plugwords
from farmwatch.machines.eta import Estimate
from farmwatch.machines.spoken import UNDO_S
from farmwatch.machines.state import BUSY
from farmwatch.machines.tracker import MachineTrack
from farmwatch.power import show
from farmwatch.power.account_show import accounts_view
from farmwatch.power.load import SITE
from farmwatch.power.outage_show import outages_view
from farmwatch.power.rescue_desk import value_of
from farmwatch.power.rescue_words import care_view, rescue_view
from farmwatch.shop.show import shop_view
from farmwatch.words.view import (
    AlarmView,
    BackupView,
    ClearView,
    FinishView,
    MachineView,
    PlaceView,
    SourceView,
    VerdictView,
    View,
)


def view_of(farm: Farm, now_s: float) -> View:
    """Everything at one moment."""
    with farm.still():
        return _view(farm, now_s)


def _view(farm: Farm, now_s: float) -> View:
    machines = [_machine(farm, name, now_s) for name in farm.machines]
    today, tariff = show.cost_view(farm, now_s), farm.power.supply.tariff
    nodes = {name: _place(farm, name, now_s, depth) for name, depth in show.in_order(farm)}
    demand, diversity = show.factors(farm, now_s)
    return {
        "at_s": now_s,
        "site": farm.plan.name,
        "timezone": farm.plan.timezone,
        "verdict": verdict(farm, machines, now_s),
        "machines": machines,
        "total": nodes[SITE],
        "circuits": [nodes[name] for name in farm.plan.circuits],
        "banks": [
            _place(farm, name, now_s)
            for name in dict.fromkeys(m.bank for m in farm.plan.machines.values() if m.bank is not None)
        ],
        "backups": [_backup(farm, name, now_s) for name in farm.backups],
        "alarms": _alarms(farm, now_s),
        "sources": [_source(farm, name, now_s) for name in farm.sources],
        "stores": [{"name": name, "ok": ok, "why": why} for name, (ok, why) in farm.stores.items()],
        "energy_today_wh": today["wh"],
        "starts": show.starts_view(farm, now_s),
        "today": today,
        "month": show.cost_view(farm, now_s, month=True),
        "currency": tariff.currency if tariff is not None else "",
        "plugs": [nodes[name] for name in farm.power.supply.plugs],
        "tree": list(nodes.values()),
        "demand_factor": demand,
        "diversity_factor": diversity,
        "outages": outages_view(farm, now_s),
        "accounts": accounts_view(farm, now_s),
        "trips": farm.rounds.view(now_s),
        "work": farm.work.view(),
        "shop": shop_view(farm, now_s),
    }


def _age(farm: Farm, subject: str, now_s: float) -> float | None:
    times = [farm.sources[s.id].last_s for s in farm.by_subject.get(subject, [])]
    heard = [at_s for at_s in times if at_s is not None]
    return max(0.0, now_s - max(heard)) if heard else None


def _finish(farm: Farm, name: str, now_s: float) -> FinishView | None:
    found = farm.estimate(name, now_s)
    if found is None:
        return None
    return {
        "p025_s": found.p025_s,
        "p10_s": found.p10_s,
        "p50_s": found.p50_s,
        "p90_s": found.p90_s,
        "p975_s": found.p975_s,
        "basis": found.basis,
        "builds": found.builds,
        "overdue_s": found.overdue_s,
    }


def _clear(machine: MachineTrack, found: Estimate | None, now_s: float) -> ClearView | None:
    clear = machine.clearing(now_s, found)
    if clear is None:
        return None
    return {
        "p10_s": clear.p10_s,
        "p50_s": clear.p50_s,
        "p90_s": clear.p90_s,
        "release_c": clear.release_c,
        "basis": clear.basis,
    }


def _machine(farm: Farm, name: str, now_s: float) -> MachineView:
    machine = farm.machines[name]
    clear = _clear(machine, farm.estimate(name, now_s), now_s)
    build = machine.build or (machine.last_build if machine.bed_full else None)
    cleared = machine.cleared if machine.state in ("idle", "off", "unknown") else None
    if cleared is not None and now_s - cleared["at_s"] > UNDO_S:
        cleared = None
    return {
        "name": name,
        "state": machine.state,
        "since_s": machine.since_s,
        "because": machine.because,
        "job": (build.job or "").strip() or None if build is not None else None,
        "material": build.material if build is not None else machine.plan.material,
        "material_inferred": build is not None and "material" in build.inferred,
        "progress": machine.number("progress") if machine.build is not None else None,
        "finish": _finish(farm, name, now_s),
        "clear_at_s": None if clear is None else clear["p50_s"],
        "clear": clear,
        "cleared_at_s": cleared["at_s"] if cleared is not None else None,
        "cleared_by": cleared["by"] if cleared is not None else "",
        "power_w": machine.number("power_w"),
        "bed_c": machine.number("bed_c"),
        "nozzle_c": machine.number("nozzle_c"),
        "age_s": _age(farm, name, now_s),
        "silent": [
            source.id
            for source in farm.by_subject.get(name, [])
            if farm.sources[source.id].state in ("silent", "failed")
        ],
        "bank": machine.plan.bank,
        "backup": machine.plan.backup,
        "circuit": farm.plan.circuit_of(name),
        "row": machine.plan.row,
        "column": machine.plan.column,
        "start_from_s": show.start_from_s(farm, name, now_s),
        "energy_today_wh": show.energy_today_wh(farm, name, now_s),
        "value": value_of(farm, name, now_s) if machine.build is not None else None,
        "value_said": machine.build is not None and machine.build.value is not None,
        "plug": plugwords.view(machine.sense, now_s, may_reopen=machine.may_reopen) if machine.plugged else None,
        "load_basis": farm.power.models[name].basis,
    }


def _place(farm: Farm, name: str, now_s: float, depth: int = 1) -> PlaceView:
    draw = farm.draw(name)
    circuit = farm.plan.circuits.get(name)
    return {
        "name": name,
        "watts": draw.watts,
        "missing": list(draw.missing),
        "kind": show.kind_of(farm, name),
        "parent": farm.tree.parent.get(name),
        "depth": depth,
        "policy": show.policy(farm, name),
        "limit_w": farm.power.limit_w(name, draw),
        "rating_w": circuit.rating_w if circuit is not None else None,
        "heat_up_w": show.heat_up_w(farm, name),
        "strain": show.strain_view(farm, name, draw, now_s),
    }


def _backup(farm: Farm, name: str, now_s: float) -> BackupView:
    backup = farm.backups[name]
    runtime = farm.runtime(name)
    return {
        "name": name,
        "status": backup.status,
        "since_s": backup.since_s,
        "charge": backup.number("charge"),
        "load_w": farm.load_of_backup_w(name),
        "rating_w": backup.plan.rating_w,
        "runtime_s": runtime.p50_s if runtime is not None else None,
        "runtime_p10_s": runtime.p10_s if runtime is not None else None,
        "runtime_p90_s": runtime.p90_s if runtime is not None else None,
        "runtime_basis": runtime.basis if runtime is not None else "nothing is known of it now",
        "age_s": _age(farm, name, now_s),
        "circuit": backup.plan.circuit,
        "machines": farm.behind(name),
        "rescue": rescue_view(farm, name, now_s),
        "care": care_view(farm, name),
        "meter_minus_sum_w": farm.draw(name).difference_w,
    }


def _alarms(farm: Farm, now_s: float) -> list[AlarmView]:
    rows: list[AlarmView] = []
    for alarm in farm.book.standing():
        rule = RULES[alarm.rule]
        title, text = words_of(alarm, farm, now_s)
        rows.append(
            {
                "id": alarm.id,
                "rule": alarm.rule,
                "subject": alarm.subject,
                "state": alarm.state,
                "priority": alarm.priority,
                "since_s": alarm.since_s,
                "title": title,
                "text": text,
                "consequence": rule.consequence,
                "response": rule.response,
            }
        )
    return rows


def _source(farm: Farm, name: str, now_s: float) -> SourceView:
    source = farm.sources[name]
    return {
        "id": name,
        "subject": source.plan.subject,
        "via": source.plan.via,
        "address": source.plan.address,
        "age_s": None if source.last_s is None else max(0.0, now_s - source.last_s),
        "state": "degraded" if source.degraded else source.state,
        "good": 0,
        "bad": 0,
        "last_bad": None,
    }


def verdict(farm: Farm, machines: list[MachineView], now_s: float) -> VerdictView:
    """One sentence: danger first, then beds, then what is not known, then when the next bed comes."""
    dangers = [a for a in farm.book.standing() if a.priority == "danger" and a.true and a.speaks]
    waiting = [m["name"] for m in machines if m["state"] == "waiting"]
    beds = f"{beds_title(waiting)}." if waiting else ""
    if dangers:
        alarm = dangers[0]
        title = Phrases(farm).mains_title() if alarm.rule == "mains_lost" else words_of(alarm, farm, now_s)[0]
        text = f"Since {moment(alarm.since_s, now_s, farm.plan.timezone)}. {beds}"
        return {"level": "danger", "title": fit(title, TITLE_MAX), "text": text.strip()}
    nxt = _next(farm, machines, now_s)
    if waiting:
        return {"level": "act", "title": fit(beds_title(waiting), TITLE_MAX), "text": nxt}
    heard = [m for m in machines if m["state"] not in ("unknown", "out_of_service")]
    unknown = [m["name"] for m in machines if m["state"] == "unknown"]
    if not heard and unknown:
        return {"level": "unknown", "title": "Nothing is known of any machine", "text": _last_word(machines)}
    busy = [m for m in machines if m["state"] in BUSY]
    aside = f" Unknown: {names(unknown, 4)}." if unknown else ""
    faults = [m["name"] for m in machines if m["state"] == "fault"]
    if faults:
        return {"level": "act", "title": fit(f"Fault: {names(faults, 3)}", TITLE_MAX), "text": nxt + aside}
    level = "unknown" if unknown else "calm"
    if not busy:
        return {"level": level, "title": "No bed waits, nothing is building", "text": (nxt + aside).strip()}
    title = f"No bed waits; {count(len(busy), 'machine')} building"
    return {"level": level, "title": title, "text": (nxt + aside).strip()}


def _next(farm: Farm, machines: list[MachineView], now_s: float) -> str:
    due = sorted(
        (m["clear_at_s"], m["name"]) for m in machines if m["clear_at_s"] is not None and m["state"] != "waiting"
    )
    if not due:
        return ""
    at_s, name = due[0]
    at_s = max(at_s or now_s, now_s)
    when = moment(at_s, now_s, farm.plan.timezone)
    clear = next(m["clear"] for m in machines if m["name"] == name)
    sure = "" if clear is None else ranged(clear["p10_s"], clear["p90_s"], now_s, farm.plan.timezone)
    return f"Next bed: {plain(name)} about {when}{sure}, in {duration(at_s - now_s)}."


def _last_word(machines: list[MachineView]) -> str:
    ages = [m["age_s"] for m in machines if m["age_s"] is not None]
    return f"Last word {duration(min(ages))} ago." if ages else "No source has said anything yet."
