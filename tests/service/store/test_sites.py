import math
from dataclasses import replace
from datetime import date
from typing import get_args

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine

from frostshift_rules.gas_setup import CylinderGas, GasSetup, OtherUse, OwnCylinder, Stand, SupplyTerms
from frostshift_rules.job import PROCESSES, Acceptance, Choices, HeatSource, Procedure, Shift, Site
from frostshift_rules.order_problem import Weights
from frostshift_rules.tables import OwnTable
from frostshift_rules.work_setup import Crew, WorkSetup
from frostshift_service.store import sites
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import StoreError, UnknownSite

text = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=12)  # PostgreSQL stores no NUL
number = st.floats(allow_nan=False, allow_infinity=False)
maybe = st.none() | number

NINE = Procedure("P-9", 66.0, 230.0, True, ("A36", "A588-*"), 19.05, 63.5, "SMAW")


def unique(records: st.SearchStrategy, name: str) -> st.SearchStrategy:  # type: ignore[type-arg]
    return st.lists(records, max_size=3, unique_by=lambda record: getattr(record, name)).map(tuple)


gases = st.sampled_from(get_args(CylinderGas))
any_gas = st.builds(
    GasSetup,
    kinds=st.lists(text, max_size=3).map(tuple),
    own_cylinders=unique(
        st.builds(OwnCylinder, id=text, name=text, gas=gases, contents_kg=maybe, contents_m3=maybe, tare_kg=maybe), "id"
    ),
    stand=st.sampled_from(get_args(Stand)),
    wind_factor=maybe,
    torch_kpa=st.lists(st.tuples(text, number), max_size=2).map(tuple),
    allowance_kpa=number,
    other_use=unique(
        st.builds(
            OtherUse,
            name=text,
            gas=gases,
            low=number,
            likely=number,
            high=number,
            shifts=st.lists(text, max_size=2).map(tuple),
            same_cylinders=st.booleans(),
        ),
        "name",
    ),
    supply=unique(
        st.builds(
            SupplyTerms,
            kind=text,
            lead_days=st.integers(0, 60),
            delivery_days=st.frozensets(st.integers(1, 7)),
            storage_limit=st.none() | st.integers(0, 99),
            price=maybe,
        ),
        "kind",
    ),
    closed_days=st.lists(st.dates(), max_size=3).map(tuple),
    kwh_price=maybe,
    currency=text,
)
any_site = st.builds(
    Site,
    id=st.just("ore-shed"),
    name=text,
    latitude=number,
    longitude=number,
    altitude_m=maybe,
    zone=text,
    table_id=text,
    shifts=unique(st.builds(Shift, name=text, days=st.frozensets(st.integers(1, 7))), "name"),
    heat_sources=unique(
        st.builds(
            HeatSource,
            id=text,
            name=text,
            net_kw=number,
            share_low=number,
            share_likely=number,
            share_high=number,
            oxygen_ratio=maybe,
        ),
        "id",
    ),
    procedures=unique(
        st.builds(
            Procedure,
            name=text,
            minimum_c=maybe,
            maximum_c=maybe,
            steels=st.lists(text, max_size=3).map(tuple),
            from_mm=maybe,
            to_mm=maybe,
            process=st.none() | st.sampled_from(PROCESSES),
        ),
        "name",
    ),
    acceptances=unique(st.builds(Acceptance, table_id=text, accepted_by=text), "table_id"),
    last_nights_low_c=maybe,
    choices=st.builds(Choices, slip_hours=number, doubt_k=number, hottest_c=number),
    own_tables=unique(st.builds(OwnTable, id=text, text=text), "id"),
    gas=any_gas,
    work=st.builds(
        WorkSetup,
        crews=unique(
            st.builds(
                Crew,
                name=text,
                at_once=st.integers(1, 9),
                shifts=st.lists(text, max_size=2).map(tuple),
                processes=st.lists(st.sampled_from(PROCESSES), max_size=2).map(tuple),
                procedures=st.lists(text, max_size=2).map(tuple),
            ),
            "name",
        ),
        weights=st.builds(Weights, fuel_kg=number, move=number),
    ),
)


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(site=any_site, show_units=st.sampled_from(("us", "si", "both")), feed=st.sampled_from(("nws", "file", None)))
def test_a_site_comes_back_as_it_was_saved(store: Engine, site: Site, show_units: str, feed: str | None) -> None:
    with writing(store) as session:
        revision = sites.save_site(session, site, show_units=show_units, feed=feed)  # type: ignore[arg-type]
    with reading(store) as session:
        kept = sites.load_site(session, site.id)
        assert sites.load_sites(session) == [kept]
    assert (kept.site, kept.show_units, kept.feed, kept.revision) == (site, show_units, feed, revision)


