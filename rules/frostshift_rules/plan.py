"""Joints x hours x site -> calls, heat plans and shift totals. The only composition of the rules.

`make_plan` is a pure function of values.
"""

from __future__ import annotations

from frostshift_rules.workload import (
    NO_WEATHER,
    Freshness,
    FuelTotal,
    HeatCall,
    HeatPlan,
    HeatStatus,
    JointPlan,
    PartHeat,
    Plan,
    Range,
    ShiftTotal,
    Span,
    Weather,
    WeatherHour,
    WeatherState,
)

__all__ = [
    "NO_WEATHER",
    "Freshness",
    "FuelTotal",
    "HeatCall",
    "HeatPlan",
    "HeatStatus",
    "JointPlan",
    "PartHeat",
    "Plan",
    "Range",
    "ShiftTotal",
    "Span",
    "Weather",
    "WeatherHour",
    "WeatherState",
]
