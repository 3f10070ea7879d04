"""From the store and the latest plan to views: the one place that pages, JSON and the terminal ask."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Final, Protocol
from weakref import ref
from zoneinfo import ZoneInfo

from sqlalchemy import Engine
from sqlmodel import Session

from frostshift_rules.heat_compare import MOST_JOINTS, Comparison
from frostshift_rules.job import Joint, JointState
from frostshift_rules.reference_plates import ReferencePlates
from frostshift_rules.start_hours import HOURS, JointStarts, next_shifts
from frostshift_rules.stock import stock_of
from frostshift_rules.surroundings import Hours
from frostshift_rules.workload import HeatPlan, Plan
from frostshift_service.gas_plans import GasPlans
from frostshift_service.keeper import Keeper
from frostshift_service.rights import Actor
from frostshift_service.stock_form import contents_of, kinds_of
from frostshift_service.store import joints as kept
from frostshift_service.store import order_runs, plans
from frostshift_service.store.engine import is_busy, reading
from frostshift_service.store.plans import ALL_SHOWN
from frostshift_service.store.readings import before_heat_of, prediction_of, readings_of
from frostshift_service.store.records import (
    JointChange,
    KeptBecause,
    KeptReading,
    KeptSite,
    Prediction,
    ShowUnits,
    StoreError,
    UnknownJoint,
    UnknownRun,
)
from frostshift_service.store.schedule_acts import last_act
from frostshift_service.store.sites import load_site, load_sites
from frostshift_service.store.stock import entries_of
from frostshift_service.views.changes import LAST_SHEET, gone_marks
from frostshift_service.views.chart import SteelSeries
from frostshift_service.views.compare import ComparePage, compare_page
from frostshift_service.views.crew import CrewJointPage, CrewPage, crew_joint_page, crew_page
from frostshift_service.views.gas import GasPage, gas_page
from frostshift_service.views.joint import JointPage, RestingJoint, joint_page, options_of
from frostshift_service.views.order import Now, OrderPage, order_page, why_none
from frostshift_service.views.readings import (
    COLD_COUNTS,
    SHOWN,
    ReadingsPage,
    asked_for,
    planned_as,
    reading_form,
    reading_line,
    readings_page,
)
from frostshift_service.views.record import IN_RECORD, RecordPage, record_page
from frostshift_service.views.schedule import (
    EVERYTHING,
    Placed,
    ScheduleFilter,
    SchedulePage,
    default_texts,
    matching,
    page_count,
    page_of,
    placed,
    schedule_page,
)
from frostshift_service.views.sheet import MorningSheet, as_of, header, morning_sheet, shifts_shown
from frostshift_service.views.show import Show
from frostshift_service.views.start_hours import (
    MOST_AT_ONCE,
    ROWS_A_PART,
    SHIFTS_AHEAD,
    HoursAsked,
    HoursPage,
    JointHours,
    asked_joints,
    hours_needed,
    hours_page,
    joint_hours,
    part_of_joints,
)
from frostshift_service.views.stock import StockPage, stock_page
from frostshift_service.views.weather import HOURS_SHOWN, SiteWeather, WeatherPage, hour_by_hour, weather_page
from frostshift_service.views.words import STATES

log = logging.getLogger(__name__)

CREW_SEES: Final = timedelta(days=3)
"""Older readings do not stand on a crew's sheet. Our choice."""
EARLIER_KEPT: Final = 2
"""Earlier plans in memory, as that of 5,000 joints takes 50 MB: each reading may ask for another one."""
STARTS_KEPT: Final = 4
"""Levels or crews whose other starts are in memory. Our choice."""
NOBODY_ELSE: Final = Actor("this machine", owner=True)
"""Who asks where nobody is asked to sign in: a command on this machine."""


class NoPlan(StoreError):
    """The site has no plan yet."""


class UnknownShift(StoreError):
    """The plan has no shift of that key."""


class TooMuchAsked(StoreError):
    """More is asked for than is worked out at a time, or two things at once."""


