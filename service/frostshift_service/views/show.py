"""Numbers to words: the only place that decides how a figure looks on a page, a print, a sheet file or in a terminal.

Every figure of a view keeps its SI value beside its text. Ranges are rounded outwards (low end down, high end up), so
that a printed range is never narrower than the computed one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from math import ceil, floor
from typing import Concatenate, Final, Literal, ParamSpec, TypeVar
from zoneinfo import ZoneInfo

from frostshift_rules.figures import SayUnits, inches_text, least_length_text, say_units
from frostshift_rules.heat_sources import rate_text
from frostshift_rules.job import CodeUnits, HeatSource
from frostshift_rules.units import (
    btu_from_mj,
    btu_h_from_kw,
    btu_h_ft2_f_from_w_m2k,
    btu_h_ft2_from_kw_m2,
    btu_lb_from_mj_kg,
    df_from_k,
    f_from_c,
    ft2_from_m2,
    ft3_from_m3,
    ft_from_m,
    gal_from_l,
    in_from_mm,
    kj_in_from_kj_mm,
    lb_from_kg,
    lb_ft3_from_kg_m3,
    mi_from_km,
    mph_from_ms,
    psi_from_kpa,
)
from frostshift_rules.workload import Range, Span
from frostshift_service.store.records import ShowUnits

A = TypeVar("A")
B = TypeVar("B")
P = ParamSpec("P")
Rounding = Literal["near", "down", "up"]
Detail = Literal["clock", "weekday", "date", "year"]

WEEKDAYS: Final = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

_NOISE: Final = 1e-6
"""Float noise of a unit conversion that must not push a figure to the next whole number."""
_HOURS_FROM_MIN: Final = 120.0
"""Durations from here on are shown in hours and minutes."""


@dataclass(frozen=True, slots=True)
class Temp:
    """A temperature [°C] and its text."""

    c: float
    text: str


@dataclass(frozen=True, slots=True)
class Moment:
    """A time (aware UTC) and its text in the site's wall-clock time."""

    utc: datetime
    text: str


@dataclass(frozen=True, slots=True)
class Amount:
    """An amount with its doubt in the SI unit named by `unit`; `text` names the likely figure, `short` does not."""

    low: float
    likely: float
    high: float
    unit: str
    text: str
    short: str


@dataclass(frozen=True, slots=True)
class TempSpan:
    """A predicted temperature at one hour [°C]; `text` runs from the cold side to likely, `full_text` names all."""

    at: Moment
    cold_c: float
    likely_c: float
    warm_c: float
    text: str
    full_text: str


def optional(
    convert: Callable[Concatenate[A, P], B], value: A | None, /, *args: P.args, **kwargs: P.kwargs
) -> B | None:
    """`convert(value, ...)`, or None where the value is unknown: a missing figure stays missing."""
    return None if value is None else convert(value, *args, **kwargs)


def round_to(value: float, digits: int = 0, toward: Rounding = "near") -> float:
    """`value` rounded to `digits` decimals: to the nearest, or down or up; never minus zero."""
    scaled = value * 10.0**digits
    if toward == "down":
        scaled = floor(scaled + _NOISE)
    elif toward == "up":
        scaled = ceil(scaled - _NOISE)
    else:
        scaled = floor(scaled + 0.5)
    return scaled / 10.0**digits + 0.0


def number(value: float, digits: int = 0, toward: Rounding = "near") -> str:
    """A rounded number with thousands separated by a comma: `1,240`; `digits` -2 rounds to hundreds."""
    return f"{round_to(value, digits, toward):,.{max(digits, 0)}f}"


def trimmed(value: float, digits: int) -> str:
    """A rounded number without closing zeros: `1.5`, `38`."""
    text = number(value, digits)
    return text.rstrip("0").rstrip(".") if "." in text else text


def triple(low: float, likely: float, high: float, *, digits: int) -> str:
    """Three figures as `12 / 17 / 24`, each to the nearest."""
    return " / ".join(number(value, digits) for value in (low, likely, high))


def duration(minutes: float, toward: Rounding = "near") -> str:
    """Minutes as `45 min`, from two hours on as `2 h 5 min`."""
    whole = int(round_to(minutes, 0, toward))
    if whole < _HOURS_FROM_MIN:
        return f"{whole} min"
    return f"{whole // 60} h {whole % 60} min" if whole % 60 else f"{whole // 60} h"


def age(hours: float) -> str:
    """An age as words: `under a minute`, `35 min`, `3 h 12 min`, `2 days 4 h`."""
    minutes = int(round_to(hours * 60.0, 0, "down"))
    if minutes < 1:
        return "under a minute"
    if hours < 48.0:
        return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"
    whole_hours = minutes // 60
    return f"{whole_hours // 24} days {whole_hours % 24} h"


