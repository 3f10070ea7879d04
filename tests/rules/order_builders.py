"""Orders of work to test with: small ones of any shape, and weeks of winter of any size, made by a seed."""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

from frostshift_rules.order_problem import (
    Choice,
    LeftOut,
    Minutes,
    OrderCrew,
    OrderJoint,
    OrderProblem,
    OrderShift,
    Place,
    Weights,
)

NOTHING = Minutes()
MONDAY = datetime(2027, 1, 11, 6, tzinfo=UTC)


def shifts(count: int, torch: float | None = None, hands: float | None = None) -> tuple[OrderShift, ...]:
    """Two shifts of ten hours a day, without a gap or an overlap in their twelve."""
    found = []
    for n in range(count):
        begins = MONDAY + timedelta(hours=12 * n)
        name = "day" if n % 2 == 0 else "night"
        found.append(
            OrderShift(f"{begins:%Y-%m-%d} {name}", begins, begins + timedelta(hours=10), torch, hands),
        )
    return tuple(found)


def crews(*minutes: Sequence[float]) -> tuple[OrderCrew, ...]:
    return tuple(OrderCrew(f"Crew {n + 1}", tuple(ones)) for n, ones in enumerate(minutes))


def choice(shift: int, crew: int = 0, minutes: float = 60.0, fuel_kg: float = 1.0, hands: float = 0.0) -> Choice:
    return Choice(shift, crew, minutes, hands, hands, hands, fuel_kg, 0.0, 0.0)


def joint(
    mark: str,
    choices: Iterable[Choice],
    after: Sequence[str] = (),
    earliest: int = 0,
    latest: int | None = None,
    hard: bool = False,
    pinned: bool = False,
    now: Place | None = None,
    left_out: Iterable[LeftOut] = (),
    there: Minutes = NOTHING,
) -> OrderJoint:
    return OrderJoint(mark, tuple(choices), tuple(left_out), tuple(after), earliest, latest, hard, pinned, now, there)


def anywhere(
    mark: str, places: Iterable[Place], after: Sequence[str] = (), minutes: float = 60.0, fuel_kg: float = 1.0
) -> OrderJoint:
    return joint(mark, [choice(s, c, minutes, fuel_kg) for s, c in places], after)


def small(seed: int, most_joints: int = 6) -> OrderProblem:
    """A few joints with every rule at work: tight minutes, torches, hands, dates, pins, what comes first.

    Figures are quarters, so that sums are exact and orders of the same cost are really of the same cost.
    """
    draw = random.Random(seed)
    count, n_shifts, n_crews = draw.randint(1, most_joints), draw.randint(1, 3), draw.randint(1, 2)
    limited = draw.random() < 0.5
    spans = shifts(n_shifts)
    if draw.random() < 0.3:  # some shifts overlap the next one
        spans = tuple(
            OrderShift(one.key, one.start_utc, one.end_utc + timedelta(hours=draw.choice([0, 3])), None, None)
            for one in spans
        )
    spans = tuple(
        OrderShift(
            one.key,
            one.start_utc,
            one.end_utc,
            draw.choice([None, 60.0, 120.0, 200.0]) if limited else None,
            draw.choice([None, 60.0, 120.0, 200.0]) if limited else None,
        )
        for one in spans
    )
    people = crews(*[[draw.choice([0.0, 120.0, 200.0, 300.0]) for _ in range(n_shifts)] for _ in range(n_crews)])
    found = []
    for n in range(count):
        minutes = draw.choice([45.0, 60.0, 75.5, 90.0, 120.0])
        choices, left_out = [], []
        for s in range(n_shifts):
            for c in range(n_crews):
                if draw.random() < 0.2:
                    left_out.append(LeftOut(s, c, "stop: -30 C"))
                    continue
                heat = draw.choice([10.0, 20.0, 40.0, 80.25])
                hands = heat * draw.choice([1.0, 2.0])
                choices.append(Choice(s, c, minutes + heat, heat, hands, hands - 2.5, heat / 8, heat / 4, heat / 2))
        now = None
        if draw.random() < 0.5:
            now = (draw.randrange(n_shifts), draw.randrange(n_crews))
        there = draw.choice([Minutes(), Minutes(minutes + 20.0, 20.0, 20.0)])
        latest = draw.choice([None, None, -1, *range(n_shifts)])
        after = tuple(f"J{k}" for k in range(n) if draw.random() < 0.25)
        found.append(
            OrderJoint(
                mark=f"J{n}",
                choices=tuple(choices),
                left_out=tuple(left_out),
                after=after,
                earliest=draw.choice([0, 0, 0, 1]),
                latest=latest,
                latest_is_hard=latest is not None and draw.random() < 0.4,
                pinned=now is not None and draw.random() < 0.3,
                now=now,
                there=there,
                in_turn=tuple(mark for mark in after if draw.random() < 0.5),
            )
        )
    draw.shuffle(found)
    return OrderProblem(
        spans, people, tuple(found), draw.choice([Weights(), Weights(move=0.0), Weights(shift_late=20.0)])
    )


