"""Steel temperature of every member of an ensemble forecast, by classes.

Only the model's own figure is run, not its variants: [hour, class, member] in single precision, the exchange with the
surroundings once per surroundings, member and hour, one pass of numpy over classes and members per half hour. Classes
are worked in blocks, so that memory does not grow with their number; what leaves a block is quantiles and, for the
chance, the least of each window.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.steel import (
    DENSITY_KG_M3,
    Anchors,
    Flags,
    Half,
    Knots,
    SteelClass,
    begins_of,
    first_steel_c,
    halves_of,
    rain_stamps,
    standing_of,
    usable_anchors,
)
from frostshift_rules.surroundings import Floats, Hours, Members, Singles, sky_c, wet_bulb_c, wind_at_joint_ms

Ints = NDArray[np.intp]

TAIL: Final = 0.05
"""Share of the members left out beyond the cold and the warm quantile: two of 51 on either side, none of 20.

Our choice. The quantile is a member's own value, the outer one where it falls between two."""

BLOCK_VALUES: Final = 4_000_000
"""Most steel temperatures held at a time: 16 MB."""

BLOCK_SURROUNDINGS: Final = 16
"""Most surroundings whose exchange is held at a time: 6 MB for 51 members over 240 hours."""


@dataclass(frozen=True)
class Quantiles:
    """Of the members at each hour [°C]; NaN: no member is known there.

    A missing member counts as colder than all others for the cold end and as warmer for the warm end. Where too many
    are missing to say, the ends are the coldest and the warmest of the known.
    """

    low_c: Floats
    middle_c: Floats
    high_c: Floats


