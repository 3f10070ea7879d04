"""Invariants of the heating engine."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from frostshift_rules import steel
from frostshift_rules.heating import (
    ELASTICITY_REFUSE,
    HeatAnswers,
    HeatCases,
    heat_up,
    seconds_to_minimum,
    seconds_to_target,
    zone_points,
)

ROUNDING = 2e-3
"""Relative error of integration and of the property turns below `ELASTICITY_REFUSE`; no invariant can be sharper."""


FEW = settings(max_examples=40)
FEWER = settings(max_examples=12)
"""Every example is a section of its own, whose modes and responses are new."""


@st.composite
def one_case(draw: st.DrawFn) -> HeatCases:
    """A plausible heating of a plate of 5 to 150 mm: inside a plate or from edge to edge, wide or with an edge."""
    thickness = draw(st.floats(0.005, 0.15))
    extent = max(0.075, thickness)
    half_weld = draw(st.floats(0.05, 0.4))
    edge_to_edge = draw(st.booleans())
    edge_x = draw(st.one_of(st.just(np.inf), st.floats(0.06, 0.6)))
    margin = draw(st.floats(0.015, 0.08))
    both = draw(st.booleans())
    air = draw(st.floats(-35.0, 15.0))
    minimum = draw(st.floats(30.0, 160.0))
    x, y = zone_points(np.array([extent]), np.array([half_weld]), np.array([edge_to_edge]), np.array([edge_x]))
    row = {
        "thickness_m": thickness,
        "half_width_m": min(extent + margin, edge_x),
        "half_length_m": half_weld if edge_to_edge else half_weld + extent + margin,
        "edge_x_m": edge_x,
        "edge_y_m": half_weld if edge_to_edge else np.inf,
        "flux_wm2": draw(st.floats(0.5, 2.0)) * (20e3 + 5e5 * thickness) * (0.6 if both else 1.0),
        "convection_wm2k": draw(st.floats(4.0, 50.0)),
        "emissivity": draw(st.floats(0.2, 0.95)),
        "air_c": air,
        "start_c": air + draw(st.floats(0.0, 10.0)),
        "minimum_c": minimum,
        "target_c": minimum + draw(st.floats(0.0, 30.0)),
    }
    arrays = {name: np.array([value]) for name, value in row.items()}
    return HeatCases(both_faces=np.array([both]), point_x_m=x, point_y_m=y, **arrays)


@st.composite
def one_flange(draw: st.DrawFn) -> HeatCases:
    """A plausible flange with its web, heated over its whole width on its outer face."""
    case = draw(one_case())
    half = np.maximum(case.thickness_m * draw(st.floats(2.0, 8.0)), 0.05)
    return replace(
        case,
        both_faces=np.array([False]),
        half_length_m=half,
        edge_x_m=np.array([np.inf]),
        edge_y_m=half,
        web_m=case.thickness_m * draw(st.floats(0.2, 1.0)),
        web_depth_m=np.array([draw(st.floats(0.1, 1.0))]),
        point_x_m=np.full((1, 3), 0.075),
        point_y_m=np.column_stack([half, 0.0 * half, 0.0 * half]),
    )


def together(*cases: HeatCases) -> HeatCases:
    """All rows in one."""
    names = [field.name for field in fields(HeatCases)]
    return HeatCases(**{name: np.concatenate([getattr(case, name) for case in cases]) for name in names})


def later(first: HeatCases, second: HeatCases, rounding: float = ROUNDING) -> HeatAnswers:
    """The second case takes as long as the first or longer, to its minimum and to its target."""
    answer = heat_up(together(first, second))
    slack = 1.0 - rounding if answer.elasticity[0] < ELASTICITY_REFUSE else 0.9
    assert answer.to_target_s[1] >= slack * answer.to_target_s[0]
    minimum_s = seconds_to_minimum(together(first, second))
    assert minimum_s[1] >= slack * minimum_s[0]
    return answer


@st.composite
def one_beside_a_part(draw: st.DrawFn) -> HeatCases:
    """A plate that runs through under a part of some thickness: no flame there."""
    case = draw(one_case())
    return replace(case, inner_m=np.minimum(draw(st.floats(0.002, 0.02)), case.half_width_m / 4.0))


@FEW
@given(st.lists(one_case() | one_beside_a_part(), min_size=2, max_size=5))
def test_a_joint_answers_the_same_whatever_else_is_asked(cases: list[HeatCases]) -> None:
    all_of_them = heat_up(together(*cases))
    for number, case in enumerate(cases):
        alone = heat_up(case)
        for field in fields(HeatAnswers):
            here, there = getattr(all_of_them, field.name)[number], getattr(alone, field.name)[0]
            np.testing.assert_allclose(here, there, rtol=1e-9, err_msg=field.name)


@FEW
@given(one_case(), st.floats(1.02, 2.0))
def test_more_flux_is_never_slower(case: HeatCases, factor: float) -> None:
    later(replace(case, flux_wm2=case.flux_wm2 * factor), case)


@FEW
@given(one_case(), st.floats(1.05, 3.0))
def test_more_wind_is_never_faster(case: HeatCases, factor: float) -> None:
    later(case, replace(case, convection_wm2k=case.convection_wm2k * factor))


@FEW
@given(one_case(), st.floats(1.05, 2.0))
def test_thicker_is_never_faster(case: HeatCases, factor: float) -> None:
    later(case, replace(case, thickness_m=case.thickness_m * factor))


@FEW
@given(one_case(), st.floats(1.0, 20.0))
def test_colder_start_is_never_faster(case: HeatCases, colder_k: float) -> None:
    later(case, replace(case, start_c=case.start_c - colder_k))


@FEW
@given(one_case(), st.floats(1.0, 20.0))
def test_colder_air_is_never_faster(case: HeatCases, colder_k: float) -> None:
    later(case, replace(case, air_c=case.air_c - colder_k))


@FEW
@given(one_case(), st.floats(0.01, 0.2))
def test_wider_band_at_the_same_flux_is_never_slower(case: HeatCases, wider_m: float) -> None:
    wider = np.minimum(case.half_width_m + wider_m, case.edge_x_m)
    later(replace(case, half_width_m=wider), case)


@FEW
@given(one_case(), st.floats(1.0, 40.0))
def test_higher_target_is_later_and_holds_longer(case: HeatCases, more_k: float) -> None:
    higher = replace(case, target_c=case.target_c + more_k)
    answer = later(case, higher)
    if answer.elasticity[1] < ELASTICITY_REFUSE:
        assert answer.hold_s[1] > answer.hold_s[0]
        assert answer.hottest_c[1] > answer.hottest_c[0]


@FEW
@given(one_case())
def test_answer_hangs_together(case: HeatCases) -> None:
    answer = heat_up(case)
    minimum_s = seconds_to_minimum(case)[0]
    assert 0.0 < minimum_s <= (1.0 + ROUNDING) * answer.to_target_s[0]
    assert seconds_to_target(case)[0] == answer.to_target_s[0]
    assert not np.isnan(answer.elasticity[0])
    assert answer.elasticity[0] > 0.0
    never = np.isinf(answer.to_target_s[0])
    assert np.isnan(answer.hold_s[0]) == np.isnan(answer.hottest_c[0]) == np.isinf(answer.elasticity[0]) == never
    assert never or answer.hold_s[0] >= 0.0
    assert never or answer.hottest_c[0] >= case.target_c[0] - 1e-6


@FEW
@given(one_case())
def test_no_point_beats_the_heat_it_must_hold(case: HeatCases) -> None:
    # Without loss and spread the flux would have to bring the heat content; 5 % is the accuracy of the engine.
    depth = case.thickness_m[0] / (2.0 if case.both_faces[0] else 1.0)
    content = steel.enthalpy_jkg(float(case.target_c[0])) - steel.enthalpy_jkg(float(case.start_c[0]))
    assert heat_up(case).to_target_s[0] > 0.95 * steel.DENSITY_KG_M3 * depth * content / case.flux_wm2[0]


@FEW
@given(one_case())
def test_across_and_along_may_change_places(case: HeatCases) -> None:
    turned = replace(
        case,
        half_width_m=case.half_length_m,
        half_length_m=case.half_width_m,
        edge_x_m=case.edge_y_m,
        edge_y_m=case.edge_x_m,
        point_x_m=case.point_y_m,
        point_y_m=case.point_x_m,
    )
    same(heat_up(case), heat_up(turned))


@FEW
@given(one_case())
def test_nearer_points_and_repeated_points_change_nothing(case: HeatCases) -> None:
    once = heat_up(case).to_target_s
    for share, rtol in ((1.0, 1e-9), (0.5, 1e-4)):  # another point is as exact as the tables of responses are: 1e-4
        more_x = np.concatenate([case.point_x_m, case.point_x_m * share], axis=1)
        more_y = np.concatenate([case.point_y_m, case.point_y_m * share], axis=1)
        more = heat_up(replace(case, point_x_m=more_x, point_y_m=more_y)).to_target_s
        np.testing.assert_allclose(more, once, rtol=rtol)


@FEW
@given(one_case())
def test_an_edge_far_away_is_no_edge(case: HeatCases) -> None:
    wide = replace(case, edge_x_m=np.array([np.inf]), edge_y_m=np.array([np.inf]))
    far = replace(case, edge_x_m=np.array([30.0]), edge_y_m=np.array([30.0]))
    one, two = heat_up(wide), heat_up(far)
    np.testing.assert_allclose(two.to_target_s, one.to_target_s, rtol=1e-6)
    np.testing.assert_allclose(two.hold_s, one.hold_s, rtol=1e-6)


@settings(max_examples=10)
@given(one_case(), one_case())
def test_a_row_does_not_know_its_neighbours(case: HeatCases, other: HeatCases) -> None:
    many = heat_up(together(*[case, other] * 49))
    for row, alone in ((0, case), (97, other)):
        same(heat_up(alone), HeatAnswers(**{f.name: getattr(many, f.name)[[row]] for f in fields(HeatAnswers)}))


def same(one: HeatAnswers, two: HeatAnswers) -> None:
    """Answers alike but for rounding; which of equally cold points is named may differ."""
    for field in fields(HeatAnswers):
        if field.name != "coldest":
            np.testing.assert_allclose(
                getattr(one, field.name), getattr(two, field.name), rtol=1e-7, atol=1e-9, err_msg=field.name
            )


@FEWER
@given(one_flange(), st.floats(1.02, 1.8))
def test_a_thicker_or_deeper_web_is_never_faster(case: HeatCases, factor: float) -> None:
    cells = 1e-2  # the section's cells move with its sizes
    later(case, replace(case, web_m=np.minimum(case.web_m * factor, case.edge_y_m * 0.9)), cells)
    later(case, replace(case, web_depth_m=case.web_depth_m * factor), cells)


@FEWER
@given(one_flange(), st.floats(1.02, 1.5))
def test_a_flange_that_loses_more_or_has_less_flux_is_never_faster(case: HeatCases, factor: float) -> None:
    later(case, replace(case, convection_wm2k=case.convection_wm2k * factor))
    later(replace(case, flux_wm2=case.flux_wm2 * factor), case)


@FEWER
@given(one_flange())
def test_a_web_is_never_faster_than_none(case: HeatCases) -> None:
    plate = replace(case, web_m=np.zeros(1), web_depth_m=np.zeros(1))
    minimum_s = seconds_to_minimum(together(plate, case))
    assert minimum_s[1] >= (1.0 - 0.02) * minimum_s[0]  # the section's cells are good to some per cent


@FEWER
@given(one_case(), st.floats(0.2, 0.95))
def test_one_piece_with_its_own_like_changes_nothing(case: HeatCases, share: float) -> None:
    pair = replace(together(case, case), partner=np.array([1, 0]))
    np.testing.assert_allclose(heat_up(pair).to_target_s, heat_up(together(case, case)).to_target_s, rtol=1e-9)
    # With a thinner partner under the same flux, which is warm sooner, it is not slower than alone.
    thin = replace(case, thickness_m=np.maximum(case.thickness_m * share, 0.002))
    warmed = replace(together(case, thin), partner=np.array([1, 0]))
    assert heat_up(warmed).to_target_s[0] <= 1.02 * heat_up(case).to_target_s[0]
