"""When flames burn, by fuel: the load on the cylinders of a site through a shift, on the slow end of every heating.

A plan says how long each joint is heated and when the torch is lit. Here that becomes a load that steps up and down:
the first length of a weld up to its arc, each further length up to its own, and the reheats spread evenly over the time
in which a length is welded. Everything burns on its slow end, as the gas order counts it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from frostshift_rules.gas import gas
from frostshift_rules.gas_setup import OtherUse
from frostshift_rules.job import HeatSource, Site
from frostshift_rules.shift_draw import Load, load_of
from frostshift_rules.workload import JointPlan


@dataclass(frozen=True, slots=True)
class Flame:
    """Torches of one source that burn at one joint, or another user of the same cylinders.

    Attributes:
        mark: of the joint; the name of the other use.
        fuel: what they burn.
        start_utc, end_utc: aware.
        torches: how many; 0 for another use.
        gross_kw: of all of them together, GROSS heating value [kW].
        oxygen_m3_h: torch oxygen of all of them [m3/h at 15 °C].
    """

    mark: str
    fuel: str
    start_utc: datetime
    end_utc: datetime
    torches: int
    gross_kw: float
    oxygen_m3_h: float = 0.0


def flames_of(joint: JointPlan, site: Site) -> tuple[Flame, ...]:
    """The flames of one joint in the order of their beginning; empty where there is no heating time."""
    heat = joint.heat
    if heat is None or heat.light_up_utc is None or heat.minutes is None:
        return ()
    sources = [(source, one.count) for one in heat.amounts if (source := site.heat_source(one.source_id)) is not None]
    burning = [(source, count) for source, count in sources if source.fuel is not None]
    return tuple(
        _flame(joint.joint.mark, source, count, start_utc, end_utc)
        for start_utc, end_utc in _times(joint)
        for source, count in burning
    )


def other_flames(others: Iterable[OtherUse], shift_name: str, start_utc: datetime, end_utc: datetime) -> list[Flame]:
    """Other use of fuel on the same cylinders, evenly over a shift, on its high end."""
    hours = (end_utc - start_utc) / timedelta(hours=1)
    return [
        Flame(one.name, one.gas, start_utc, end_utc, 0, one.high * gas(one.gas).gross_mj_kg * 1000.0 / hours / 3600.0)
        for one in others
        if one.gas != "oxygen"
        and one.same_cylinders
        and one.high > 0.0
        and (not one.shifts or shift_name in one.shifts)
    ]


def load_between(flames: Sequence[Flame], start_utc: datetime, end_utc: datetime) -> Load:
    """The load of some flames from a start to an end, which lies after it; nothing burns between them: 0."""
    inside = [one for one in flames if one.start_utc < end_utc and one.end_utc > start_utc]
    edges = {start_utc, end_utc}
    for one in inside:
        edges |= {max(one.start_utc, start_utc), min(one.end_utc, end_utc)}
    at = sorted(edges)
    return load_of(
        [
            (
                (after - before).total_seconds(),
                sum(one.gross_kw for one in inside if one.start_utc <= before and one.end_utc >= after),
            )
            for before, after in zip(at, at[1:], strict=False)
        ]
    )


def most_oxygen_m3_h(flames: Iterable[Flame]) -> float:
    """Most torch oxygen that flows at one time [m3/h at 15 °C]."""
    changes = sorted(
        change for one in flames for change in ((one.start_utc, one.oxygen_m3_h), (one.end_utc, -one.oxygen_m3_h))
    )
    most = now = 0.0
    for _, change in changes:  # at one instant torches are laid down before others are lit
        now += change
        most = max(most, now)
    return most


def longest_minutes(flames: Iterable[Flame]) -> float:
    """The longest that flames burn without a pause [min], one after the other counted together; 0 for none."""
    longest = timedelta(0)
    start: datetime | None = None
    end: datetime | None = None
    for one in sorted(flames, key=lambda flame: flame.start_utc):
        if start is None or end is None or one.start_utc > end:
            start, end = one.start_utc, one.end_utc
        else:
            end = max(end, one.end_utc)
        longest = max(longest, end - start)
    return longest / timedelta(minutes=1)


def _times(joint: JointPlan) -> list[tuple[datetime, datetime]]:
    """From when to when torches burn at a joint."""
    heat, start_utc = joint.heat, joint.joint.start_utc
    assert heat is not None
    assert heat.light_up_utc is not None
    assert heat.minutes is not None
    first = timedelta(minutes=heat.minutes.high)
    times = [(heat.light_up_utc, heat.light_up_utc + first)]
    each = timedelta(hours=joint.joint.hours) / heat.segments
    for n in range(heat.segments):
        begun = start_utc + n * each
        if n:
            times.append((begun - min(first, each), begun))
        times += _reheats(joint, begun, each)
    return sorted(times)


def _reheats(joint: JointPlan, begun_utc: datetime, each: timedelta) -> list[tuple[datetime, datetime]]:
    """The reheats of one length that is welded from `begun_utc` on, evenly over its time."""
    heat = joint.heat
    if heat is None or heat.reheats is None or heat.reheat_minutes is None or heat.reheats.high < 1.0:
        return []
    count = round(heat.reheats.high)
    step = each / count
    length = timedelta(minutes=heat.reheat_minutes.high)
    if length >= step:
        return [(begun_utc, begun_utc + each)]
    return [(begun_utc + (n + 1) * step - length, begun_utc + (n + 1) * step) for n in range(count)]


def _flame(mark: str, source: HeatSource, count: int, start_utc: datetime, end_utc: datetime) -> Flame:
    assert source.fuel is not None
    record = gas(source.fuel)
    net_kw = source.net_kw * count
    ratio = record.oxygen.likely if source.oxygen_ratio is None else source.oxygen_ratio
    return Flame(
        mark,
        source.fuel,
        start_utc,
        end_utc,
        count,
        net_kw / record.net_mj_kg * record.gross_mj_kg,
        ratio * net_kw * 3.6 / record.net_mj_kg / record.vapour_kg_m3,
    )
