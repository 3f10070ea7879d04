"""`frostshift doctor`: looks at everything the service needs, says what it found and what to do. Changes nothing.

Each look is a function that gives findings; one that fails in a way nobody foresaw is a finding itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from frostshift_service.doctor.findings import Bench, Finding, Look, broken, is_new
from frostshift_service.doctor.kept import clock_look, database_look, forecasts_look, people_look, tables_look
from frostshift_service.doctor.machine import data_look, pdf_look, secrets_look, settings_look, zones_look
from frostshift_service.doctor.network import feeds_look, mail_look, pages_look
from frostshift_service.store.engine import reading, store_as_it_is
from frostshift_service.store.records import StoreError
from frostshift_service.store.sites import load_sites


def examine(bench: Bench) -> list[Finding]:
    """Look at everything. The store is opened as it is, without bringing it up to date.

    Args:
        bench: without an engine and sites.
    """
    found = [one for look in (settings_look, secrets_look, data_look, pdf_look) for one in _looked(look, bench)]
    try:
        engine = store_as_it_is(bench.settings.database_url)
    except StoreError as error:
        return [*found, broken("database", f"It cannot be opened: {error}.", "Mend FROSTSHIFT_DATABASE_URL.")]
    try:
        with_store = replace(bench, engine=engine)
        of_store = list(_looked(database_look, with_store))
        looks: tuple[Look, ...] = (mail_look, pages_look)
        if not is_new(bench.settings) and not any(one.state == "broken" for one in of_store):
            with reading(engine) as session:
                with_store = replace(with_store, sites=load_sites(session))
            looks = (
                clock_look,
                zones_look,
                tables_look,
                forecasts_look,
                feeds_look,
                mail_look,
                pages_look,
                people_look,
            )
        return [*found, *of_store, *(one for look in looks for one in _looked(look, with_store))]
    finally:
        engine.dispose()


def _looked(look: Look, bench: Bench) -> Iterator[Finding]:
    try:
        yield from look(bench)
    except Exception as error:
        about, name = look.__name__.removesuffix("_look"), type(error).__name__
        yield broken(about, f"Looking at it failed: {name}: {error}", "Send this line to whoever helps.")