def plural(count: int, one: str, many: str = "") -> str:
    """`1 joint`, `3 joints`."""
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def day_text(day: date) -> str:
    """A date as `Thu 17 Dec`."""
    return f"{WEEKDAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]}"


@dataclass(frozen=True, slots=True)
class _Words:
    """A range in one unit, with and without its likely figure."""

    text: str
    short: str


def _joined(low: str, likely: str, high: str, unit: str) -> _Words:
    """A range of texts as one.

    A low or likely end that rounds to nothing is left out, since it would say zero; so is a likely one that only
    repeats the high end.
    """
    if low == high:
        return _Words(f"{low} {unit}", f"{low} {unit}")
    from_nothing = float(low.replace(",", "")) == 0.0
    short = f"up to {high} {unit}" if from_nothing else f"{low}-{high} {unit}"
    says_nothing = float(likely.replace(",", "")) == 0.0 or (from_nothing and likely == high)
    return _Words(short if says_nothing else f"{short}, likely {likely}", short)


def _whole(span: Range, unit: str) -> _Words:
    return _joined(number(span.low, 0, "down"), number(span.likely), number(span.high, 0, "up"), unit)


def _scaled(span: Range, convert: Callable[[float], float], unit: str) -> _Words:
    low, likely, high = convert(span.low), convert(span.likely), convert(span.high)
    digits = 0 if likely >= 10.0 else 1
    if span.low == span.high:
        one = number(likely, digits)
        return _joined(one, one, one, unit)
    return _joined(number(low, digits, "down"), number(likely, digits), number(high, digits, "up"), unit)


