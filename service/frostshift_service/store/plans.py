"""Plans, each with everything it was made from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, get_args

from sqlmodel import Session, col, delete, select, update

from frostshift_rules.job import Joint, Reading, Site
from frostshift_rules.workload import AirBias, FeedChange, Freshness, Plan, StationHours, Weather
from frostshift_service.store.packing import Packing, pack_hours, unpack_weather
from frostshift_service.store.records import KeptBecause, KeptPlan, PlanInputs, StoreError
from frostshift_service.store.tables import PlanRow


@dataclass(frozen=True)
class _Told:
    """`PlanInputs` without the hours and the members, which are packed apart."""

    site: Site
    joints: tuple[Joint, ...]
    readings: tuple[Reading, ...]
    feed: str
    issued_utc: datetime | None
    fetched_utc: datetime | None
    freshness: Freshness
    late_by_h: float
    attribution: str
    instead_of: str = ""
    changed: FeedChange | None = None
    station: StationHours | None = None
    missing_h: int = 0
    air_bias: AirBias | None = None


_OF_WEATHER: Final = tuple(name for name in _Told.__dataclass_fields__ if name not in ("site", "joints", "readings"))
"""Fields of `_Told` that are the weather's, under the same names."""


KEEP_UNSEEN: Final = 20
"""So many of the newest plans of a site stay, whether anybody saw them or not."""
ALL_SHOWN: Final = timedelta(days=2)
HOURLY_SHOWN: Final = timedelta(days=60)
"""So long all plans that were shown stay, and so long the last of each hour."""
_FOR_GOOD: Final[tuple[KeptBecause, ...]] = ("printed", "sent")
_HOUR: Final = timedelta(hours=1)
_DAY: Final = timedelta(days=1)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

_PLAN: Final = Packing(Plan)
_TOLD: Final = Packing(_Told)


@dataclass(frozen=True, slots=True)
class Made:
    """What the newest plan of a site was made from, and when.

    Attributes:
        plan_id: of the plan.
        made_utc: when it was made.
        site_revision: of the site then; None where it was not written down.
        forecast_id: of the forecast in use; None where there was none.
    """

    plan_id: int
    made_utc: datetime
    site_revision: int | None
    forecast_id: int | None


def newest_made(session: Session, site_id: str) -> Made | None:
    """The plan that was kept last, whatever the clocks said; None where there is none."""
    columns = select(
        col(PlanRow.id), col(PlanRow.made_utc), col(PlanRow.site_revision), col(PlanRow.forecast_id)
    ).where(PlanRow.site_id == site_id)
    row = session.exec(columns.order_by(col(PlanRow.id).desc()).limit(1)).first()
    if row is None:
        return None
    plan_id, made_utc, site_revision, forecast_id = row
    assert plan_id is not None  # only a row that was not written has none
    return Made(plan_id, made_utc, site_revision, forecast_id)


def keep_plan(
    session: Session, plan: Plan, inputs: PlanInputs, forecast_id: int | None, *, revision: int | None = None
) -> int:
    """Keep a plan that nobody has seen yet; returns its id.

    Args:
        session: a writing one.
        plan: as it was made.
        inputs: what it was made from.
        forecast_id: of the forecast in use.
        revision: of the site then.
    """
    weather = inputs.weather
    of_weather = {name: getattr(weather, name) for name in _OF_WEATHER}
    told = _Told(inputs.site, inputs.joints, inputs.readings, **of_weather)
    row = PlanRow(
        site_id=plan.site.id,
        made_utc=plan.made_utc,
        forecast_id=forecast_id,
        site_revision=revision,
        kept_because="",
        inputs=_TOLD.pack(told),
        hours=None if weather.hours is None else pack_hours(weather.hours, weather.members),
        result=_PLAN.pack(plan),
    )
    session.add(row)
    session.flush()
    assert row.id is not None
    return row.id


def last_plan_id(session: Session, site_id: str) -> int | None:
    """Id of the plan that was kept last; None where there is none. A plan never changes: readers can keep it by id."""
    made = newest_made(session, site_id)
    return None if made is None else made.plan_id


def last_made_utc(session: Session, site_id: str) -> datetime | None:
    """When the plan was made that was kept last; None where there is none."""
    made = newest_made(session, site_id)
    return None if made is None else made.made_utc


def last_plan(session: Session, site_id: str) -> KeptPlan | None:
    """The plan that was kept last; None where there is none."""
    plan_id = last_plan_id(session, site_id)
    return None if plan_id is None else plan_by_id(session, plan_id)


def id_before(session: Session, site_id: str, at_utc: datetime) -> int | None:
    """Id of the last plan that is still kept and was made no later than a time; None where there is none."""
    newest = col(PlanRow.made_utc).desc(), col(PlanRow.id).desc()
    wanted = select(PlanRow.id).where(PlanRow.site_id == site_id, PlanRow.made_utc <= at_utc)
    return session.exec(wanted.order_by(*newest).limit(1)).first()


