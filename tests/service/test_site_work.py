"""Crews and weights in a site file: what is written reads back, and every wrong value is named with its limit."""

from dataclasses import replace
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from frostshift_rules.job import PROCESSES
from frostshift_rules.order_problem import Weights
from frostshift_rules.strict import TableError, read_toml
from frostshift_rules.work_setup import Crew, WorkSetup
from frostshift_service import site_work
from frostshift_service.site_file import read_site, template, write_site
from frostshift_service.site_work import read_work, write_work

SHIFTS = ("Day", "Night")
FILE = read_site(template(date(2026, 11, 25)).encode(), "site.toml")


def read(text: str) -> WorkSetup:
    top = read_toml(text, "site.toml")
    return read_work(top.section("work"), SHIFTS) if top.has("work") else WorkSetup()


NAMES = st.text(min_size=1, max_size=20).filter(lambda text: text.strip() == text and text.isprintable())
CREWS = st.builds(
    Crew,
    NAMES,
    st.integers(*site_work.AT_ONCE),
    st.lists(st.sampled_from(SHIFTS), unique=True).map(tuple),
    st.lists(st.sampled_from(PROCESSES), unique=True).map(tuple),
    st.lists(NAMES, max_size=3, unique=True).map(tuple),
)
SETUPS = st.builds(
    WorkSetup,
    st.lists(CREWS, max_size=4, unique_by=lambda crew: crew.name.casefold()).map(tuple),
    st.fixed_dictionaries({key: st.floats(*limits) for key, limits in site_work.WEIGHTS.items()}).map(
        lambda stated: Weights(**stated)
    ),
)


@given(SETUPS)
def test_what_is_written_reads_back(setup: WorkSetup) -> None:
    assert read("\n".join(write_work(setup))) == setup


@given(SETUPS)
def test_it_reads_back_from_a_whole_site_file(setup: WorkSetup) -> None:
    shift = FILE.site.shifts[0]
    site = replace(FILE.site, shifts=tuple(replace(shift, name=name) for name in SHIFTS), work=setup)
    assert read_site(write_site(replace(FILE, site=site)).encode(), "site.toml") == replace(FILE, site=site)


def test_the_template_reads_with_its_lines_taken_in() -> None:
    block = "\n".join(line.removeprefix("# ") for line in site_work.TEMPLATE.splitlines() if "[" in line or "=" in line)
    assert read(block) == WorkSetup((Crew("north", 2, ("Day",), ("SMAW",), ("P-12",)),), Weights())


def test_a_crew_is_found_whatever_its_capitals() -> None:
    setup = WorkSetup((Crew("North"),))
    assert setup.crew("north") == Crew("North")
    assert setup.crew("south") is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[work.crew]]\nat_once = 1", "key 'name' is missing"),
        ("[[work.crew]]\nname = ' '", "'name' is empty"),
        (f"[[work.crew]]\nname = '{'x' * 61}'", "'name' has 61 characters, more than 60"),
        ("[[work.crew]]\nname = 'a'\nat_once = 0", "'at_once' is 0"),
        ("[[work.crew]]\nname = 'a'\nat_once = 1.5", "'at_once' is 1.5"),
        ("[[work.crew]]\nname = 'a'\nshifts = ['Late']", "'shifts' has 'Late', expected some of Day, Night"),
        ("[[work.crew]]\nname = 'a'\nprocesses = ['smaw']", "'processes' has 'smaw', expected some of"),
        ("[[work.crew]]\nname = 'a'\nprocedures = ['P', 'P']", "'procedures' has 'P' twice"),
        ("[[work.crew]]\nname = 'a'\n[[work.crew]]\nname = 'A'", "crew 'a' stands twice"),
        ("[[work.crew]]\nname = 'a'\nsize = 2", "unknown key 'size'"),
        ("[work.weights]\nfuel_kg = -1", "'fuel_kg' is -1, outside 0 to 1000"),
        ("[work.weights]\nmove = nan", "'move' is nan"),
        ("[work.weights]\nnot_placed = 1.0", "unknown key 'not_placed'"),
        ("[work]\ncrews = []", "unknown key 'crews'"),
        ("\n".join(f"[[work.crew]]\nname = 'c{n}'" for n in range(61)), "'crew' stands 61 times, more than 60"),
    ],
)
def test_wrong_values_are_named(text: str, said: str) -> None:
    with pytest.raises(TableError) as caught:
        read(text)
    assert said in str(caught.value)
