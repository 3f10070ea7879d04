"""How a site uses gas, in its site file: what is written reads back, and every wrong value is named with its limit."""

import re
from collections.abc import Mapping
from dataclasses import fields, replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules import gas
from frostshift_rules.draw_figures import figures
from frostshift_rules.gas_setup import WEEKDAYS, CylinderGas, GasSetup, OtherUse, OwnCylinder, SupplyTerms
from frostshift_rules.strict import OutOfRange, TableError, read_toml
from frostshift_service import site_gas
from frostshift_service.site_file import SiteFileError, read_site, template, write_site
from frostshift_service.site_gas import read_gas, write_gas

TEMPLATE = template(date(2026, 11, 25))
SHIFTS = ("day", "night", 'Schicht "drei"')
FUELS: tuple[CylinderGas, ...] = ("propane", "propylene", "acetylene", "mps")
SHIPPED = (*gas.cylinders().fuel, *gas.cylinders().oxygen)


def read(text: str, shifts: tuple[str, ...] = SHIFTS) -> GasSetup:
    top = read_toml(text, "site.toml")
    return read_gas(top.section("gas"), shifts) if top.has("gas") else GasSetup()


def refused(text: str) -> str:
    with pytest.raises(TableError) as caught:
        read(text)
    message = str(caught.value)
    assert message.startswith("site.toml, [gas]")
    assert "\n" not in message
    return message


# Round trip -----------------------------------------------------------------------------------------------------------

NAMES = st.text(min_size=1, max_size=20).filter(lambda text: text.strip() and text.isprintable())
IDS = st.from_regex(r"[a-z0-9]{1,12}(-[a-z0-9]{1,12}){0,2}", fullmatch=True).filter(lambda one: one not in SHIPPED)


def between(limits: tuple[float, float]) -> st.SearchStrategy[float]:
    return st.floats(*limits, allow_nan=False)


def optional(limits: tuple[float, float]) -> st.SearchStrategy[float | None]:
    return st.none() | between(limits)


@st.composite
def own_cylinders(draw: st.DrawFn) -> OwnCylinder:
    holds = draw(st.sampled_from((*FUELS, "oxygen")))
    size = {key: draw(optional(limits)) for key, limits in site_gas.SIZE.items()}
    if holds == "oxygen":
        return OwnCylinder(draw(IDS), draw(NAMES), holds, None, draw(between(site_gas.CONTENTS_M3)), **size)
    return OwnCylinder(draw(IDS), draw(NAMES), holds, draw(between(site_gas.CONTENTS_KG)), None, **size)


def can_be(own: OwnCylinder) -> bool:
    try:
        gas.own_cylinder(own)
    except OutOfRange:
        return False
    return True


@st.composite
def other_uses(draw: st.DrawFn) -> OtherUse:
    low, likely, high = sorted(draw(st.tuples(*[between(site_gas.USE_KG)] * 3)))
    shifts = draw(st.lists(st.sampled_from(SHIFTS), unique=True).map(tuple))
    holds = draw(st.sampled_from((*FUELS, "oxygen")))
    return OtherUse(draw(NAMES), holds, low, likely, high, shifts, draw(st.booleans()))


@st.composite
def terms(draw: st.DrawFn, kind: str) -> SupplyTerms:
    limit, least = draw(st.none() | st.integers(*site_gas.STORAGE_LIMIT)), draw(st.integers(*site_gas.LEAST_ORDER))
    return SupplyTerms(
        kind,
        draw(st.integers(*site_gas.LEAD_DAYS)),
        draw(st.just(WEEKDAYS) | st.frozensets(st.integers(1, 7), min_size=1)),
        least if limit is None else min(least, limit),
        limit,
        draw(optional(site_gas.PRICE)),
        draw(optional(site_gas.PRICE)),
    )


