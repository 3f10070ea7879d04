"""An order of work in words: how far it is, what it saves, every move, what is in the way, sheets before and after."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from math import ceil
from typing import Final, TypeVar

from frostshift_rules.job import Joint, Site
from frostshift_rules.order_moves import Move, Saved, Savings, Why
from frostshift_rules.order_of_work import MOST_SHIFTS, SHIFTS, amounts
from frostshift_rules.order_solve import PROVEN_GAP, StoppedBy
from frostshift_rules.order_value import Costs
from frostshift_rules.sentences import capital
from frostshift_rules.start_hours import StartHour
from frostshift_rules.stops import reason_text
from frostshift_rules.workload import Freshness, Plan, Range, ShiftTotal, added
from frostshift_service.store.order_runs import is_silent
from frostshift_service.store.records import KeptAdvice, OrderRun, RunState
from frostshift_service.views.forecast import feed_title
from frostshift_service.views.sheet import Header, header
from frostshift_service.views.show import Amount, Moment, Show, TempSpan, day_text, duration, number, optional, plural
from frostshift_service.views.words import CALLS, CAUTIONS, WEATHER, Caution, Word

T = TypeVar("T")

MOVES_A_PART: Final = 60
"""Moves on one part of the page. Our choice."""
NAMED: Final = 30
"""Marks that are named of a group; of the others only the count is said."""
_SHOWN_KG: Final = 0.05
"""Less than that of an amount, or of a minute, is no saving to speak of [kg, m3, kWh, min]."""

WHAT_IT_IS: Final = (
    "Advice: nothing is moved until somebody takes it, and the erection sequence is the superintendent's. Every "
    "temperature behind it is predicted: measure the steel before the arc."
)
HOW_WORKED_OUT: Final = (
    "Each joint may go to every shift and crew that its dates, what it waits for, its pin and the crews' set-up allow, "
    "where the weather is known and no stop, there is a heating time, and the weld ends within the shift. Crews, "
    "torches and the hands that hold them are filled no further than the shift has minutes, torches and hands by the "
    "cold side. A saving counts by the likely figure or on the cold side, whichever is less. Where nothing is saved a "
    "joint stays where it is. One without a place stays too, counts there, and keeps what has to be done before it "
    "from being moved past it: then some other move cannot be offered. A joint that has to wait longer than the shifts "
    "that are looked at is not sent beyond them, as nobody knows the weather there."
)

NOT_KNOWN: Final = "not known: no heating time where it is planned"

NO_CREW: Final = "No crew is set up, so there is nobody to give joints to: set crews up under Set-up, Crews."
NO_FORECAST: Final = "There is no forecast that can be planned on, so nobody knows what a joint takes at another hour."
NO_JOINT: Final = "The schedule has no joint that is planned."
NO_SHIFT: Final = "The site has no shift ahead."


@dataclass(frozen=True, slots=True)
class SavedLine:
    """What is saved of one thing, in the unit that `unit` names; below 0 it takes more.

    `cold`: if the steel is as cold as it may be; `warm`: as warm as it may be. Each `_text` says it in words.
    """

    what: str
    unit: str
    cold: float
    likely: float
    warm: float
    cold_text: str
    likely_text: str
    warm_text: str


@dataclass(frozen=True, slots=True)
class CountLine:
    """One item of the count, in minutes of one pair of hands, before and after."""

    what: str
    before: float
    after: float
    before_text: str
    after_text: str


@dataclass(frozen=True, slots=True)
class StartView:
    """A joint at one start: where, and what the plan says of it there.

    `shift_short` leaves the day out where it is that of the start. What it takes is None where nobody knows it, as it
    can be where the weather stops it.
    """

    start: Moment
    shift: str
    shift_short: str
    crew: str
    call: Word
    weather: Word
    weather_why: str
    steel: TempSpan | None
    minutes: Amount | None
    torch_minutes: Amount | None
    fuel: Amount | None
    oxygen: Amount | None
    energy: Amount | None
    takes: str


@dataclass(frozen=True, slots=True)
class MoveLine:
    """One move.

    Attributes:
        mark, place: of the joint.
        why: code; `why_text` in words.
        now, then: at its present and its new start.
        crew_changes: it goes to another crew.
        late_before, late_after: by how many shifts; `late_text` in words, empty where it is not late.
        saved: thing by thing, nothing where it is not known; `saved_text` the likely figures in a few words.
        along: marks of the moves that have to be taken with it.
        taken: it was taken, and not taken back since.
    """

    mark: str
    place: str
    why: Why
    why_text: str
    now: StartView
    then: StartView
    crew_changes: bool
    late_before: int
    late_after: int
    late_text: str
    saved: tuple[SavedLine, ...]
    saved_text: str
    along: tuple[str, ...]
    taken: bool


@dataclass(frozen=True, slots=True)
class ShiftLine:
    """One shift by the plan, and by the plan with all moves taken. Amounts are "at least" while `unknown` is not 0.

    `same`: no move changes anything of it.
    """

    key: str
    title: str
    same: bool
    joints: tuple[int, int]
    unknown: tuple[int, int]
    torch_minutes: tuple[Amount, Amount]
    fuel: tuple[Amount, Amount]
    energy: tuple[Amount, Amount]
    torches: tuple[int, int]
    torches_there: int


@dataclass(frozen=True, slots=True)
class StayLine:
    """Joints that are left where they are for one reason; `more` beside those named."""

    reason: str
    count: int
    marks: tuple[str, ...]
    more: int


@dataclass(frozen=True, slots=True)
class BlockedLine:
    """A joint without a place: what is in the way, what would free it; `frees_text` where nothing single does."""

    mark: str
    in_the_way: tuple[str, ...]
    frees: tuple[str, ...]
    frees_text: str


@dataclass(frozen=True, slots=True)
class AdviceView:
    """An order of work.

    Attributes:
        first: the first answer of a search that goes on.
        made_text: when it was worked out, by whom, from whose forecast.
        changed: sentences on what has changed since; empty where nothing has.
        headline: how many moves, and why.
        saved: by all moves together; things of which nothing is used are left out.
        count: item by item, the total last.
        gap: share of the count that a better order might still save; None: not known. `gap_text` in words.
        stopped_by: why the search ended, or None; `stopped_text` in words.
        moves: of the part that is shown, by new start; `part` of `parts`; `total` of all.
        left: moves that were not taken yet.
        shifts: before and after; empty where the plan with the moves is not made. `shifts_text` says why.
        staying: by reason. `stay_total` joints.
        blocked: joints without a place.
        broken: rules that the plan as it stands breaks, beside joints that cannot stay and have a move.
        notes: sentences.
        taken: who took what of it; sentences. `acts`: changes of the schedule by which it was taken, and that stand.
    """

    first: bool
    made_text: str
    changed: tuple[str, ...]
    headline: str
    saved: tuple[SavedLine, ...]
    count: tuple[CountLine, ...]
    gap: float | None
    gap_text: str
    stopped_by: StoppedBy | None
    stopped_text: str
    moves: tuple[MoveLine, ...]
    total: int
    left: int
    part: int
    parts: int
    shifts: tuple[ShiftLine, ...]
    shifts_text: str
    staying: tuple[StayLine, ...]
    stay_total: int
    blocked: tuple[BlockedLine, ...]
    broken: tuple[str, ...]
    notes: tuple[str, ...]
    taken: tuple[str, ...]
    acts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class RunView:
    """A run: who asked for it, how it stands.

    Attributes:
        id: its number; 0: not kept.
        state: a silent one is broken off, whatever is written down.
        text: how it stands; one sentence or two.
        progress_text: how far it is; empty where it is over.
        cancelled: somebody wants it to end.
        advice: what came of it, so far; None: nothing.
    """

    id: int
    asked: Moment
    by: str
    state: RunState
    text: str
    progress_text: str
    cancelled: bool
    advice: AdviceView | None


@dataclass(frozen=True, slots=True)
class RunLine:
    """An earlier run in a list."""

    id: int
    asked: Moment
    by: str
    text: str


@dataclass(frozen=True, slots=True)
class OrderPage:
    """The order of work of a site.

    Attributes:
        header: of the latest plan.
        why_none: why no order can be worked out; empty where it can.
        needs_crews: it is crews that are missing.
        shifts, most_shifts: that are looked at unless others are asked for, and at most.
        run: that is shown; None: there was none yet.
        newest: it is the last one that was asked for.
        runs: all that are kept, the newest first.
        about: how it is meant, how it is worked out.
        cautions: standing cautions.
    """

    header: Header
    why_none: str
    needs_crews: bool
    shifts: int
    most_shifts: int
    run: RunView | None
    newest: bool
    runs: tuple[RunLine, ...]
    about: tuple[str, ...]
    cautions: tuple[Caution, ...]


@dataclass(frozen=True, slots=True)
class Now:
    """What an order of work is held against: the site as it stands. `forecast_id` None: not known."""

    revision: int
    schedule_version: str
    forecast_id: int | None


def why_none(site: Site, freshness: Freshness, joints: Sequence[Joint]) -> str:
    """Why no order of work can be worked out, one sentence; empty where it can."""
    if not site.work.crews:
        return NO_CREW
    if freshness in ("unusable", "none"):
        return NO_FORECAST
    return "" if any(joint.state == "planned" for joint in joints) else NO_JOINT


# A run ----------------------------------------------------------------------------------------------------------------


def state_of(run: OrderRun, now: datetime) -> RunState:
    """The state of a run; a silent one is broken off."""
    return "broken_off" if run.state == "running" and is_silent(run.beat_utc, now) else run.state


def order_page(
    plan: Plan,
    show: Show,
    now: datetime,
    *,
    runs: Sequence[OrderRun],
    run: OrderRun | None,
    kept: KeptAdvice | None,
    as_it_is: Now,
    why_none: str,
    needs_crews: bool = False,
    part: int = 1,
) -> OrderPage:
    """The page of a site.

    Args:
        plan: the latest.
        show: units and zone.
        now: aware UTC.
        runs: that are kept, the newest first.
        run: that is shown; None: there is none.
        kept: what came of it.
        as_it_is: the site now.
        why_none: why no order can be worked out.
        needs_crews: it is crews that are missing.
        part: of the moves; 0: all of them.
    """
    return OrderPage(
        header=header(plan, show, now),
        why_none=why_none,
        needs_crews=needs_crews,
        shifts=SHIFTS,
        most_shifts=MOST_SHIFTS,
        run=None if run is None else run_view(run, kept, as_it_is, show, now, part=part),
        newest=run is None or run.id == max((one.id for one in runs), default=run.id),
        runs=tuple(RunLine(one.id, show.moment(one.asked_utc, detail="date"), one.by, _text(one, now)) for one in runs),
        about=(WHAT_IT_IS, HOW_WORKED_OUT),
        cautions=CAUTIONS,
    )


def run_view(
    run: OrderRun, kept: KeptAdvice | None, as_it_is: Now | None, show: Show, now: datetime, *, part: int = 1
) -> RunView:
    """A run with what came of it; `as_it_is` None: it was worked out just now."""
    state = state_of(run, now)
    return RunView(
        id=run.id,
        asked=show.moment(run.asked_utc, detail="date"),
        by=run.by,
        state=state,
        text=_text(run, now),
        progress_text=_progress(run) if state == "running" else "",
        cancelled=bool(run.cancelled_by),
        advice=None if kept is None else _advice(run, kept, as_it_is, show, part, going=state == "running"),
    )


def _text(run: OrderRun, now: datetime) -> str:
    state = state_of(run, now)
    if state == "running":
        ends = f" {run.cancelled_by} wants it to end: it stops with the best so far." if run.cancelled_by else ""
        return f"Being worked out.{ends}"
    if state == "failed":
        return f"No order of work: {run.problem}"
    more = " What it had so far stands below." if run.has_advice else ""
    if state == "broken_off":
        return f"Broken off: {run.problem or 'the copy of the service that worked on it has fallen silent.'}{more}"
    if run.cancelled_by:
        return f"Cancelled by {run.cancelled_by}{', with the best so far' if run.has_advice else ''}."
    return "Worked out."


def _progress(run: OrderRun) -> str:
    said = [f"Now it {run.step}." if run.step else "It begins."]
    if run.cost is not None:
        said.append(f"The best order so far counts {_minutes(run.cost)}.")
    if run.bound is not None:
        said.append(f"None can count less than {_minutes(run.bound)}.")
    if run.gap is not None:
        said.append(_gap_text(run.gap))
    return " ".join(said)


# Words ----------------------------------------------------------------------------------------------------------------


def _minutes(value: float) -> str:
    return f"{number(value)} min"


def _gap_text(gap: float | None) -> str:
    if gap is None:
        return "How much a better order might save is not known."
    if gap <= PROVEN_GAP:
        return "Nothing better exists, by this count."
    share = ceil(gap * 1000.0 - 1e-6) / 10.0
    return f"At most {share:g} % of this count could be saved further."


def _stopped_text(stopped_by: StoppedBy | None, by: str) -> str:
    texts: dict[StoppedBy | None, str] = {
        "optimal": "",
        "gap": "The search ended as that is near enough.",
        "nodes": "The search ended after as many steps as it is given.",
        "clock": "The search was ended by the clock: another one may find another order.",
        "cancelled": f"The search was cancelled{f' by {by}' if by else ''}: this is the best it had.",
        "gave_up": "The solver gave up: this is the best it had.",
        "starts": "Places were given up on the way, as beside other joints no start was free there.",
        None: "",
    }
    return texts[stopped_by]


def shift_title(key: str) -> str:
    """`2026-01-15 day` as `Thu 15 Jan, day`."""
    return f"{day_text(date.fromisoformat(key[:10]))}, {key[11:]}"


def _why_text(move: Move) -> str:
    if move.why == "cannot_stay":
        why = move.reason.removesuffix(" where it is planned")
        return f"cannot be welded where it is planned: {why}"
    return {
        "out_of_turn": "what it waits for is not over where it is planned",
        "late": "would be late where it is planned",
        "too_full": "its shift is too full as planned",
        "saves": "takes less there",
        "makes_room": "makes room for others",
    }[move.why]


_REASONS: Final[tuple[tuple[Why, str, str], ...]] = (
    ("cannot_stay", "cannot be welded where it is planned", "cannot be welded where they are planned"),
    ("out_of_turn", "waits for what is not over by then", "wait for what is not over by then"),
    ("late", "would be late", "would be late"),
    ("too_full", "stands in a shift that is too full", "stand in shifts that are too full"),
    ("saves", "takes less elsewhere", "take less elsewhere"),
    ("makes_room", "makes room for others", "make room for others"),
)


def _headline(kept: KeptAdvice) -> str:
    advice = kept.advice
    if not kept.problem.joints:
        return "No joint can be moved; why stands below."
    if not advice.moves:
        return "No joint is to be moved: by this count the plan is as good as any that was found."
    counts = Counter(move.why for move in advice.moves)
    said = [f"{counts[why]} {one if counts[why] == 1 else many}" for why, one, many in _REASONS if counts[why]]
    listed = said[0] if len(said) == 1 else f"{', '.join(said[:-1])} and {said[-1]}"
    return f"{plural(len(advice.moves), 'move')}: {listed}."


def _signed(value: float, text: Callable[[float], str]) -> str:
    if abs(value) < _SHOWN_KG:
        return "the same"
    return f"{text(abs(value))} {'less' if value > 0 else 'more'}"


def _saved_lines(saved: Savings, show: Show) -> Iterator[SavedLine]:
    def exact(of: Callable[[Range], Amount]) -> Callable[[float], str]:
        return lambda value: of(Range(value, value, value)).short

    things: tuple[tuple[str, str, Saved, Callable[[float], str]], ...] = (
        ("fuel", "kg", saved.fuel_kg, exact(show.mass)),
        ("oxygen", "m3", saved.oxygen_m3, exact(show.volume)),
        ("current", "kWh", saved.energy_kwh, exact(show.energy)),
        ("torches burning", "min", saved.torch_minutes, duration),
    )
    for what, unit, one, text in things:
        if max(abs(one.cold), abs(one.likely), abs(one.warm)) >= _SHOWN_KG:
            said = [_signed(value, text) for value in (one.cold, one.likely, one.warm)]
            yield SavedLine(what, unit, one.cold, one.likely, one.warm, *said)


def _few(lines: Iterable[SavedLine]) -> str:
    said = [f"{line.what} {line.likely_text}" for line in lines if abs(line.likely) >= _SHOWN_KG]
    return "; ".join(said) or "takes about the same"


_ITEMS: Final = (
    ("fuel", "Fuel"),
    ("oxygen", "Oxygen"),
    ("current", "Current"),
    ("hands", "Hands at the torch"),
    ("late", "Shifts late"),
    ("moves", "Moves to another shift"),
    ("crew_changes", "Moves to another crew"),
    ("not_placed", "Joints that can be welded nowhere, or not where they are planned"),
)


def _count(before: Costs, after: Costs) -> Iterator[CountLine]:
    items = [(what, getattr(before, name), getattr(after, name)) for name, what in _ITEMS]
    for what, was, becomes in [*items, ("All together", before.total, after.total)]:
        if was or becomes or what == "All together":
            yield CountLine(what, was, becomes, _minutes(was), _minutes(becomes))


# Advice ---------------------------------------------------------------------------------------------------------------


def _advice(run: OrderRun, kept: KeptAdvice, as_it_is: Now | None, show: Show, part: int, *, going: bool) -> AdviceView:
    advice = kept.advice
    taken = {mark for one in run.taken if not one.undone for mark in one.marks}
    parts = max(1, ceil(len(advice.moves) / MOVES_A_PART)) if part else 1
    part = min(max(1, part), parts) if part else 0
    shown = advice.moves[(part - 1) * MOVES_A_PART : part * MOVES_A_PART] if part else advice.moves
    staying = _staying(kept)
    stay_total = sum(one.count for one in staying)
    return AdviceView(
        first=advice.first,
        made_text=_made_text(run, kept, show),
        changed=() if as_it_is is None else tuple(_changed(run, as_it_is)),
        headline=_headline(kept),
        saved=tuple(_saved_lines(advice.saved, show)),
        count=tuple(_count(advice.costs_before, advice.costs_after)),
        gap=advice.gap,
        gap_text=_gap_text(advice.gap) if kept.problem.joints else "",
        stopped_by=advice.stopped_by,
        stopped_text=_stopped_text(advice.stopped_by, run.cancelled_by),
        moves=tuple(_move(move, kept, move.mark in taken, show) for move in shown),
        total=len(advice.moves),
        left=sum(move.mark not in taken for move in advice.moves),
        part=part,
        parts=parts,
        shifts=tuple(_shifts(kept.before, kept.after, show)),
        shifts_text=""
        if kept.after
        else "They come with the last answer."
        if going
        else "The plan with the moves taken was not made.",
        staying=staying,
        stay_total=stay_total,
        blocked=tuple(_blocked(kept)),
        broken=tuple(_broken(kept)),
        notes=(*(_said(note, kept) for note in kept.notes), *_not_counted(advice.moves)),
        taken=tuple(_taken(run, show)),
        acts=tuple(one.act for one in run.taken if not one.undone),
    )


def _made_text(run: OrderRun, kept: KeptAdvice, show: Show) -> str:
    at = show.moment(kept.made_utc, detail="date").text
    since_utc = kept.issued_utc or kept.fetched_utc
    aged = optional(show.moment, since_utc, detail="date")
    said = "" if aged is None else f", {'issued' if kept.issued_utc else 'fetched'} {aged.text}"
    stands = f", which stands in for {feed_title(kept.instead_of)}" if kept.instead_of else ""
    return f"Worked out {at}, asked for by {run.by}, from the forecast of {feed_title(kept.feed)}{stands}{said}."


def _changed(run: OrderRun, now: Now) -> Iterator[str]:
    if run.schedule_version != now.schedule_version:
        yield "The schedule has changed since: moves of joints that changed are refused, and others may no longer fit."
    if None not in (run.forecast_id, now.forecast_id) and run.forecast_id != now.forecast_id:
        yield (
            "There is a newer forecast since: what a move saves may no longer be so. Each move that is taken is held "
            "against the newest forecast for stops and what is not known."
        )
    if run.schedule_version == now.schedule_version and run.site_revision != now.revision:
        yield "Settings, readings or states of joints have changed since."


def _taken(run: OrderRun, show: Show) -> Iterator[str]:
    for one in run.taken:
        said = f"{plural(len(one.marks), 'move')} taken by {one.by}, {show.moment(one.at_utc, detail='date').text}"
        yield f"{said}; taken back since." if one.undone else f"{said}."


def _move(move: Move, kept: KeptAdvice, taken: bool, show: Show) -> MoveLine:
    saved = () if move.saved is None else tuple(_saved_lines(move.saved, show))
    return MoveLine(
        mark=move.mark,
        place=kept.places.get(move.mark, ""),
        why=move.why,
        why_text=_why_text(move),
        now=_start(move.before, move.shift_before, move.crew_before, show),
        then=_start(move.after, move.shift_after, move.crew_after, show),
        crew_changes=move.crew_before.casefold() != move.crew_after.casefold(),
        late_before=move.late_before,
        late_after=move.late_after,
        late_text=_late(move.late_before, move.late_after),
        saved=saved,
        saved_text=NOT_KNOWN if move.saved is None else _few(saved),
        along=move.along,
        taken=taken,
    )


def _late(before: int, after: int) -> str:
    if not before and not after:
        return ""
    if before == after:
        return f"late by {plural(after, 'shift')} here and there"
    return f"late by {plural(after, 'shift')}, now {before}" if after else f"in time, now late by {before}"


def _start(at: StartHour, shift: str, crew: str, show: Show) -> StartView:
    takes = amounts(at)
    fuel = None if takes is None else show.mass(takes.fuel_kg)
    oxygen = None if takes is None else show.volume(takes.oxygen_m3)
    energy = None if takes is None else show.energy(takes.energy_kwh)
    torches = None if takes is None else show.minutes(takes.torch_minutes)
    said = [
        f"{what} {amount.short}"
        for what, amount in (("torches", torches), ("fuel", fuel), ("oxygen", oxygen), ("current", energy))
        if amount is not None and amount.high > 0.0
    ]
    return StartView(
        start=show.moment(at.start_utc, detail="date"),
        shift=shift_title(shift),
        shift_short=shift[11:]
        if shift[:10] == f"{at.start_utc.astimezone(show.zone):%Y-%m-%d}"
        else shift_title(shift),
        crew=crew,
        call=CALLS[at.call],
        weather=WEATHER[at.weather_state],
        weather_why=reason_text(at.weather_reason, show.system) if at.weather_reason else "",
        steel=optional(show.span, at.steel),
        minutes=optional(show.minutes, at.minutes),
        torch_minutes=torches,
        fuel=fuel,
        oxygen=oxygen,
        energy=energy,
        takes="not known" if takes is None else "; ".join(said) or "nothing",
    )


def _shifts(before: Sequence[ShiftTotal], after: Sequence[ShiftTotal], show: Show) -> Iterator[ShiftLine]:
    then = {one.key: one for one in after}
    for was in before:
        both = was, then.get(was.key, was)
        if not any(one.joints for one in both):
            continue
        yield ShiftLine(
            key=was.key,
            title=shift_title(was.key),
            same=both[0] == both[1],
            joints=_two(both, lambda one: one.joints),
            unknown=_two(both, lambda one: one.unknown),
            torch_minutes=_two(both, lambda one: show.minutes(one.heat_minutes)),
            fuel=_two(both, lambda one: show.mass(_fuel(one))),
            energy=_two(both, lambda one: show.energy(_energy(one))),
            torches=_two(both, lambda one: one.torches_at_once),
            torches_there=was.torches_there,
        )


def _two(both: tuple[ShiftTotal, ShiftTotal], of: Callable[[ShiftTotal], T]) -> tuple[T, T]:
    return of(both[0]), of(both[1])


def _fuel(shift: ShiftTotal) -> Range:
    return added([*(one.fuel_kg for one in shift.fuels), *(one.keep.fuel_kg for one in shift.fuels if one.keep)])


def _energy(shift: ShiftTotal) -> Range:
    return added(
        [
            *(one.energy_kwh for one in shift.fuels if one.energy_kwh),
            *(one.keep.energy_kwh for one in shift.fuels if one.keep),
        ]
    )


def _staying(kept: KeptAdvice) -> tuple[StayLine, ...]:
    groups: dict[str, list[str]] = {}
    for one in kept.staying:
        groups.setdefault(one.reason.rstrip("."), []).append(one.mark)
    return tuple(
        StayLine(reason, len(marks), tuple(marks[:NAMED]), max(0, len(marks) - NAMED))
        for reason, marks in sorted(groups.items(), key=lambda one: (-len(one[1]), one[0]))
    )


def _said(text: str, kept: KeptAdvice) -> str:
    """A sentence of the rules with its shifts as the pages name them."""
    for shift in kept.problem.shifts:
        text = text.replace(shift.key, shift_title(shift.key))
    return text


def _broken(kept: KeptAdvice) -> Iterator[str]:
    """Rules that the plan as it stands breaks, without what the moves say themselves: where a joint cannot stay."""
    told = {move.mark for move in kept.advice.moves}
    for one in kept.advice.broken_before:
        if one.name != "not_offered" or not told.issuperset(one.marks):
            yield _said(one.text, kept)


def _not_counted(moves: Sequence[Move]) -> Iterator[str]:
    """Of moves whose saving nobody knows, that they are not in the sums."""
    count = sum(move.saved is None for move in moves)
    if count:
        yield (
            f"What is saved is counted without {plural(count, 'move')}: the weather stops the joint where it is "
            "planned, and there is no heating time there to compare with."
        )


def _blocked(kept: KeptAdvice) -> Iterator[BlockedLine]:
    for one in kept.advice.without_place:
        frees = tuple(_said(free.text, kept) for free in one.frees)
        looked = "Nothing single that would free it was found."
        nothing = looked if one.looked else "What would free it was not looked for."
        yield BlockedLine(
            one.mark,
            tuple(capital(_said(text, kept)) for text in one.in_the_way),
            frees,
            "" if frees or one.waits_for else nothing,
        )
