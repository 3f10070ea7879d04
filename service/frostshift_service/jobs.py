"""The loop: pull what is due, plan again where something changed. APScheduler only says when; the store says what.

One piece of work is one transaction. A failure of one site touches neither its kept forecast nor another site.
"""

from __future__ import annotations

import gc
import logging
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from threading import Event, Lock, Thread, get_ident
from time import monotonic
from typing import Final, Literal

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.cron import CronTrigger
from sqlalchemy import Engine
from sqlmodel import Session

from frostshift_rules.air_correction import LOOKS_BACK, Corrected, with_earlier
from frostshift_rules.cylinder_limits import oxygen_table
from frostshift_rules.draw_figures import figures
from frostshift_rules.electrodes import electrode_table
from frostshift_rules.gas import cylinders, gases
from frostshift_rules.heat_compare import Comparison, compare
from frostshift_rules.heat_sources import known_sources
from frostshift_rules.job import Joint, Site
from frostshift_rules.operations import operations
from frostshift_rules.outlook import outlook
from frostshift_rules.people import people_table
from frostshift_rules.plan import make_plan
from frostshift_rules.published_draw import published
from frostshift_rules.reference_plates import ReferencePlates, reference_plates
from frostshift_rules.saturation import saturations
from frostshift_rules.start_hours import JointStarts, at_starts, start_hours, whole_hours
from frostshift_rules.strict import TableError
from frostshift_rules.surroundings import Hours
from frostshift_rules.tables import check_shipped, load_code_table
from frostshift_rules.workload import NO_WEATHER, FeedChange, HeatPlan, Plan, StationHours, Weather
from frostshift_service.clock import utc_now
from frostshift_service.gas_plans import GasPlans
from frostshift_service.http import Get
from frostshift_service.log_lines import about, copy_name
from frostshift_service.memory import let_go
from frostshift_service.metrics import PLAN_SECONDS, Step, count_error
from frostshift_service.notice_work import Decided, decide_on
from frostshift_service.order_work import MadeFor, OrderWork
from frostshift_service.outbox import Wiring, deliver, send_test, tell_of_failure
from frostshift_service.pulls import Pulls, feeds_of, standings
from frostshift_service.senders import Senders
from frostshift_service.site_file import check_own_table
from frostshift_service.site_turns import WORKERS, SiteTurns
from frostshift_service.store import forecasts, plans
from frostshift_service.store import joints as kept_joints
from frostshift_service.store.alerts import load_alerts
from frostshift_service.store.engine import NotInTime, reading, writing
from frostshift_service.store.notices import load_setup
from frostshift_service.store.observed import load_observed
from frostshift_service.store.readings import readings_of
from frostshift_service.store.records import FeedInUse, KeptBecause, KeptSite, PlanInputs, StoreError, UnknownJoint
from frostshift_service.store.sites import load_site, load_sites
from frostshift_service.store.thermometer import air_readings_of
from frostshift_service.tidying import PAUSE_S, tidy_where_due
from frostshift_service.us_service import UsService
from frostshift_service.views.chart import SteelSeries
from frostshift_service.views.thermometer import SHOWN, SiteAir
from frostshift_service.views.weather import SiteWeather
from frostshift_service.weather import nws
from frostshift_service.weather.feeds import FEEDS, Feed
from frostshift_service.weather.members import MEMBERS_STAND, on_axis
from frostshift_service.weather.order import Standing, in_use
from frostshift_service.weather.past import KEEP_HOURS, Source, run_in
from frostshift_service.weather.site_air import RawWeather, held_against

log = logging.getLogger(__name__)

