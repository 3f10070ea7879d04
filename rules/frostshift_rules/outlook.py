"""Steel and air through the hours of a forecast, with cold side and warm side, for the parts of some joints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from frostshift_rules import steel, surroundings
from frostshift_rules.calls import Flags, Ints, Sides, Spread, Windows, doubt_k, share_below, spread_of, with_doubt
from frostshift_rules.job import Joint, Reading, Site
from frostshift_rules.members import MemberSteel
from frostshift_rules.surroundings import Floats, Hours, Surroundings
from frostshift_rules.workload import Weather

HEATED_K: Final = 10.0
"""A reading so far above the predicted warm side is of steel that has been heated [K]. Our choice."""

READING_COUNTS_H: Final = 24.0
"""A reading older than this at the start of the forecast no longer counts as a start value [h]. Our choice."""


@dataclass(frozen=True)
class OutlookMembers:
    """The members behind an outlook.

    Attributes:
        count: number of members.
        steel: of each member.
        kinds: of each row of `Outlook.steel`, the classes in `steel` of which the colder counts.
    """

    count: int
    steel: MemberSteel
    kinds: tuple[tuple[int, ...], ...]


@dataclass(frozen=True)
class Outlook:
    """Steel and air through the hours of a forecast.

    Attributes:
        hours: the forecast.
        around: surroundings of each joint.
        part_class, part_joint: row in `steel` and joint of each part, the parts of a joint together.
        first_part: the first part of each joint.
        steel: of each class of like parts [class, hour].
        air: [1, hour].
        start_weight: share of the start value's error that is left [class, hour].
        wet, frost: dew or frost settles [class, hour]; says nothing where not `wet_known`.
        left_out: marks whose newest reading is of heated steel and was left out.
        members: of the forecast's ensemble; None where it has none.
    """

    hours: Hours
    around: tuple[Surroundings, ...]
    part_class: Ints
    part_joint: Ints
    first_part: Ints
    steel: Sides
    air: Sides
    start_weight: Floats
    wet: Flags
    frost: Flags
    wet_known: Flags
    left_out: tuple[str, ...]
    members: OutlookMembers | None = None

    def parts_of(self, joint: int) -> slice:
        """The parts of a joint in `part_class` and `part_joint`."""
        last = joint + 1
        return slice(
            int(self.first_part[joint]),
            int(self.first_part[last]) if last < len(self.first_part) else len(self.part_joint),
        )

    def of_joints(self, joints: Sequence[int]) -> Outlook:
        """The same for some of its joints, in the order given; one may stand there more than once."""
        numbers = np.array(joints, dtype=np.intp)
        ends = np.append(self.first_part[1:], len(self.part_class))
        counts = (ends - self.first_part)[numbers]
        first = np.cumsum(counts) - counts
        part = np.arange(int(counts.sum())) + np.repeat(self.first_part[numbers] - first, counts)
        return replace(
            self,
            around=tuple(self.around[number] for number in joints),
            part_class=self.part_class[part],
            part_joint=np.repeat(np.arange(len(numbers)), counts),
            first_part=first,
        )

    def coldest_class(self, joint: int) -> int:
        """The class of the joint's part that is coldest over the forecast, on the cold side."""
        rows = self.part_class[self.parts_of(joint)]
        lows = np.where(np.isnan(self.steel.cold_c[rows]), np.inf, self.steel.cold_c[rows]).min(axis=1)
        return int(rows[np.argmin(lows)])


