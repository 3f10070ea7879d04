"""Orders of work in the store: one at a time, signs of life, what stays."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import Engine
from tests.service.store.conftest import NOW

from frostshift_service.store import order_runs
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.order_runs import KEPT, SILENT, beat, begin_run, cancel_run, end_run, note_inputs, runs_of
from frostshift_service.store.records import OrderRun, StoreError, UnknownRun, UnknownSite

SITE = "ore-shed"
SECOND = timedelta(seconds=1)


def begin(store: Engine, after: timedelta = timedelta(0)) -> int:
    with writing(store) as session:
        return begin_run(session, SITE, now=NOW + after, by="Q. Arden", copy="a", shifts=14)


def runs(store: Engine) -> list[OrderRun]:
    with reading(store) as session:
        return runs_of(session, SITE)


def test_one_is_worked_out_at_a_time(sited: Engine) -> None:
    run_id = begin(sited)
    with pytest.raises(StoreError, match="is being worked out for site ore-shed already"):
        begin(sited, SILENT - SECOND)
    with writing(sited) as session:
        end_run(session, run_id, "ended", now=NOW + SECOND)
    again = begin(sited, 2 * SECOND)
    assert [(one.id, one.state) for one in runs(sited)] == [(again, "running"), (run_id, "ended")]


def test_a_silent_one_is_broken_off_and_what_it_still_writes_changes_nothing(sited: Engine) -> None:
    silent = begin(sited)
    again = begin(sited, SILENT)
    with writing(sited) as session:
        assert not beat(session, silent, now=NOW + SILENT, step="searches")
        note_inputs(session, silent, revision=99, forecast_id=7, version="x")
        end_run(session, silent, "ended", now=NOW + SILENT)
        assert beat(session, again, now=NOW + SILENT + SECOND, step="searches", cost=2.5, bound=2.0, gap=0.2)
    new, old = runs(sited)
    assert (old.state, old.step, old.ended_utc) == ("broken_off", "", None)
    assert old.site_revision != 99
    assert (new.state, new.step, new.cost, new.bound, new.gap) == ("running", "searches", 2.5, 2.0, 0.2)
    assert new.beat_utc == NOW + SILENT + SECOND


def test_a_sign_of_life_from_far_ahead_is_none(sited: Engine) -> None:
    assert not order_runs.is_silent(NOW + SILENT, NOW)
    assert order_runs.is_silent(NOW + 2 * SILENT, NOW)
    assert order_runs.is_silent(NOW - SILENT, NOW)
    begin(sited, timedelta(days=1))  # a clock that was wrong
    begin(sited)


def test_who_works_on_it_hears_that_it_is_to_end(sited: Engine) -> None:
    run_id = begin(sited)
    with writing(sited) as session:
        assert beat(session, run_id, now=NOW, step="searches")
        cancel_run(session, SITE, run_id, by="R. Moss")
        cancel_run(session, SITE, run_id, by="somebody later")
    with writing(sited) as session:
        assert not beat(session, run_id, now=NOW, step="searches")
        with pytest.raises(UnknownRun, match="site elsewhere has no order of work"):
            cancel_run(session, "elsewhere", run_id, by="R. Moss")
    assert runs(sited)[0].cancelled_by == "R. Moss"


def test_the_newest_ten_stay(sited: Engine) -> None:
    made = []
    for _ in range(KEPT + 3):
        made.append(begin(sited))
        with writing(sited) as session:
            end_run(session, made[-1], "failed", now=NOW, problem="nothing")
    assert [one.id for one in runs(sited)] == made[: -KEPT - 1 : -1]
    with pytest.raises(UnknownRun), reading(sited) as session:
        order_runs.advice_of(session, SITE, made[0])


def test_none_begins_at_a_site_that_is_not_there(sited: Engine) -> None:
    with pytest.raises(UnknownSite), writing(sited) as session:
        begin_run(session, "elsewhere", now=NOW, by="", copy="a", shifts=14)
