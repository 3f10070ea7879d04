"""Scores against a published table, against figures worked by hand, and what must hold for any forecasts."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.forecast_scores import (
    FEWEST,
    LEAD_CLASSES_H,
    Contingency,
    Errors,
    LeadScores,
    at_or_below,
    errors,
    hourly_air_c,
    lead_scores,
)
from frostshift_rules.job import AirReading
from frostshift_rules.strict import OutOfRange
from frostshift_rules.units import c_from_f

NAN = float("nan")
START = datetime(2026, 1, 12, 0, tzinfo=UTC)


def only(scores: tuple[LeadScores, ...]) -> LeadScores:
    (one,) = scores
    return one


# Published ------------------------------------------------------------------------------------------------------------


def test_finleys_tornado_forecasts_of_1884() -> None:
    """Hits 28, false alarms 72, misses 23, correct negatives 2680, as quoted in every textbook of the field.

    The table, and of its scores the false alarm ratio of 72 %, the threat score of 23 % and a frequency bias of about
    two: page "Finley (1884) Tornado Forecasts" of the Australian Bureau of Meteorology's forecast verification site,
    read in a copy. Three digits as in Wilks and in Jolliffe and Stephenson: from memory.
    """
    finley = Contingency(28, 72, 23, 2680)
    assert finley.threat_score == pytest.approx(0.228, abs=0.0005)
    assert finley.probability_of_detection == pytest.approx(0.549, abs=0.0005)
    assert finley.false_alarm_ratio == pytest.approx(0.720, abs=0.0005)
    assert finley.frequency_bias == pytest.approx(1.96, abs=0.005)


def test_finleys_table_is_counted_from_its_forecasts() -> None:
    """The same table hour by hour, tornado as air at or below 0 °C: 2803 pairs."""
    forecast_c = np.repeat([-1.0, -1.0, 1.0, 1.0], [28, 72, 23, 2680])
    observed_c = np.repeat([-1.0, 1.0, -1.0, 1.0], [28, 72, 23, 2680])
    assert at_or_below(forecast_c, observed_c, 0.0) == Contingency(28, 72, 23, 2680)


# By hand --------------------------------------------------------------------------------------------------------------


def test_errors_by_hand() -> None:
    """Errors +1, -1, +3 and -7 K: mean -1, mean size 12 / 4, root of 60 / 4."""
    found = errors(np.array([1.0, -6.0, 3.0, -17.0]), np.array([0.0, -5.0, 0.0, -10.0]))
    assert found == Errors(-1.0, 3.0, pytest.approx(15.0**0.5))


def test_classes_take_their_rows_and_only_pairs_count() -> None:
    """Ten hours. Row 0 is 1 K too warm, row 6 is 2 K too cold, rows 12 and 18 are 0 and 4 K too warm: mean 2 K."""
    observed_c = np.arange(10.0) - 5.0
    shift_k = np.array([[1.0], [-2.0], [0.0], [4.0], [50.0]])
    forecast_c = observed_c + shift_k
    first, second, third = lead_scores(
        (0, 6, 12, 18, 24), forecast_c, observed_c, classes_h=((0, 6), (6, 12), (12, 24))
    )
    assert (first.from_h, first.to_h, first.pairs, first.hours) == (0, 6, 10, 10)
    assert first.errors == Errors(1.0, 1.0, 1.0)
    assert second.errors == Errors(-2.0, 2.0, 2.0)
    assert (third.pairs, third.hours) == (20, 10)
    assert third.errors == Errors(2.0, 2.0, pytest.approx(8.0**0.5))
    # Observed at or below 0 °C: hours 0 to 5. Row 0 says so of hours 0 to 4, row 6 of hours 0 to 7.
    assert first.limits[0].counts == Contingency(5, 0, 1, 4)
    assert second.limits[0].counts == Contingency(6, 2, 0, 2)
    assert third.limits[0].counts == Contingency(6 + 2, 0, 4, 8)
    assert [one.errors for one in lead_scores((0,), forecast_c[:1], observed_c)[1:]] == [None] * 6


def test_what_is_missing_is_no_pair() -> None:
    observed_c = np.zeros(14)
    observed_c[1] = NAN
    forecast_c = np.ones((1, 14))
    forecast_c[0, 2:4] = NAN
    found = lead_scores((0,), forecast_c, observed_c)[0]
    assert (found.pairs, found.hours) == (11, 11)
    assert found.errors == Errors(1.0, 1.0, 1.0)
    assert found.limits[0].counts == Contingency(0, 0, 11, 0)


def test_the_share_within_the_members_band_by_hand() -> None:
    """Of twelve hours one has no band; of the eleven left two lie on its ends, seven inside, two outside."""
    observed_c = np.array([-2.0, 2.0, *np.linspace(-1.9, 1.9, 7), 2.1, -2.1, 0.0])
    low_c, high_c = np.full((1, 12), -2.0), np.full((1, 12), 2.0)
    high_c[0, 11] = NAN
    found = lead_scores((0,), np.zeros((1, 12)), observed_c, band_c=(low_c, high_c))[0]
    assert (found.pairs, found.band_pairs) == (12, 11)
    assert found.within_band == pytest.approx(9 / 11)


def test_without_a_band_its_share_is_unknown() -> None:
    found = lead_scores((0,), np.zeros((1, 20)), np.zeros(20))[0]
    assert found.errors is not None
    assert (found.band_pairs, found.within_band) == (0, None)


# Edges ----------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("hours", "said"), [(FEWEST - 1, False), (FEWEST, True)])
def test_too_few_hours_say_nothing(hours: int, said: bool) -> None:
    band_c = (np.full((2, hours), -1.0), np.full((2, hours), 1.0))
    forecast_c = np.zeros((2, hours))
    found = only(lead_scores((24, 30), forecast_c, np.zeros(hours), band_c=band_c, classes_h=((24, 48),)))
    assert (found.pairs, found.hours) == (2 * hours, hours), "twice the pairs are not twice the hours"
    assert (found.errors is not None) == (found.within_band is not None) == bool(found.limits) == said


def test_a_score_over_too_few_events_is_unknown() -> None:
    """Frost was observed nine times and forecast ten times in 1,000 hours."""
    rare = Contingency(hits=9, false_alarms=1, misses=0, correct_negatives=990)
    assert rare.probability_of_detection is None
    assert rare.frequency_bias is None
    assert rare.false_alarm_ratio == 0.1
    assert rare.threat_score == 0.9
    never = Contingency(0, 0, 0, 1000)
    assert never.probability_of_detection is never.false_alarm_ratio is never.threat_score is None


@pytest.mark.parametrize("limit_f", range(-40, 60))
def test_a_value_at_the_limit_is_at_it_also_in_single_precision(limit_f: int) -> None:
    limit_c = c_from_f(float(limit_f))
    kept = np.full(10, limit_c, dtype=np.float32).astype(np.float64)
    assert at_or_below(kept, np.full(10, limit_c), limit_c).hits == 10
    assert at_or_below(kept + 0.01, np.full(10, limit_c) + 0.01, limit_c).correct_negatives == 10


def test_classes_touch_and_begin_at_nought() -> None:
    assert LEAD_CLASSES_H[0][0] == 0
    for (_, end), (begin, _) in zip(LEAD_CLASSES_H, LEAD_CLASSES_H[1:], strict=False):
        assert end == begin


@pytest.mark.parametrize(
    ("forecast_c", "observed_c", "band_c", "said"),
    [
        (np.zeros((2, 3)), np.zeros(3), None, r"forecast_c is \(2, 3\), \(1, 3\) \[lead, hour\] is needed"),
        (np.zeros((1, 3)), np.zeros((1, 3)), None, r"observed_c is \(1, 3\), one value an hour is needed"),
        (np.zeros((1, 3)), np.zeros(3), (np.zeros((1, 3)), np.zeros((1, 2))), "band_c high is"),
        (np.full((1, 3), np.inf), np.zeros(3), None, "forecast_c has an infinite value"),
        (np.zeros((1, 3)), np.full(3, -np.inf), None, "observed_c has an infinite value"),
    ],
)
def test_arrays_that_do_not_fit_are_refused(
    forecast_c: np.ndarray, observed_c: np.ndarray, band_c: tuple[np.ndarray, np.ndarray] | None, said: str
) -> None:
    with pytest.raises(OutOfRange, match=said):
        lead_scores((0,), forecast_c, observed_c, band_c=band_c)


def test_no_pair_has_no_error() -> None:
    with pytest.raises(OutOfRange, match="two of one length"):
        errors(np.zeros(0), np.zeros(0))


# Invariants -----------------------------------------------------------------------------------------------------------

temps = st.one_of(st.just(NAN), st.floats(-60.0, 50.0))
pairs = st.integers(10, 40).flatmap(
    lambda n: st.tuples(st.lists(temps, min_size=n, max_size=n), st.lists(temps, min_size=n, max_size=n))
)


@given(pairs, st.floats(-20.0, 20.0))
def test_what_holds_for_any_forecasts(both: tuple[list[float], list[float]], limit_c: float) -> None:
    forecast_c, observed_c = np.array(both[0]), np.array(both[1])
    found = lead_scores((3,), forecast_c[np.newaxis], observed_c, (limit_c,))[0]
    assert found.pairs == np.count_nonzero(np.isfinite(forecast_c) & np.isfinite(observed_c))
    if found.errors is None:
        assert found.pairs < FEWEST
        return
    assert abs(found.errors.bias_k) <= found.errors.mean_abs_k + 1e-9
    assert found.errors.mean_abs_k <= found.errors.rms_k + 1e-9
    counts = found.limits[0].counts
    four = (counts.hits, counts.false_alarms, counts.misses, counts.correct_negatives)
    assert sum(four) == found.pairs
    swapped = lead_scores((3,), observed_c[np.newaxis], forecast_c, (limit_c,))[0]
    assert swapped.errors is not None
    assert swapped.errors.bias_k == pytest.approx(-found.errors.bias_k)
    assert swapped.errors.rms_k == pytest.approx(found.errors.rms_k)
    assert swapped.limits[0].counts == Contingency(four[0], four[2], four[1], four[3])


@given(st.lists(st.floats(-60.0, 50.0), min_size=10, max_size=40))
def test_a_perfect_forecast_has_no_error(observed: list[float]) -> None:
    observed_c = np.array(observed)
    found = lead_scores((0,), observed_c[np.newaxis], observed_c, band_c=(observed_c[np.newaxis],) * 2)[0]
    assert found.errors == Errors(0.0, 0.0, 0.0)
    assert found.within_band == 1.0
    assert (found.limits[0].counts.misses, found.limits[0].counts.false_alarms) == (0, 0)


# Readings at full hours -----------------------------------------------------------------------------------------------


def test_readings_to_full_hours_by_hand() -> None:
    """00:10 and 23:50 of the day before are near midnight, 00:11 is near nothing, 02:00 stands alone."""
    minutes = {10: -4.0, -10: -6.0, 11: 30.0, 120: -8.0, 49: 30.0, 175: -1.0, 400: 30.0}
    readings = [AirReading(air_c, START + timedelta(minutes=at)) for at, air_c in minutes.items()]
    found = hourly_air_c(readings, START, 4)
    assert np.array_equal(found, [-5.0, NAN, -8.0, -1.0], equal_nan=True)
    assert np.isnan(hourly_air_c([], START, 3)).all()