PLAN_AGE: Final = timedelta(minutes=15)
"""A plan older than this is made again before it is shown: time itself makes forecasts late and starts pass."""
READINGS_COUNT: Final = timedelta(days=3)
"""Readings older than this say nothing about the steel any more."""
KEEP_UNSEEN_PLANS: Final = plans.KEEP_UNSEEN
JOINTS_IN_HAND: Final = 100_000
"""Most joints whose plans a copy holds in memory, some 10 kB each; others are read from the store when asked for."""
LOOK_EVERY_S: Final = 5
"""A copy looks so often for sites that are due."""
CHANGE_SHOWN: Final = timedelta(hours=24)
"""A change of feed is shown for so long."""
PLANS: Final = "pulls and plans"
SENDS: Final = "sends messages"
SILENT: Final = timedelta(hours=1)
"""After so long without a plan, or without deciding on it, people are told. Our choice."""
MEMORY_GOES: Final = CronTrigger(hour=8, minute=7, timezone="UTC")
"""When each copy lets go of memory: once a day, as the next plan of a site takes a little longer. Night from coast to
coast of North America. Our choice."""
PLAN_WAIT_S: Final = 60.0
"""A page, or the loop, waits so long for a plan that is being made; one of 5,000 joints takes some 5 s. Our choice."""
TORCH_OPTIONS: Final = (1, 2, 3)
HEATERS_MORE: Final = (0, 2, 4)
"""Electric heaters have to cover what is heated: fewer than planned are no choice."""


