"""`python -m tests.fuzz.run COUNT [SEED]`: so many inputs nobody meant, and what became of them.

Most are posts and schedules, which take little; of a payload two plans are made. Exit code 1 where something came out
that must not.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable
from typing import Any

from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis import strategies as st
from tests.fuzz import checks, made

KINDS: dict[str, tuple[float, st.SearchStrategy[Any], Callable[[Any], str]]] = {
    "schedule": (0.45, made.schedules(), checks.schedule),
    "payload": (0.1, made.broken_payload(), checks.broken),
    "post": (0.45, made.readings(), checks.post),
}
"""Share of the inputs, how they are made, what is looked at."""


def run(count: int, number: int) -> checks.Seen:
    """So many inputs; `number` is the seed."""
    seen = checks.Seen()
    for kind, (share, strategy, check) in KINDS.items():
        _run_kind(seen, kind, max(1, round(count * share)), strategy, check, number)
    return seen


def _run_kind(
    seen: checks.Seen, kind: str, count: int, strategy: st.SearchStrategy[Any], check: Callable[[Any], str], number: int
) -> None:
    @seed(number)
    @settings(
        max_examples=count,
        deadline=None,
        database=None,
        phases=(Phase.generate,),
        suppress_health_check=tuple(HealthCheck),
    )
    @given(strategy)
    def one(given_input: Any) -> None:
        seen.note(kind, given_input, lambda: check(given_input))

    one()


def main() -> int:
    """Print the table."""
    warnings.simplefilter("ignore")
    seen = run(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    print(seen.table())
    return 1 if seen.wrong else 0


if __name__ == "__main__":
    sys.exit(main())
