"""An order of work for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from frostshift_service.views.order import AdviceView, MoveLine, OrderPage, StartView
from frostshift_service.views.terminal import wrapped


def order_text(page: OrderPage) -> str:
    """What is saved, the moves, shift by shift, what is in the way, what stays; then how it is meant, the cautions."""
    head, advice = page.header, None if page.run is None else page.run.advice
    lines = [
        f"Order of work, {head.site_name}",
        f"Forecast: {head.feed}, {head.freshness_text}. Times are local ({head.zone}).",
        *(f"! {text}" for text in (*head.warnings, *head.feed_notes)),
    ]
    if advice is not None:
        lines += [*_whole(advice), *_moves(advice), *_left(advice)]
    lines += ["", *page.about, "", "Cautions:"]
    lines += [f"  - {one.text}{f' ({one.clause})' if one.clause else ''}" for one in page.cautions]
    return "\n".join(_wrapped(line) for line in lines)


def _wrapped(line: str) -> str:
    text = line.lstrip()
    return wrapped(text, line[: len(line) - len(text)])


def _whole(advice: AdviceView) -> Iterator[str]:
    yield f"{advice.made_text}"
    yield ""
    yield advice.headline
    yield " ".join(one for one in (advice.gap_text, advice.stopped_text) if one)
    for line in advice.saved:
        yield (
            f"  {line.what}: likely {line.likely_text}; if the steel is as cold as it may be {line.cold_text}; "
            f"if it is as warm as it may be {line.warm_text}"
        )
    yield ""
    yield "Count, in minutes of one pair of hands, as planned and with the moves:"
    for item in advice.count:
        yield f"  {item.what}: {item.before_text}, {item.after_text}"


def _moves(advice: AdviceView) -> Iterator[str]:
    for move in advice.moves:
        yield ""
        yield from _move(move)
    if advice.shifts:
        yield ""
        yield "Shift by shift, before and after:"
    for shift in advice.shifts:
        fuel, torches = shift.fuel, shift.torch_minutes
        yield (
            f"  {shift.title}: joints {shift.joints[0]}, {shift.joints[1]}; torches burning {torches[0].text}, then "
            f"{torches[1].text}; fuel {fuel[0].text}, then {fuel[1].text}"
        )


def _left(advice: AdviceView) -> Iterator[str]:
    if advice.blocked:
        yield ""
        yield "Joints without a place; they stay where they are planned:"
    for one in advice.blocked:
        yield f"  {one.mark}"
        yield from (f"    - {text}" for text in one.in_the_way)
        yield from (f"    + {text}" for text in one.frees)
        if one.frees_text:
            yield f"    {one.frees_text}"
    if advice.broken or advice.notes:
        yield ""
        yield "What the plan as it stands does not keep:"
        yield from (f"  - {text}" for text in (*advice.broken, *advice.notes))
    if advice.staying:
        yield ""
        yield f"Joints that are left where they are: {advice.stay_total}"
    for group in advice.staying:
        more = f" and {group.more} more" if group.more else ""
        yield f"  {group.count}: {group.reason}. {', '.join(group.marks)}{more}"


def _move(move: MoveLine) -> Iterator[str]:
    place = f", {move.place}" if move.place else ""
    yield f"{move.mark}{place}: {move.why_text}"
    yield f"  from {_start(move.now)}"
    yield f"  to {_start(move.then)}"
    late = f"; {move.late_text}" if move.late_text else ""
    yield f"  likely: {move.saved_text}{late}"
    if move.along:
        yield f"  only with {', '.join(move.along)}"


def _start(at: StartView) -> str:
    steel = f"; steel {at.steel.text}" if at.steel else ""
    return f"{at.start.text}, {at.shift_short}, {at.crew}: {at.call.text}{steel}; takes {at.takes}"
