"""The command `frostshift gas`: what to order by when, what each shift takes, how many cylinders feed together."""

from __future__ import annotations

import codecs
from typing import Annotated

import typer
from pydantic import TypeAdapter

from frostshift_service import clock
from frostshift_service.commands.line import Refused, SiteOption, opened, print_bytes, site_id_of
from frostshift_service.views.desk import Desk
from frostshift_service.views.files import csv_bytes, order_table
from frostshift_service.views.gas import GasPage
from frostshift_service.views.gas_text import gas_text


def gas(
    as_json: Annotated[bool, typer.Option("--json", help="as JSON, the same as the page's")] = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="the order as CSV")] = False,
    site: SiteOption = None,
) -> None:
    """Print the gas order, the gas of the next shifts and the cylinders that have to feed together."""
    if as_json and as_csv:
        raise Refused("--json and --csv: one of them.")
    with opened() as (_, engine, jobs):
        found = Desk(engine, jobs, clock.utc_now).gas(site_id_of(engine, site))
    if as_json:
        print_bytes(TypeAdapter(GasPage).dump_json(found, indent=1) + b"\n")
    elif as_csv:
        print_bytes(csv_bytes(order_table(found)).removeprefix(codecs.BOM_UTF8))
    else:
        print(gas_text(found))
