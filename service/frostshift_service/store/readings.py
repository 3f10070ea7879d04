"""Temperatures that were measured on joints."""

from __future__ import annotations

import math
from dataclasses import asdict
from datetime import datetime
from typing import Final, cast

from sqlmodel import Session, col, select

from frostshift_rules.job import Reading, Sense, Stage
from frostshift_rules.reading_check import Asked
from frostshift_service.store.joints import joint_row
from frostshift_service.store.packing import Packing
from frostshift_service.store.records import LATE_AFTER, KeptReading, Prediction, StoreError
from frostshift_service.store.sites import hold_site, touch
from frostshift_service.store.tables import ReadingRow

LIMITS_C: Final[dict[Stage, tuple[float, float]]] = {
    "before_heat": (-60.0, 60.0),
    "before_arc": (-60.0, 800.0),
    "between_passes": (-60.0, 800.0),
}
"""A reading lies in here, by when it was taken [°C]; our choice, asked for by every door."""


_PREDICTION: Final = Packing(Prediction)


class EntryKeyTaken(StoreError):
    """The key of an entry is that of another reading."""


def add_reading(
    session: Session,
    site_id: str,
    reading: Reading,
    *,
    now: datetime,
    note: str = "",
    entered_by: str = "",
    entry_key: str | None = None,
    asked: Asked | None = None,
    predicted: Prediction | None = None,
) -> KeptReading:
    """Keep a measured temperature; the same again with the same key is the one that is there.

    Only one that a prediction may go on from counts as a change to the site, as no plan hangs on any other
    or on one that comes late.

    Args:
        session: a writing session.
        site_id: the site.
        reading: what was measured.
        now: when it came.
        note: of whoever read it.
        entered_by: who was signed in, or by which link it came.
        entry_key: of the entry; the time of a reading may differ when it is sent again, nothing else.
        asked: what it is held against.
        predicted: what stood in the plan when it was taken; None: no plan of then knows the joint.

    Raises:
        UnknownSite, UnknownJoint: there is none.
        StoreError: the temperature is no number.
        EntryKeyTaken: the key is that of another reading.
    """
    if not math.isfinite(reading.steel_c):
        raise StoreError(f"reading on {reading.mark}: steel_c is {reading.steel_c}, expected a temperature in °C")
    hold_site(session, site_id)
    joint_row(session, site_id, reading.mark)
    there = None if entry_key is None else _by_key(session, site_id, entry_key)
    if there is not None:
        known = _kept(there)
        if _said(known.reading) != _said(reading):
            raise EntryKeyTaken(f"entry_key {entry_key} is that of another reading, on {known.reading.mark}")
        return known
    if reading.is_of_cold_steel and now - reading.at_utc <= LATE_AFTER:
        touch(session, site_id)
    row = ReadingRow(
        site_id=site_id,
        note=note,
        entered_utc=now,
        entered_by=entered_by,
        entry_key=entry_key,
        asked=None if asked is None else asdict(asked),
        predicted=None if predicted is None else _PREDICTION.pack(predicted),
        **asdict(reading),
    )
    session.add(row)
    session.flush()
    return _kept(row)


def prediction_of(session: Session, site_id: str, mark: str) -> Prediction | None:
    """What was predicted of a joint when it was first measured heated, else when it was last measured cold.

    None where no reading has a prediction with it.
    """
    wanted = select(ReadingRow.predicted).where(
        ReadingRow.site_id == site_id, ReadingRow.mark == mark, col(ReadingRow.predicted).is_not(None)
    )
    first = wanted.where(ReadingRow.stage != "before_heat").order_by(col(ReadingRow.at_utc), col(ReadingRow.id))
    last_cold = wanted.order_by(col(ReadingRow.at_utc).desc(), col(ReadingRow.id).desc())
    packed = session.exec(first.limit(1)).first() or session.exec(last_cold.limit(1)).first()
    return None if packed is None else _PREDICTION.unpack(packed)


def readings_of(
    session: Session,
    site_id: str,
    *,
    since_utc: datetime | None = None,
    mark: str | None = None,
    newest: int | None = None,
) -> list[KeptReading]:
    """Readings of a site in the order of their time; those at or after `since_utc`, of `mark`, the `newest` so many."""
    wanted = select(ReadingRow).where(ReadingRow.site_id == site_id)
    if since_utc is not None:
        wanted = wanted.where(ReadingRow.at_utc >= since_utc)
    if mark is not None:
        wanted = wanted.where(ReadingRow.mark == mark)
    wanted = wanted.order_by(col(ReadingRow.at_utc).desc(), col(ReadingRow.id).desc())
    if newest is not None:
        wanted = wanted.limit(newest)
    return [_kept(row) for row in reversed(session.exec(wanted).all())]


def before_heat_of(
    session: Session, site_id: str, *, since_utc: datetime, mark: str | None = None
) -> list[KeptReading]:
    """Readings before any heat at or after `since_utc`, of all joints or of `mark`, in the order of their time."""
    wanted = select(ReadingRow).where(
        ReadingRow.site_id == site_id, ReadingRow.stage == "before_heat", ReadingRow.at_utc >= since_utc
    )
    if mark is not None:
        wanted = wanted.where(ReadingRow.mark == mark)
    return [_kept(row) for row in session.exec(wanted.order_by(col(ReadingRow.at_utc), col(ReadingRow.id)))]


def _by_key(session: Session, site_id: str, entry_key: str) -> ReadingRow | None:
    return session.exec(
        select(ReadingRow).where(ReadingRow.site_id == site_id, ReadingRow.entry_key == entry_key)
    ).first()


def _said(reading: Reading) -> tuple[object, ...]:
    """What makes a reading another one; its time is that of sending less an age, which no two sendings give alike."""
    return reading.mark, reading.steel_c, reading.sense, reading.stage, reading.pass_no, reading.point, reading.by


def _kept(row: ReadingRow) -> KeptReading:
    assert row.id is not None
    reading = Reading(
        row.mark,
        row.steel_c,
        row.at_utc,
        row.instrument,
        row.by,
        cast(Stage, row.stage),
        cast(Sense, row.sense),
        row.pass_no,
        row.point,
    )
    asked = None if row.asked is None else Asked(**row.asked)
    return KeptReading(reading, row.note, row.entered_utc, row.entered_by, row.entry_key, asked, row.id)
