"""How far a place of a payload lies from the site."""

from __future__ import annotations

import math
from typing import Final

from frostshift_service.weather import Place

_EARTH_KM: Final = 6371.0


def distance_km(place: Place, latitude: float, longitude: float) -> float:
    """Great-circle distance from a place to a position in degrees [km]; haversine on a sphere of 6371 km."""
    north, south = math.radians(latitude), math.radians(place.latitude)
    east = math.radians(longitude - place.longitude)
    half = math.sin((north - south) / 2.0) ** 2 + math.cos(north) * math.cos(south) * math.sin(east / 2.0) ** 2
    return 2.0 * _EARTH_KM * math.asin(min(1.0, math.sqrt(half)))
