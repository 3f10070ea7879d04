"""Set-up forms in the units of whoever reads them: nothing drifts, what is typed is exact, limits are said as typed."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.strict import Section, TableError
from frostshift_rules.units import MEASURES, System, kw_from_btu_h, mm_from_in
from frostshift_service.set_up_form import (
    PLACE,
    Field,
    NotTaken,
    as_typed,
    checked,
    in_units,
    names_at,
    put,
    said_of,
    shown_fields,
    text_of,
    typed_entry,
    value_at,
)
from frostshift_service.set_up_topics import TOPICS

SYSTEMS = st.sampled_from(("us", "si"))
MEASURED = [one for topic in TOPICS for one in topic.fields if one.si_unit in MEASURES]
AMOUNTS = st.floats(0.001, 4900.0, allow_nan=False)


def field_of(topic: str, key: str) -> Field:
    return next(one for found in TOPICS if found.id == topic for one in found.fields if one.key == key)


def sent(field: Field, system: System, text: str, entry: dict[str, Any] | None = None) -> tuple[Any, dict[str, str]]:
    fields = as_typed(in_units([field], system), {field.key: [text]})
    made, problems = typed_entry(fields, {field.key: [text]}, entry)
    return value_at(made, field.key), problems


def read_number(field: Field, low: float, high: float, typed: str, system: System) -> str:
    """What is said of a field that the strict reader holds against limits; empty: taken."""
    fields = as_typed(in_units([field], system), {field.key: [typed]})
    made, problems = typed_entry(fields, {field.key: [typed]}, None)
    try:
        checked(
            fields, made, {field.key: (low + high) / 2.0}, problems,
            lambda entry: Section(entry, PLACE).number(field.key, low, high), names_at(fields, PLACE),
        )  # fmt: skip
    except NotTaken as error:
        return error.problems[field.key]
    return ""


def test_there_are_fields_of_every_kind() -> None:
    assert {one.si_unit for one in MEASURED} >= {"°C", "K", "mm", "mm/h", "m", "m²", "m³", "kg", "kPa", "kW"}


@given(field=st.sampled_from(MEASURED), system=SYSTEMS, value=AMOUNTS)
def test_what_is_sent_as_it_was_shown_stays_to_the_last_digit(field: Field, system: System, value: float) -> None:
    entry: dict[str, Any] = {}
    put(entry, field.key, value)
    (shown,) = shown_fields(in_units([field], system), entry)
    assert sent(field, system, shown.value, entry) == (value, {})


@given(field=st.sampled_from(MEASURED), system=SYSTEMS, value=AMOUNTS)
def test_what_is_shown_is_what_is_kept_to_four_figures(field: Field, system: System, value: float) -> None:
    own = in_units([field], system)[0]
    text = text_of(own, value)
    fresh, problems = sent(field, system, text)  # as a new entry: nothing there that could stay
    assert problems == {}
    assert fresh == pytest.approx(
        value, rel=6e-4, abs=0.3 if own.si_unit == "°C" else 0.0
    )  # of °F: its own four figures


def test_a_range_in_a_hint_can_be_typed_and_facts_are_rounded_for_reading() -> None:
    assert in_units([field_of("sources", "net_kw")], "us")[0].hint.endswith("From 1706.1 to 1023600.")
    assert in_units([field_of("sources", "net_kw")], "si")[0].hint.endswith("From 0.5 to 300.")
    assert said_of(in_units([field_of("sources", "net_kw")], "us")[0], 45.0) == "153,500 Btu/h"
    assert said_of(in_units([field_of("sources", "net_kw")], "si")[0], 45.0) == "45 kW"
    assert said_of(in_units([field_of("procedures", "minimum_c")], "si")[0], 110.0) == "110 °C"


@given(field=st.sampled_from([one for one in MEASURED if one.control == "number"]),
       typed=st.integers(1, 999_999))  # fmt: skip
def test_what_is_typed_comes_back_as_it_was_typed(field: Field, typed: int) -> None:
    value, _ = sent(field, "us", str(typed))
    assert text_of(in_units([field], "us")[0], value) == str(typed)


def test_a_figure_is_read_in_the_unit_beside_its_field_by_the_exact_factor() -> None:
    rate = field_of("sources", "net_kw")
    assert shown_fields(in_units([rate], "us"), {"net_kw": 45.0})[0].unit == "Btu/h"
    assert sent(rate, "us", "150000") == (kw_from_btu_h(150000.0), {})
    assert sent(rate, "si", "45") == (45.0, {})
    assert sent(rate, "us", "45 kW") == (45.0, {})
    assert sent(rate, "si", "150000 btu/h") == (kw_from_btu_h(150000.0), {})
    assert sent(rate, "us", "45 psi")[1] == {
        "net_kw": "'45 psi' is no number; write decimals with a point, such as 46.8"
    }
    margin = field_of("choices", "margin_mm")
    assert sent(margin, "us", "3") == (mm_from_in(3.0), {})
    assert sent(field_of("cylinders", "contents_m3"), "us", "10 m3") == (10.0, {})
    assert sent(field_of("choices", "doubt_k"), "us", "5.4 °F") == (pytest.approx(3.0), {})


def test_a_rating_in_kw_stays_in_kw() -> None:
    from frostshift_service.set_up_topics import begun

    fields = begun((field_of("sources", "net_kw"),), {"kind": "pad", "net_kw": 3.6}, "")
    (shown,) = shown_fields(in_units(fields, "us"), {"kind": "pad", "net_kw": 3.6})
    assert (shown.value, shown.unit) == ("3.6", "kW")


@pytest.mark.parametrize(
    ("topic", "key", "low", "high", "typed", "said"),
    [
        ("sources", "net_kw", 0.5, 300.0, "1200000", "[Btu/h] is 1200000, outside 1706.1 to 1023600"),
        ("sources", "net_kw", 0.5, 300.0, "400 kW", "[kW] is 400, outside 0.5 to 300"),
        ("gas", "allowance_kpa", 0.0, 200.0, "30", "[psi] is 30, outside 0 to 29.007"),
        ("cylinders", "tare_kg", 1.0, 1000.0, "1", "[lb] is 1, outside 2.2047 to 2204.6"),
        ("procedures", "minimum_c", -40.0, 400.0, "900 F", "[°F] is 900, outside -40 to 752"),
        ("procedures", "minimum_c", -40.0, 400.0, "482 C", "[°C] is 482, outside -40 to 400"),
    ],
)
def test_limits_are_said_in_the_unit_that_was_typed(
    topic: str, key: str, low: float, high: float, typed: str, said: str
) -> None:
    assert read_number(field_of(topic, key), low, high, typed, "us").endswith(said)


@given(
    field=st.sampled_from([one for one in MEASURED if one.control == "number" and "." not in one.key]),
    low=st.floats(0.001, 100.0),
    wide=st.floats(1.0, 1000.0),
)
def test_a_limit_that_is_named_can_be_typed(field: Field, low: float, wide: float) -> None:
    said = read_number(field, low, low + wide, "999999999", "us")
    for figure in said.rpartition("outside ")[2].split(" to "):
        assert read_number(field, low, low + wide, figure, "us") == "", (said, figure)


def test_sentences_of_two_fields_are_in_the_readers_unit() -> None:
    fields = in_units([field_of("procedures", "minimum_c"), field_of("procedures", "maximum_c")], "us")

    def read(entry: dict[str, Any]) -> None:
        if len(entry) == 2:
            raise TableError(f"{PLACE}: minimum_c {entry['minimum_c']:g} is not below maximum_c {entry['maximum_c']:g}")

    with pytest.raises(NotTaken) as error:
        checked(fields, {"minimum_c": 110.0, "maximum_c": 100.0}, {}, {}, read, names_at(fields, PLACE))
    assert error.value.problems == {
        "minimum_c": "Minimum preheat and interpass [°F] 230 is not below Maximum interpass [°F] 212"
    }
    uses = in_units([field_of("other-use", f"{one}_m3") for one in ("low", "likely", "high")], "us")

    def rising(entry: dict[str, Any]) -> None:
        figures = [entry[one.key] for one in uses if one.key in entry]
        if len(figures) == 3:
            raise TableError(f"{PLACE}: low_m3, likely_m3, high_m3 are {figures}, expected a rising order")

    made, problems = typed_entry(uses, {"low_m3": ["90"], "likely_m3": ["40"], "high_m3": ["10"]}, None)
    with pytest.raises(NotTaken) as error:
        checked(uses, made, {}, problems, rising, names_at(uses, PLACE))
    assert "are [90, 40, 10], expected a rising order" in error.value.problems["low_m3"]


@pytest.mark.parametrize("topic", [one.id for one in TOPICS])
def test_hints_are_in_the_readers_unit(topic: str) -> None:
    for field in next(one for one in TOPICS if one.id == topic).fields:
        hints = {system: in_units([field], system)[0].hint for system in ("us", "si")}
        assert "{" not in hints["us"] + hints["si"], field.key
        if "{" in field.hint:
            assert hints["us"] != hints["si"], field.key