@contextmanager
def without_collector() -> Iterator[None]:
    """Python's cyclic garbage collector stands still.

    A plan is some hundred thousand small records that all stay: the collector would walk over them again and again and
    find nothing, for a third of the time.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@dataclass(frozen=True, slots=True)
class _MadeFrom:
    """Everything a plan is made from, read in one transaction.

    Attributes:
        revision: of the site.
        forecast_id: of the forecast in use; None where there is none.
        used: the feed in use from now on; None where there is no forecast.
        inputs: of the plan.
        raw: the weather before the site's thermometer was read.
        held: what became of its readings; None without a forecast.
    """

    revision: int
    forecast_id: int | None
    used: FeedInUse | None
    inputs: PlanInputs
    raw: RawWeather
    held: Corrected | None


@dataclass(frozen=True, slots=True)
class _Current:
    """The plan in hand, what it was made from, and why it is kept; empty while nobody has seen it."""

    plan_id: int
    plan: Plan
    made_from: _MadeFrom
    because: KeptBecause | Literal[""]

    @property
    def inputs(self) -> PlanInputs:
        """Of the plan."""
        return self.made_from.inputs


class Jobs:
    """Pulls and plans for all sites of a store."""

    def __init__(
        self,
        engine: Engine,
        now: Callable[[], datetime],
        *,
        get: Callable[[datetime], Get] | None,
        jitter: Callable[[], float],
        base_urls: Mapping[str, str] | None = None,
        feeds: Mapping[str, Feed] = FEEDS,
        senders: Senders | None = None,
        wiring: Wiring | None = None,
        joints_in_hand: int = JOINTS_IN_HAND,
        name: str | None = None,
    ) -> None:
        """Jobs on a store.

        Args:
            engine: of the store.
            now: reads the clock, aware UTC.
            get: makes the outgoing request for a moment; None: no contact is set, so nothing is pulled.
            jitter: random number from 0 to 1, so that installations do not ask at the same minute.
            base_urls: feed name -> other address than the official one, for a mirror or a test.
            feeds: by name; as the settings have them (`feeds.feeds_with`).
            senders: of notices, by channel; None: nothing is sent.
            wiring: of the outbox: words and links; None: nothing is sent.
            joints_in_hand: most joints whose plans are held in memory.
            name: of this copy, its own; None: that of the process, which its log has, too.
        """
        self._engine, self._now = engine, now
        self._pulls = Pulls(engine, now, get=get, jitter=jitter, base_urls=base_urls, feeds=feeds)
        self._us_service = UsService(engine, now, get=get, jitter=jitter, base_urls=base_urls)
        self.pull, self.take_payload = self._pulls.pull, self._pulls.take_payload
        self._current: OrderedDict[str, _Current] = OrderedDict()
        self._joints_in_hand = joints_in_hand
        self._plates: dict[str, tuple[int, ReferencePlates | None]] = {}
        self.gas_plans = GasPlans()
        self._planning, self._holding = Lock(), Lock()
        self._of_site: dict[str, Lock] = {}
        self._begun_s: dict[str, float] = {}
        self._scheduler: BackgroundScheduler | None = None
        self._watch: Thread | None = None
        self._senders, self._wiring = senders, wiring
        self._stopping = Event()
        self._failing: dict[tuple[str, str], datetime] = {}
        name = name or copy_name()
        self._turns = SiteTurns(engine, now, name, self._work_on, self._stopping)
        self.orders = OrderWork(engine, now, name, self.order_inputs)
        self.begin_order = self.orders.begin
        self._moved_s: dict[str, float | None] = dict.fromkeys((PLANS, SENDS) if self._sends else (PLANS,))
        self._step_s: dict[int, float] = {}

    # The loop

    @property
    def _sends(self) -> bool:
        return self._senders is not None and self._wiring is not None

    def start(self) -> None:
        """Run all loops now, and then each by its trigger; `deliver` where anything is sent."""
        self._stopping.clear()
        self.orders.start()
        self._scheduler = BackgroundScheduler(timezone="UTC")
        # Apart from each other: a mail server that is slow must not hold up a forecast.
        # As are the workers: while one is held up the others look for due sites all the same.
        loops = [(self.tick, CronTrigger(second=f"*/{LOOK_EVERY_S}", timezone="UTC"))] * WORKERS
        if self._sends:
            loops.append((self.deliver, CronTrigger(second="*/20", timezone="UTC")))
        for loop, trigger in loops:
            self._scheduler.add_job(
                loop,
                trigger,
                next_run_time=self._now(),
                misfire_grace_time=300,
                coalesce=True,
                max_instances=1,
            )
        self._scheduler.add_job(self.tidy, CronTrigger(minute=37, timezone="UTC"), coalesce=True, max_instances=1)
        self._scheduler.add_job(let_go, MEMORY_GOES, misfire_grace_time=300, coalesce=True, max_instances=1)
        self._scheduler.start()
        self._watch = Thread(target=self._watch_clock, args=(self._scheduler,), name="clock", daemon=True)
        self._watch.start()

    def _watch_clock(self, scheduler: BackgroundScheduler) -> None:
        """Set the loops' next times anew where the clock was put back: the scheduler would wait for the old ones."""
        ahead = _wall_ahead()
        while not self._stopping.wait(LOOK_EVERY_S):
            before, ahead = ahead, _wall_ahead()
            if ahead < before - timedelta(seconds=LOOK_EVERY_S):
                log.warning("the clock of this machine was put back by %s", before - ahead)
                for job in scheduler.get_jobs():
                    job.reschedule(job.trigger)

    def stop(self) -> None:
        """Let the sites in hand and the messages that are being sent end, then start no other; end orders of work."""
        self._stopping.set()
        self.orders.stop()
        if self._watch is not None:
            self._watch.join()
            self._watch = None
        if self._scheduler is not None:
            self._scheduler.shutdown(wait=True)
            self._scheduler = None

    def tick(self) -> None:
        """What one worker does: the sites that are due and that nobody else has in hand, one after the other."""
        worker = get_ident()
        self._step_s[worker] = monotonic()
        try:
            self._turns.run()
            self._moved_s[PLANS] = monotonic()
        except Exception:
            count_error("turns")
            log.exception("sites that are due could not be worked on")
        finally:
            del self._step_s[worker]

    def _work_on(self, site_id: str) -> None:
        """Pull what is due, plan again where something changed, decide what to tell. No step stops another."""
        steps: dict[Step, Callable[[str], object]] = {
            "alerts": self._us_service.pull_alerts,
            "pull": self.pull,
            "plan": self._plan_with_past,
            "notices": self.decide,
        }
        for name, step in steps.items():
            self._moved_s[PLANS] = self._step_s[get_ident()] = monotonic()
            with about(site=site_id, step=name):
                try:
                    step(site_id)
                    self._failing.pop((site_id, name), None)
                except Exception:
                    count_error(name)
                    log.exception("site %s: %s failed", site_id, name)
                    self._tell_of_failure(site_id, name)

    def still_s(self) -> dict[str, float | None]:
        """Loop -> seconds since it last took a step, whatever the clock of the machine did; None: it has taken none.

        One that fails takes none. Of the workers that are at work the one that has stood still for longest counts: it
        may hang.
        """
        moved_s = self._moved_s.copy()
        if (planned_s := moved_s[PLANS]) is not None:
            moved_s[PLANS] = min([planned_s, *self._step_s.copy().values()])
        now_s = monotonic()
        return {loop: None if at_s is None else now_s - at_s for loop, at_s in moved_s.items()}

    def _tell_of_failure(self, site_id: str, step: str) -> None:
        """Where nothing could be planned or told for `SILENT`, people hear of that."""
        since = self._failing.setdefault((site_id, step), self._now())
        if step not in ("plan", "notices") or self._now() - since < SILENT or self._wiring is None:
            return
        try:
            problem = f"since {(self._now() - since) // timedelta(minutes=1)} min, see the log of the service"
            tell_of_failure(self._engine, site_id, problem, self._wiring.due, self._now())
        except Exception:
            log.exception("site %s: nobody could be told that nothing is planned", site_id)

    def decide(self, site_id: str) -> None:
        """Hold the latest plan against what people know, and keep what is to be told."""
        current, now = self._up_to_date(site_id), self._now()
        if current.plan.joints:
            decide_on(
                self._engine, site_id, Decided(current.plan_id, current.plan, current.inputs), now, self.gas_plans
            )

    def send_test(self, site_id: str, person_id: str, position: int) -> str:
        """Send a test message to one address of a person, the first is 1; a sentence on what came of it.

        Raises:
            StoreError: there is no such site, person or address.
        """
        with reading(self._engine) as session:
            person = load_setup(session, site_id).person(person_id)
        if person is None or not 1 <= position <= len(person.addresses):
            raise StoreError(f"site {site_id} has no person {person_id!r} with an address {position}")
        address_key = person.addresses[position - 1].key
        return send_test(self._engine, self._senders or {}, site_id, person_id, address_key, self._now())

    def deliver(self) -> None:
        """Send the notices that are due, of all sites. Nothing where there are no senders."""
        if self._senders is None or self._wiring is None:
            return
        try:
            deliver(
                self._engine,
                self._senders,
                self._wiring,
                self._now,
                stopping=self._stopping.is_set,
                moved=self._sending_moved,
            )
            self._sending_moved()
        except Exception:
            count_error("deliver")
            log.exception("notices could not be delivered")

    def _sending_moved(self) -> None:
        self._moved_s[SENDS] = monotonic()

    def tidy(self) -> None:
        """Let old rows go, where no copy has done so for a day."""
        try:
            tidy_where_due(self._engine, self._now(), lambda: self._stopping.wait(PAUSE_S))
        except Exception:
            count_error("tidy")
            log.exception("old rows could not be deleted")

    def _plan_with_past(self, site_id: str) -> None:
        """Plan again where something changed; where hours of the run-in are missing, ask for them first."""
        if self._up_to_date(site_id).inputs.weather.missing_h and self._us_service.observe(site_id):
            self.replan(site_id)

    # Plans

    def replan(self, site_id: str) -> None:
        """Plan again with what is known now; where others waited for the same, one plan is for all of them."""
        asked_s = monotonic()
        with _in_turn(self._alone_with(site_id)):
            if self._begun_s.get(site_id, asked_s) <= asked_s:
                self._plan_next(site_id)

    def current_plan(self, site_id: str, because: KeptBecause = "shown") -> Plan | None:
        """The plan of a site, made again where something changed or it is old; None where there are no joints.

        The plan is kept from now on, with what it was made from, because somebody sees it.
        """
        current = self._up_to_date(site_id)
        if current.because in ("", "changed") or (because == "printed" and current.because != "printed"):
            with writing(self._engine) as session:
                plans.mark_plan_seen(session, current.plan_id, because)
            with self._holding:
                if self._current.get(site_id) is current:  # or another thread has planned again meanwhile
                    self._current[site_id] = replace(current, because=because)
        return current.plan if current.plan.joints else None

    def _up_to_date(self, site_id: str) -> _Current:
        """The newest plan of the site, whichever copy made it; made again where it is old or something changed."""
        with _in_turn(self._alone_with(site_id)):
            with reading(self._engine) as session:
                now = self._now()
                kept_site = load_site(session, site_id)
                forecast_id = in_use(standings(session, kept_site, now)).forecast_id
                made = plans.newest_made(session, site_id)
                if (
                    made is not None
                    and (made.site_revision, made.forecast_id) == (kept_site.revision, forecast_id)
                    and timedelta(0) <= now - made.made_utc < PLAN_AGE
                ):
                    current = self._current.get(site_id)
                    if current is None or current.plan_id != made.plan_id:
                        with without_collector():
                            current = _load(session, site_id, made)
                    return self._in_hand(site_id, current)
            return self._plan_next(site_id)

    def _alone_with(self, site_id: str) -> Lock:
        """Whoever holds it looks for the site's plan or makes it; who asks for another site does not wait for that."""
        with self._holding:
            return self._of_site.setdefault(site_id, Lock())

    def _plan_next(self, site_id: str) -> _Current:
        """Plan when it is this site's turn: one at a time, as each takes a processor and much memory."""
        with _in_turn(self._planning):
            begun_s = monotonic()
            current = self._plan(site_id)
        self._begun_s[site_id] = begun_s
        return current

    def _in_hand(self, site_id: str, current: _Current) -> _Current:
        """Hold a plan in memory; those that nobody asked for the longest go where there are too many joints."""
        with self._holding:
            self._current[site_id] = current
            self._current.move_to_end(site_id)
            joints = sum(len(one.inputs.joints) for one in self._current.values())
            gone = []
            while joints > self._joints_in_hand and len(self._current) > 1:
                old_id, old = self._current.popitem(last=False)
                joints -= len(old.inputs.joints)
                gone.append(old_id)
        for old_id in gone:
            self._plates.pop(old_id, None)
            self.gas_plans.forget(old_id)
        return current

    @PLAN_SECONDS.time()
    def _plan(self, site_id: str) -> _Current:
        now = self._now()
        with reading(self._engine) as session:
            made_from = _made_from(session, site_id, now)
        inputs, used, forecast_id = made_from.inputs, made_from.used, made_from.forecast_id
        table = load_code_table(inputs.site.table_id, inputs.site.own_tables)
        with without_collector():
            plan = make_plan(inputs.site, table, inputs.joints, inputs.weather, inputs.readings, now)
        before = self._current.get(site_id)
        with writing(self._engine) as session, without_collector():
            plan_id = plans.keep_plan(session, plan, inputs, forecast_id, revision=made_from.revision)
            if used is not None and used.since_utc == now:
                forecasts.put_feed_in_use(session, site_id, used)
            changed = before is not None and _calls(before.plan) != _calls(plan)
            if changed:
                plans.mark_plan_seen(session, plan_id, "changed")
            plans.thin_plans(session, site_id, KEEP_UNSEEN_PLANS)
        return self._in_hand(site_id, _Current(plan_id, plan, made_from, "changed" if changed else ""))

    # What the page of one joint shows beside its plan

    def steel_series(self, site_id: str, mark: str) -> SteelSeries | None:
        """Hourly temperatures of the joint's coldest part by the latest plan's forecast; None without one to use."""
        current, joint = self._planned(site_id, mark)
        inputs = current.inputs
        hours = inputs.weather.hours
        if joint is None or hours is None or not len(hours) or inputs.weather.freshness in ("unusable", "none"):
            return None
        field = outlook(inputs.site, [joint], inputs.weather, hours, inputs.readings, _measured(inputs, joint))
        row = field.coldest_class(0)
        return SteelSeries(
            times_utc=tuple(hours.time_utc(index) for index in range(len(hours))),
            air_c=tuple(hours.air_c.tolist()),
            steel_c=tuple(field.steel.likely_c[row].tolist()),
            cold_c=tuple(field.steel.cold_c[row].tolist()),
            warm_c=tuple(field.steel.warm_c[row].tolist()),
        )

    def reference_plates(self, site_id: str) -> ReferencePlates | None:
        """Steel of reference plates by the latest plan's forecast, worked out once a plan; None without one to use."""
        current = self._up_to_date(site_id)
        held = self._plates.get(site_id)
        if held is None or held[0] != current.plan_id:
            inputs = current.inputs
            table = load_code_table(inputs.site.table_id, inputs.site.own_tables)
            found = reference_plates(inputs.site, table, inputs.joints, inputs.weather, inputs.readings)
            held = self._plates[site_id] = (current.plan_id, found)
        return held[1]

    def times_for_torches(self, site_id: str, mark: str) -> Mapping[int, HeatPlan]:
        """Number of torches -> heat plan of the joint; empty where no heat is planned."""
        current, joint = self._planned(site_id, mark)
        if joint is None:
            return {}
        inputs, made_utc = current.inputs, current.plan.made_utc
        table = load_code_table(inputs.site.table_id, inputs.site.own_tables)
        # All in one plan: a plan of one joint takes nearly as long. No mark that was typed holds a line break.
        names = {f"{mark}\n{torches}": torches for torches in torch_options(joint, inputs.site)}
        joints = [replace(joint, mark=name, torches=torches) for name, torches in names.items()]
        own = [one for one in inputs.readings if one.mark == mark]
        readings = [*inputs.readings, *(replace(one, mark=name) for name in names for one in own)]
        plan = make_plan(inputs.site, table, [*joints, *_measured(inputs, joint)], inputs.weather, readings, made_utc)
        heats = {one.joint.mark: one.heat for one in plan.joints}
        return {torches: heat for name, torches in names.items() if (heat := heats.get(name)) is not None}

    def compare(self, site_id: str, marks: Sequence[str]) -> Comparison:
        """Ways of heating some joints of the latest plan side by side.

        Raises:
            UnknownJoint: the plan is made from none of that mark.
            OutOfRange: too many at a time, or one that is done or postponed.
        """
        current = self._up_to_date(site_id)
        inputs, there = current.inputs, {joint.mark: joint for joint in current.inputs.joints}
        missing = [mark for mark in marks if mark not in there]
        if missing:
            raise UnknownJoint(f"site {site_id} has no joint {', '.join(missing)} in its plan")
        measured = {reading.mark for reading in inputs.readings}
        return compare(
            inputs.site,
            load_code_table(inputs.site.table_id, inputs.site.own_tables),
            [there[mark] for mark in marks],
            inputs.weather,
            inputs.readings,
            current.plan.made_utc,
            beside=[joint for joint in inputs.joints if joint.mark in measured],
        )

    def start_hours(self, site_id: str, marks: Sequence[str], count: int) -> Mapping[str, JointStarts]:
        """Mark -> what the latest plan would say of the joint at the next full hours; joints in no plan are left out.

        Args:
            site_id: the site.
            marks: of joints.
            count: so many hours.
        """
        current = self._up_to_date(site_id)
        inputs, made_utc = current.inputs, current.plan.made_utc
        with without_collector():
            found = start_hours(
                inputs.site,
                load_code_table(inputs.site.table_id, inputs.site.own_tables),
                inputs.joints,
                inputs.weather,
                inputs.readings,
                made_utc,
                whole_hours(inputs.site, made_utc, count),
                frozenset(marks),
            )
        return {row.joint.mark: row for row in found}

    def new_starts(self, site_id: str, starts: Mapping[str, datetime]) -> Mapping[str, JointStarts]:
        """What the newest forecast and readings say of some joints, each at a start of its own; nothing is kept.

        Args:
            site_id: the site.
            starts: by mark.
        """
        made = self.order_inputs(site_id)
        inputs = made.inputs
        table = load_code_table(inputs.site.table_id, inputs.site.own_tables)
        found = at_starts(inputs.site, table, inputs.joints, inputs.weather, inputs.readings, made.now_utc, starts)
        return {row.joint.mark: row for row in found}

    def order_inputs(self, site_id: str) -> MadeFor:
        """What an order of work of a site is made from now; nothing is written.

        Raises:
            UnknownSite: there is no site of that id.
        """
        now = self._now()
        with reading(self._engine) as session:
            made = _made_from(session, site_id, now)
            version = kept_joints.schedule_version(session, site_id)
            kept = {one.joint.mark: one for one in kept_joints.kept_joints(session, site_id)}
        return MadeFor(now, made.revision, made.forecast_id, version, made.inputs, kept)

    def forecast_hours(self, site_id: str) -> Hours | None:
        """Hours of the forecast that the latest plan was made from; None where there was none."""
        return self._up_to_date(site_id).inputs.weather.hours

    def weather(self, site_id: str) -> SiteWeather:
        """What the latest plan knows of the weather, and how it stands with the site's feeds."""
        current = self._up_to_date(site_id)
        made_from = current.made_from
        with reading(self._engine) as session:
            kept_site = load_site(session, site_id)
            rows = {feed: forecasts.feed_row(session, site_id, feed) for feed in feeds_of(kept_site)}
            forecast_id = made_from.forecast_id
            forecast = None if forecast_id is None else forecasts.forecast_by_id(session, forecast_id)
            now = self._now()
            return SiteWeather(
                weather=current.inputs.weather,
                forecast=forecast,
                standings=tuple(standings(session, kept_site, now)),
                rows={feed: row for feed, row in rows.items() if row is not None},
                air=site_air(session, site_id, made_from.raw, made_from.held),
                alerts=load_alerts(session, site_id),
                has_alerts=nws.covers(kept_site.site.latitude, kept_site.site.longitude),
            )

    def _planned(self, site_id: str, mark: str) -> tuple[_Current, Joint | None]:
        """The current plan, and one of the joints it was made from."""
        current = self._up_to_date(site_id)
        return current, next((joint for joint in current.inputs.joints if joint.mark == mark), None)


