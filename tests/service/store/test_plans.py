import json
import zlib
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic_core import PydanticSerializationError
from sqlalchemy import Engine
from sqlmodel import Session

from frostshift_rules.gas_setup import GasSetup, OtherUse, OwnCylinder, SupplyTerms
from frostshift_rules.job import Joint, Reading, Site
from frostshift_rules.surroundings import Hours, Members
from frostshift_rules.workload import FuelTotal, JointPlan, Plan, Range, ShiftTotal, Weather
from frostshift_service.store import forecasts, plans
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.packing import SERIES, Packing, pack_hours, unpack_hours
from frostshift_service.store.records import KeptForecast, PlanInputs, StoreError
from frostshift_service.store.tables import PlanRow

NOW = datetime(2026, 1, 12, 18, 0, tzinfo=UTC)
HOUR = timedelta(hours=1)


def some_hours() -> Hours:
    return Hours(NOW, *(np.array([0.1 * number, np.nan]) for number in range(len(SERIES))))


@pytest.fixture
def plan(site: Site) -> Plan:
    """A plan of one shift, with the figures that JSON has trouble with."""
    shift = ShiftTotal(
        key="2026-01-13 day",
        name="day",
        day=date(2026, 1, 13),
        start_utc=NOW + 18 * HOUR,
        end_utc=NOW + 28 * HOUR,
        joints=3,
        calls={"heat_to_minimum": 1, "unknown": 2},
        states={"stop": 3},
        heat_minutes=Range(0.1 + 0.2, 1e-300, float("inf")),
        torches_at_once=2,
        torches_at_utc=None,
        torches_there=3,
        hands=1,
        fuels=(FuelTotal("ring", Range(1.0, 2.0, 3.0), Range(0.0, 0.0, 0.0), 1, None, "9 kg", ""),),
        unknown=2,
        notes=("light up 05:10, before anybody is there",),
    )
    return Plan(site, NOW, "nws", NOW - HOUR, NOW, "fresh", NOW + 90 * HOUR, (), (shift,), 1, ("one hour is missing",))


@pytest.fixture
def inputs(site: Site, joint: Callable[..., Joint]) -> PlanInputs:
    weather = Weather("nws", NOW - HOUR, NOW, "fresh", 0.0, some_hours())
    return PlanInputs(site, (joint("A1"), joint("A2")), (Reading("A1", -17.25, NOW),), weather)


def keep(store: Engine, plan: Plan, inputs: PlanInputs) -> int:
    with writing(store) as session:
        return plans.keep_plan(session, plan, inputs, None)


