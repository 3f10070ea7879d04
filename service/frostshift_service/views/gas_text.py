"""The gas page for a terminal."""

from __future__ import annotations

from collections.abc import Iterator

from frostshift_service.views.gas import GasPage, OrderView, ShiftGas
from frostshift_service.views.terminal import wrapped


def gas_text(page: GasPage) -> str:
    """Order first, then shift by shift, then what helps and what nobody may do."""
    head = page.header
    lines = [f"Gas, {head.site_name}", f"Plan made {head.made.text}. Forecast: {head.feed}, {head.freshness_text}."]
    lines += [f"! {text}" for text in (*head.warnings, *head.feed_notes)]
    lines += ["", "Order"]
    for order in page.orders:
        lines += _order(order)
    lines += [f"  {text}." for text in page.not_counted]
    if page.closed:
        lines.append(f"  {page.closed}")
    for shift in page.shifts:
        lines += ["", *_shift(shift)]
    lines += ["", "Where the cylinders do not give enough, in this order:"]
    lines += [f"  {n}. {text}" for n, text in enumerate(page.levers, 1)]
    lines += ["Never:", *(f"  - {text}" for text in page.never)]
    lines += ["Cautions:"]
    lines += [f"  - {one.text}{f' ({one.clause})' if one.clause else ''}" for one in page.cautions]
    return "\n".join(_wrapped(line) for line in lines)


def _wrapped(line: str) -> str:
    text = line.lstrip()
    return wrapped(text, line[: len(line) - len(text)])


def _order(order: OrderView) -> Iterator[str]:
    yield f"  {order.name}: {order.headline}"
    there = f"; to draw {order.on_hand.text}" if order.on_hand else ""
    yield f"    there {order.there}{there}{''.join(f'; {text}' for text in order.coming)}"
    if order.on_hand:
        yield f"    runs out at likely use: {order.runs_out_likely}"
        yield f"    runs out at most use: {order.runs_out_high}"
    yield f"    counted on {order.usable.short} of a full one. {order.known}"
    for text in (*order.money, *order.notes):
        yield f"    {text}"


def _shift(shift: ShiftGas) -> Iterator[str]:
    yield f"{shift.title}, {shift.start.text} to {shift.end.text}"
    if not shift.known:
        yield "  Not known: the forecast does not reach to the end of this shift."
        return
    if shift.at_least:
        yield f"  {shift.at_least}"
    for line in shift.gases:
        uses = "; ".join(f"{use} {amount.short}" for use, amount in line.uses)
        yield f"  {line.gas}: {line.total.text} ({uses})"
    for bank in shift.banks:
        yield f"  {bank.cylinder}: {bank.headline}"
        if bank.reason:
            yield f"    {bank.reason}"
        for name, text in bank.facts:
            yield f"    {name}: {text}"
    for text in shift.oxygen:
        yield f"  {text}"
    if shift.energy is not None:
        yield f"  Electric heaters: {shift.energy.text}, {shift.power}; {shift.diesel}."