@st.composite
def setups(draw: st.DrawFn) -> GasSetup:
    own = draw(st.lists(own_cylinders().filter(can_be), max_size=3, unique_by=lambda one: one.id).map(tuple))
    found = gas.cylinders_of(GasSetup(own_cylinders=own))
    ids = st.sampled_from((*found.fuel, *found.oxygen))
    kinds = draw(st.lists(ids, max_size=4, unique_by=lambda kind: gas.gas_in(found.find(kind))))  # type: ignore[arg-type]
    supplied = draw(st.lists(ids, max_size=3, unique=True))
    torch = {
        fuel: draw(between((3.0, 20.0) if fuel == "acetylene" else site_gas.TORCH_KPA))
        for fuel in draw(st.lists(st.sampled_from(FUELS), unique=True))
    }
    numbers = {key: draw(between(limits)) for key, limits in site_gas.NUMBERS.items() if draw(st.booleans())}
    if "acetylene" in torch:  # with what is lost on the way it stays below its limit
        numbers["allowance_kpa"] = draw(between((0.0, 80.0)))
    wholes = {key: draw(st.integers(*limits)) for key, limits in site_gas.WHOLES.items() if draw(st.booleans())}
    return GasSetup(
        kinds=tuple(kinds),
        own_cylinders=own,
        stand=draw(st.sampled_from(("still", "open"))),
        torch_kpa=tuple(torch.items()),
        other_use=draw(st.lists(other_uses(), max_size=3, unique_by=lambda one: one.name).map(tuple)),
        supply=tuple(draw(terms(kind)) for kind in supplied),
        closed_days=draw(st.lists(st.dates(), max_size=3, unique=True).map(tuple)),
        currency=draw(st.just("") | st.text(min_size=1, max_size=site_gas.MOST_CURRENCY).filter(str.strip)),
        **numbers,  # type: ignore[arg-type]  # by its key
        **wholes,
    )


@given(setups())
def test_what_is_written_reads_back(setup: GasSetup) -> None:
    assert read("\n".join(write_gas(setup))) == setup


@given(setups())
def test_it_reads_back_from_a_whole_site_file(setup: GasSetup) -> None:
    file = read_site(TEMPLATE.encode(), "site.toml")
    shift = file.site.shifts[0]
    site = replace(file.site, shifts=tuple(replace(shift, name=name) for name in SHIFTS), gas=setup)
    assert read_site(write_site(replace(file, site=site)).encode(), "site.toml") == replace(file, site=site)


def test_what_is_at_its_default_is_left_out() -> None:
    assert write_gas(GasSetup()) == []
    assert write_gas(GasSetup(cover_days=5)) == ["", "[gas]", "cover_days = 5"]
    supply = GasSetup(supply=(SupplyTerms("mps-70", 2),))
    assert write_gas(supply) == ["", "[[gas.supply]]", 'cylinder = "mps-70"', "lead_days = 2"]
    file = read_site(TEMPLATE.encode(), "site.toml")
    assert file.site.gas == GasSetup()
    assert "gas]" not in write_site(file)
    assert read("[gas]") == read("[gas]\nkinds = []\nclosed_days = []\ntorch_kpa = {}") == GasSetup()


def test_every_field_of_the_setup_has_its_key() -> None:
    keys = {"kinds", "stand", "torch_kpa", "closed_days", "currency", *site_gas.NUMBERS, *site_gas.WHOLES}
    lists = {"own_cylinders", "other_use", "supply"}
    assert keys | lists == {field.name for field in fields(GasSetup)}
    for key, (low, high) in {**site_gas.NUMBERS, **site_gas.WHOLES}.items():
        usual = getattr(GasSetup(), key)
        assert usual is None or low <= usual <= high, key


def test_the_template_shows_all_of_it() -> None:
    opened = re.sub(r"^# (?=[a-z0-9_]+ = |\[\[?gas)", "", "\n# [gas]" + TEMPLATE.partition("\n# [gas]")[2], flags=re.M)
    site = read_site((TEMPLATE + opened).encode(), "site.toml").site
    assert site.gas == GasSetup(
        kinds=("propane-100", "our-oxygen"),
        own_cylinders=(
            OwnCylinder("our-oxygen", "oxygen, 9 m3", "oxygen", None, 9.0),
            OwnCylinder("our-propane", "propane, 33 kg", "propane", 33.0, None, 320.0, 1300.0, 30.0),
        ),
        stand="open",
        wind_factor=0.8,
        torch_kpa=(("propane", 140.0),),
        allowance_kpa=55.0,
        most_together=6,
        purge_seconds=15.0,
        idle_share=0.1,
        other_use=(OtherUse("cutting", "oxygen", 2.0, 4.0, 9.0, ("day",), same_cylinders=False),),
        supply=(SupplyTerms("propane-100", 2, frozenset({1, 3, 5}), 4, 24, 0.35, 85.0),),
        closed_days=(date(2026, 12, 24), date(2026, 12, 25)),
        cover_days=5,
        kwh_price=0.14,
        currency="USD",
    )
    assert all(f"{kind}," in TEMPLATE or f"{kind}\n" in TEMPLATE for kind in SHIPPED), "those that ship are named"
    assert max(map(len, TEMPLATE.splitlines())) <= 125
    assert all(getattr(site.gas, field.name) != getattr(GasSetup(), field.name) for field in fields(GasSetup))