@dataclass(frozen=True, slots=True)
class Show:
    """How a site wants its figures shown.

    Attributes:
        units: `us`, `si`, or `both` (US first, then SI in brackets).
        zone: the site's time zone.
    """

    units: ShowUnits
    zone: ZoneInfo

    @property
    def system(self) -> Literal["us", "si"]:
        """The one system of units for sentences that can hold only one."""
        return "si" if self.units == "si" else "us"

    def _in_units(self, us: Callable[[], str], si: Callable[[], str]) -> str:
        parts = [us()] if self.units != "si" else []
        if self.units != "us":
            parts.append(si())
        return parts[0] if len(parts) == 1 else f"{parts[0]} ({parts[1]})"

    # Temperatures

    def temp_text(self, c: float, toward: Rounding = "near") -> str:
        """A temperature in whole degrees."""
        return self._in_units(lambda: f"{number(f_from_c(c), 0, toward)} °F", lambda: f"{number(c, 0, toward)} °C")

    def temp(self, c: float, toward: Rounding = "near") -> Temp:
        """A temperature with its text."""
        return Temp(c, self.temp_text(c, toward))

    def tenths_text(self, c: float) -> str:
        """A temperature that was read, to a tenth of a degree."""
        return self._in_units(lambda: f"{trimmed(f_from_c(c), 1)} °F", lambda: f"{trimmed(c, 1)} °C")

    def rise_text(self, kelvin: float, digits: int = 1) -> str:
        """A temperature difference."""
        return self._in_units(
            lambda: f"{trimmed(df_from_k(kelvin), digits)} °F", lambda: f"{trimmed(kelvin, digits)} K"
        )

    def span(self, span: Span) -> TempSpan:
        """A predicted temperature: cold side rounded down, warm side up."""

        def short(convert: Callable[[float], float], unit: str) -> str:
            cold, likely = number(convert(span.cold_c), 0, "down"), number(convert(span.likely_c))
            return f"{likely} {unit}" if cold == likely else f"{cold} to {likely} {unit}"

        def full(convert: Callable[[float], float], unit: str) -> str:
            warm = number(convert(span.warm_c), 0, "up")
            cold, likely = number(convert(span.cold_c), 0, "down"), number(convert(span.likely_c))
            return f"cold side {cold}, likely {likely}, warm side {warm} {unit}"

        return TempSpan(
            at=self.moment(span.at_utc, detail="weekday"),
            cold_c=span.cold_c,
            likely_c=span.likely_c,
            warm_c=span.warm_c,
            text=self._in_units(lambda: short(f_from_c, "°F"), lambda: short(lambda c: c, "°C")),
            full_text=self._in_units(lambda: full(f_from_c, "°F"), lambda: full(lambda c: c, "°C")),
        )

    def temp_range_text(self, span: Range) -> str:
        """Low to high of a temperature range, likely named; one figure where there is no doubt."""
        if span.low == span.high:
            return self.temp_text(span.likely)

        def one(convert: Callable[[float], float], unit: str) -> str:
            low, high = number(convert(span.low), 0, "down"), number(convert(span.high), 0, "up")
            return f"{low} to {high} {unit}, likely {number(convert(span.likely))}"

        return self._in_units(lambda: one(f_from_c, "°F"), lambda: one(lambda c: c, "°C"))

    # Amounts

    def _amount(self, span: Range, unit: str, us: Callable[[], _Words], si: Callable[[], _Words]) -> Amount:
        return Amount(
            span.low,
            span.likely,
            span.high,
            unit,
            text=self._in_units(lambda: us().text, lambda: si().text),
            short=self._in_units(lambda: us().short, lambda: si().short),
        )

    def minutes(self, span: Range) -> Amount:
        """Minutes as `12-19 min, likely 14`."""
        if span.high < _HOURS_FROM_MIN:
            words = _whole(span, "min")
        else:
            low, likely, high = duration(span.low, "down"), duration(span.likely), duration(span.high, "up")
            short = low if low == high else f"{low} to {high}"
            words = _Words(short if low == high else f"{short}, likely {likely}", short)
        return Amount(span.low, span.likely, span.high, "min", words.text, words.short)

    def torch_minutes(self, span: Range) -> Amount:
        """Torch-minutes as `240-390 torch-minutes, likely 300`."""
        words = _whole(span, "torch-minutes" if span.high > 1.0 else "torch-minute")
        return Amount(span.low, span.likely, span.high, "torch-min", words.text, words.short)

    def mass(self, span: Range) -> Amount:
        """A mass of fuel [kg]."""
        return self._amount(
            span, "kg", lambda: _scaled(span, lb_from_kg, "lb"), lambda: _scaled(span, lambda kg: kg, "kg")
        )

    def weight_text(self, kg: float) -> str:
        """A weight that was read or typed, to a tenth."""
        return self._in_units(lambda: f"{trimmed(lb_from_kg(kg), 1)} lb", lambda: f"{trimmed(kg, 1)} kg")

    def whole_weight_text(self, kg: float, toward: Rounding) -> str:
        """A weight in whole pounds or kilograms, on its safe side."""
        return self._in_units(lambda: f"{number(lb_from_kg(kg), 0, toward)} lb", lambda: f"{number(kg, 0, toward)} kg")

    def volume(self, span: Range) -> Amount:
        """A volume of gas [m3 at 15 °C and 101.325 kPa]."""
        return self._amount(
            span, "m3", lambda: _scaled(span, ft3_from_m3, "ft³"), lambda: _scaled(span, lambda m3: m3, "m³")
        )

    def energy(self, span: Range) -> Amount:
        """Electric energy [kWh], the same in every system of units."""
        words = _scaled(span, lambda kwh: kwh, "kWh")
        return Amount(span.low, span.likely, span.high, "kWh", words.text, words.short)

    # Lengths, rates

    def length_text(self, mm: float) -> str:
        """A length; in inches as it is said where it is a number of sixteenths (`1-5/8 in`), else in decimals."""
        inch = in_from_mm(mm)
        sixteenths = round(inch * 16.0)
        exact = inch < 12.0 and abs(inch * 16.0 - sixteenths) < 0.01
        us = inches_text(sixteenths / 16.0) if exact else trimmed(inch, 2 if inch < 4.0 else 1)
        return self._in_units(lambda: f"{us} in", lambda: f"{trimmed(mm, 1)} mm")

    def least_length_text(self, mm: float, code: CodeUnits | None = None) -> str:
        """A least length, never less than it; with the own figure of the code that states it beside it, where named."""
        own: SayUnits = "us and si" if self.units == "both" else self.units
        return least_length_text(mm, own if code is None else say_units(code, self.units))

    def height_text(self, m: float) -> str:
        """A height above ground."""
        return self._in_units(lambda: f"{trimmed(ft_from_m(m), 0)} ft", lambda: f"{trimmed(m, 1)} m")

    def distance_text(self, km: float) -> str:
        """A distance over land, in whole miles or kilometres."""
        return self._in_units(lambda: f"{number(mi_from_km(km))} mi", lambda: f"{number(km)} km")

    def area_text(self, m2: float) -> str:
        """An area."""
        return self._in_units(lambda: f"{trimmed(ft2_from_m2(m2), 2)} ft²", lambda: f"{trimmed(m2, 3)} m²")

    def power_text(self, kw: float) -> str:
        """A heat rate."""
        return self._in_units(lambda: f"{number(btu_h_from_kw(kw), -2)} Btu/h", lambda: f"{trimmed(kw, 1)} kW")

    def diesel_text(self, litres: float) -> str:
        """What a generator takes at most."""
        amount = self._in_units(
            lambda: f"{number(gal_from_l(litres), 0, 'up')} gal", lambda: f"{number(litres, 0, 'up')} L"
        )
        return f"about {amount} of diesel for a generator at most"

    def pressure_text(self, kpa: float) -> str:
        """A gauge pressure."""
        return self._in_units(lambda: f"{number(psi_from_kpa(kpa))} psi", lambda: f"{number(kpa)} kPa")

    def speed_text(self, ms: float) -> str:
        """A wind speed."""
        return self._in_units(lambda: f"{trimmed(mph_from_ms(ms), 1)} mph", lambda: f"{trimmed(ms, 1)} m/s")

    def wind_text(self, ms: float) -> str:
        """A forecast wind in whole miles an hour, or m/s."""
        return self._in_units(lambda: f"{number(mph_from_ms(ms))} mph", lambda: f"{number(ms)} m/s")

    def rain_text(self, mm: float) -> str:
        """An amount of precipitation, water equivalent."""
        return self._in_units(lambda: f"{trimmed(in_from_mm(mm), 2)} in", lambda: f"{trimmed(mm, 1)} mm")

    def snow_text(self, cm: float) -> str:
        """A depth of new snow."""
        return self._in_units(lambda: f"{trimmed(in_from_mm(cm * 10.0), 1)} in", lambda: f"{trimmed(cm, 1)} cm")

    def flux_text(self, low: float, likely: float, high: float) -> str:
        """A heat rate per area [kW/m2] at three places of its doubt."""
        return self._in_units(
            lambda: f"{triple(*(btu_h_ft2_from_kw_m2(q) for q in (low, likely, high)), digits=-2)} Btu/(h ft²)",
            lambda: f"{triple(low, likely, high, digits=1)} kW/m²",
        )

    def heat_transfer_text(self, low: float, likely: float, high: float) -> str:
        """Heat transfer to the air [W/(m2 K)] at three places of its doubt."""
        return self._in_units(
            lambda: f"{triple(*(btu_h_ft2_f_from_w_m2k(h) for h in (low, likely, high)), digits=1)} Btu/(h ft² °F)",
            lambda: f"{triple(low, likely, high, digits=0)} W/m²K",
        )

    def heat_text(self, low: float, likely: float, high: float) -> str:
        """Heat of a flame [MJ] at three places of its doubt."""
        return self._in_units(
            lambda: f"{triple(*(btu_from_mj(mj) for mj in (low, likely, high)), digits=-2)} Btu",
            lambda: f"{triple(low, likely, high, digits=1)} MJ",
        )

    def heating_value_text(self, mj_kg: float) -> str:
        """Heating value of a fuel."""
        return self._in_units(
            lambda: f"{number(btu_lb_from_mj_kg(mj_kg), -1)} Btu/lb", lambda: f"{trimmed(mj_kg, 2)} MJ/kg"
        )

    def density_text(self, kg_m3: float) -> str:
        """Density of a gas."""
        return self._in_units(
            lambda: f"{trimmed(lb_ft3_from_kg_m3(kg_m3), 4)} lb/ft³", lambda: f"{trimmed(kg_m3, 3)} kg/m³"
        )

    def heat_input_text(self, kj_mm: float) -> str:
        """Heat input of an arc."""
        return self._in_units(
            lambda: f"{trimmed(kj_in_from_kj_mm(kj_mm), 1)} kJ/in", lambda: f"{trimmed(kj_mm, 2)} kJ/mm"
        )

    def sun_text(self, wm2: float) -> str:
        """Radiation of the sun on an area."""
        return self._in_units(
            lambda: f"{number(btu_h_ft2_from_kw_m2(wm2 / 1000.0))} Btu/(h ft²)", lambda: f"{number(wm2)} W/m²"
        )

    def rate_text(self, source: HeatSource) -> str:
        """The rate of one torch, net, or the rating of one electric heater, in kW everywhere."""
        if source.electric:
            return rate_text(source, "si")
        return self._in_units(lambda: rate_text(source, "us"), lambda: rate_text(source, "si"))

    # Times

    def moment(self, at_utc: datetime, *, detail: Detail = "weekday", toward: Rounding = "down") -> Moment:
        """A time as `05:38`, `Thu 05:38`, `Thu 17 Dec 05:38` or `Thu 17 Dec 2026 05:38`, in whole minutes.

        Around a change of the clock the name of the time in force is added, since `01:30` comes twice then.
        """
        rounded = at_utc.astimezone(UTC).replace(second=0, microsecond=0)
        if toward == "up" and rounded < at_utc:
            rounded += timedelta(minutes=1)
        local = rounded.astimezone(self.zone)
        text = f"{local:%H:%M}"
        if detail == "weekday":
            text = f"{WEEKDAYS[local.weekday()]} {text}"
        elif detail != "clock":
            year = f" {local.year}" if detail == "year" else ""
            text = f"{day_text(local.date())}{year} {text}"
        half_day = timedelta(hours=12)
        offsets = {(rounded + shift).astimezone(self.zone).utcoffset() for shift in (-half_day, half_day)}
        if len(offsets) > 1:
            text = f"{text} {local.tzname()}"
        return Moment(at_utc, text)