class Planner(Protocol):
    """What pages need of the loops."""

    gas_plans: GasPlans
    """The last gas plans, shared with what decides on notices."""

    def current_plan(self, site_id: str, because: KeptBecause = "shown") -> Plan | None:
        """The latest plan of a site, kept from now on because it is shown or printed; None where there is none yet."""

    def steel_series(self, site_id: str, mark: str) -> SteelSeries | None:
        """Hourly temperatures of a joint by the latest plan's forecast; None without one."""

    def times_for_torches(self, site_id: str, mark: str) -> Mapping[int, HeatPlan]:
        """Number of torches (1, 2, 3) -> heat plan of a joint; empty where no heat is planned."""

    def compare(self, site_id: str, marks: Sequence[str]) -> Comparison:
        """Ways of heating the joints of these marks."""

    def start_hours(self, site_id: str, marks: Sequence[str], count: int) -> Mapping[str, JointStarts]:
        """Mark -> what the latest plan would say of the joint at the next full hours; without those in no plan."""

    def begin_order(self, site_id: str, by: str, shifts: int) -> int:
        """Begin to work out an order of work, not in this thread; the number of its run."""

    def new_starts(self, site_id: str, starts: Mapping[str, datetime]) -> Mapping[str, JointStarts]:
        """Mark -> what the newest forecast and readings say of the joint at a start of its own."""

    def forecast_hours(self, site_id: str) -> Hours | None:
        """Hours of the forecast that the latest plan was made from; None where there was none."""

    def reference_plates(self, site_id: str) -> ReferencePlates | None:
        """Steel of reference plates by the latest plan's forecast; None without one to use."""

    def weather(self, site_id: str) -> SiteWeather:
        """What the latest plan knows of the weather, and how it stands with the site's feeds."""

    def replan(self, site_id: str) -> None:
        """Plan again with what is known now."""

    def send_test(self, site_id: str, person_id: str, position: int) -> str:
        """Send a test message to one address of a person; a sentence on what came of it."""


@dataclass(frozen=True, slots=True)
class SiteEntry:
    """A site in the list of sites."""

    id: str
    name: str
    zone: str


@dataclass(frozen=True, slots=True)
class SiteList:
    """All sites."""

    sites: tuple[SiteEntry, ...]


@dataclass(frozen=True, slots=True)
class LastChange:
    """The last change by hand of a joint: its number among them, and a sentence."""

    mark: str
    number: int
    text: str


def _check_number(marks: Sequence[str]) -> None:
    if len(marks) > MOST_JOINTS:
        raise TooMuchAsked(f"{len(marks)} joints are asked for, at most {MOST_JOINTS} are compared at a time")


def _begun_utc(joint: Joint, changes: Sequence[JointChange], readings: Sequence[KeptReading]) -> datetime:
    """When work on a joint began, as far as anybody wrote it down; its planned start where that comes first."""
    at_work = [
        one.at_utc for one in changes if one.field == "state" and one.became in ("heating", "in_progress", "done")
    ]
    heated = [one.reading.at_utc for one in readings if one.reading.stage != "before_heat"]
    return min([joint.start_utc, *at_work, *heated])


def _ref(plan: Plan | None) -> object:
    """Of a plan for the keeper, so that what is kept does not hold the plan of an hour ago."""
    return None if plan is None else ref(plan)


def show_for(site: KeptSite, units: ShowUnits | None = None) -> Show:
    """Zone of a site, and its units unless others are asked for."""
    return Show(units or site.show_units, ZoneInfo(site.site.zone))


def _by_mark(readings: Iterable[KeptReading]) -> dict[str, list[KeptReading]]:
    of_mark: dict[str, list[KeptReading]] = {}
    for one in readings:
        of_mark.setdefault(one.reading.mark, []).append(one)
    return of_mark


def _before_heat(session: Session, site_id: str, shown: Sequence[KeptReading], mark: str = "") -> list[KeptReading]:
    """Readings before any heat that count for those of `shown`, shown or not; `mark` is given where all are of it."""
    if not shown:
        return []
    since_utc = min(one.reading.at_utc for one in shown) - COLD_COUNTS
    marks = {one.reading.mark for one in shown}
    found = before_heat_of(session, site_id, since_utc=since_utc, mark=mark or None)
    return [one for one in found if one.reading.mark in marks]


