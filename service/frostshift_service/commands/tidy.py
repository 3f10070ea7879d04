"""The command that lets old rows go, or says which would."""

from __future__ import annotations

import time
from typing import Annotated

import typer

from frostshift_service import clock
from frostshift_service.commands.line import BY, opened
from frostshift_service.store.audit import write_audit
from frostshift_service.store.engine import writing
from frostshift_service.store.retention import RULES
from frostshift_service.tidying import PAUSE_S, old_rows, tidy


def tidy_command(
    dry_run: Annotated[bool, typer.Option("--dry-run", help="only say what would go")] = False,
) -> None:
    """Let old rows go, as the service does by itself every day. Readings and printed plans are never among them."""

    def pause() -> bool:
        time.sleep(PAUSE_S)
        return False

    now = clock.utc_now()
    with opened() as (_, engine, _jobs):
        if dry_run:
            counts = old_rows(engine, now)
        else:
            counts = tidy(engine, now, pause)
            with writing(engine) as session:
                said = ", ".join(f"{count} {what}" for what, count in counts.items() if count)
                write_audit(session, now=now, by=BY, what="tidy", detail=said or "nothing was old")
    for rule in RULES:
        print(f"{counts.get(rule.what, 0):>9,}  {rule.what}: kept {rule.kept}; {rule.why}.")
    print("Nothing was deleted." if dry_run else "Those are gone.")