def test_gas_may_stand_anywhere_in_the_file() -> None:
    first = TEMPLATE.index("[[shift]]")
    text = f"{TEMPLATE[:first]}[gas]\ncover_days = 3\n\n{TEMPLATE[first:]}"
    assert read_site(text.encode(), "site.toml").site.gas == GasSetup(cover_days=3)
    with pytest.raises(SiteFileError, match=r"^site.toml, \[gas\]: 'cover_days' is 61, outside 1 to 60$"):
        read_site(text.replace("cover_days = 3", "cover_days = 61").encode(), "site.toml")
    with pytest.raises(SiteFileError, match="^site.toml: 'gas' is 1, expected dict"):
        read_site(f"gas = 1\n{TEMPLATE}".encode(), "site.toml")


# Limits ---------------------------------------------------------------------------------------------------------------


def test_acetylene_stays_below_its_limit() -> None:
    # 29 CFR 1910.253(a)(2): never above 15 psig, 103 kPa.
    assert read("[gas]\nallowance_kpa = 0\ntorch_kpa = { acetylene = 103 }").torch_kpa == (("acetylene", 103.0),)
    assert read("[gas]\ntorch_kpa = { acetylene = 55 }").torch_kpa == (("acetylene", 55.0),)
    lost = refused("[gas]\nallowance_kpa = 48\ntorch_kpa = { acetylene = 60 }")
    assert "60 kPa at the torch and 48 kPa lost on the way (allowance_kpa)" in lost
    for kpa in (104, 138, 250):
        message = refused(f"[gas]\ntorch_kpa = {{ acetylene = {kpa} }}")
        assert "[gas], [torch_kpa]: 'acetylene': " in message
        assert f"is {kpa} kPa, outside 0 to 103.4 kPa (15 psig" in message
    assert read("[gas]\ntorch_kpa = { propane = 250, mps = 3 }").torch_kpa == (("propane", 250.0), ("mps", 3.0))


def test_the_wind_is_within_what_the_draw_counts_on() -> None:
    assert site_gas.NUMBERS["wind_factor"][1] == figures().wind["most"].value


@pytest.mark.parametrize(("key", "limits"), [*site_gas.NUMBERS.items(), *site_gas.WHOLES.items()])
def test_a_figure_outside_its_limits_is_refused(key: str, limits: tuple[float, float]) -> None:
    low, high = limits
    for value in (low - 1, high + 1, "nan"):
        assert f"[gas]: '{key}' is {value if value == 'nan' else format(value, 'g')}, outside " in refused(
            f"[gas]\n{key} = {value}"
        )
    for value in limits:
        assert getattr(read(f"[gas]\n{key} = {value!r}"), key) == value


BASE: Mapping[str, str] = {
    "cylinder": 'id = "ours"\nname = "ours"\ngas = "propane"\ncontents_kg = 33\n',
    "oxygen": 'id = "ours"\nname = "ours"\ngas = "oxygen"\ncontents_m3 = 9\n',
    "other_use": 'name = "cutting"\ngas = "propane"\nlow_kg = 1\nlikely_kg = 2\nhigh_kg = 3\n',
    "oxygen_use": 'name = "cutting"\ngas = "oxygen"\nlow_m3 = 1\nlikely_m3 = 2\nhigh_m3 = 3\n',
    "supply": 'cylinder = "propane-100"\nlead_days = 2\n',
}
LISTS = {"oxygen": "cylinder", "oxygen_use": "other_use"}


def block(name: str, /, **changes: Any) -> str:
    """One block of a list, with some keys changed, added or, by None, taken away."""
    values = dict(line.split(" = ", 1) for line in BASE[name].splitlines()) | changes
    body = "".join(f"{key} = {value}\n" for key, value in values.items() if value is not None)
    return f"[[gas.{LISTS.get(name, name)}]]\n{body}"