@contextmanager
def _in_turn(lock: Lock) -> Iterator[None]:
    """The lock is ours; a plan that hangs must not gather up the threads of all pages behind it.

    Raises:
        NotInTime: others had it all the time.
    """
    if not lock.acquire(timeout=PLAN_WAIT_S):
        raise NotInTime(f"a plan that others work on was not there within {PLAN_WAIT_S:g} s")
    try:
        yield
    finally:
        lock.release()


def _wall_ahead() -> datetime:
    """What the machine's clock shows, less what has gone by: stays the same until somebody sets the clock."""
    return utc_now() - timedelta(seconds=monotonic())


def check_tables(engine: Engine) -> None:
    """Load every table that ships and every own table of a site, so that no plan meets a broken one.

    Raises:
        TableError: names the site where it is one of its own, the file, and place and key in it.
    """
    check_shipped()
    draw = (saturations, published, figures, oxygen_table)
    for load in (gases, cylinders, *draw, known_sources, electrode_table, operations, people_table):
        load()
    with reading(engine) as session:
        sites = [kept.site for kept in load_sites(session)]
    for site in sites:
        try:
            for table in site.own_tables:
                check_own_table(table)
            load_code_table(site.table_id, site.own_tables)
        except TableError as error:
            raise TableError(f"site {site.id}: {error}") from error