def test_a_plan_and_its_inputs_come_back_as_they_were_kept(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    with writing(sited) as session:
        used = KeptForecast("nws", None, NOW, some_hours(), b"{}", "")
        forecast_id = forecasts.keep_forecast(session, "ore-shed", used)
        plan_id = plans.keep_plan(session, plan, inputs, forecast_id)
    with reading(sited) as session:
        kept = plans.plan_by_id(session, plan_id)
        back = plans.inputs_of(session, plan_id)
        assert plans.last_plan(session, "ore-shed") == kept
    assert kept.plan == plan
    assert (kept.forecast_id, kept.kept_because) == (forecast_id, "")
    assert (back.site, back.joints, back.readings) == (inputs.site, inputs.joints, inputs.readings)
    assert back.weather.hours is not None
    assert replace(back.weather, hours=None) == replace(inputs.weather, hours=None)
    for name in SERIES:
        np.testing.assert_array_equal(getattr(back.weather.hours, name), getattr(some_hours(), name))


def test_the_members_behind_a_plan_come_back_to_the_last_digit(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    values = np.random.default_rng(4).normal(-8.0, 3.0, (51, 2)).astype(np.float32)
    values[3, 1] = np.nan
    members = Members(NOW, values, values - 2.0, np.abs(values), np.clip(values, 0.0, 1.0))
    plan_id = keep(sited, plan, replace(inputs, weather=replace(inputs.weather, members=members)))
    with reading(sited) as session:
        back = plans.inputs_of(session, plan_id).weather
    assert back.hours is not None
    assert back.members is not None
    assert back.members.start_utc == NOW
    for name in ("air_c", "dew_c", "wind_10m_ms", "cloud"):
        found = getattr(back.members, name)
        assert found.dtype == np.float32
        np.testing.assert_array_equal(found, getattr(members, name))
    for name in SERIES:
        np.testing.assert_array_equal(getattr(back.hours, name), getattr(some_hours(), name))
    assert np.array_equal(unpack_hours(pack_hours(some_hours(), members)).air_c, some_hours().air_c, equal_nan=True)


def test_a_plan_without_weather(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    bare = replace(inputs, weather=Weather("", None, None, "none", 0.0, None))
    plan_id = keep(sited, plan, bare)
    with reading(sited) as session:
        assert plans.inputs_of(session, plan_id) == bare


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(joint_plan=st.from_type(JointPlan))
def test_whatever_a_plan_says_of_a_joint_comes_back(plan: Plan, joint_plan: JointPlan) -> None:
    """Whatever fields a plan has or gets. NaN is not equal to itself, so that the texts are compared.

    The fold of a time without a zone is left out: a plan has none, only Hypothesis makes them.
    """
    packing = Packing(Plan)
    back = packing.unpack(packing.pack(replace(plan, joints=(joint_plan,))))
    assert repr(back.joints) == repr((joint_plan,)).replace(", fold=1", "")


def test_numpy_does_not_leak_out_of_a_kept_plan(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    (shift,) = plan.shifts
    from_numpy = Range(np.float64(1.5), np.float32(2.5), np.float64(3.5))  # type: ignore[arg-type]
    numpy_shift = replace(shift, heat_minutes=from_numpy, torches_at_once=np.int64(2))  # type: ignore[arg-type]
    plan_id = keep(sited, replace(plan, shifts=(numpy_shift,)), inputs)
    with reading(sited) as session:
        (back,) = plans.plan_by_id(session, plan_id).plan.shifts
    assert back.heat_minutes == Range(1.5, 2.5, 3.5)
    minutes = back.heat_minutes
    assert [type(value) for value in (minutes.low, minutes.likely, minutes.high)] == [float] * 3
    assert type(back.torches_at_once) is int


def test_a_plan_with_a_value_of_the_wrong_kind_is_refused(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    (shift,) = plan.shifts
    wrong = replace(shift, heat_minutes=Range(1.0, 2.0, "3 min"))  # type: ignore[arg-type]
    with pytest.raises(PydanticSerializationError, match="3 min"):
        keep(sited, replace(plan, shifts=(wrong,)), inputs)


def test_thinning_keeps_what_somebody_saw(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    made = [keep(sited, replace(plan, made_utc=NOW + number * HOUR), inputs) for number in range(8)]
    with writing(sited) as session:
        for plan_id, because in zip(made, ("shown", "printed", "sent", "changed"), strict=False):
            plans.mark_plan_seen(session, plan_id, because)  # type: ignore[arg-type]
        assert plans.thin_plans(session, "ore-shed", newest=2) == 2
    with reading(sited) as session:
        for plan_id in (*made[:4], *made[6:]):
            plans.plan_by_id(session, plan_id)
        for plan_id in made[4:6]:
            with pytest.raises(StoreError, match=f"no plan {plan_id}"):
                plans.plan_by_id(session, plan_id)
        assert plans.last_plan_id(session, "ore-shed") == made[-1]


def test_a_plan_of_a_clock_that_was_ahead_is_not_the_last_one(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    for hours in (0, 1):
        keep(sited, replace(plan, made_utc=NOW + hours * HOUR), inputs)
    last = keep(sited, replace(plan, made_utc=NOW + HOUR / 60), inputs)
    with reading(sited) as session:
        assert plans.last_plan_id(session, "ore-shed") == last
        assert plans.last_made_utc(session, "ore-shed") == NOW + HOUR / 60


def is_kept(session: Session, plan_id: int) -> bool:
    try:
        plans.plan_by_id(session, plan_id)
    except StoreError:
        return False
    return True


def test_shown_plans_are_thinned_with_age_and_printed_ones_stay(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    seen = [
        (62 * 24 + 6.0, "shown", False), (62 * 24 + 5.5, "printed", True), (62 * 24 + 5.0, "changed", False),
        (62 * 24 + 0.0, "shown", True),  # the last of that day
        (10 * 24 + 6.0, "shown", False), (10 * 24 + 5.5, "changed", True), (10 * 24 + 5.0, "shown", True),
        (30.0, "shown", True), (29.5, "shown", True), (0.0, "shown", True),
    ]  # fmt: skip
    made = [keep(sited, replace(plan, made_utc=NOW - ago_h * HOUR), inputs) for ago_h, _, _ in seen]
    with writing(sited) as session:
        for plan_id, (_, because, _) in zip(made, seen, strict=True):
            plans.mark_plan_seen(session, plan_id, because)  # type: ignore[arg-type]
        assert plans.thin_plans(session, "ore-shed", newest=1) == 3
        assert plans.thin_plans(session, "ore-shed", newest=1) == 0, "thinning again lets nothing more go"
    with reading(sited) as session:
        assert [is_kept(session, plan_id) for plan_id in made] == [stays for _, _, stays in seen]


def test_what_is_sent_later_stays_for_good(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    plan_id = keep(sited, plan, inputs)
    for because, kept in (("changed", "changed"), ("shown", "shown"), ("sent", "sent"), ("printed", "sent")):
        with writing(sited) as session:
            plans.mark_plan_seen(session, plan_id, because)  # type: ignore[arg-type]
        with reading(sited) as session:
            assert plans.plan_by_id(session, plan_id).kept_because == kept


def test_the_last_plan_that_somebody_saw(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    made = [keep(sited, replace(plan, made_utc=NOW + number * HOUR), inputs) for number in range(5)]
    with writing(sited) as session:
        for plan_id, because in zip(made, ("shown", "printed", "changed", "", "shown"), strict=True):
            if because:
                plans.mark_plan_seen(session, plan_id, because)  # type: ignore[arg-type]
    with reading(sited) as session:
        found = [plans.last_seen_id(session, "ore-shed", NOW + hours * HOUR) for hours in (0, 1, 2, 4, 5)]
        assert plans.last_seen_id(session, "another", NOW + 5 * HOUR) is None
    assert found == [None, made[0], made[1], made[1], made[4]]


def test_the_first_reason_stays(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    plan_id = keep(sited, plan, inputs)
    with writing(sited) as session:
        plans.mark_plan_seen(session, plan_id, "sent")
        plans.mark_plan_seen(session, plan_id, "shown")
        with pytest.raises(StoreError, match="'liked', expected one of shown"):
            plans.mark_plan_seen(session, plan_id, "liked")  # type: ignore[arg-type]
    with reading(sited) as session:
        assert plans.plan_by_id(session, plan_id).kept_because == "sent"


def test_old_forecasts_go_unless_a_plan_was_made_from_them(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    with writing(sited) as session:
        used, unused, young = (
            forecasts.keep_forecast(
                session, "ore-shed", KeptForecast("nws", None, NOW + number * HOUR, some_hours(), b"{}", "")
            )
            for number in range(3)
        )
        plans.keep_plan(session, plan, inputs, used)
        plans.keep_plan(session, plan, inputs, None)
        assert forecasts.thin_forecasts(session, "ore-shed", NOW + 2 * HOUR) == 1
    with reading(sited) as session:
        assert forecasts.forecast_by_id(session, used).id == used
        assert forecasts.forecast_by_id(session, young).id == young
        with pytest.raises(StoreError, match=f"no forecast {unused}"):
            forecasts.forecast_by_id(session, unused)


def test_no_plan_yet(sited: Engine) -> None:
    with reading(sited) as session:
        assert plans.last_plan(session, "ore-shed") is None
        with pytest.raises(StoreError, match="no plan 5"):
            plans.inputs_of(session, 5)


NEW_KEYS = {
    "kind", "area_m2", "measured", "also_heated", "energy_kwh", "amounts", "power_kw", "power_utc",
}  # fmt: skip
"""What plans and sites that were stored before electric heaters do not have."""


def test_a_plan_stored_before_there_were_electric_heaters_still_reads(plan: Plan, inputs: PlanInputs) -> None:
    def without(value: Any) -> Any:
        if isinstance(value, dict):
            return {key: without(item) for key, item in value.items() if key not in NEW_KEYS - kept}
        return [without(item) for item in value] if isinstance(value, list) else value

    for kind, value in ((Plan, plan), (Joint, inputs.joints[0])):
        kept = {"kind"} if kind is Joint else set()  # a part has a kind of its own, and always had
        packing: Packing[Any] = Packing(kind)
        text = zlib.decompress(packing.pack(value))
        old = json.dumps(without(json.loads(text)))
        assert json.loads(old) != json.loads(text)
        assert packing.unpack(zlib.compress(old.encode())) == value


def test_a_plan_stored_before_a_site_said_how_it_uses_gas_still_reads(
    sited: Engine, plan: Plan, inputs: PlanInputs
) -> None:
    plan_id = keep(sited, plan, inputs)
    with writing(sited) as session:
        row = session.get_one(PlanRow, plan_id)
        (told,), (result,) = json.loads(zlib.decompress(row.inputs)), json.loads(zlib.decompress(row.result))
        for stored in (told, result):
            del stored["site"]["gas"]
        row.inputs, row.result = (zlib.compress(json.dumps([stored]).encode()) for stored in (told, result))
        session.add(row)
    with reading(sited) as session:
        assert plans.inputs_of(session, plan_id).site == inputs.site
        assert plans.plan_by_id(session, plan_id).plan == plan


def test_how_a_site_used_gas_comes_back_with_its_plan(sited: Engine, plan: Plan, inputs: PlanInputs) -> None:
    setup = GasSetup(
        kinds=("propane-100", "ours"),
        own_cylinders=(OwnCylinder("ours", "our oxygen", "oxygen", contents_m3=9.0),),
        torch_kpa=(("propane", 120.0),),
        other_use=(OtherUse("cutting", "oxygen", 1.0, 2.0, 4.0, ("day",), same_cylinders=False),),
        supply=(SupplyTerms("propane-100", 2, frozenset({1, 3}), storage_limit=24),),
        closed_days=(date(2026, 12, 24),),
    )
    plan_id = keep(sited, plan, replace(inputs, site=replace(inputs.site, gas=setup)))
    with reading(sited) as session:
        assert plans.inputs_of(session, plan_id).site.gas == setup
