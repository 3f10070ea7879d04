"""Looks at the store: whether it is whole, its clock, tables, ages of forecasts, messages that wait."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Final

from frostshift_rules.strict import TableError
from frostshift_service.doctor.findings import (
    Bench,
    Finding,
    State,
    broken,
    clock_against,
    is_new,
    look_at_it,
    ok,
    size_of,
)
from frostshift_service.jobs import check_tables
from frostshift_service.pulls import standings
from frostshift_service.store import outside
from frostshift_service.store.engine import reading
from frostshift_service.store.notices import load_setup
from frostshift_service.store.records import StoreError
from frostshift_service.weather.order import in_use

BIG_LOG: Final = 500_000_000
"""A write-ahead log of SQLite larger than this [bytes] is not emptied any more: somebody reads all the time."""
STUCK: Final = timedelta(minutes=15)
"""A message that has waited for so long is worth a look."""

_DO: Final = {
    outside.OLD_SCHEMA: "Start the service once: it brings an older one up to date. A newer one needs a newer version.",
    outside.LOCKED: "See which program holds the file; an import may just be at it: ask again in a minute.",
    outside.DAMAGED: "Stop the service, keep a copy of the file, and restore the last backup.",
}
_DO_IF_SILENT: Final = "See whether the database server runs, and whether address, user and password are right."


def database_look(bench: Bench) -> Iterator[Finding]:
    """It answers, has our schema, and is whole."""
    assert bench.engine is not None
    if is_new(bench.settings):
        yield look_at_it("database", "There is none yet.", "The first `frostshift serve` makes it.")
        return
    try:
        outside.check_answers(bench.engine, 5.0)
    except outside.NoAnswer as error:
        said = str(error)
        yield broken("database", f"{said[:1].upper()}{said[1:]}.", _DO.get(said, _DO_IF_SILENT))
        return
    if bench.engine.dialect.name == "sqlite":
        yield from _sqlite(Path(str(bench.engine.url.database)))
    else:
        facts = outside.server_facts(bench.engine)
        said = f"PostgreSQL {facts['version']} answers; the newest schema; {size_of(facts['bytes'])}."
        yield ok("database", said)


def _sqlite(file: Path) -> Iterator[Finding]:
    with closing(sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro", uri=True, timeout=5)) as connection:
        try:
            said = [str(row[0]) for row in connection.execute("PRAGMA quick_check(3)")]
        except sqlite3.DatabaseError as error:  # too damaged to be checked
            said = [str(error)]
    if said != ["ok"]:
        yield broken("database", f"The file is damaged: {'; '.join(said)[:200]}.", _DO[outside.DAMAGED])
        return
    wal = file.with_name(f"{file.name}-wal")
    log = wal.stat().st_size if wal.exists() else 0
    text = (
        f"SQLite answers; the newest schema; whole; {size_of(file.stat().st_size)}, and {size_of(log)} not yet merged."
    )
    if log > BIG_LOG:
        yield look_at_it("database", text, "Restart the service at a quiet hour; that merges it.")
    else:
        yield ok("database", text)


def tables_look(bench: Bench) -> Iterator[Finding]:
    """Every table that ships and every own one of a site loads."""
    assert bench.engine is not None
    try:
        check_tables(bench.engine)
    except (TableError, StoreError) as error:
        do = "Mend the file and load it again; the service does not start with it."
        yield broken("tables", f"{error}.", do)
    else:
        yield ok("tables", "All rule tables load, those of the sites too.")


def clock_look(bench: Bench) -> Iterator[Finding]:
    """This machine's clock against the database's; the feeds' clocks are looked at where they are asked."""
    assert bench.engine is not None
    if bench.engine.dialect.name == "sqlite":
        yield ok("clock", f"This machine says {bench.now:%Y-%m-%d %H:%M:%S} UTC; the database has no clock of its own.")
    else:
        theirs_utc = outside.server_facts(bench.engine)["now_utc"]
        yield clock_against("the database's", theirs_utc, bench.now)


def forecasts_look(bench: Bench) -> Iterator[Finding]:
    """The age of the forecast in use at every site."""
    assert bench.engine is not None
    if not bench.sites:
        yield look_at_it(
            "sites", "There is no site yet.", "Make one on the pages, or with `frostshift site template FILE`."
        )
    for kept in bench.sites:
        about = f"site {kept.site.id}"
        with reading(bench.engine) as session:
            used = in_use(standings(session, kept, bench.now))
        if used.age is None:
            do = "See the looks at its weather services below; a site whose feed is a file needs one loaded."
            yield look_at_it(about, "It has no forecast: every joint is unknown or to be measured.", do)
            continue
        said = f"Forecast of {used.feed}, {used.age.age_h:.1f} h old, service heard {used.age.silence_h:.1f} h ago"
        if used.age.state == "fresh":
            yield ok(about, f"{said}.")
        else:
            word = "is not planned on any more" if used.age.state == "unusable" else "is late, so that plans doubt more"
            state: State = "broken" if used.age.state == "unusable" else "look at it"
            yield Finding(about, state, f"{said}: it {word}.", "See whether its weather service answers, below.")


def people_look(bench: Bench) -> Iterator[Finding]:
    """Messages that wait, and sites where nobody is told anything."""
    assert bench.engine is not None
    with reading(bench.engine) as session:
        outbox = outside.outbox_stands(session, bench.now)
        alone = [kept.site.id for kept in bench.sites if not load_setup(session, kept.site.id).people]
    waiting = outbox.count.get("waiting", 0) + outbox.count.get("claimed", 0)
    oldest = None if outbox.oldest_utc is None else bench.now - outbox.oldest_utc
    if oldest is not None and oldest > STUCK:
        minutes = oldest // timedelta(minutes=1)
        do = (
            "See that the service runs, and the notices of its sites: they say why. `frostshift people test` tries one."
        )
        yield look_at_it("messages", f"{waiting} wait, the oldest for {minutes} min.", do)
    else:
        yield ok("messages", f"{waiting} wait, none for long.")
    for site_id in alone:
        do = "Enter on its page People who is to hear of cold fronts, or let it be, if nobody is."
        yield look_at_it(f"site {site_id}", "Nobody is told anything there.", do)
