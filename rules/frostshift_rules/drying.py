"""Heat that goes into drying the steel before it can get warm: water, frost, ice.

How much lies on the steel is never known; these are films that stay when what is loose has been swept and wiped off.
All of it is taken to be melted, warmed and evaporated at 100 °C, on both faces of the band: an allowance, not a
measurement. What the wet steel loses to the air meanwhile is not in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Literal

Film = Literal["water", "frost", "ice"] | None

FILM_MM: Final[Mapping[Film, float]] = {None: 0.0, "water": 0.2, "frost": 0.2, "ice": 1.0}
"""Thickness on each face, as water [mm]. Our choice, no source: a film that does not run off upright steel; a heavy
hoar frost, wiped; what a scraper leaves of ice or trodden snow."""

EVAPORATE_MJ_M2_MM: Final = 2.68
"""Heat to make steam of a film of water at 0 °C [MJ/m2 for each mm]: 2,676 kJ/kg at 100 °C (steam tables)."""

MELT_MJ_M2_MM: Final = 0.33
"""Heat to melt as much ice [MJ/m2 for each mm]: 333 to 334 kJ/kg (steam tables)."""


def drying_mj_m2(film: Film) -> float:
    """Heat to dry one face [MJ/m2]; 0 for none."""
    melting = 0.0 if film == "water" else MELT_MJ_M2_MM
    return FILM_MM[film] * (EVAPORATE_MJ_M2_MM + melting)


def drying_minutes(film: Film, flux_wm2: float, *, both_faces: bool) -> float:
    """Time in which a flux dries the band [min], before it warms the steel; `inf` without a flux.

    Args:
        film: what lies on the steel.
        flux_wm2: heat into the steel on each heated face [W/m2].
        both_faces: heated from both faces; else one flux has to dry both.
    """
    heat_j_m2 = drying_mj_m2(film) * 1e6 * (1.0 if both_faces else 2.0)
    if heat_j_m2 == 0.0:
        return 0.0
    return heat_j_m2 / flux_wm2 / 60.0 if flux_wm2 > 0.0 else float("inf")