def outlook(
    site: Site,
    joints: Sequence[Joint],
    weather: Weather,
    hours: Hours,
    readings: Sequence[Reading],
    others: Sequence[Joint] = (),
) -> Outlook:
    """Predict steel and air for every part of the joints.

    The newest reading of a joint re-anchors it, and the newest of all re-anchors every like part whose own joint has
    none; a reading on one of the `others` (joints that are done, say) counts for parts like its own too. One taken in a
    heated shelter, or on a joint of unlike parts, speaks for no other joint. Where the parts are unlike, nobody knows
    which of them a reading is of: it may make them colder, not warmer than predicted. One far above the prediction is
    of heated steel and left out. Readings of the day before the forecast begins count as start values, together with
    the last nights' low that the site typed.

    The cold side of a joint in the sun is that of the same joint in the shade, and so are dew and frost on it. The cold
    side of a joint in a shelter is not above that of the same joint without: the shelter may be put up only just before
    welding.

    The members of the forecast widen both sides of steel and air by their outer quantiles, beyond the doubt; the likely
    figure stays that of the forecast. In an hour for which no member is known the sides are those of the doubt.
    """
    around = tuple(surroundings.surroundings_of(joint, site) for joint in joints)
    start_c, newest = _from_readings(site, hours, readings)
    index: dict[tuple[steel.SteelClass, Reading | None], int] = {}
    of_class: dict[steel.SteelClass, Reading] = {}
    part_class: list[int] = []
    part_joint: list[int] = []
    first_part: list[int] = []
    mixed: list[int] = []
    for number, (joint, stands) in enumerate(zip(joints, around, strict=True)):
        own = newest.get(joint.mark)
        first_part.append(len(part_class))
        for part in joint.parts:
            alike = steel.steel_class(part.thickness_mm, stands)
            part_class.append(index.setdefault((alike, own), len(index)))
            part_joint.append(number)
            _note_newest(of_class, alike, own if _speaks_for_others(joint) else None)
        rows = sorted(set(part_class[first_part[-1] :]))
        mixed += rows if own is not None and len(rows) > 1 else []
    for joint in others:
        for part in joint.parts if joint.mark in newest and _speaks_for_others(joint) else ():
            alike = steel.steel_class(part.thickness_mm, surroundings.surroundings_of(joint, site))
            _note_newest(of_class, alike, newest[joint.mark])
    classes = [alike for alike, _ in index]
    counts = [own or of_class.get(alike) for alike, own in index]
    sunny = [row for row, alike in enumerate(classes) if alike.surroundings.sun]
    shaded = [_with_surroundings(classes[row], sun=False) for row in sunny]
    sheltered = [row for row, alike in enumerate(classes) if alike.surroundings.shelter_wind_ms is not None]
    bare = [_with_surroundings(classes[row], sun=False, shelter_wind_ms=None) for row in sheltered]
    counts += [counts[row] for row in sunny + sheltered]
    read = [row for row, reading in enumerate(counts[: len(classes)]) if reading is not None]
    unread = [_with_surroundings(classes[row], sun=False) for row in read]
    everything = classes + shaded + bare + unread
    least_rain_mm_h = site.choices.least_rain_mm_h
    anchors = {row: (hours.position(r.at_utc), r.steel_c) for row, r in enumerate(counts) if r is not None}
    predicted = steel.predict(
        hours,
        everything,
        latitude=site.latitude,
        longitude=site.longitude,
        h_band=site.choices.h_band,
        least_rain_mm_h=least_rain_mm_h,
        start_c=start_c,
        anchors=anchors,
    )
    issued_utc = weather.issued_utc or weather.fetched_utc or hours.start_utc
    half_width_k = doubt_k(hours.start_utc, len(hours), issued_utc, weather.late_by_h, site.choices)
    air_c = hours.air_c[None, :]
    n = len(classes)
    start_weight = predicted.start_weight
    of_shaded, of_bare, of_unread = np.split(np.arange(n, len(everything)), np.cumsum([len(shaded), len(bare)]))
    of_members = (
        MemberSteel(
            hours, weather.members, everything, least_rain_mm_h=least_rain_mm_h, start_c=start_c, anchors=anchors
        )
        if weather.members is not None
        else None
    )
    in_shade_c = predicted.steel_c.copy()  # the members' steel knows no sun
    in_shade_c[sunny] = in_shade_c[of_shaded]
    steel_spread, air_spread = _spreads(of_members, in_shade_c, air_c)
    predicted_c = (predicted.steel_c, predicted.coldest_c, predicted.warmest_c, half_width_k)
    sides = with_doubt(*predicted_c, steel_spread)
    warm_alone_c = with_doubt(*predicted_c).warm_c  # a warm member lets no reading of heated steel pass
    # Sun lifts the likely figure away from the envelope's cold end, and doubts that add as squares would follow it up.
    sides.cold_c[sunny] = sides.cold_c[of_shaded]
    for settled in (predicted.wet, predicted.frost):  # nor does a sun that may not shine keep dew and frost off
        settled[sunny] = settled[of_shaded]
    left_out = set()
    kinds: list[tuple[int, ...]] = [(row,) for row in range(n)]
    for row, twin in zip(read, of_unread.tolist(), strict=True):
        reading = counts[row]
        if reading is None or not _is_heated(reading, hours, warm_alone_c[twin]):
            continue
        left_out.add(reading.mark)
        kinds[row] = (twin,)
        for values in (sides.cold_c, sides.likely_c, sides.warm_c, start_weight):
            values[row] = values[twin]
    twin_of = dict(zip(read, of_unread.tolist(), strict=True))
    for rows, others_of in ((sheltered, of_bare.tolist()), (mixed, [twin_of[row] for row in mixed])):
        sides.cold_c[rows] = np.minimum(sides.cold_c[rows], sides.cold_c[others_of])
        start_weight[rows] = np.maximum(start_weight[rows], start_weight[others_of])
        kinds = _colder_of(kinds, rows, others_of)
    return Outlook(
        hours=hours,
        around=around,
        part_class=np.array(part_class, dtype=np.intp),
        part_joint=np.array(part_joint, dtype=np.intp),
        first_part=np.array(first_part, dtype=np.intp),
        steel=sides.each(lambda values: values[:n]),
        air=with_doubt(air_c, air_c, air_c, half_width_k, air_spread),
        start_weight=start_weight[:n],
        wet=predicted.wet[:n],
        frost=predicted.frost[:n],
        wet_known=~np.isnan(predicted.steel_c[:n]),
        left_out=tuple(sorted(left_out)),
        members=None if of_members is None else OutlookMembers(of_members.count, of_members, tuple(kinds)),
    )


