"""What to order by when, in one sentence a kind of cylinder: the same on the page of gas and on the sheet."""

from __future__ import annotations

from frostshift_rules.gas_order import OrderLine
from frostshift_rules.gas_plan import GasPlan
from frostshift_rules.job import Site
from frostshift_service.stock_form import kind_of, kinds_of
from frostshift_service.views.show import day_text


def order_headlines(found: GasPlan, site: Site) -> tuple[str, ...]:
    """A sentence for each kind of cylinder, with its name."""
    names = [(line, kind_of(kinds_of(site), line.kind).name) for line in found.orders]
    return tuple(f"{name}: {headline(line, name)}" for line, name in names)


def headline(line: OrderLine, name: str) -> str:
    """What is to be done about one kind of cylinder, in a sentence; `name` is that of the kind."""
    if line.advice == "order":
        assert line.order_by is not None
        assert line.delivery is not None
        return f"Order {line.count} × {name} by {day_text(line.order_by)}; they come on {day_text(line.delivery)}."
    if line.advice == "too_late":
        assert line.delivery is not None
        return f"Too late for a usual order. Order {line.count} × {name} today; they come on {day_text(line.delivery)}."
    if line.advice == "no_room":
        assert line.delivery is not None
        least = f", {line.wanted} are wanted by {day_text(line.delivery)}"
        return f"It runs out, and what would be ordered has no room on the site{least}."
    return {
        "enough": "Nothing to order: what is there and on order lasts through the shifts looked at.",
        "enough_counted": "Nothing to order for what is counted; joints are left out of it.",
        "not_far_enough": "It lasts as far as the shifts are known, and an order of today would come after them: ask.",
        "no_delivery": "It runs out, and by the terms of supply no day of delivery comes: look at them.",
        "no_terms": "It runs out, and nothing is stated of lead time and delivery days: see Supply in the set-up.",
        "no_stock": "Not known what is there: nobody has written it down.",
        "no_demand": "Nothing needs it in the shifts that are known.",
        "unknown": "The demand is not known: "
        + (
            "what needs heat has no sure amount."
            if line.left_out.total and line.known_until is not None
            else "no forecast that can be used reaches to the end of a shift."
        ),
    }[line.advice]
