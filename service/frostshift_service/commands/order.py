"""The command `frostshift order`: an order of work, worked out here and now; nothing is kept or moved."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from frostshift_rules.order_of_work import MOST_SHIFTS, SHIFTS
from frostshift_rules.order_problem import OrderError
from frostshift_rules.order_solve import Progress
from frostshift_rules.plan import make_plan
from frostshift_rules.tables import load_code_table
from frostshift_service.commands.line import Refused, opened, print_json, site_id_of
from frostshift_service.order_work import SECONDS, NoOrder, Watch, work_out
from frostshift_service.store.engine import reading
from frostshift_service.store.records import KeptAdvice, OrderRun
from frostshift_service.store.sites import load_site
from frostshift_service.views.desk import show_for
from frostshift_service.views.order import Now, order_page
from frostshift_service.views.order_text import order_text
from frostshift_service.views.show import plural


def order(
    site: Annotated[str | None, typer.Argument(help="id of the site; may be left out where there is one")] = None,
    shifts: Annotated[int, typer.Option(help="shifts that are looked at", min=1, max=MOST_SHIFTS)] = SHIFTS,
    seconds: Annotated[float, typer.Option(help="of searching, as a last resort", min=1.0, max=3600.0)] = SECONDS,
    as_json: Annotated[bool, typer.Option("--json", help="as JSON, the same as the page's")] = False,
) -> None:
    """Work out an order of work that takes less gas and hands, and print it. It advises: nothing is kept or moved."""
    with opened() as (_, engine, jobs):
        site_id = site_id_of(engine, site)
        with reading(engine) as session:
            kept_site = load_site(session, site_id)
        made = jobs.order_inputs(site_id)
    try:
        found = work_out(made, Watch(_say, _first, _progress, lambda: False), shifts=shifts, seconds=seconds)
    except (NoOrder, OrderError) as error:
        raise Refused(str(error)) from None
    inputs, now = made.inputs, made.now_utc
    table = load_code_table(inputs.site.table_id, inputs.site.own_tables)
    run = OrderRun(
        id=0,
        asked_utc=now,
        by="the command line",
        shifts=shifts,
        site_revision=made.revision,
        forecast_id=made.forecast_id,
        schedule_version=made.version,
        state="ended",
        step="",
        cost=None,
        bound=None,
        gap=None,
        beat_utc=now,
        ended_utc=now,
        cancelled_by="",
        problem="",
        has_advice=True,
        taken=(),
    )
    page = order_page(
        make_plan(inputs.site, table, (), inputs.weather, (), now),
        show_for(kept_site),
        now,
        runs=(),
        run=run,
        kept=found,
        as_it_is=Now(made.revision, made.version, made.forecast_id),
        why_none="",
        part=0,
    )
    if as_json:
        print_json(page)
    else:
        print(order_text(page))


def _say(text: str) -> None:
    print(f"... {text}", file=sys.stderr, flush=True)


def _first(kept: KeptAdvice) -> None:
    _say(f"first answer: {plural(len(kept.advice.moves), 'move')}")


def _progress(far: Progress) -> None:
    best = "no order yet" if far.cost is None else f"best {far.cost:,.0f} min"
    gap = "" if far.gap is None else f", at most {100.0 * far.gap:.1f} % more"
    _say(f"{best}, none below {far.bound:,.0f} min{gap}")
