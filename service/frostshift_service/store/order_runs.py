"""Orders of work that are being worked out, and what came of them; every copy of the service sees them.

One is worked out at a time for a site. Whoever works on it writes a sign of life every few seconds; one without is
broken off. What a copy still writes that had hung changes nothing: it only counts while the run is running.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import ColumnElement
from sqlalchemy.orm import defer
from sqlmodel import Session, col, delete, select, update

from frostshift_service.store.joints import schedule_version
from frostshift_service.store.packing import Packing
from frostshift_service.store.records import KeptAdvice, OrderRun, RunState, StoreError, TakenMoves, UnknownRun
from frostshift_service.store.sites import hold_site, load_site
from frostshift_service.store.tables import OrderRunRow, ScheduleActRow

KEPT: Final = 10
"""Orders of work of a site that stay, the newest. Our choice."""
SILENT: Final = timedelta(seconds=40)
"""A run without a sign of life for so long is broken off."""

_ADVICE: Final = Packing(KeptAdvice)


def is_silent(beat_utc: datetime, now: datetime) -> bool:
    """Whether a sign of life is too old, or lies further ahead than clocks differ."""
    return not -2 * SILENT < now - beat_utc < SILENT


def begin_run(session: Session, site_id: str, *, now: datetime, by: str, copy: str, shifts: int) -> int:
    """Write down that an order of work is worked out from now on; its number.

    Raises:
        UnknownSite: there is no site of that id.
        StoreError: one is worked out already.
    """
    hold_site(session, site_id)
    of_site = col(OrderRunRow.site_id) == site_id
    going = session.exec(select(OrderRunRow.id, OrderRunRow.beat_utc).where(of_site, _running())).all()
    if any(not is_silent(beat_utc, now) for _, beat_utc in going):
        raise StoreError(f"an order of work is being worked out for site {site_id} already: wait for it, or cancel it")
    for run_id, _ in going:
        assert run_id is not None
        end_run(session, run_id, "broken_off", now=now)
    newest = select(OrderRunRow.id).where(of_site).order_by(col(OrderRunRow.id).desc()).offset(KEPT - 1)
    session.exec(delete(OrderRunRow).where(col(OrderRunRow.id).in_(session.exec(newest).all())))
    row = OrderRunRow(
        site_id=site_id,
        asked_utc=now,
        by=by,
        shifts=shifts,
        site_revision=load_site(session, site_id).revision,
        forecast_id=None,
        schedule_version=schedule_version(session, site_id),
        copy_name=copy,
        state="running",
        step="",
        cost=None,
        bound=None,
        gap=None,
        beat_utc=now,
        ended_utc=None,
        cancelled_by="",
        problem="",
        advice=None,
        taken=[],
    )
    session.add(row)
    session.flush()
    assert row.id is not None
    return row.id


def note_inputs(session: Session, run_id: int, *, revision: int, forecast_id: int | None, version: str) -> None:
    """Write down what a run is made from."""
    values = {"site_revision": revision, "forecast_id": forecast_id, "schedule_version": version}
    session.exec(update(OrderRunRow).where(*_still(run_id)).values(values))


def beat(
    session: Session,
    run_id: int,
    *,
    now: datetime,
    step: str,
    cost: float | None = None,
    bound: float | None = None,
    gap: float | None = None,
) -> bool:
    """A sign of life with how far a run is; False where somebody wants it to end, or it is no longer running."""
    values = {"beat_utc": now, "step": step, "cost": cost, "bound": bound, "gap": gap}
    if session.exec(update(OrderRunRow).where(*_still(run_id)).values(values)).rowcount != 1:
        return False
    return session.exec(select(OrderRunRow.cancelled_by).where(OrderRunRow.id == run_id)).one() == ""


def keep_advice(session: Session, run_id: int, kept: KeptAdvice) -> None:
    """Keep what there is so far, while the run is running."""
    session.exec(update(OrderRunRow).where(*_still(run_id)).values(advice=_ADVICE.pack(kept)))


def end_run(session: Session, run_id: int, state: RunState, *, now: datetime, problem: str = "") -> None:
    """End a run that is running; nothing where it is over already."""
    values: dict[str, Any] = {"state": state, "problem": problem}
    if state != "broken_off":
        values["ended_utc"] = now
    session.exec(update(OrderRunRow).where(*_still(run_id)).values(values))


def cancel_run(session: Session, site_id: str, run_id: int, *, by: str) -> None:
    """Wish that a run ends with the best it has; nothing where it is over.

    Raises:
        UnknownRun: the site has none of that number.
    """
    row = _row(session, site_id, run_id)
    if row.state == "running" and not row.cancelled_by:
        row.cancelled_by = by


def note_taken(session: Session, site_id: str, run_id: int, taken: TakenMoves) -> None:
    """Write down what was taken of an order of work.

    Raises:
        UnknownRun: the site has none of that number.
    """
    row = _row(session, site_id, run_id)
    entry = {"at_utc": taken.at_utc.isoformat(), "by": taken.by, "marks": list(taken.marks), "act": taken.act}
    row.taken = [*row.taken, entry]
    session.add(row)


def runs_of(session: Session, site_id: str) -> list[OrderRun]:
    """The orders of work of a site that are kept, the newest first."""
    wanted = select(OrderRunRow, col(OrderRunRow.advice).is_not(None)).where(OrderRunRow.site_id == site_id)
    wanted = wanted.order_by(col(OrderRunRow.id).desc()).limit(KEPT).options(defer(col(OrderRunRow.advice)))  # type: ignore[arg-type]
    rows = session.exec(wanted).all()
    undone = _undone(session, [entry["act"] for row, _ in rows for entry in row.taken])
    return [_run(row, has_advice, undone) for row, has_advice in rows]


def advice_of(session: Session, site_id: str, run_id: int) -> KeptAdvice | None:
    """What came of an order of work, so far; None: nothing yet.

    Raises:
        UnknownRun: the site has none of that number.
    """
    packed = _row(session, site_id, run_id).advice
    return None if packed is None else _ADVICE.unpack(packed)


def _row(session: Session, site_id: str, run_id: int) -> OrderRunRow:
    row = session.get(OrderRunRow, run_id)
    if row is None or row.site_id != site_id:
        raise UnknownRun(f"site {site_id} has no order of work {run_id}: only the last {KEPT} stay")
    return row


def _undone(session: Session, acts: Sequence[int]) -> frozenset[int]:
    taken_back = col(ScheduleActRow.id).in_(acts), col(ScheduleActRow.undone_utc).is_not(None)
    return frozenset(one for one in session.exec(select(ScheduleActRow.id).where(*taken_back)) if one is not None)


def _run(row: OrderRunRow, has_advice: bool, undone: frozenset[int]) -> OrderRun:
    assert row.id is not None
    names = set(OrderRun.__dataclass_fields__) - {"has_advice", "taken"}
    taken = tuple(
        TakenMoves(
            datetime.fromisoformat(one["at_utc"]), one["by"], tuple(one["marks"]), one["act"], one["act"] in undone
        )
        for one in row.taken
    )
    return OrderRun(**{name: getattr(row, name) for name in names}, has_advice=has_advice, taken=taken)


def _running() -> ColumnElement[bool]:
    return col(OrderRunRow.state) == "running"


def _still(run_id: int) -> tuple[ColumnElement[bool], ...]:
    return col(OrderRunRow.id) == run_id, _running()
