"""The short form: a few of each kind, and that the checks see what they are there for."""

import copy
import math
from typing import Any

import pytest
from tests.fuzz import checks
from tests.fuzz.made import FEEDS, payload
from tests.fuzz.run import run


def test_inputs_nobody_meant_are_answered() -> None:
    seen = run(400, 7)
    assert seen.wrong == []
    assert {kind for kind, _ in seen.counts} == {"schedule", "payload", "post"}


@pytest.mark.parametrize("feed", FEEDS)
def test_an_intact_payload_gives_calls_of_both_kinds(feed: str) -> None:
    found = {call for warmer_k in (4.0, 18.0, 26.0) for call in checks.intact(feed, warmer_k)[1].values()}
    assert {"no_heat"} < found
    assert checks.broken((feed, 14.0, True, payload(feed, 14.0))) == "same calls"


def test_a_warm_payload_in_the_place_of_a_cold_one_is_seen_as_milder() -> None:
    warm = payload("open_meteo", 26.0)
    assert checks.broken(("open_meteo", 4.0, False, warm)) == "milder by other values"
    with pytest.raises(AssertionError, match="no_heat for"):
        checks.broken(("open_meteo", 4.0, True, warm))


def test_a_payload_that_lost_everything_is_refused() -> None:
    made: Any = copy.deepcopy(payload("open_meteo", 4.0))
    made["hourly"]["temperature_2m"] = [math.nan] * len(made["hourly"]["time"])
    assert checks.broken(("open_meteo", 4.0, True, made)) == "refused"