def torch_options(joint: Joint, site: Site) -> tuple[int, ...]:
    """How many torches, or heaters, of its own source a joint is worked out with for its page."""
    source = site.heat_source(joint.heat_source)
    if source is None or not source.electric:
        return TORCH_OPTIONS
    return tuple(joint.torches + more for more in HEATERS_MORE)


def _measured(inputs: PlanInputs, joint: Joint) -> list[Joint]:
    """The other joints with a reading: it counts for parts like theirs."""
    marks = {reading.mark for reading in inputs.readings} - {joint.mark}
    return [other for other in inputs.joints if other.mark in marks]


def _made_from(session: Session, site_id: str, now: datetime) -> _MadeFrom:
    kept_site = load_site(session, site_id)
    forecast_id, used, raw = uncorrected_weather(session, kept_site, now)
    readings = [
        kept.reading
        for kept in readings_of(session, site_id, since_utc=now - READINGS_COUNT)
        if kept.reading.is_of_cold_steel and not kept.is_late
    ]
    weather, held = with_thermometer(session, kept_site, raw, now)
    inputs = PlanInputs(
        site=kept_site.site,
        joints=tuple(kept_joints.joints_of(session, site_id)),
        readings=tuple(readings),
        weather=weather,
    )
    return _MadeFrom(kept_site.revision, forecast_id, used, inputs, raw, held)


