"""How many 100 lb propane cylinders a load of 200,000 Btu/h (gross) takes, by air temperature and by three ways.

    python -m tests.bench.draw_table [--fill 0.5] [--load-btu-h 200000] [--hours 8]

- by the bare published table of such cylinders (NFPA 58 as passed on by suppliers), which leaves no pressure in them;
- by what one gives hour after hour with the pressure that a torch needs left in it: the continuous bound;
- by the simulated shift: burning all the time, and a third of every hour.

The cylinders start as warm as the air, with still air around them (factor 0.55) or open to the wind (1.0).
"""

from __future__ import annotations

import argparse

from frostshift_rules import units
from frostshift_rules.gas import cylinders_of
from frostshift_rules.gas_bank import conditions_of
from frostshift_rules.gas_setup import GasSetup
from frostshift_rules.shift_draw import Load, Start, cylinders_together, load_of
from frostshift_rules.withdrawal import NoModel, vessel_of

AIR_F = (40.0, 20.0, 0.0, -10.0, -20.0)


def _loads(load_kw: float, hours: int) -> dict[str, Load]:
    return {
        "all the time": load_of([(3600.0 * hours, load_kw)]),
        "20 min an hour": load_of([(1200.0, load_kw), (2400.0, 0.0)] * hours),
    }


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fill", type=float, default=0.5)
    parser.add_argument("--load-btu-h", type=float, default=200_000.0)
    parser.add_argument("--hours", type=int, default=8)
    asked = parser.parse_args()
    load_kw = units.kw_from_btu_h(asked.load_btu_h)
    vessel = vessel_of(cylinders_of(GasSetup()).fuel["propane-100"])
    assert not isinstance(vessel, NoModel)
    loads = _loads(load_kw, asked.hours)
    print(f"{asked.load_btu_h:,.0f} Btu/h gross, {asked.hours} h, 100 lb propane cylinders {asked.fill:.0%} full")
    print(f"{'air':>7} {'wind':>6} {'bare table':>11} {'bound':>6}  " + "  ".join(f"{name:>26}" for name in loads))
    for stand in ("still", "open"):
        setup = GasSetup(stand=stand)
        conditions = conditions_of(setup, "propane", None)
        for air_f in AIR_F:
            air_c = float(units.c_from_f(air_f))
            start = Start(asked.fill * vessel.cylinder.contents_kg, air_c)
            found = {
                name: cylinders_together(vessel, load, [air_c] * (asked.hours + 1), start, conditions, 100)
                for name, load in loads.items()
            }
            first = next(iter(found.values()))
            shown = "  ".join(
                f"{one.count or 'none':>5} (coldest {units.f_from_c(one.run.lowest_c):4.0f} °F)"
                for one in found.values()
            )
            table, bound = first.by_published_table, first.by_sustained
            print(f"{air_f:4.0f} °F {stand:>6} {table or '-':>11} {bound or 'none':>6}  {shown}")


if __name__ == "__main__":
    main()
