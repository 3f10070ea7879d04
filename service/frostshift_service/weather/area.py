"""Where the US National Weather Service forecasts: a rough outline of the United States and its territories.

The outline is drawn by hand a little outside land borders and well off the coasts (our own drawing, from memory; good
to about 0.2 degrees). Near a border it can only guess; the service itself then answers that it has no forecast there.
"""

from __future__ import annotations

from typing import Final

_Outline = tuple[tuple[float, float], ...]

_CONTIGUOUS: Final[_Outline] = (
    (-125.5, 48.5), (-123.5, 48.25), (-123.2, 48.4), (-123.25, 48.7), (-123.35, 49.03), (-95.2, 49.03),
    (-95.2, 49.45), (-94.7, 49.35), (-94.5, 48.8), (-93.0, 48.66), (-92.0, 48.4), (-90.8, 48.3), (-89.5, 48.1),
    (-88.4, 48.35), (-86.5, 47.7), (-84.9, 46.95), (-84.3, 46.58), (-83.5, 46.15), (-82.5, 45.3), (-82.2, 43.6),
    (-82.38, 43.0), (-82.45, 42.6), (-82.95, 42.36), (-83.08, 42.05), (-82.4, 41.7), (-81.2, 42.2), (-79.8, 42.5),
    (-78.94, 42.87), (-79.07, 43.1), (-79.07, 43.3), (-78.7, 43.65), (-76.8, 43.65), (-76.2, 44.3), (-75.3, 44.9),
    (-74.7, 45.03), (-71.5, 45.03), (-70.9, 45.4), (-70.4, 45.8), (-70.3, 46.2), (-70.1, 46.5), (-69.25, 47.5),
    (-68.3, 47.4), (-67.75, 47.1), (-67.7, 45.7), (-66.9, 44.95), (-66.6, 44.5), (-69.0, 41.0), (-73.0, 40.0),
    (-75.0, 35.0), (-79.5, 31.0), (-79.7, 27.0), (-79.9, 24.4), (-83.3, 24.3), (-85.5, 29.0), (-89.0, 28.7),
    (-94.0, 28.8), (-96.8, 27.0), (-97.0, 25.85), (-97.5, 25.82), (-99.1, 26.35), (-99.55, 27.5), (-100.5, 28.5),
    (-101.4, 29.7), (-102.4, 29.7), (-103.1, 28.9), (-104.4, 29.5), (-104.95, 30.6), (-106.45, 31.73),
    (-108.25, 31.75), (-108.25, 31.3), (-111.07, 31.3), (-114.85, 32.47), (-117.2, 32.52), (-121.0, 33.5),
    (-125.5, 40.0),
)  # fmt: skip
_PANHANDLE: Final[_Outline] = (
    (-141.1, 60.35), (-139.1, 60.4), (-137.5, 59.0), (-136.4, 59.55), (-135.0, 59.8), (-133.4, 58.45), (-131.8, 56.7),
    (-129.95, 56.1), (-129.95, 55.2), (-130.6, 54.68), (-134.0, 54.4), (-138.0, 57.5), (-141.1, 59.0),
)  # fmt: skip
_BOXES: Final = (
    (51.0, 72.0, -180.0, -141.0),  # Alaska without its panhandle
    (51.0, 53.5, 172.0, 180.0),  # the western Aleutians
    (18.5, 22.6, -160.7, -154.4),  # Hawaii
    (17.5, 18.7, -67.5, -64.4),  # Puerto Rico and the US Virgin Islands
    (13.0, 20.8, 144.4, 146.3),  # Guam and the Northern Marianas
    (-14.8, -10.8, -171.4, -167.9),  # American Samoa
)
"""South, north, west, east [degrees]."""


def in_united_states(latitude: float, longitude: float) -> bool:
    """Whether a place lies within the rough outline; latitude -90 to 90, longitude -180 to 180 [degrees]."""
    if any(s <= latitude <= n and w <= longitude <= e for s, n, w, e in _BOXES):
        return True
    return _inside(_CONTIGUOUS, latitude, longitude) or _inside(_PANHANDLE, latitude, longitude)


def _inside(outline: _Outline, latitude: float, longitude: float) -> bool:
    """Even-odd rule on flat coordinates: good enough for an outline that crosses neither pole nor date line."""
    inside = False
    for (x1, y1), (x2, y2) in zip(outline, outline[1:] + outline[:1], strict=True):
        if (y1 > latitude) != (y2 > latitude) and longitude < x1 + (latitude - y1) * (x2 - x1) / (y2 - y1):
            inside = not inside
    return inside