def uncorrected_weather(
    session: Session, kept_site: KeptSite, now: datetime
) -> tuple[int | None, FeedInUse | None, RawWeather]:
    """Id of the forecast in use at `now`, of whichever feed of the site, that feed, and its weather."""
    standing = in_use(standings(session, kept_site, now))
    if standing.forecast_id is None:
        return None, None, RawWeather(NO_WEATHER)
    used = forecasts.feed_in_use(session, kept_site.site.id)
    if used is None or used.feed != standing.feed:
        used = FeedInUse(standing.feed, now, used.feed if used is not None else "")
    return standing.forecast_id, used, _weather(session, kept_site, standing, used, now)


def with_thermometer(
    session: Session, kept_site: KeptSite, raw: RawWeather, now: datetime
) -> tuple[Weather, Corrected | None]:
    """The weather to plan with, and what the readings of the site's thermometers did to it."""
    newest = air_readings_of(session, kept_site.site.id, since_utc=now - LOOKS_BACK)
    return held_against(raw, [kept.reading for kept in newest], kept_site.site.choices, now)


def site_air(session: Session, site_id: str, raw: RawWeather, held: Corrected | None) -> SiteAir:
    """The site's thermometer, and the forecast that it was held against."""
    return SiteAir(raw.weather.hours, tuple(air_readings_of(session, site_id, newest=SHOWN)), held, raw.said)


