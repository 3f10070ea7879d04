"""Heat that the arc itself leaves in the steel between passes.

Each pass is taken as heat set free at once along the weld line, on the face of a plate: the solution that the
cooling-time formulas of EN 1011-2:2001, annex D, rest on (line source, Carslaw & Jaeger, Conduction of Heat in Solids,
2nd ed. 1959, 10.3; both from memory). Between its two limits, thick and thin, the response through the thickness leads
over. Free edges beside the weld keep the heat in, as images.

Where it counts, it is taken on the safe side. Against a maximum all of it counts: the least loss to the air that is
likely, no cooling of the preheated steel, no third plate that draws heat away, both edges as near as the nearer one.
Towards a minimum none of it counts: a pass warms the weld line, not the coldest point of the zone, and the welder may
pause. Valid from about 10 s after a pass, at the weld line, for carbon steel.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from frostshift_rules.conduction import Floats, through_thickness
from frostshift_rules.steel import DENSITY_KG_M3, conductivity_wmk, specific_heat_jkgk
from frostshift_rules.strict import OutOfRange

LONGEST_WAIT_S: Final = 14_400.0
"""A longer wait between passes than this is not worked out."""

SHORTEST_WAIT_S: Final = 10.0


def pass_rise_k(
    energy_kj_mm: float,
    thickness_mm: float,
    steel_c: float,
    age_s: Floats,
    loss_wm2k: float = 0.0,
    edge_mm: float = math.inf,
) -> Floats:
    """What one pass has left at the weld line, so long after it [K], of the shape of `age_s`.

    Args:
        energy_kj_mm: heat input of the pass, arc energy times thermal efficiency [kJ/mm].
        thickness_mm: of the plate [mm].
        steel_c: of the steel before the pass, for its properties [°C].
        age_s: since the pass [s], above 0.
        loss_wm2k: coefficient of the loss to the air, of both faces together [W/(m2 K)]; take its low end.
        edge_mm: from the weld to the nearer free edge across it [mm]; the other is taken to be as near.

    Raises:
        OutOfRange: heat input, thickness or age not above 0.
    """
    for name, value in (("energy_kj_mm", energy_kj_mm), ("thickness_mm", thickness_mm), ("age_s", np.min(age_s))):
        if not 0.0 < value < math.inf:
            raise OutOfRange(f"{name} is {value:g}, a number above 0 is needed")
    conductivity = conductivity_wmk(steel_c)
    stored = DENSITY_KG_M3 * specific_heat_jkgk(steel_c)
    depth_m = thickness_mm / 1000.0
    area = conductivity / stored * age_s
    even_k = energy_kj_mm * 1e6 / (stored * depth_m * np.sqrt(4.0 * np.pi * area))
    left = np.exp(-loss_wm2k / (stored * depth_m) * age_s)
    rise: Floats = even_k * through_thickness(area / depth_m**2, 0.0) * left * _kept_in(area, edge_mm / 1000.0)
    return rise


def _kept_in(area: Floats, edge_m: float) -> Floats:
    """How much more a strip with insulated edges at this distance on both sides has at its middle than a wide plate."""
    if math.isinf(edge_m):
        return np.ones_like(area)
    images = np.arange(1, 40)
    spread = area[..., None] / edge_m**2
    early = 1.0 + 2.0 * np.exp(-(images**2) / spread).sum(axis=-1)
    late = np.sqrt(np.pi * spread[..., 0]) * (1.0 + 2.0 * np.exp(-((np.pi * images) ** 2) * spread).sum(axis=-1))
    more: Floats = np.where(spread[..., 0] < 0.5, early, late)
    return more


def interpass_c(
    energy_kj_mm: float,
    thickness_mm: float,
    preheat_c: float,
    passes: int,
    every_s: float,
    loss_wm2k: float = 0.0,
    edge_mm: float = math.inf,
) -> float:
    """Temperature at the weld line just before the last of `passes`, made `every_s` apart [°C].

    Arguments and errors as `pass_rise_k`; `preheat_c` is the steel before the first pass.
    """
    ages_s = every_s * np.arange(1.0, passes)
    if passes < 2:
        return preheat_c
    return preheat_c + float(pass_rise_k(energy_kj_mm, thickness_mm, preheat_c, ages_s, loss_wm2k, edge_mm).sum())


def least_wait_s(
    energy_kj_mm: float,
    thickness_mm: float,
    preheat_c: float,
    maximum_c: float,
    passes: int,
    loss_wm2k: float = 0.0,
    edge_mm: float = math.inf,
) -> float:
    """Least time from pass to pass that keeps the steel at the weld at or below `maximum_c` before each pass [s].

    Rounded up by the search to within 1 %; `SHORTEST_WAIT_S` where no wait is needed, `inf` where none below
    `LONGEST_WAIT_S` is long enough. The thermometer decides. Errors as `pass_rise_k`.
    """

    def too_hot(every_s: float) -> bool:
        last_c = interpass_c(energy_kj_mm, thickness_mm, preheat_c, passes, every_s, loss_wm2k, edge_mm)
        return last_c > maximum_c

    if not too_hot(SHORTEST_WAIT_S):
        return SHORTEST_WAIT_S
    if too_hot(LONGEST_WAIT_S):
        return math.inf
    low_s, high_s = SHORTEST_WAIT_S, LONGEST_WAIT_S
    while high_s > 1.01 * low_s:
        middle_s = math.sqrt(low_s * high_s)
        low_s, high_s = (middle_s, high_s) if too_hot(middle_s) else (low_s, middle_s)
    return high_s