@pytest.mark.parametrize("name", BASE)
def test_the_base_blocks_are_read(name: str) -> None:
    assert read(block(name)) != GasSetup()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            "[gas]\nwind_facter = 1",
            "[gas]: unknown key 'wind_facter'; known keys are allowance_kpa, closed_days, cover_d",
        ),
        ('[gas]\nstand = "windy"', "[gas]: 'stand' is 'windy', expected one of still, open"),
        ('[gas]\nkinds = "propane-20"', "[gas]: 'kinds' is 'propane-20', expected list"),
        ('[gas]\nkinds = ["propane-21"]', "[gas]: kinds has 'propane-21', expected some of propane-20, propane-30, "),
        (
            '[gas]\nkinds = ["propane-20", "propane-30"]',
            "'propane-20' and 'propane-30', expected at most one for propane",
        ),
        ('[gas]\nkinds = ["oxygen-80", "oxygen-dewar"]', "expected at most one for oxygen"),
        ("[gas]\ntorch_kpa = 100", "[gas]: 'torch_kpa' is 100, expected dict"),
        (
            "[gas]\ntorch_kpa = { oxygen = 300 }",
            "[torch_kpa]: unknown key 'oxygen'; known keys are acetylene, mps, propane",
        ),
        ("[gas]\ntorch_kpa = { propane = 251 }", "[gas], [torch_kpa]: 'propane' is 251, outside 3 to 250"),
        ("[gas]\ntorch_kpa = { propane = 2.9 }", "'propane' is 2.9, outside 3 to 250"),
        ('[gas]\ntorch_kpa = { propane = "1 bar" }', "'propane' is '1 bar', expected int or float"),
        ("[gas]\nmost_together = 2.5", "[gas]: 'most_together' is 2.5, expected a whole number"),
        ("[gas]\nclosed_days = 2026-12-24", "[gas]: 'closed_days' is "),
        ('[gas]\nclosed_days = ["2026-12-24"]', "[gas], 'closed_days' 1: 'closed_days' is '2026-12-24', expected date"),
        (
            "[gas]\nclosed_days = [2026-12-24, 2026-12-25T10:00:00]",
            "'closed_days' 2: 'closed_days' is 2026-12-25 10:00:00",
        ),
        ("[gas]\nclosed_days = [2026-12-24, 2026-12-24]", "[gas]: closed_days '2026-12-24' stands twice"),
        ('[gas]\ncurrency = " "', "[gas]: 'currency' is empty"),
        ('[gas]\ncurrency = "US dollars, net"', "'currency' is 'US dollars, net', expected at most 12 characters"),
        ("[gas]\ncylinder = 1", "[gas]: 'cylinder' is 1, expected list"),
        # Own cylinders
        (block("cylinder", id='"propane-20"'), "[gas]: id of cylinder 'propane-20' is that of one that ships"),
        (
            block("cylinder", id='"Our One"'),
            "[gas], cylinder 1: 'id' is 'Our One', expected lower-case letters, digits",
        ),
        (block("cylinder", id=f'"{"x" * 41}"'), "at most 40"),
        (block("cylinder", id=None), "[gas], cylinder 1: key 'id' is missing"),
        (block("cylinder", name='""'), "cylinder 1: 'name' is empty"),
        (
            block("cylinder", gas='"butane"'),
            "cylinder 1: 'gas' is 'butane', expected one of propane, propylene, acetylene",
        ),
        (block("cylinder", gas='"natural_gas"'), "'gas' is 'natural_gas', expected one of "),
        (block("cylinder", contents_m3=9), "cylinder 1: 'contents_m3' is not for propane, state 'contents_kg' alone"),
        (block("cylinder", contents_m3=9, contents_kg=None), "'contents_m3' is not for propane, state 'contents_kg'"),
        (block("oxygen", contents_kg=9), "'contents_kg' is not for oxygen, state 'contents_m3' alone"),
        (block("cylinder", contents_kg=None), "cylinder 1: key 'contents_kg' is missing"),
        (f"[gas]\nkwh_price = 1{'0' * 400}", "'kwh_price' is inf, outside "),  # larger than any figure here
        (f"[gas]\nkwh_price = -1{'0' * 400}", "'kwh_price' is -inf, outside "),
        (block("cylinder").replace('"ours"\ngas', '"ours\\nline"\ngas'), "'name' is 'ours\\nline', expected one line"),
        (block("cylinder", contents_kg=0.3), "'contents_kg' is 0.3, outside 0.4 to 1000"),
        (block("oxygen", contents_m3=1001), "'contents_m3' is 1001, outside 0.1 to 1000"),
        (block("cylinder", diameter_mm=99), "'diameter_mm' is 99, outside 100 to 1500"),
        (block("cylinder", height_mm=3001), "'height_mm' is 3001, outside 200 to 3000"),
        (block("cylinder", tare_kg=0), "'tare_kg' is 0, outside 1 to 1000"),
        (
            block("cylinder", colour='"red"'),
            "cylinder 1: unknown key 'colour'; known keys are contents_kg, contents_m3, dia",
        ),
        (
            block("cylinder", diameter_mm=320, height_mm=800, tare_kg=30),
            "[gas]: cylinder 'ours': diameter_mm 320 and height_mm 800 do not fit what it holds",
        ),
        (block("cylinder") + block("oxygen"), "[gas]: cylinder 'ours' stands twice"),
        # Other use
        (block("other_use", gas='"wood"'), "[gas], other_use 1: 'gas' is 'wood', expected one of propane"),
        (block("other_use", low_m3=1), "other_use 1: 'low_m3' is not for propane, state 'low_kg' alone"),
        (block("oxygen_use", high_m3=None, high_kg=1), "'high_kg' is not for oxygen, state 'high_m3' alone"),
        (block("other_use", likely_kg=None), "other_use 1: key 'likely_kg' is missing"),
        (block("other_use", low_kg=-1), "'low_kg' is -1, outside 0 to 5000"),
        (block("oxygen_use", high_m3=5001), "'high_m3' is 5001, outside 0 to 5000"),
        (block("other_use", likely_kg=4), "low_kg, likely_kg, high_kg are [1.0, 4.0, 3.0], expected a rising order"),
        (block("oxygen_use", low_m3=2.5), "low_m3, likely_m3, high_m3 are [2.5, 2.0, 3.0], expected a rising order"),
        (block("other_use", shifts='["late"]'), "other_use 1: 'shifts' has 'late', expected some of day, night, "),
        (block("other_use", shifts='["day", "day"]'), "other_use 1: 'shifts' has 'day' twice"),
        (block("other_use", shifts="[]"), "'shifts' is empty; leave the key out for every shift"),
        (block("other_use", same_cylinders=1), "'same_cylinders' is 1, expected bool"),
        (block("other_use", rate=1), "other_use 1: unknown key 'rate'"),
        (block("other_use") + block("oxygen_use"), "[gas]: other_use 'cutting' stands twice"),
        # Supply
        (block("supply", cylinder='"ours"'), "[gas], supply 1: 'cylinder' is 'ours', expected one of propane-20, "),
        (block("supply") * 2, "[gas]: supply of cylinder 'propane-100' stands twice"),
        (block("supply", lead_days=None), "supply 1: key 'lead_days' is missing"),
        (block("supply", lead_days=61), "'lead_days' is 61, outside 0 to 60"),
        (block("supply", lead_days=1.5), "'lead_days' is 1.5, expected a whole number"),
        (block("supply", delivery_days="[0]"), "supply 1: 'delivery_days' is 0, outside 1 to 7"),
        (
            block("supply", delivery_days="[1.5]"),
            "'delivery_days' is [1.5], expected whole numbers, 1 Monday to 7 Sunday",
        ),
        (block("supply", delivery_days="[]"), "'delivery_days' is [], expected whole numbers"),
        (block("supply", least_order=0), "'least_order' is 0, outside 1 to 500"),
        (block("supply", storage_limit=0), "'storage_limit' is 0, outside 1 to 5000"),
        (block("supply", least_order=9, storage_limit=8), "supply 1: 'least_order' is 9, above 'storage_limit' 8"),
        (block("supply", rental_per_day=-1), "'rental_per_day' is -1, outside 0 to 999999"),
        (block("supply", price="inf"), "'price' is inf, outside 0 to 999999"),
        (block("supply", supplier='"x"'), "supply 1: unknown key 'supplier'"),
        (
            block("cylinder") + block("supply") + block("supply", cylinder='"theirs"'),
            "supply 2: 'cylinder' is 'theirs'",
        ),
    ],
)
def test_what_cannot_be_is_refused_with_its_place_and_limit(text: str, said: str) -> None:
    assert said in refused(text)


def test_terms_may_be_those_of_an_own_cylinder() -> None:
    setup = read(block("cylinder") + block("supply", cylinder='"ours"'))
    assert setup.terms("ours") == SupplyTerms("ours", 2)
    assert setup.terms("propane-100") is None


def test_use_without_shifts_belongs_to_all_and_draws_on_the_torches_cylinders() -> None:
    (use,) = read(block("other_use")).other_use
    assert use == OtherUse("cutting", "propane", 1.0, 2.0, 3.0, (), same_cylinders=True)


def test_shifts_are_those_of_the_site() -> None:
    with_use = TEMPLATE + "\n" + block("other_use", shifts='["day"]')
    site = read_site(with_use.encode(), "site.toml").site
    assert site.gas.other_use[0].shifts == ("day",)
    with pytest.raises(SiteFileError, match="other_use 1: 'shifts' has 'night', expected some of day"):
        read_site(with_use.replace('["day"]', '["night"]').encode(), "site.toml")