def week(count: int, load: float, seed: int = 1) -> OrderProblem:
    """A week: 14 shifts, 3 crews, 2 shifts under a stop, a cold front; joints in tiers, each after two of the last.

    `load` is the share of the crews' and torches' minutes in open shifts that the joints take in mean weather.
    """
    draw = random.Random(seed)
    n_shifts, n_crews, tiers = 14, 3, 5
    stopped = set(draw.sample(range(3, n_shifts - 1), 2))
    cold = [
        1.0 + 1.2 / (1.0 + math.exp(-(s - 5.0))) - 0.9 / (1.0 + math.exp(-(s - 10.0))) + 0.25 * (s % 2)
        for s in range(n_shifts)
    ]
    welding = [draw.uniform(30.0, 150.0) for _ in range(count)]
    heating = [draw.uniform(10.0, 60.0) for _ in range(count)]
    weather = sum(cold[s] for s in range(n_shifts) if s not in stopped) / (n_shifts - 2)
    capacity = (sum(welding) + sum(heating) * weather) / load / ((n_shifts - 2) * n_crews)
    people = crews(*[[capacity] * n_shifts for _ in range(n_crews)])
    torch = sum(heating) * weather / load / (n_shifts - 2)
    tier_of = [n * tiers // count for n in range(count)]
    found: list[OrderJoint] = []
    for n in range(count):
        below = [k for k in range(n) if tier_of[k] == tier_of[n] - 1]
        after = draw.sample(below, min(2, len(below)))
        able = sorted(draw.sample(range(n_crews), draw.choice([1, 2, 2, 3])))
        earliest = min(tier_of[n], draw.randrange(0, 3) + tier_of[n])
        latest = min(n_shifts - 1, earliest + draw.randint(4, 9))
        choices, left_out = [], []
        for s in range(n_shifts):
            for c in range(n_crews):
                if s in stopped:
                    left_out.append(LeftOut(s, c, "stop: wind"))
                elif c not in able:
                    left_out.append(LeftOut(s, c, "not this crew's work"))
                else:
                    heat = heating[n] * cold[s]
                    choices.append(Choice(s, c, welding[n] + heat, heat, heat, heat, heat * 0.06, heat * 0.09, 0.0))
        open_now = [one.place for one in choices if one.shift >= earliest]
        now = open_now[min(len(open_now) - 1, int(draw.expovariate(0.15)))]
        found.append(
            OrderJoint(
                f"J{n:04}",
                tuple(choices),
                tuple(left_out),
                tuple(f"J{k:04}" for k in after),
                earliest,
                latest,
                False,
                False,
                now,
            )
        )
    return OrderProblem(shifts(n_shifts, torch, torch), people, tuple(found))


def as_planned(problem: OrderProblem) -> OrderProblem:
    """The week with a plan that keeps what comes before, as one is made that knows nothing of the weather.

    Each joint in turn stands in the first shift with room by mean minutes, whether the weather stops it there or not;
    without room in the first it may be in, where the last shift is passed at the latest.
    """
    left = {(s, c): minutes for c, crew in enumerate(problem.crews) for s, minutes in enumerate(crew.minutes)}
    found, at = [], dict[str, Place]()
    for one in problem.joints:
        first = max([one.earliest, *(at[mark][0] + 1 for mark in one.after)])
        able = sorted({choice.crew for choice in one.choices})
        minutes = sum(choice.crew_minutes for choice in one.choices) / len(one.choices)
        heat = sum(choice.torch_minutes for choice in one.choices) / len(one.choices)
        places = [(s, c) for s in range(first, len(problem.shifts)) for c in able]
        place = next((it for it in places if left[it] >= minutes), (min(first, len(problem.shifts) - 1), able[0]))
        left[place] -= minutes
        at[one.mark] = place
        found.append(replace(one, now=place, there=Minutes(minutes, heat, heat)))
    return replace(problem, joints=tuple(found))
