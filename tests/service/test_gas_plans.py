"""Gas plans are kept while nothing they come from changes."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from tests.service.web.conftest import NOW, make_plan, site_weather

from frostshift_service import gas_plans
from frostshift_service.gas_plans import GasPlans


def test_the_same_plan_and_ledger_are_worked_out_once(monkeypatch: pytest.MonkeyPatch) -> None:
    made = []
    work = gas_plans.make_gas_plan
    monkeypatch.setattr(gas_plans, "make_gas_plan", lambda *of: (made.append(of), work(*of))[1])
    kept, plan, hours = GasPlans(), make_plan(), site_weather().weather.hours
    assert kept.known(plan, (), NOW) is None
    first = kept.get(plan, hours, (), NOW)
    assert kept.get(plan, hours, (), NOW + timedelta(minutes=4)) is first
    assert kept.known(plan, (), NOW) is first
    assert len(made) == 1
    kept.get(plan, hours, (), NOW + timedelta(minutes=5))  # the clock goes on
    kept.get(replace(plan), hours, (), NOW + timedelta(minutes=5))  # planned again
    assert len(made) == 3
    assert kept.known(plan, (), NOW + timedelta(minutes=5)) is None
    assert kept.known(make_plan(), ("another entry",), NOW) is None  # type: ignore[arg-type]
