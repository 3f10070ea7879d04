"""How a site uses gas, in its site file: the section `[gas]` and the lists below it. As strict as the rest of the file.

Mass is in kg, oxygen in m3 at 15 °C and 101.325 kPa, pressure in kPa gauge; the unit stands in the key.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Collection, Iterable, Sequence
from typing import Final, cast, get_args

from frostshift_rules.cylinder_limits import check_acetylene_kpa
from frostshift_rules.gas import cylinders, cylinders_of
from frostshift_rules.gas_setup import (
    WEEKDAYS,
    CylinderGas,
    GasSetup,
    OtherUse,
    OwnCylinder,
    Stand,
    SupplyTerms,
)
from frostshift_rules.strict import OutOfRange, Section, TableError
from frostshift_service.toml_text import toml_text, toml_texts

NUMBERS: Final[dict[str, tuple[float, float]]] = {
    "wind_factor": (0.3, 1.6),
    "allowance_kpa": (0.0, 200.0),
    "purge_seconds": (0.0, 600.0),
    "idle_share": (0.0, 1.0),
    "kwh_price": (0.0, 999_999.0),
}
"""What the numbers of `[gas]` may be."""
WHOLES: Final[dict[str, tuple[int, int]]] = {"most_together": (1, 40), "cover_days": (1, 60)}
"""The same of the whole ones."""
TORCH_KPA: Final = (3.0, 250.0)
CONTENTS_KG: Final = (0.4, 1000.0)
CONTENTS_M3: Final = (0.1, 1000.0)
SIZE: Final[dict[str, tuple[float, float]]] = {
    "diameter_mm": (100.0, 1500.0),
    "height_mm": (200.0, 3000.0),
    "tare_kg": (1.0, 1000.0),
}
"""What the size of an own cylinder may be."""
USE_KG: Final = (0.0, 5000.0)
USE_M3: Final = (0.0, 5000.0)
"""In a shift [kg, m3]."""
LEAD_DAYS: Final = (0, 60)
LEAST_ORDER: Final = (1, 500)
STORAGE_LIMIT: Final = (1, 5000)
PRICE: Final = (0.0, 999_999.0)
MOST_CURRENCY: Final = 12

_GASES: Final[tuple[CylinderGas, ...]] = get_args(CylinderGas)
_FUELS: Final = tuple(name for name in _GASES if name != "oxygen")
_USE_KEYS: Final = ("low", "likely", "high")
_ID: Final = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_MOST_ID: Final = 40


def read_gas(section: Section, shifts: Collection[str]) -> GasSetup:
    """How the site uses gas.

    Args:
        section: `[gas]` of a site file.
        shifts: names of the site's shifts.

    Raises:
        TableError: something is unknown, missing, outside its limits, twice, or contradicts something else; names
            place, key, value and limit.
    """
    kinds = section.texts("kinds") if section.has("kinds") else ()
    own = section.some("cylinder", _own_cylinder)
    try:
        found = cylinders_of(GasSetup(kinds=kinds, own_cylinders=own))
    except OutOfRange as error:
        raise TableError(f"{section.where}: {error}") from error
    ids = (*found.fuel, *found.oxygen)
    numbers = {key: section.optional_number(key, *limits) for key, limits in NUMBERS.items()}
    wholes = {key: section.whole(key, *limits) if section.has(key) else None for key, limits in WHOLES.items()}
    stated = {
        "stand": cast(Stand, section.choice("stand", get_args(Stand))) if section.has("stand") else None,
        "torch_kpa": section.one("torch_kpa", _torch_kpa) if section.has("torch_kpa") else None,
        "closed_days": section.days("closed_days") if section.has("closed_days") else None,
        "currency": _currency(section) if section.has("currency") else None,
        **numbers,
        **wholes,
    }
    setup = GasSetup(
        kinds=kinds,
        own_cylinders=own,
        other_use=section.some("other_use", lambda part: _other_use(part, shifts)),
        supply=section.some("supply", lambda part: _supply(part, ids)),
        **{key: value for key, value in stated.items() if value is not None},  # type: ignore[arg-type]  # by its key
    )
    _check_acetylene(section, setup)
    _once(section, "closed_days", [day.isoformat() for day in setup.closed_days])
    _once(section, "other_use", [one.name for one in setup.other_use])
    _once(section, "supply of cylinder", [one.kind for one in setup.supply])
    section.done()
    return setup


def _once(section: Section, what: str, names: Sequence[str]) -> None:
    twice = sorted({one for one in names if names.count(one) > 1})
    if twice:
        raise TableError(f"{section.where}: {what} {twice[0]!r} stands twice")


def _currency(section: Section) -> str:
    text = section.text("currency")
    if len(text) > MOST_CURRENCY:
        raise TableError(f"{section.where}: 'currency' is {text!r}, expected at most {MOST_CURRENCY} characters")
    return text


def _torch_kpa(section: Section) -> tuple[tuple[str, float], ...]:
    kpa: dict[str, float | None] = {fuel: section.optional_number(fuel, *TORCH_KPA) for fuel in _FUELS}
    try:
        check_acetylene_kpa(kpa["acetylene"] or 0.0)
    except OutOfRange as error:
        raise TableError(f"{section.where}: 'acetylene': {error}") from error
    return tuple((fuel, value) for fuel in section.names() if (value := kpa.get(fuel)) is not None)


def _check_acetylene(section: Section, setup: GasSetup) -> None:
    """What is lost on the way stands before the torch: the regulator is set that much higher, and has the limit."""
    torch_kpa = dict(setup.torch_kpa).get("acetylene")
    if torch_kpa is None:
        return
    try:
        check_acetylene_kpa(torch_kpa + setup.allowance_kpa)
    except OutOfRange as error:
        lost = f"{torch_kpa:g} kPa at the torch and {setup.allowance_kpa:g} kPa lost on the way (allowance_kpa)"
        raise TableError(f"{section.where}, [torch_kpa]: 'acetylene': {lost}: {error}") from error


def _name(section: Section) -> str:
    text = section.text("name")
    if not text.isprintable():
        raise TableError(f"{section.where}: 'name' is {text!r}, expected one line of printable letters")
    return text


def _gas(section: Section) -> CylinderGas:
    return cast(CylinderGas, section.choice("gas", _GASES))


def _own_cylinder(section: Section) -> OwnCylinder:
    own_id = section.text("id")
    if not _ID.fullmatch(own_id) or len(own_id) > _MOST_ID:
        raise TableError(
            f"{section.where}: 'id' is {own_id!r}, expected lower-case letters, digits and hyphens, at most {_MOST_ID}"
        )
    holds = _gas(section)
    _unit_of(section, holds, ("contents",))
    of_oxygen = holds == "oxygen"
    return OwnCylinder(
        id=own_id,
        name=_name(section),
        gas=holds,
        contents_kg=None if of_oxygen else section.number("contents_kg", *CONTENTS_KG),
        contents_m3=section.number("contents_m3", *CONTENTS_M3) if of_oxygen else None,
        **{key: section.optional_number(key, *limits) for key, limits in SIZE.items()},
    )


def _unit_of(section: Section, holds: CylinderGas, keys: Iterable[str]) -> str:
    """The unit that a gas is stated in.

    Raises:
        TableError: it is stated in the other one, too or instead.
    """
    unit, other = ("m3", "kg") if holds == "oxygen" else ("kg", "m3")
    for key in keys:
        if section.has(f"{key}_{other}"):
            raise TableError(f"{section.where}: '{key}_{other}' is not for {holds}, state '{key}_{unit}' alone")
    return unit


def _other_use(section: Section, shifts: Collection[str]) -> OtherUse:
    holds = _gas(section)
    unit = _unit_of(section, holds, _USE_KEYS)
    limits = USE_M3 if unit == "m3" else USE_KG
    low, likely, high = (section.number(f"{key}_{unit}", *limits) for key in _USE_KEYS)
    if not low <= likely <= high:
        keys = ", ".join(f"{key}_{unit}" for key in _USE_KEYS)
        raise TableError(f"{section.where}: {keys} are {[low, likely, high]}, expected a rising order")
    return OtherUse(
        _name(section),
        holds,
        low,
        likely,
        high,
        shifts=_shifts(section, shifts) if section.has("shifts") else (),
        same_cylinders=section.flag("same_cylinders") if section.has("same_cylinders") else True,
    )


def _shifts(section: Section, known: Collection[str]) -> tuple[str, ...]:
    names = section.texts("shifts")
    if not names:
        raise TableError(f"{section.where}: 'shifts' is empty; leave the key out for every shift")
    for name in names:
        if name not in known:
            raise TableError(f"{section.where}: 'shifts' has {name!r}, expected some of {', '.join(known)}")
        if names.count(name) > 1:
            raise TableError(f"{section.where}: 'shifts' has {name!r} twice")
    return names


def _supply(section: Section, ids: Sequence[str]) -> SupplyTerms:
    terms = SupplyTerms(
        kind=section.choice("cylinder", ids),
        lead_days=section.whole("lead_days", *LEAD_DAYS),
        delivery_days=section.weekdays("delivery_days") if section.has("delivery_days") else WEEKDAYS,
        least_order=section.whole("least_order", *LEAST_ORDER) if section.has("least_order") else 1,
        storage_limit=section.whole("storage_limit", *STORAGE_LIMIT) if section.has("storage_limit") else None,
        rental_per_day=section.optional_number("rental_per_day", *PRICE),
        price=section.optional_number("price", *PRICE),
    )
    if terms.storage_limit is not None and terms.least_order > terms.storage_limit:
        raise TableError(
            f"{section.where}: 'least_order' is {terms.least_order}, above 'storage_limit' {terms.storage_limit}"
        )
    return terms


def write_gas(setup: GasSetup) -> list[str]:
    """The lines that `read_gas` reads; what is at its default is left out."""
    usual = GasSetup()
    head = []
    if setup.kinds:
        head.append(f"kinds = {toml_texts(setup.kinds)}")
    if setup.stand != usual.stand:
        head.append(f'stand = "{setup.stand}"  # {" | ".join(get_args(Stand))}')
    if setup.torch_kpa:
        head.append(f"torch_kpa = {{ {', '.join(f'{fuel} = {kpa!r}' for fuel, kpa in setup.torch_kpa)} }}")
    head += [
        f"{key} = {value!r}" for key in (*NUMBERS, *WHOLES) if (value := getattr(setup, key)) != getattr(usual, key)
    ]
    if setup.closed_days:
        head.append(f"closed_days = [{', '.join(day.isoformat() for day in setup.closed_days)}]")
    if setup.currency:
        head.append(f"currency = {toml_text(setup.currency)}")
    rows = ["", "[gas]", *head] if head else []
    for own in setup.own_cylinders:
        rows += ["", "[[gas.cylinder]]", f"id = {toml_text(own.id)}", f"name = {toml_text(own.name)}"]
        rows += [f'gas = "{own.gas}"', *_stated(own, ("contents_kg", "contents_m3", *SIZE))]
    for use in setup.other_use:
        unit = "m3" if use.gas == "oxygen" else "kg"
        rows += ["", "[[gas.other_use]]", f"name = {toml_text(use.name)}", f'gas = "{use.gas}"']
        rows += [f"{key}_{unit} = {getattr(use, key)!r}" for key in _USE_KEYS]
        rows += [f"shifts = {toml_texts(use.shifts)}"] if use.shifts else []
        rows += [] if use.same_cylinders else ["same_cylinders = false"]
    for terms in setup.supply:
        rows += ["", "[[gas.supply]]", f"cylinder = {toml_text(terms.kind)}", f"lead_days = {terms.lead_days}"]
        rows += [f"delivery_days = {sorted(terms.delivery_days)}"] if terms.delivery_days != WEEKDAYS else []
        rows += [f"least_order = {terms.least_order}"] if terms.least_order != 1 else []
        rows += _stated(terms, ("storage_limit", "rental_per_day", "price"))
    return rows


def _stated(record: OwnCylinder | SupplyTerms, keys: Iterable[str]) -> list[str]:
    return [f"{key} = {value!r}" for key in keys if (value := getattr(record, key)) is not None]


def gas_template() -> str:
    """The block as comments, with invented figures, for a site file to start from."""
    shipped = textwrap.fill(
        ", ".join((*cylinders().fuel, *cylinders().oxygen)), 110, break_on_hyphens=False, break_long_words=False
    )
    return _TEMPLATE.replace("SHIPPED", shipped.replace("\n", "\n# "))


_TEMPLATE: Final = """
# How the site uses gas. Every line may stay out, and so may the whole block: then we take the usual.
# [gas]
# Cylinders that the gas is counted in, one for each gas; your own, see below, or some of these:
# SHIPPED
# kinds = ["propane-100", "our-oxygen"]
# stand = "open"  # still: in a cage, in a corner, behind a screen; open: in moving air
# wind_factor = 0.8  # on the heat that cylinders take from the air, in the place of the one that follows from stand
# torch_kpa = { propane = 140.0 }  # pressure that the torches need at the end of the hose, by fuel
# allowance_kpa = 55.0  # pressure lost in regulator, hose, check valves and arrestors
# most_together = 6  # most cylinders of a kind on one line
# purge_seconds = 15.0  # each gas is let go for so long at each light-up
# idle_share = 0.1  # burned by torches that wait, as a share of the gas for heating up
# cover_days = 5  # an order is to last so many days beyond its delivery
# closed_days = [2026-12-24, 2026-12-25]  # nothing is delivered on these
# kwh_price = 0.14  # of electric energy
# currency = "USD"  # what prices are in
#
# A kind of cylinder that is not among those above; one such block for each.
# [[gas.cylinder]]
# id = "our-oxygen"
# name = "oxygen, 9 m3"
# gas = "oxygen"  # propane | propylene | acetylene | mps | oxygen
# contents_m3 = 9.0  # oxygen: at 15 °C and 101.325 kPa; a fuel: contents_kg
#
# [[gas.cylinder]]
# id = "our-propane"
# name = "propane, 33 kg"
# gas = "propane"
# contents_kg = 33.0
# diameter_mm = 320.0  # without diameter, height and empty weight nobody can say what it gives in the cold
# height_mm = 1300.0
# tare_kg = 30.0  # empty
#
# What else uses gas: cutting, gouging, a heater in the tent; in each of its shifts.
# [[gas.other_use]]
# name = "cutting"
# gas = "oxygen"
# low_m3 = 2.0  # a fuel: low_kg, likely_kg, high_kg
# likely_m3 = 4.0
# high_m3 = 9.0
# shifts = ["day"]  # without the key every shift
# same_cylinders = false  # true, as without the key: it draws on the cylinders that feed the torches
#
# How cylinders of one kind come to the site; one such block for each kind.
# [[gas.supply]]
# cylinder = "propane-100"
# lead_days = 2  # from order to delivery, in days on which the supplier delivers
# delivery_days = [1, 3, 5]  # 1 Monday to 7 Sunday; without the key Monday to Friday
# least_order = 4
# storage_limit = 24  # most full ones that may stand on the site
# rental_per_day = 0.35  # for each on the site
# price = 85.0  # of one, with its gas
"""