def _spreads(
    of_members: MemberSteel | None, likely_c: Floats, air_c: Floats
) -> tuple[Spread, Spread] | tuple[None, None]:
    """How far the members' steel and air reach from the likely figures; None without members."""
    if of_members is None:
        return None, None
    of_steel, of_air = of_members.quantiles(), of_members.air_quantiles()
    return spread_of(likely_c, of_steel.low_c, of_steel.high_c), spread_of(air_c, of_air.low_c, of_air.high_c)


def _colder_of(kinds: list[tuple[int, ...]], rows: list[int], others: list[int]) -> list[tuple[int, ...]]:
    """`kinds` in which one more class counts for some rows."""
    other_of = dict(zip(rows, others, strict=True))
    return [(*kind, other_of[row]) if row in other_of else kind for row, kind in enumerate(kinds)]


def chances(field: Outlook, span: Windows, threshold_c: Floats) -> Floats:
    """Share of the members whose steel falls below each joint's threshold within its window, on any part [joint].

    NaN: there are no members, an hour is missing in the forecast or in one of them, or the threshold is unknown.
    """
    if field.members is None or not len(threshold_c):
        return np.full(len(threshold_c), np.nan)
    first, last = span.index[:, 0], span.index[:, 0] + span.inside.sum(axis=1) - 1
    last = np.clip(last, first, len(field.hours) - 1)
    of_part = field.part_joint
    least_c = field.members.steel.least(field.members.kinds, field.part_class, first[of_part], last[of_part])
    least_c = np.minimum.reduceat(least_c, field.first_part, axis=0)
    least_c[span.missing.any(axis=1)] = np.nan
    return share_below(least_c, threshold_c)


def _is_heated(reading: Reading, hours: Hours, warm_c: Floats) -> bool:
    """Whether a reading lies so far above the predicted warm side that the steel must have been heated."""
    at_h = np.array([hours.position(reading.at_utc)])
    expected_c = between(warm_c[None, :], np.zeros(1, dtype=np.intp), at_h)[0]
    return bool(reading.steel_c > expected_c + HEATED_K)  # False where nothing is known to hold it against


def _with_surroundings(alike: steel.SteelClass, **fields: Any) -> steel.SteelClass:
    return replace(alike, surroundings=replace(alike.surroundings, **fields))


def _speaks_for_others(joint: Joint) -> bool:
    """Whether a reading on it says something about like parts elsewhere.

    Steel in a heated shelter is warmer than like steel outside, and of unlike parts nobody knows which was measured.
    """
    heated = joint.shelter is not None and joint.shelter.air_c is not None
    return not heated and len({part.thickness_mm for part in joint.parts}) == 1


def _note_newest(of_class: dict[steel.SteelClass, Reading], alike: steel.SteelClass, own: Reading | None) -> None:
    if own is not None and (alike not in of_class or of_class[alike].at_utc < own.at_utc):
        of_class[alike] = own


def _from_readings(site: Site, hours: Hours, readings: Sequence[Reading]) -> tuple[float | None, dict[str, Reading]]:
    """Start value of the whole forecast, and the newest reading of each mark since the forecast begins."""
    starts_c = [] if site.last_nights_low_c is None else [site.last_nights_low_c]
    newest: dict[str, Reading] = {}
    for reading in sorted((r for r in readings if r.is_of_cold_steel), key=lambda r: r.at_utc):
        position_h = hours.position(reading.at_utc)
        if position_h >= 0.0:
            newest[reading.mark] = reading
        elif position_h >= -READING_COUNTS_H:
            starts_c.append(reading.steel_c)
    return min(starts_c, default=None), newest


def between(values: Floats, rows: Ints, position_h: Floats) -> Floats:
    """Values [class, hour] of the given rows at positions between two hours, linear; NaN beyond the forecast."""
    last = values.shape[1] - 1
    low = np.clip(np.floor(position_h), 0, max(last - 1, 0)).astype(np.intp)
    share = position_h - low
    first, second = values[rows, low], values[rows, np.minimum(low + 1, last)]
    mixed = np.where(share == 0.0, first, np.where(share == 1.0, second, first + share * (second - first)))
    return np.where((position_h >= 0.0) & (position_h <= last), mixed, np.nan)