def last_seen_id(session: Session, site_id: str, made_before_utc: datetime) -> int | None:
    """Id of the newest plan made before a moment that somebody saw, by page, print or message; None: there is none."""
    seen = col(PlanRow.kept_because).in_(("shown", *_FOR_GOOD)), col(PlanRow.made_utc) < made_before_utc
    newest = col(PlanRow.made_utc).desc(), col(PlanRow.id).desc()
    return session.exec(select(PlanRow.id).where(PlanRow.site_id == site_id, *seen).order_by(*newest).limit(1)).first()


def plan_by_id(session: Session, plan_id: int) -> KeptPlan:
    """One plan.

    Raises:
        StoreError: there is none of that id.
    """
    row = _row(session, plan_id)
    return KeptPlan(plan_id, row.forecast_id, row.kept_because, _PLAN.unpack(row.result))


def inputs_of(session: Session, plan_id: int) -> PlanInputs:
    """What a plan was made from.

    Raises:
        StoreError: there is none of that id.
    """
    row = _row(session, plan_id)
    told = _TOLD.unpack(row.inputs)
    hours, members = (None, None) if row.hours is None else unpack_weather(row.hours)
    of_weather = {name: getattr(told, name) for name in _OF_WEATHER}
    weather = Weather(hours=hours, members=members, **of_weather)
    return PlanInputs(told.site, told.joints, told.readings, weather)


def mark_plan_seen(session: Session, plan_id: int, because: KeptBecause) -> None:
    """Keep a plan (see `thin_plans`), because it was shown, printed, sent or changed a call.

    The first reason stays, unless the new one says more: a plan that changed a call and was then shown was shown, and
    what was printed or sent is kept for good.

    Raises:
        StoreError: no such reason.
    """
    if because not in get_args(KeptBecause):
        raise StoreError(f"because is {because!r}, expected one of {', '.join(get_args(KeptBecause))}")
    weaker = ("", "shown", "changed") if because in _FOR_GOOD else ("", "changed") if because == "shown" else ("",)
    replaced = col(PlanRow.id) == plan_id, col(PlanRow.kept_because).in_(weaker)
    session.exec(update(PlanRow).where(*replaced).values(kept_because=because))


def thin_plans(session: Session, site_id: str, newest: int) -> int:
    """Delete what is `superfluous` of a site's plans; returns how many."""
    return drop_plans(session, superfluous(session, site_id, newest))


def superfluous(session: Session, site_id: str, newest: int) -> list[int]:
    """Plans of a site that may go, never one of the `newest`, nor one that was printed or sent.

    Those that nobody saw go. Of those that were shown or changed a call all stay for `ALL_SHOWN`, then the last of each
    hour, from `HOURLY_SHOWN` on the last of each day (UTC); their ages count from the newest plan, so that a clock that
    is wrong for a while destroys little.
    """
    order = col(PlanRow.made_utc).desc(), col(PlanRow.id).desc()
    rows = session.exec(
        select(PlanRow.id, PlanRow.made_utc, PlanRow.kept_because).where(PlanRow.site_id == site_id).order_by(*order)
    ).all()
    gone: list[int] = []
    spans: set[tuple[timedelta, int]] = set()
    last_id = max((plan_id or 0 for plan_id, _, _ in rows), default=0)
    for plan_id, made_utc, because in rows[newest:]:
        assert plan_id is not None  # only a row that was not written has none
        if plan_id == last_id:  # the one in use, though a clock that was wrong has put others before it
            continue
        age = rows[0][1] - made_utc
        if because == "":
            gone.append(plan_id)
        elif because in ("shown", "changed") and age > ALL_SHOWN:
            length = _HOUR if age <= HOURLY_SHOWN else _DAY
            span = length, (made_utc - _EPOCH) // length
            if span in spans:
                gone.append(plan_id)
            spans.add(span)
    return gone


def drop_plans(session: Session, plan_ids: Sequence[int]) -> int:
    """Delete plans, but none that was printed or sent: another copy may have done so meanwhile. Returns how many."""
    gone = 0
    for first in range(0, len(plan_ids), 500):  # databases take only so many values at once
        some = col(PlanRow.id).in_(plan_ids[first : first + 500])
        gone += session.exec(delete(PlanRow).where(some, col(PlanRow.kept_because).not_in(_FOR_GOOD))).rowcount
    return gone


def _row(session: Session, plan_id: int) -> PlanRow:
    row = session.get(PlanRow, plan_id)
    if row is None:
        raise StoreError(f"there is no plan {plan_id}")
    return row