@dataclass(frozen=True, slots=True)
class Desk:
    """Answers with views.

    Attributes:
        engine: of the store.
        planner: holder of the latest plans.
        now: reads the clock.
        who: asks; his units are shown, and only the sites that he knows.
        keeper: of what hangs on a plan and on nothing that changes while it is the latest.
        earlier: of earlier plans.
        starts: of what a plan would say of joints at other starts: 40 of them over a week take some 8 MB.
    """

    engine: Engine
    planner: Planner
    now: Callable[[], datetime]
    who: Actor = NOBODY_ELSE
    keeper: Keeper = field(default_factory=Keeper, repr=False, compare=False)
    earlier: Keeper = field(default_factory=lambda: Keeper(EARLIER_KEPT), repr=False, compare=False)
    starts: Keeper = field(default_factory=lambda: Keeper(STARTS_KEPT), repr=False, compare=False)

    def show(self, site: KeptSite) -> Show:
        """Units and zone in which a site is shown to whoever asks."""
        return show_for(site, self.who.units)

    def replan(self, site_id: str) -> None:
        """Plan again after a change that is kept.

        No error where the store is busy: the next page or the loop plans by the site's revision, and who is told of an
        error enters his change a second time.
        """
        try:
            self.planner.replan(site_id)
        except Exception as error:
            if not is_busy(error):
                raise
            log.warning("site %r was changed and is not planned again yet: the database is busy", site_id)

    def sites(self) -> SiteList:
        """The sites that whoever asks knows, by id."""
        with reading(self.engine) as session:
            known = [kept.site for kept in load_sites(session) if self.who.knows(kept.site.id)]
        return SiteList(tuple(SiteEntry(site.id, site.name, site.zone) for site in known))

    def _plan(self, site_id: str, because: KeptBecause = "shown") -> Plan:
        plan = self.planner.current_plan(site_id, because)
        if plan is None:
            raise NoPlan(f"site {site_id} has no plan yet: load a schedule first")
        return plan

    def morning(
        self, site_id: str, day: date | None = None, shift_count: int = 2, because: KeptBecause = "shown"
    ) -> MorningSheet:
        """The morning sheet, to be shown or printed.

        Raises:
            UnknownSite: there is none of that id.
            NoPlan: nothing was planned yet.
        """
        with reading(self.engine) as session:
            site = load_site(session, site_id)
            entries = entries_of(session, site_id)
        plan, now, show = self._plan(site_id, because), self.now(), self.show(site)
        sheet = self._kept_sheet(site, plan, now, day, shift_count)
        return as_of(sheet, plan, show, now, self.planner.gas_plans.known(plan, entries, now))

    def plan_before(self, site_id: str, at_utc: datetime) -> Plan | None:
        """The last plan that is still kept and was made no later than a time; None where there is none."""
        with reading(self.engine) as session:
            return self._earlier(session, plans.id_before(session, site_id, at_utc))

    def _earlier(self, session: Session, plan_id: int | None) -> Plan | None:
        """A plan that is not the latest, unpacked once for all who ask: that of a big site takes a second."""
        if plan_id is None:
            return None
        return self.earlier.get(self.engine, plan_id, lambda: plans.plan_by_id(session, plan_id).plan)

    def _kept_sheet(
        self, site: KeptSite, plan: Plan, now: datetime, day: date | None = None, shift_count: int = 2
    ) -> MorningSheet:
        """A sheet of this plan for the shifts that are shown at `now`; what the clock changes may be older."""
        site_id, show = site.site.id, self.show(site)
        with reading(self.engine) as session:
            before_id = plans.last_seen_id(session, site_id, now - LAST_SHEET)

        def make() -> MorningSheet:
            with reading(self.engine) as session:
                # Looked for once more: what was found a moment ago may have been thinned.
                before = self._earlier(session, plans.last_seen_id(session, site_id, now - LAST_SHEET))
                defaults = {mark: default_texts(names) for mark, names in kept.defaults_of(session, site_id).items()}
            return morning_sheet(
                plan,
                show,
                now,
                day=day,
                shift_count=shift_count,
                defaults=defaults,
                before=before,
                gone_states=self._gone_states(site_id, before, plan),
            )

        # The revision counts every change of the site, its joints and its readings, by whichever copy of the service:
        # nothing that is read of them here can be older than it.
        shifts = tuple(one.key for one in shifts_shown(plan, now, day, shift_count))
        key = "morning", site_id, site.revision, before_id, show, day, shift_count, shifts
        return self.keeper.get(_ref(plan), key, make)

    def _gone_states(self, site_id: str, before: Plan | None, plan: Plan) -> dict[str, JointState]:
        """What became of joints that the last sheet held and the plan no longer does."""
        if not gone_marks(before, plan):
            return {}
        with reading(self.engine) as session:
            return kept.states_of(session, site_id)

    def gas(self, site_id: str) -> GasPage:
        """Gas of the next shifts and the order; the stock is read anew each time.

        Raises:
            UnknownSite: there is none of that id.
            NoPlan: nothing was planned yet.
        """
        with reading(self.engine) as session:
            site = load_site(session, site_id)
            entries = entries_of(session, site_id)
        plan, now = self._plan(site_id), self.now()
        stock = stock_of(entries, contents_of(kinds_of(plan.site)))
        found = self.planner.gas_plans.get(plan, self.planner.forecast_hours(site_id), entries, now)
        return gas_page(found, plan, stock, self.show(site), now)

    def joint(self, site_id: str, mark: str) -> JointPage | RestingJoint:
        """The page of one joint; a `RestingJoint` where the latest plan does not hold it.

        Raises:
            UnknownSite, UnknownJoint: there is none.
        """
        with reading(self.engine) as session:
            site = load_site(session, site_id)
            joint = kept.kept_joint(session, site_id, mark)
            readings = readings_of(session, site_id, mark=mark, newest=SHOWN)
            before_heat = _before_heat(session, site_id, readings, mark)
        plan = self.planner.current_plan(site_id)
        show = self.show(site)
        planned = None if plan is None else next((one for one in plan.joints if one.joint.mark == mark), None)
        if plan is not None and planned is not None:
            series, times_for_torches, options = self.keeper.get(
                _ref(plan),
                ("beside", site_id, mark),
                lambda: (
                    self.planner.steel_series(site_id, mark),
                    self.planner.times_for_torches(site_id, mark),
                    options_of(planned, plan.site),
                ),
            )
            return joint_page(
                plan,
                mark,
                show,
                self.now(),
                series=series,
                times_for_torches=times_for_torches,
                options=options,
                other_starts=self._other_starts(site_id, mark, plan, show),
                readings=readings,
                before_heat=before_heat,
                defaults=default_texts(joint.defaults),
            )
        asked = asked_for(site.site, joint.joint, None, [*before_heat, *readings])
        if not joint.present:
            reason = (
                "The last schedule no longer holds this mark, so it is not planned until a schedule holds it again."
            )
        elif joint.joint.state in ("done", "postponed"):
            reason = f"It is {STATES[joint.joint.state]}, so it is not planned."
        else:
            reason = "It is not in the latest plan yet."
        return RestingJoint(
            site_id=site_id,
            site_name=site.site.name,
            mark=mark,
            place=joint.joint.place,
            state=joint.joint.state,
            state_text=STATES[joint.joint.state],
            start=show.moment(joint.joint.start_utc, detail="date"),
            reason=reason,
            in_schedule=joint.present,
            readings=tuple(reading_line(one, asked, show) for one in reversed(readings)),
            form=reading_form(site.site, joint.joint, None, asked, show, self.now()),
        )

    def readings(self, site_id: str, mark: str = "", newest: int = SHOWN) -> ReadingsPage:
        """Readings of a site, or of one joint where a mark is given, the newest first.

        Raises:
            UnknownSite, UnknownJoint: there is none.
        """
        with reading(self.engine) as session:
            kept_site = load_site(session, site_id)
            if mark:
                kept.kept_joint(session, site_id, mark)
            found = readings_of(session, site_id, mark=mark or None, newest=newest)
            of_mark = _by_mark([*_before_heat(session, site_id, found, mark), *found])
            joints = [one.joint for one in kept.kept_joints_of(session, site_id, sorted(of_mark))]
        site, show = kept_site.site, self.show(kept_site)
        planned = planned_as(self.planner.current_plan(site_id) if found else None, site, joints)
        asked = {one.mark: asked_for(site, one, planned.get(one.mark), of_mark[one.mark]) for one in joints}
        return readings_page(site, mark, [reading_line(one, asked[one.reading.mark], show) for one in found])

    def record(self, site_id: str, mark: str) -> RecordPage:
        """The preheat record of a joint.

        What was predicted is what stood when it was measured, as kept with the reading. Without one it comes from the
        latest plan while the work has not begun, else from the last plan made before, as long as all of them are kept;
        never from a later one. What is asked is that of the joint as it is now, as for a reading that comes in.

        Raises:
            UnknownSite, UnknownJoint: there is none.
        """
        now = self.now()
        plan = self.planner.current_plan(site_id)
        with reading(self.engine) as session:
            site = load_site(session, site_id)
            joint = kept.kept_joint(session, site_id, mark)
            readings = readings_of(session, site_id, mark=mark, newest=IN_RECORD)
            before_heat = _before_heat(session, site_id, readings, mark)
            current = planned_as(plan, site.site, [joint.joint]).get(mark)
            asked = asked_for(site.site, joint.joint, current, [*before_heat, *readings])
            predicted = prediction_of(session, site_id, mark)
            if predicted is None:
                begun_utc = _begun_utc(joint.joint, kept.changes_of(session, site_id, mark), readings)
                if begun_utc <= now:
                    then_id = plans.id_before(session, site_id, begun_utc) if now - begun_utc <= ALL_SHOWN else None
                    plan = self._earlier(session, then_id)
                planned = planned_as(plan, site.site, [joint.joint]).get(mark)
                predicted = None if plan is None or planned is None else Prediction(plan.made_utc, planned)
        return record_page(site.site, joint, predicted, asked, readings, self.show(site), now)

    def crew(self, site_id: str, crew: str) -> CrewPage:
        """The sheet of a crew; an empty one: of the joints without a crew.

        Raises:
            UnknownSite: there is none.
            NoPlan: nothing was planned yet.
        """
        plan, now = self._plan(site_id), self.now()
        with reading(self.engine) as session:
            site = load_site(session, site_id)
            found = readings_of(session, site_id, since_utc=now - CREW_SEES)
            before_heat = _before_heat(session, site_id, found)
        return crew_page(plan, crew, _by_mark(found), _by_mark(before_heat), self.show(site), now)

    def crew_joint(self, site_id: str, crew: str, mark: str) -> CrewJointPage:
        """One joint of a crew.

        Raises:
            UnknownSite: there is none.
            UnknownJoint: the crew has none of that mark.
            NoPlan: nothing was planned yet.
        """
        with reading(self.engine) as session:
            site = load_site(session, site_id)
            joint = kept.kept_joint(session, site_id, mark).joint
            if joint.crew != crew:
                raise UnknownJoint(f"this crew has no joint {mark!r}")
            found = readings_of(session, site_id, mark=mark, newest=SHOWN)
            before_heat = _before_heat(session, site_id, found, mark)
        return crew_joint_page(self._plan(site_id), crew, mark, found, before_heat, self.show(site), self.now())

    def compare(self, site_id: str, marks: Sequence[str], shift: str | None = None) -> ComparePage:
        """Ways of heating some joints, or those of a shift, side by side; without both what can be compared.

        Raises:
            UnknownSite, UnknownJoint, UnknownShift: there is none.
            NoPlan: nothing was planned yet.
            TooMuchAsked: joints and a shift, or more joints than are compared at a time.
            StoreError: no forecast that can be planned on, or a joint that is done, postponed or not in the plan.
        """
        marks = tuple(dict.fromkeys(marks))
        if marks and shift is not None:
            raise TooMuchAsked("joints and a shift are asked for: one of them at a time")
        _check_number(marks)
        with reading(self.engine) as session:
            site = load_site(session, site_id)
            joints = {mark: kept.kept_joint(session, site_id, mark) for mark in marks}
        plan, show, now, no_heat = self._plan(site_id), self.show(site), self.now(), list[str]()
        if not marks and shift is None:
            return compare_page(None, plan, show, now)
        if plan.freshness in ("unusable", "none"):
            raise StoreError(f"ways of heating cannot be compared at {site_id}: {' '.join(plan.warnings).rstrip('.')}")
        if shift is not None:
            if shift not in {one.key for one in plan.shifts}:
                raise UnknownShift(
                    f"site {site_id} has no shift {shift!r} in its plan; a shift is named 2026-12-17 Day"
                )
            of_shift = [one for one in plan.joints if one.shift_key == shift]
            no_heat = [one.joint.mark for one in of_shift if one.call == "no_heat"]
            marks = tuple(one.joint.mark for one in of_shift if one.call != "no_heat")
        planned = {one.joint.mark for one in plan.joints}
        for mark in marks:
            if mark not in planned:
                state = joints[mark].joint.state
                reason = f"it is {STATES[state]}" if state in ("done", "postponed") else "it is not in the latest plan"
                raise StoreError(f"joint {mark} cannot be compared: {reason}")
        _check_number(marks)
        found = self.planner.compare(site_id, marks) if marks else None
        return compare_page(found, plan, show, now, shift=shift, no_heat=no_heat)

    def hours(self, site_id: str, asked: HoursAsked, *, figures: bool = True) -> HoursPage:
        """Joints at other starts than the planned ones; `figures`: with those of every hour.

        Raises:
            UnknownSite, UnknownJoint: there is none.
            NoPlan: nothing was planned yet.
            TooMuchAsked: more joints by name than are worked out at a time.
        """
        if len(asked.marks) > ROWS_A_PART:
            raise TooMuchAsked(f"{len(asked.marks)} joints are asked for by name, at most {ROWS_A_PART} at a time")
        with reading(self.engine) as session:
            site = load_site(session, site_id)
            joints = {mark: kept.kept_joint(session, site_id, mark) for mark in asked.marks}
        plan, now, show = self._plan(site_id), self.now(), self.show(site)
        planned = {one.joint.mark for one in plan.joints}
        missing = [
            f"{mark} is not in the latest plan: it is {STATES[one.joint.state]}."
            if one.joint.state in ("done", "postponed")
            else f"{mark} is not in the latest plan."
            for mark, one in joints.items()
            if mark not in planned
        ]
        passing = asked_joints(plan, asked)
        if asked.part == 0 and len(passing) > MOST_AT_ONCE:
            raise TooMuchAsked(f"{len(passing)} joints pass, at most {MOST_AT_ONCE} are worked out at a time")
        shown, part, parts = part_of_joints(passing, asked.part)
        marks = tuple(one.joint.mark for one in shown)

        def make() -> HoursPage:
            shifts = next_shifts(plan.site, plan.made_utc, asked.shifts)
            count = hours_needed(asked.span_h, shifts, plan.made_utc)
            found = self.starts.get(
                _ref(plan), (site_id, marks, count), lambda: self.planner.start_hours(site_id, marks, count)
            )
            return hours_page(
                [found[mark] for mark in marks if mark in found],
                shifts,
                plan,
                asked,
                show,
                now,
                total=len(passing),
                part=part,
                parts=parts,
                figures=figures,
            )

        # Figures are asked for by programs and take several times as much memory as what a page shows.
        key = "hours", site_id, site.revision, show, asked, part
        page = make() if figures else self.keeper.get(_ref(plan), key, make)
        return replace(page, header=header(plan, show, now), missing=tuple(missing))

    def order(self, site_id: str, run_id: int | None = None, part: int = 1) -> OrderPage:
        """The order of work that was asked for last, or another that is kept.

        Args:
            site_id: the site.
            run_id: number of the run; None: the last one.
            part: of the moves; 0: all.

        Raises:
            UnknownSite: there is none of that id.
            UnknownRun: no run of that number is kept.
            NoPlan: nothing was planned yet.
        """
        plan, now = self._plan(site_id), self.now()
        with reading(self.engine) as session:
            site = load_site(session, site_id)
            runs = order_runs.runs_of(session, site_id)
            run = next((one for one in runs if run_id in (None, one.id)), None)
            if run is None and run_id is not None:
                raise UnknownRun(f"site {site_id} has no order of work {run_id}: only the last ones stay")
            advice = None if run is None else order_runs.advice_of(session, site_id, run.id)
            made = plans.newest_made(session, site_id)
            version = kept.schedule_version(session, site_id)
        return order_page(
            plan,
            self.show(site),
            now,
            runs=runs,
            run=run,
            kept=advice,
            as_it_is=Now(site.revision, version, None if made is None else made.forecast_id),
            why_none=why_none(site.site, plan.freshness, [one.joint for one in plan.joints]),
            needs_crews=not site.site.work.crews,
            part=part,
        )

    def _other_starts(self, site_id: str, mark: str, plan: Plan, show: Show) -> JointHours | None:
        """A joint of the plan at every full hour ahead, for its page."""

        def make() -> JointHours | None:
            row = self.planner.start_hours(site_id, (mark,), HOURS).get(mark)
            shifts = next_shifts(plan.site, plan.made_utc, SHIFTS_AHEAD)
            return None if row is None else joint_hours(row, shifts, plan, show)

        return self.keeper.get(_ref(plan), ("other starts", site_id, mark, show), make)

    def schedule(self, site_id: str, wanted: ScheduleFilter = EVERYTHING) -> SchedulePage:
        """The list of joints; a page beyond the last is the last.

        Raises:
            UnknownSite: there is none of that id.
        """
        with reading(self.engine) as session:
            site = load_site(session, site_id)
        plan, show = self.planner.current_plan(site_id), self.show(site)

        def make() -> SchedulePage:
            joints = self._placed(site, plan)
            chosen = matching(joints, wanted)
            page = replace(wanted, page=min(wanted.page, page_count(len(chosen), wanted)))
            here = page_of(chosen, page)
            with reading(self.engine) as session:
                found = kept.kept_joints_of(session, site_id, [one.joint.mark for one in here])
                last, act = kept.last_import(session, site_id), last_act(session, site_id)
            return schedule_page(site, joints, chosen, found, page, show, last=last, act=act, planned=plan is not None)

        return self.keeper.get(_ref(plan), ("schedule", site_id, site.revision, show, wanted), make)

    def marks(self, site_id: str, wanted: ScheduleFilter) -> list[str]:
        """The marks of all joints that pass a filter, in its order.

        Raises:
            UnknownSite: there is none of that id.
        """
        with reading(self.engine) as session:
            site = load_site(session, site_id)
        joints = self._placed(site, self.planner.current_plan(site_id))
        return [one.joint.mark for one in matching(joints, wanted)]

    def _placed(self, site: KeptSite, plan: Plan | None) -> Sequence[Placed]:
        """The joints of the schedule with their shifts and calls."""
        site_id, show = site.site.id, self.show(site)

        def make() -> Sequence[Placed]:
            with reading(self.engine) as session:
                listed = kept.listed_joints(session, site_id)
            return placed(listed, site.site, show, plan)

        return self.keeper.get(_ref(plan), ("placed", site_id, site.revision, show.zone), make)

    def weather(self, site_id: str, *, span_h: int = HOURS_SHOWN, all_hours: bool = False) -> WeatherPage:
        """The forecast of a site, steel of reference plates by it, and how it stands with its feeds.

        Raises:
            UnknownSite: there is none of that id.
        """
        with reading(self.engine) as session:
            site = load_site(session, site_id)
        found, plates = self.planner.weather(site_id), self.planner.reference_plates(site_id)
        show, now = self.show(site), self.now()
        key = "hours", site.revision, show, span_h, all_hours, now.replace(minute=0, second=0, microsecond=0)
        by_hour = self.keeper.get(
            found.weather,
            key,
            lambda: hour_by_hour(site, found, show, now, plates=plates, span_h=span_h, all_hours=all_hours),
        )
        return weather_page(site, found, show, now, by_hour)

    def stock(self, site_id: str, *, all_entries: bool = False) -> StockPage:
        """The stock of gas cylinders, and its ledger.

        Raises:
            UnknownSite: there is none of that id.
        """
        with reading(self.engine) as session:
            site = load_site(session, site_id)
            ledger = entries_of(session, site_id)
        return stock_page(site, ledger, self.show(site), self.now(), all_entries=all_entries)

    def last_change(self, site_id: str, mark: str) -> LastChange | None:
        """The last change of a joint's state or start, to be undone; None where its last change was another."""
        with reading(self.engine) as session:
            site = load_site(session, site_id)
            changes = kept.changes_of(session, site_id, mark)
        if not changes or changes[0].field not in ("state", "start_utc"):
            return None
        last, show = changes[0], self.show(site)
        if last.field == "state":
            became = STATES.get(last.became, last.became)  # type: ignore[call-overload]
            text = f"{mark} is now {became}."
        else:
            text = f"{mark} now starts {show.moment(datetime.fromisoformat(last.became), detail='date').text}."
        return LastChange(mark, len(changes), text)
