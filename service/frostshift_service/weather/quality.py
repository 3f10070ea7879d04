"""How each value of the hourly record came about: a mark for every field and hour.

A value is NaN exactly where its mark is `MISSING`. The store keeps the marks of a field as runs of words: ("native",
53), ("interpolated", 150).
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from frostshift_rules.surroundings import Floats, Hours
from frostshift_service.store.packing import SERIES
from frostshift_service.store.records import Runs

Marks = Mapping[str, NDArray[np.uint8]]
"""Field name of `Hours` -> one `Mark` an hour."""


class Mark(IntEnum):
    """How a value came about; the higher the worse."""

    NATIVE = 0
    """As the feed gives it for the hour."""
    INTERPOLATED = 1
    """Run between two values of the feed."""
    SPREAD = 2
    """Share of an amount that the feed gives for several hours."""
    ESTIMATED = 3
    """Worked out by us from other values."""
    MISSING = 4
    """Unknown."""

    @property
    def word(self) -> str:
        """The mark as the store and the pages write it."""
        return self.name.lower()


def same_mark(count: int, mark: Mark = Mark.NATIVE) -> NDArray[np.uint8]:
    """One mark for `count` hours."""
    return np.full(count, mark, dtype=np.uint8)


def with_missing(marks: NDArray[np.uint8], values: Floats) -> NDArray[np.uint8]:
    """The marks with `MISSING` where the value is NaN; one that was missing and has a value counts as estimated."""
    filled = np.where(marks == Mark.MISSING, Mark.ESTIMATED, marks)
    return np.where(np.isnan(values), Mark.MISSING, filled).astype(np.uint8)


def mark_at(marks: Marks, name: str, index: int) -> Mark | None:
    """The mark of a field at an hour of the record; None outside the record, and where nobody marked the field."""
    column = marks.get(name)
    return Mark(int(column[index])) if column is not None and 0 <= index < len(column) else None


def worst(marks: Marks, name: str) -> Mark | None:
    """The worst mark among the hours that have a value, `MISSING` where none has one; None: no hours, or unmarked."""
    column = marks.get(name)
    if column is None or not len(column):
        return None
    known = column[column != Mark.MISSING]
    return Mark(int(known.max())) if len(known) else Mark.MISSING


def runs_of(marks: Marks) -> dict[str, Runs]:
    """The marks as runs of words, for the store and for JSON."""
    found = {}
    for name, column in marks.items():
        starts = np.flatnonzero(np.diff(column, prepend=255)).tolist()  # no mark is 255: the first hour starts a run
        lengths = np.diff([*starts, len(column)]).tolist()
        found[name] = tuple((Mark(int(column[i])).word, n) for i, n in zip(starts, lengths, strict=True))
    return found


def marks_of(quality: Mapping[str, Runs], hours: Hours) -> dict[str, NDArray[np.uint8]]:
    """The marks from what the store kept beside `hours`; fields it says nothing of are left out.

    What is missing is seen from the values: forecasts that were kept before every hour had its mark say one word for
    the whole field.

    Raises:
        ValueError: a word that is no mark, or marks for another number of hours.
    """
    by_word = {mark.word: mark for mark in Mark}
    found = {}
    for name in SERIES:
        if name not in quality:
            continue
        runs = quality[name]
        unknown = sorted({word for word, _ in runs} - by_word.keys())
        count = sum(n for _, n in runs)
        if unknown or count != len(hours):
            raise ValueError(f"quality of {name}: {unknown or count}, expected marks for {len(hours)} hours")
        column = np.repeat(np.array([by_word[word] for word, _ in runs], dtype=np.uint8), [n for _, n in runs])
        found[name] = with_missing(column, getattr(hours, name))
    return found
