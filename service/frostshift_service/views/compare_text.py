"""The comparison of ways of heating for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from frostshift_rules.sentences import capital
from frostshift_service.views.compare import ComparePage, WayView
from frostshift_service.views.terminal import wrapped


def compare_text(page: ComparePage) -> str:
    """The joints, then way by way, then what is left out and the cautions."""
    head = page.header
    lines = [
        f"Ways of heating, {head.site_name}: {page.title}",
        f"Plan made {head.made.text}. Forecast: {head.feed}, {head.freshness_text}.",
    ]
    lines += [f"! {text}" for text in (*head.warnings, *head.feed_notes)]
    lines += ["", "Joints"]
    for joint in page.joints:
        note = f". {joint.note}" if joint.note else ""
        lines.append(f"  {joint.mark}, {joint.start.text}: {joint.call.text}; weather: {joint.weather.text}{note}")
    lines += [f"  {text}" for text in (page.no_heat_text, page.nothing, page.at_least) if text]
    for way in page.ways:
        lines += ["", *_way(way)]
    for title, texts in (("Not in these figures:", page.left_out), ("What they rest on:", page.sources)):
        lines += ["", title, *(f"  - {text}" for text in texts)] if texts else []
    lines += ["", "Cautions:"]
    lines += [f"  - {one.text}{f' ({one.clause})' if one.clause else ''}" for one in page.cautions]
    return "\n".join(_wrapped(line) for line in lines)


def _wrapped(line: str) -> str:
    text = line.lstrip()
    return wrapped(text, line[: len(line) - len(text)])


def _way(way: WayView) -> Iterator[str]:
    yield f"{capital(way.name)} ({way.where_text})"
    if way.without_text:
        yield f"  ! {way.without_text}"
    if way.longest is not None and way.minutes is not None and way.total is not None:
        first = f"; first light-up {way.light_up.text}" if way.light_up else ""
        yield f"  heating: longest joint {way.longest.text}{first}"
        yield f"    all joints added up: {way.minutes.text}; over all lengths {way.total.text}"
        yield f"    shortest hold: {way.hold_text}"
        yield f"  hands: {way.hands_text}"
    for gas in way.gases:
        together = f"; {gas.together}" if gas.together else ""
        yield f"  {gas.gas}: {gas.total.text}: {gas.cylinders}{together}"
    if way.energy is not None:
        yield f"  current: {way.energy.text}, {way.power}; {way.diesel}"
    yield f"  cost of gas and current: {way.cost_text}"
    for text in way.notes:
        yield f"  ! {text}"
    for line in way.joints:
        if line.status == "timed" and line.minutes is not None:
            yield f"    {line.mark}: {line.heaters_text}, {line.minutes.text}, holds {line.hold_text}; {line.taken}"
        elif line.status == "no_time":
            yield f"    {line.mark}: {line.reason}"
