"""Steel of the members of an ensemble: against the single run, an independent solver, and plain counting.

There is no published ensemble to check against: a member is a forecast like any other, so that each must come out as
`predict` has it (which has its own references) and as scipy's Radau has it; quantiles and minima are those of numpy.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from frostshift_rules import members as module
from frostshift_rules.members import MemberSteel, quantiles_of
from frostshift_rules.steel import SteelClass, predict, steel_class
from frostshift_rules.strict import OutOfRange
from frostshift_rules.surroundings import Floats, Hours, Members, Singles, Surroundings, wet_bulb_c
from frostshift_rules.workload import Weather

from .plan_builders import HOURS, NOW, hours, members, weather
from .test_steel import radau, winter_hours

NAMES = ("air_c", "dew_c", "wind_10m_ms", "cloud")
STANDS = [Surroundings(1.0), Surroundings(0.5, 0.7), Surroundings(0.0, 1.2), Surroundings(1.0, 1.0, 0.5)]
CLASSES = [steel_class(mm, stand) for stand in STANDS for mm in (6.0, 25.0, 125.0)]
SINE = -5.0 + 6.0 * np.sin(np.arange(HOURS) / 4.0)


def changing() -> Hours:
    """Air, wind and cloud that change, without sun and rain. Invented."""
    hour = np.arange(HOURS)
    return hours(SINE, wind_10m_ms=4.0 + 4.0 * np.cos(hour / 3.0), cloud=0.5 + 0.5 * np.sin(hour / 7.0))


def scattered(of: Hours, count: int, seed: int = 1) -> Members:
    """Members round a forecast that drift apart with the hours."""
    random = np.random.default_rng(seed)
    drift = np.cumsum(random.normal(0.0, 0.4, (count, len(of))), axis=1)
    return members(
        of,
        [0.0] * count,
        air_c=of.air_c + drift,
        dew_c=of.dew_c + drift - random.uniform(0.0, 3.0, (count, 1)),
        wind_10m_ms=np.abs(of.wind_10m_ms + random.normal(0.0, 2.0, (count, len(of)))),
        cloud=np.clip(of.cloud + random.normal(0.0, 0.3, (count, len(of))), 0.0, 1.0),
    )


def changed(of: Members, **fields: Any) -> Members:
    return replace(of, **fields)


def member_hours(of: Hours, among: Members, number: int) -> Hours:
    """One member as a forecast of its own."""
    return replace(of, **{name: getattr(among, name)[number].astype(np.float64) for name in NAMES})


def member_steel(of: Hours, among: Members, classes: Sequence[SteelClass] = CLASSES, **more: Any) -> MemberSteel:
    return MemberSteel(of, among, classes, **({"least_rain_mm_h": 0.2} | more))


def states(steel: MemberSteel, count: int = len(CLASSES)) -> Singles:
    return steel.states(np.arange(count))


def single(of: Hours, classes: Sequence[SteelClass] = CLASSES, **more: Any) -> Floats:
    """The likely figure of the single run [class, hour]."""
    return predict(
        of, classes, **({"latitude": 55.0, "longitude": 0.0, "h_band": 0.3, "least_rain_mm_h": 0.2} | more)
    ).steel_c


# Against the single run and an independent solver -------------------------------------------------------------------

ANCHORS: Mapping[int, tuple[float, float]] = {2: (30.25, 3.0), 4: (50.0, -20.0), 8: (70.75, 8.0), 9: (500.0, 0.0)}


@pytest.mark.parametrize("more", [{}, {"start_c": -18.0}, {"start_c": -18.0, "anchors": ANCHORS}])
def test_every_member_is_what_the_single_run_makes_of_it(more: dict[str, Any]) -> None:
    """Single precision against double, and the fast half step against `hour_step`, in one."""
    of = changing()
    among = scattered(of, 7)
    got = states(member_steel(of, among, **more))
    for number in range(7):
        expected = single(member_hours(of, among, number), **more)
        assert np.abs(got[:, :, number].T - expected).max() < 1e-3


def test_members_that_are_all_the_forecast_have_its_steel_and_no_spread() -> None:
    of = changing()
    found = member_steel(of, members(of, [0.0] * 51)).quantiles()
    for values in (found.low_c, found.middle_c, found.high_c):
        assert np.abs(values - single(of)).max() < 1e-3
    assert (found.low_c == found.high_c).all()


def test_members_against_radau_on_published_winter_weather() -> None:
    of, thickness_mm = winter_hours(72), [6.0, 40.0, 125.0]
    of = replace(of, sun_wm2=np.zeros(72))
    among = scattered(of, 3)
    got = states(member_steel(of, among, [steel_class(mm, Surroundings(1.0)) for mm in thickness_mm]), 3)
    for number in range(3):
        error = np.abs(got[:, :, number].T - radau(member_hours(of, among, number), thickness_mm, 1.0))
        assert error.max() < 0.35
        assert error.mean() < 0.02


def test_the_members_know_no_sun() -> None:
    of = replace(changing(), sun_wm2=np.full(HOURS, 400.0))
    among = scattered(of, 5)
    sunny, shaded = (member_steel(of, among, [steel_class(25.0, Surroundings(1.0, sun=sun))]) for sun in (True, False))
    assert (states(sunny, 1) == states(shaded, 1)).all()


def test_rain_takes_members_to_their_own_wet_bulb() -> None:
    of = hours(SINE + 12.0, precip_mm=np.where(np.arange(HOURS) == 40, 1.0, 0.0))
    among = members(of, [0.0, 4.0])
    got = states(member_steel(of, among, [steel_class(125.0, Surroundings(view)) for view in (1.0, 0.0)]), 2)
    wet_bulb = wet_bulb_c(among.air_c.T[40:42], among.dew_c.T[40:42])
    assert (got[40:42, 0] <= wet_bulb + 1e-4).all()
    assert (got[42, 0] < got[42, 1]).all()
    no_rain = replace(of, precip_mm=np.zeros(HOURS))
    covered = states(member_steel(no_rain, among, [steel_class(125.0, Surroundings(0.0))]), 1)
    assert (got[:, 1] == covered[:, 0]).all()  # rain does not reach it
    dry = states(member_steel(replace(of, precip_mm=np.zeros(HOURS)), among, [CLASSES[2]]), 1)
    assert (got[:40, 0] == dry[:40, 0]).all()
    missing = replace(of, precip_mm=np.where(np.arange(HOURS) == 40, np.nan, 0.0))
    assert np.array_equal(states(member_steel(missing, among, [CLASSES[2]]), 1)[:, 0], got[:, 0])


# What is missing ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["air_c", "dew_c", "wind_10m_ms"])
def test_a_member_with_a_hole_is_unknown_from_there_on_up_to_a_reading(name: str) -> None:
    of, whole = changing(), scattered(changing(), 3)
    values = getattr(whole, name).copy()
    values[1, 20] = np.nan
    got = states(member_steel(of, changed(whole, **{name: values}), anchors={1: (60.5, -9.0)}))
    expected = states(member_steel(of, whole, anchors={1: (60.5, -9.0)}))
    assert np.array_equal(got[:, :, [0, 2]], expected[:, :, [0, 2]])
    assert np.array_equal(got[:20], expected[:20])
    exposed = [0, 2, 3, 4, 5, 6, 7, 8] + ([] if name == "wind_10m_ms" else [9, 10, 11])  # 9 to 11: its wind is stated
    assert np.isnan(got[21:, exposed, 1]).all()
    assert np.isnan(got[20, exposed, 1]).all() or name == "wind_10m_ms"
    assert np.isnan(got[21:61, 1, 1]).all()
    assert (got[61:, 1, 1] == expected[61:, 1, 1]).all()


def test_a_member_that_begins_later_goes_on_from_the_hours_that_all_share() -> None:
    of, whole = changing(), scattered(changing(), 3)
    late = changed(whole, **{name: np.where(np.arange(HOURS) < 30, np.nan, getattr(whole, name)) for name in NAMES})
    got = states(member_steel(of, late))
    assert np.isnan(got[:30]).all()
    for number in range(3):
        joined = {
            name: np.where(np.arange(HOURS) < 30, getattr(of, name), getattr(whole, name)[number]) for name in NAMES
        }
        expected = single(replace(of, **joined))
        assert np.abs(got[30:, :, number].T - expected[:, 30:]).max() < 1e-3


def test_members_start_anew_where_the_forecast_does() -> None:
    of = changing()
    holed = replace(of, air_c=np.where(np.arange(HOURS) == 20, np.nan, of.air_c))
    among = scattered(of, 2)
    late = changed(among, **{name: np.where(np.arange(HOURS) < 30, np.nan, getattr(among, name)) for name in NAMES})
    got = states(member_steel(holed, late, start_c=-30.0))
    assert np.isfinite(got[30:]).all()
    again = states(member_steel(holed, among, start_c=-30.0))
    assert again[21] == pytest.approx(-30.0)


def test_missing_cloud_is_a_clear_sky() -> None:
    of, among = changing(), scattered(changing(), 2)
    none, clear = (changed(among, cloud=np.full_like(among.cloud, value)) for value in (np.nan, 0.0))
    assert np.array_equal(states(member_steel(of, none)), states(member_steel(of, clear)))


def test_a_member_that_never_begins_is_unknown_throughout() -> None:
    of, among = changing(), scattered(changing(), 2)
    silent = among.air_c.copy()
    silent[0] = np.nan
    got = states(member_steel(of, changed(among, air_c=silent)))
    assert np.isnan(got[:, :, 0]).all()
    assert np.isfinite(got[:, :, 1]).all()


# Quantiles ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("count", [1, 2, 20, 21, 30, 31, 50, 51, 100])
def test_quantiles_are_those_of_numpy_rounded_outwards(count: int) -> None:
    values = np.random.default_rng(3).normal(size=(6, count)).astype(np.float32)
    found = quantiles_of(values)
    for got, share, method in ((found.low_c, 0.05, "lower"), (found.high_c, 0.95, "higher")):
        assert got == pytest.approx(np.quantile(values, share, axis=1, method=method))  # type: ignore[call-overload]
    assert found.middle_c == pytest.approx(np.quantile(values, 0.5, axis=1, method="lower"))


rows = arrays(np.float32, (3, 41), elements=st.floats(-40.0, 20.0, width=32))


@given(values=rows, gone=arrays(np.bool_, (3, 41)))
@settings(max_examples=80, deadline=None)
def test_a_missing_member_never_narrows(values: Singles, gone: Any) -> None:
    whole, holed = quantiles_of(values), quantiles_of(np.where(gone, np.float32(np.nan), values))
    for row in range(3):
        known = np.sort(values[row][~gone[row]])
        if not len(known):
            assert np.isnan([holed.low_c[row], holed.middle_c[row], holed.high_c[row]]).all()
            continue
        if gone[row].sum() > 2:  # more than lie outside: the coldest and the warmest that are known
            assert (holed.low_c[row], holed.high_c[row]) == (known[0], known[-1])
        else:
            assert holed.low_c[row] <= whole.low_c[row]
            assert holed.high_c[row] >= whole.high_c[row]
        assert known[0] <= holed.middle_c[row] <= known[-1]


@given(values=rows, order=st.permutations(range(41)))
@settings(max_examples=30, deadline=None)
def test_the_order_of_the_members_does_not_matter(values: Singles, order: list[int]) -> None:
    one, other = quantiles_of(values), quantiles_of(values[:, order])
    for name in ("low_c", "middle_c", "high_c"):
        assert np.array_equal(getattr(one, name), getattr(other, name))


def test_a_colder_member_makes_no_quantile_warmer() -> None:
    of, among = changing(), scattered(changing(), 21)
    air = among.air_c.copy()
    air[4] -= 6.0
    plain, colder = member_steel(of, among).quantiles(), member_steel(of, changed(among, air_c=air)).quantiles()
    for name in ("low_c", "middle_c", "high_c"):
        assert (getattr(colder, name) <= getattr(plain, name) + 1e-4).all()
    assert (colder.low_c < plain.low_c - 0.1).any()


# Blocks and spans ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("values", "surroundings"), [(1, 1), (HOURS * 9 * 5, 2), (HOURS * 9 * 7, 16)])
def test_blocks_change_nothing(monkeypatch: pytest.MonkeyPatch, values: int, surroundings: int) -> None:
    of, among = changing(), scattered(changing(), 9)
    kinds, kind = [(i,) if i % 2 else (i, 9) for i in range(12)], np.arange(12).repeat(3)
    first = np.tile([0, 5, 30], 12)
    last = first + np.tile([0, 6, 17], 12)

    def everything() -> list[Any]:
        steel = member_steel(of, among, anchors=ANCHORS)
        found = steel.quantiles()
        return [found.low_c, found.middle_c, found.high_c, steel.least(kinds, kind, first, last)]

    whole = everything()
    monkeypatch.setattr(module, "BLOCK_VALUES", values)
    monkeypatch.setattr(module, "BLOCK_SURROUNDINGS", surroundings)
    for one, other in zip(whole, everything(), strict=True):
        assert np.array_equal(one, other)


def test_the_least_of_a_span_is_the_least_of_its_hours_and_of_its_classes() -> None:
    of, among = changing(), scattered(changing(), 4)
    steel = member_steel(of, among)
    whole = states(steel).copy()
    random = np.random.default_rng(5)
    kinds = [(0,), (3, 6), (11, 2, 7)]
    kind, first = random.integers(0, 3, 200), random.integers(0, HOURS, 200)
    last = np.minimum(first + random.integers(0, 60, 200), HOURS - 1)
    got = steel.least(kinds, kind, first, last)
    for span in range(200):
        taken = whole[first[span] : last[span] + 1][:, list(kinds[kind[span]])]
        assert (got[span] == taken.min(axis=(0, 1))).all()
    assert np.array_equal(states(steel), whole)  # nothing is used up that is asked for again


def test_nothing_to_do() -> None:
    of, among = changing(), scattered(changing(), 4)
    none = member_steel(of, among, [])
    assert none.quantiles().low_c.shape == (0, HOURS)
    assert none.least([], *(np.empty(0, dtype=np.intp) for _ in range(3))).shape == (0, 4)
    one_hour = hours(np.array([-5.0]))
    assert states(member_steel(one_hour, members(one_hour, [0.0, 2.0])))[0, 0].tolist() == [-5.0, -7.0]


# Refusals -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"air_c": np.zeros((2, 5))}, r"air_c is float64 \(2, 5\), float32"),
        ({"air_c": np.zeros(5, dtype=np.float32)}, r"air_c is float32 \(5,\)"),
        ({"dew_c": np.zeros((2, 4), dtype=np.float32)}, r"dew_c is \(2, 4\), \(2, 5\)"),
        ({"wind_10m_ms": np.full((2, 5), -0.1, dtype=np.float32)}, "wind_10m_ms of member 0 at hour 0 is -0.1, 0 to"),
        ({"cloud": np.full((2, 5), 40.0, dtype=np.float32)}, "cloud of member 0 at hour 0 is 40, 0 to 1"),
        ({"air_c": np.full((2, 5), np.inf, dtype=np.float32)}, "air_c of member 0 at hour 0 is inf"),
        ({"start_utc": NOW.replace(tzinfo=None)}, "full hour with its time zone"),
        ({"start_utc": NOW + timedelta(minutes=30)}, "full hour"),
    ],
)
def test_members_are_read_strictly(fields: dict[str, Any], said: str) -> None:
    plain: dict[str, Any] = {name: np.zeros((2, 5), dtype=np.float32) for name in NAMES}
    Members(NOW, **plain)
    with pytest.raises(OutOfRange, match=said):
        Members(**({"start_utc": NOW} | plain | fields))


def test_an_ensemble_needs_a_member() -> None:
    with pytest.raises(OutOfRange, match="with a member"):
        Members(NOW, *(np.zeros((0, 5), dtype=np.float32) for _ in NAMES))


def test_members_stand_on_the_axis_of_the_hours() -> None:
    of = changing()
    among = members(of, [0.0, 1.0])
    replace(weather(of), members=among)
    later = replace(among, start_utc=of.start_utc + timedelta(hours=1))
    shorter = Members(of.start_utc, *(getattr(among, name)[:, :-1] for name in NAMES))
    for wrong in (later, shorter):
        with pytest.raises(OutOfRange, match="members begin at"):
            replace(weather(of), members=wrong)
    with pytest.raises(OutOfRange, match="no hours"):
        Weather("test", NOW, NOW, "fresh", 0.0, None, members=among)
