"""Joints at other starts for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from frostshift_service.views.start_hours import HoursPage, StartsOf
from frostshift_service.views.terminal import wrapped


def hours_text(page: HoursPage) -> str:
    """Joint by joint: hours without heat, the cheapest start, every hour; then how it is meant and the cautions."""
    head = page.header
    lines = [
        f"Hours to start, {head.site_name}: {page.title}",
        f"Plan made {head.made.text}. Forecast: {head.feed}, {head.freshness_text}. Times are local ({head.zone}).",
    ]
    lines += [f"! {text}" for text in (*head.warnings, *head.feed_notes, *page.missing)]
    lines += [f"Cheapest start within {page.shifts_text}." if page.shifts_text else "The site has no shift ahead."]
    if not page.joints:
        lines += ["", "No joint of the plan passes."]
    for joint in page.joints:
        lines += ["", *_joint(joint, page.span_h)]
    lines += [
        "",
        "Heating times and gas: least to most of the hours named, on the cold side.",
        *page.about,
        "",
        "Cautions:",
    ]
    lines += [f"  - {one.text}{f' ({one.clause})' if one.clause else ''}" for one in page.cautions]
    return "\n".join(_wrapped(line) for line in lines)


def _wrapped(line: str) -> str:
    text = line.lstrip()
    return wrapped(text, line[: len(line) - len(text)])


def _joint(joint: StartsOf, span_h: int) -> Iterator[str]:
    place = f", {joint.place}" if joint.place else ""
    yield f"{joint.mark}{place}: planned {joint.start.text}, {joint.call.text}; weather: {joint.weather.text}"
    if joint.no_starts:
        yield f"  {joint.no_starts}"
        return
    yield f"  without heat, next {span_h} h: {joint.spells_text}"
    said = joint.cheapest
    yield f"  cheapest start: {' '.join(one for one in (said.text, said.saved, said.alike, said.left_out) if one)}"
    for run in joint.runs:
        takes = "; ".join(one for one in (run.minutes or run.no_time, run.gas) if one)
        why = f" ({run.why})" if run.why else ""
        yield f"    {run.when}: {run.text}{f'; {takes}' if takes else ''}; weather: {run.weather.text}{why}"