def quantiles_of(values: Singles) -> Quantiles:
    """Quantiles over the last axis: `TAIL` outwards, the middle (the colder of two), and `TAIL` from the other end."""
    ranked = np.sort(values, axis=-1)  # missing ones come last
    count = values.shape[-1]
    outside = int(TAIL * (count - 1))
    if not np.isnan(ranked[..., -1]).any():
        picked = [ranked[..., rank] for rank in (outside, (count - 1) // 2, count - 1 - outside)]
    else:
        known = count - np.isnan(ranked).sum(axis=-1, keepdims=True)
        first = np.maximum(outside - (count - known), 0)
        last = np.maximum(known - 1, 0)
        ranks = (np.minimum(first, last), last // 2, np.maximum(last - first, 0))
        picked = [np.take_along_axis(ranked, rank, axis=-1)[..., 0] for rank in ranks]
    return Quantiles(*(one.astype(np.float64) for one in picked))


class MemberSteel:
    """Steel of every member for some classes. Without sun, which never argues heat away; wetted by the forecast's rain.

    Where the likely figure of the forecast starts anew, the members do; before a member begins it takes the hours of
    the forecast, and its steel is unknown there. After a hole of its own a member is unknown, up to a reading.
    """

    def __init__(
        self,
        hours: Hours,
        members: Members,
        classes: Sequence[SteelClass],
        *,
        least_rain_mm_h: float,
        start_c: float | None = None,
        anchors: Mapping[int, tuple[float, float]] | None = None,
    ) -> None:
        """Take what `predict` takes, and the members on the axis of `hours`."""
        self._stand = standing_of(classes)
        self._start_c = start_c
        self.count = len(members)
        self._air_given = members.air_c
        here = np.isfinite(members.air_c + members.dew_c + members.wind_10m_ms).T
        self._own: Flags = np.logical_or.accumulate(here, axis=0)

        def after_the_common(own: Singles, common: Floats) -> Floats:
            return np.where(self._own, own.T.astype(np.float64), common[:, None])

        self._air = after_the_common(members.air_c, hours.air_c)
        self._dew = after_the_common(members.dew_c, hours.dew_c)
        self._wind = after_the_common(members.wind_10m_ms, hours.wind_10m_ms)
        cloud = after_the_common(members.cloud, hours.cloud)
        self._sky = sky_c(self._air, self._dew, np.where(np.isnan(cloud), 0.0, cloud))
        stands = self._stand.surroundings
        known = np.isfinite(hours.air_c + hours.dew_c)[:, None] & np.isfinite(
            np.array([wind_at_joint_ms(hours.wind_10m_ms, one) for one in stands]).reshape(len(stands), len(hours)).T
        )
        self._begins = begins_of(known)
        self._anchors = usable_anchors(anchors or {}, self._stand.which, known)
        self._rain = rain_stamps(hours, least_rain_mm_h)

    @cached_property
    def _single_block(self) -> Singles | None:
        """The states of all classes where they fit into one block, for whoever asks next."""
        blocks = list(self._blocks(np.arange(len(self._stand.which))))
        return self._run(blocks[0]) if len(blocks) == 1 else None

    def quantiles(self) -> Quantiles:
        """Quantiles of each class [class, hour]."""
        shape = (len(self._stand.which), len(self._air))
        found = Quantiles(*(np.full(shape, np.nan) for _ in range(3)))
        for rows in self._blocks(np.arange(shape[0])):
            states = self._run(rows) if self._single_block is None else self._single_block
            of_hours = [quantiles_of(of_hour) for of_hour in states]  # an hour at a time stays in the cache
            for name in ("low_c", "middle_c", "high_c"):
                getattr(found, name)[rows] = np.array([getattr(one, name) for one in of_hours]).T
        return found

    def air_quantiles(self) -> Quantiles:
        """Quantiles of the air temperature [1, hour]."""
        return quantiles_of(self._air_given.T[None])

    def least(self, kinds: Sequence[tuple[int, ...]], kind: Ints, first: Ints, last: Ints) -> Singles:
        """Least steel of each member over a span of hours [span, member]; NaN where the member is unknown at one.

        Args:
            kinds: classes of which the colder counts, hour by hour.
            kind: of each span.
            first: hour of each span on the axis that it begins with.
            last: hour that it ends with.
        """
        found = np.empty((len(kind), self.count), dtype=np.float32)
        leads = np.array([classes[0] for classes in kinds], dtype=np.intp)
        for block in self._blocks(leads, share=max(map(len, kinds), default=1)):
            of_block = [kinds[i] for i in block.tolist()]
            states = self.states(np.concatenate([np.array(classes, dtype=np.intp) for classes in of_block]))
            lengths = np.array([len(classes) for classes in of_block])
            if lengths.max() > 1:
                states = np.minimum.reduceat(states, np.cumsum(lengths) - lengths, axis=1)
            place = np.full(len(kinds), -1, dtype=np.intp)
            place[block] = np.arange(len(block))
            spans = np.flatnonzero(place[kind] >= 0)
            found[spans] = _least_of_spans(states, place[kind[spans]], first[spans], last[spans])
        return found

    def states(self, rows: Ints) -> Singles:
        """Steel of some classes [hour, class, member] [°C]; as many as go into a block."""
        whole = self._single_block
        return self._run(rows) if whole is None else np.take(whole, rows, axis=1)

    def _blocks(self, classes: Ints, share: int = 1) -> Iterator[Ints]:
        """Places in `classes`, those in like surroundings together, in blocks that bound the memory."""
        size = max(1, BLOCK_VALUES // (share * max(1, len(self._air) * self.count)))
        which = self._stand.which[classes]
        order = np.argsort(which, kind="stable")
        for few in range(0, len(self._stand.surroundings), BLOCK_SURROUNDINGS):
            ours = order[(which[order] >= few) & (which[order] < few + BLOCK_SURROUNDINGS)]
            for begin in range(0, len(ours), size):
                yield np.sort(ours[begin : begin + size])

    # The steps

    def _run(self, rows: Ints) -> Singles:
        used, which = np.unique(self._stand.which[rows], return_inverse=True)
        halves = self._halves(used)
        view = self._stand.sky_view[used][which] > 0.0
        z_of = np.empty((len(rows), self.count), dtype=np.float32)
        z_of[:] = (-1800.0 / (DENSITY_KG_M3 * 1e-3 * self._stand.thickness_mm[rows]))[:, None]
        carried = self._carried(rows)
        states = np.empty((len(self._air), *z_of.shape), dtype=np.float32)
        first_c = first_steel_c(self._air, self._start_c).astype(np.float32)
        fresh = (
            begins_of(np.logical_or.accumulate(np.isfinite(self._air + self._dew)))[:, None]
            | self._begins[:, used, None]
        )
        starting: list[bool] = np.any(fresh, axis=(1, 2)).tolist()
        unknown = ~np.logical_and.reduce(self._own, axis=1)
        state = np.full_like(z_of, np.nan)
        step = _HalfStep(z_of)
        for hour in range(len(states)):
            if hour:
                for half in halves[hour - 1]:
                    step.advance(state, half, which)
            if starting[hour]:
                np.copyto(state, first_c[hour], where=fresh[hour][which])
            for place, steel_c in carried.get(hour, ()):
                state[place] = steel_c
            if self._rain[hour]:
                wet_bulb = wet_bulb_c(self._air[hour], self._dew[hour]).astype(np.float32)
                np.minimum(state, wet_bulb, out=state, where=view[:, None])
            states[hour] = state
            if unknown[hour]:
                np.copyto(states[hour], np.nan, where=~self._own[hour])
        return states

    def _knots(self, used: Ints) -> Knots:
        """Weather at every stamp [hour, surroundings, member]; one surroundings where it is the same for all."""
        wind = np.stack([wind_at_joint_ms(self._wind, self._stand.surroundings[i]) for i in used.tolist()], axis=1)
        return Knots(self._air[:, None], wind, self._sky[:, None], np.zeros((len(self._air), 1, 1)))

    def _halves(self, used: Ints) -> Singles:
        """Exchange, drive, linear and square of every half hour [hour - 1, half, 4, surroundings, member]."""
        found = np.empty((max(len(self._air) - 1, 0), 2, 4, len(used), self.count), dtype=np.float32)
        for place in range(len(used)):
            one = used[place : place + 1]
            knots = self._knots(one)
            start, end = (
                Knots(knots.air_c[s], knots.wind_ms[s], knots.sky_c[s], knots.sun_wm2[:-1])
                for s in (slice(None, -1), slice(1, None))
            )
            pair = halves_of(start, end, self._stand.sky_view[one][:, None], self._stand.emissivity[one][:, None])
            for half, of_half in enumerate(pair):
                for number, values in enumerate(_in_order(of_half)):
                    found[:, half, number, place] = values[:, 0]
        return found

    def _carried(self, rows: Ints) -> dict[int, list[tuple[int, Singles]]]:
        """Of each hour, the places in `rows` that go on from a reading, and the steel there of each member."""
        all_of, place = self._anchors, {row: i for i, row in enumerate(rows.tolist())}
        ours = np.array([row in place for row in all_of.row.tolist()], dtype=np.bool_)
        if not ours.any():
            return {}
        anchors = Anchors(all_of.row[ours], all_of.at_h[ours], all_of.steel_c[ours], all_of.stamp[ours])
        stands = np.arange(len(self._stand.surroundings))
        steel_c = anchors.carried_c(self._knots(stands), self._stand).astype(np.float32)
        found: dict[int, list[tuple[int, Singles]]] = {}
        for row, stamp, of_members in zip(anchors.row.tolist(), anchors.stamp.tolist(), steel_c, strict=True):
            found.setdefault(stamp, []).append((place[row], of_members))
        return found


def _in_order(half: Half) -> tuple[Floats, Floats, Floats, Floats]:
    return half.exchange_kgm2s, half.drive_c, half.linear_k, half.square_k


class _HalfStep:
    """Half an hour of `steel.hour_step` for classes and members at once, in place and without new arrays."""

    def __init__(self, z_of: Singles) -> None:
        """`z_of`: minus the seconds of the step over the mass of the plate [s m2/kg], [class, member]."""
        self._z_of = z_of
        self._taken = np.empty((4, *z_of.shape), dtype=np.float32)
        self._y, self._gone, self._part = (np.empty_like(z_of) for _ in range(3))

    def advance(self, state: Singles, half: Singles, which: Ints) -> None:
        """Steel at the end of the half from steel at its start.

        `half` [4, surroundings, member]: exchange, drive, linear, square; `which` surroundings each class has.
        """
        exchange, drive, linear, square = np.take(half, which, axis=1, out=self._taken, mode="clip")
        y, gone, part = self._y, self._gone, self._part
        np.multiply(exchange, self._z_of, out=y)
        np.exp(y, out=gone)
        np.subtract(1.0, gone, out=gone)
        np.reciprocal(y, out=y)  # -1/z
        # steel + square + a + gone (drive - steel - a/z) with a = linear - 2 square/z: `hour_step` with fewer passes.
        drive -= state
        state += square
        square *= y
        linear += square
        linear += square
        np.multiply(y, linear, out=part)
        drive += part
        drive *= gone
        state += linear
        state += drive


def _least_of_spans(states: Singles, place: Ints, first: Ints, last: Ints) -> Singles:
    """Least over hours `first` to `last` of the class at `place` [span, member]; uses `states` up.

    Any span is two overlapping ones of a power of two: minima over 1, 2, 4 ... hours are made one from the other.
    """
    found = np.empty((len(place), states.shape[2]), dtype=np.float32)
    level = np.log2(last - first + 1).astype(np.intp)
    for power in range(int(level.max(initial=-1)) + 1):
        width = 1 << power
        ours = np.flatnonzero(level == power)
        at = place[ours]
        found[ours] = np.minimum(states[first[ours], at], states[last[ours] - width + 1, at])
        for hour in range(len(states) - width):
            np.minimum(states[hour], states[hour + width], out=states[hour])
    return found
