"""What stands around the steel: hourly weather, wind at the joint, convection, sky, sun, dew and frost."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SIGMA_WM2K4: Final = 5.670374419e-8
"""Stefan-Boltzmann constant [W/(m2 K4)]. Source: CODATA 2018, exact in the SI."""


@dataclass(frozen=True)
class Hours:
    """Hourly weather, one value per UTC hour from `start_utc` on, without holes in the axis; NaN: missing.

    State values (`air_c`, `dew_c`, `wind_10m_ms`, `cloud`) hold AT the hour; sums and means (`precip_mm`, `snow_cm`,
    `gust_10m_ms` as the maximum, `sun_wm2`) over the FOLLOWING hour.

    Attributes:
        start_utc: first hour, aware UTC, on the full hour.
        air_c: air temperature at 2 m [°C].
        dew_c: dew point over water at 2 m [°C].
        wind_10m_ms: mean wind at 10 m [m/s].
        cloud: cloud cover, 0 to 1.
        precip_mm: precipitation, water equivalent, in the hour that follows [mm].
        snow_cm: new snow in the hour that follows [cm].
        gust_10m_ms: highest gust in the hour that follows [m/s].
        sun_wm2: mean global horizontal irradiance of the hour that follows [W/m2].
    """

    start_utc: datetime
    air_c: Floats
    dew_c: Floats
    wind_10m_ms: Floats
    cloud: Floats
    precip_mm: Floats
    snow_cm: Floats
    gust_10m_ms: Floats
    sun_wm2: Floats

    def __len__(self) -> int:
        return len(self.air_c)

    def time_utc(self, index: int) -> datetime:
        """The UTC time of hour `index`."""
        return self.start_utc + timedelta(hours=index)

    def position(self, at_utc: datetime) -> float:
        """Hours from the start of the axis to `at_utc`; may lie outside the axis."""
        return (at_utc - self.start_utc).total_seconds() / 3600.0