def _weather(session: Session, kept_site: KeptSite, standing: Standing, used: FeedInUse, now: datetime) -> RawWeather:
    """The forecast with its age, and with the hours that earlier forecasts of the feed had before it."""
    assert standing.forecast_id is not None
    assert standing.age is not None
    site_id = kept_site.site.id
    forecast = forecasts.forecast_by_id(session, standing.forecast_id)
    start = forecast.hours.start_utc
    first, last = start - timedelta(hours=KEEP_HOURS), start - timedelta(hours=1)
    past = forecasts.past_hours(session, site_id, forecast.feed, first, last)
    this_hour = now.replace(minute=0, second=0, microsecond=0)
    observed = load_observed(session, site_id, this_hour - timedelta(hours=KEEP_HOURS), this_hour)
    found = run_in(past, forecast.hours, observed.hours if observed else None, now)
    measured = found.count(Source.STATION)
    wanted = feeds_of(kept_site)[0]
    # An ensemble is asked less often than its forecast; before its first hour all members take the forecast's hours.
    members = forecasts.last_members(session, site_id, forecast.feed, forecast.fetched_utc - MEMBERS_STAND)
    changed = used.before and now - used.since_utc < CHANGE_SHOWN
    earlier = forecasts.issues_before(session, site_id, standing.forecast_id, now - LOOKS_BACK)
    weather = Weather(
        feed=forecast.feed,
        issued_utc=forecast.issued_utc,
        fetched_utc=forecast.fetched_utc,
        freshness=standing.age.state,
        late_by_h=standing.age.beyond_late_h,
        attribution=forecast.attribution,
        hours=found.hours,
        members=None if members is None else on_axis(members, found.hours),
        station=StationHours(observed.title, observed.distance_km, observed.height_m, measured)
        if observed is not None and measured
        else None,
        missing_h=found.missing,
        instead_of="" if forecast.feed == wanted else wanted,
        changed=FeedChange(used.before, used.since_utc) if changed else None,
    )
    said = with_earlier(forecast.hours, earlier, now - LOOKS_BACK)
    return RawWeather(weather, said, found.source == Source.STATION)


def _load(session: Session, site_id: str, made: plans.Made) -> _Current:
    """A plan that is kept, as if it had been made here."""
    kept = plans.plan_by_id(session, made.plan_id)
    made_from = _made_from(session, site_id, made.made_utc)
    as_planned = replace(made_from, inputs=plans.inputs_of(session, made.plan_id))
    return _Current(made.plan_id, kept.plan, as_planned, kept.kept_because)


def _calls(plan: Plan) -> dict[str, tuple[str, str]]:
    return {joint.joint.mark: (joint.call, joint.weather_state) for joint in plan.joints}