def test_revision_counts_changes(sited: Engine, site: Site) -> None:
    with writing(sited) as session:
        sites.save_procedures(session, site.id, (NINE,))
        sites.accept_table(session, site.id, Acceptance("other-table", "Q. Arden", date(2026, 1, 13)))
    with reading(sited) as session:
        kept = sites.load_site(session, site.id)
    assert kept.revision == 3
    assert kept.site.procedures == (NINE,)
    assert [acceptance.table_id for acceptance in kept.site.acceptances] == ["invented-table", "other-table"]
    with writing(sited) as session:
        assert sites.save_site(session, site) == 4


def test_a_later_word_on_the_same_table_replaces_the_earlier(sited: Engine, site: Site) -> None:
    later = Acceptance("invented-table", "R. Moss", date(2026, 2, 1))
    with writing(sited) as session:
        sites.accept_table(session, site.id, later)
    with reading(sited) as session:
        assert sites.load_site(session, site.id).site.acceptances == (later,)


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"id": "Ore Shed"}, "site id 'Ore Shed'"),
        ({"latitude": math.nan}, "site ore-shed: latitude is nan"),
        ({"choices": Choices(doubt_k=math.inf)}, "site ore-shed: choices.doubt_k is inf"),
        ({"shifts": ({"name": "day"},)}, "site ore-shed: "),
        ({"procedures": (Procedure("P-7"), Procedure("P-7", 50.0))}, "procedure 'P-7' is there twice"),
        ({"procedures": (Procedure("P-7", from_mm=math.nan),)}, "site ore-shed: procedures.1.from_mm is nan"),
        ({"procedures": (Procedure("P-7", process="TIG"),)}, "site ore-shed: "),
        ({"gas": GasSetup(idle_share=math.nan)}, "site ore-shed: gas.idle_share is nan"),
        ({"gas": GasSetup(stand="windy")}, "site ore-shed: "),  # type: ignore[arg-type]
        (
            {
                "gas": GasSetup(
                    own_cylinders=(OwnCylinder("ours", "a", "mps", 9.0), OwnCylinder("ours", "b", "mps", 9.0))
                )
            },
            "own cylinder 'ours' is there twice",
        ),
        ({"work": WorkSetup(crews=(Crew("x"), Crew("x")))}, "crew 'x' is there twice"),
        ({"gas": GasSetup(supply=(SupplyTerms("x", 1), SupplyTerms("x", 2)))}, "supply of cylinder 'x' is there twice"),
        ({"own_tables": (OwnTable("ours", "a"), OwnTable("ours", "b"))}, "own table 'ours' is there twice"),
    ],
)
def test_a_wrong_site_is_refused_and_the_old_one_stays(
    sited: Engine, site: Site, wrong: dict[str, object], message: str
) -> None:
    with pytest.raises(StoreError, match=message), writing(sited) as session:
        sites.save_site(session, replace(site, **wrong))  # type: ignore[arg-type]
    with reading(sited) as session:
        assert [kept.site for kept in sites.load_sites(session)] == [site]


@pytest.mark.parametrize(("show_units", "feed"), [("metric", None), ("us", "noaa"), ("us", "nws_hourly")])
def test_unknown_units_or_feed_are_refused(store: Engine, site: Site, show_units: str, feed: str | None) -> None:
    with pytest.raises(StoreError, match="expected one of"), writing(store) as session:
        sites.save_site(session, site, show_units=show_units, feed=feed)  # type: ignore[arg-type]


def test_an_unknown_site_is_named(store: Engine) -> None:
    with pytest.raises(UnknownSite, match="'nowhere'"), writing(store) as session:
        sites.touch(session, "nowhere")
    with pytest.raises(UnknownSite, match="'nowhere'"), reading(store) as session:
        sites.load_site(session, "nowhere")
