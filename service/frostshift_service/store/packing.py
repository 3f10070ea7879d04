"""Values to bytes and back: hours exactly, NaN included; records as compressed JSON."""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Iterator
from dataclasses import fields
from datetime import datetime
from typing import Any, Final, Generic, TypeVar

import numpy as np
from pydantic import TypeAdapter

from frostshift_rules.surroundings import Hours

T = TypeVar("T")

SERIES: Final = tuple(field.name for field in fields(Hours) if field.name != "start_utc")
"""The series of `Hours`, in order."""


def pack_hours(hours: Hours) -> bytes:
    """`hours` as a line of JSON (start, names of the series) and the zlib of one little-endian float64 block.

    Exact, so that a plan made from stored hours can be reproduced to the last digit.

    Raises:
        ValueError: series of different lengths, or a start that is not aware or not on the full hour.
    """
    start = hours.start_utc
    if start.utcoffset() is None or (start.minute, start.second, start.microsecond) != (0, 0, 0):
        raise ValueError(f"hours start at {start.isoformat()}, expected a full hour with its time zone")
    block = np.stack([np.asarray(getattr(hours, name), dtype="<f8") for name in SERIES])
    head = json.dumps({"start_utc": start.isoformat(), "series": SERIES})
    return head.encode() + b"\n" + zlib.compress(block.tobytes())


def unpack_hours(packed: bytes) -> Hours:
    """The hours that were packed. A series that did not exist when they were packed is missing (NaN) throughout."""
    head, _, body = packed.partition(b"\n")
    about: dict[str, Any] = json.loads(head)
    block = np.frombuffer(zlib.decompress(body), dtype="<f8").reshape(len(about["series"]), -1)
    rows = dict(zip(about["series"], block, strict=True))
    missing = np.full(block.shape[1], np.nan)
    return Hours(datetime.fromisoformat(about["start_utc"]), *(rows.get(name, missing).copy() for name in SERIES))


class Packing(Generic[T]):
    """Records of one type as zlib-compressed JSON and back; NaN and infinity are kept, numpy numbers become plain."""

    def __init__(self, kind: type[T]) -> None:
        """Read the fields of `kind`, a dataclass."""
        # A dataclass takes no settings of its own from outside, but one inside a tuple does.
        self._adapter: TypeAdapter[Any] = TypeAdapter(tuple[kind], config={"ser_json_inf_nan": "constants"})  # type: ignore[valid-type]

    def pack(self, value: T) -> bytes:
        """The record as bytes.

        Raises:
            pydantic_core.PydanticSerializationError: a value of the wrong kind, such as text for a number.
        """
        # Level 1: a plan of thousands of joints is packed each time the weather changes, and read rarely.
        return zlib.compress(self._adapter.dump_json((value,), warnings="error"), 1)

    def unpack(self, packed: bytes) -> T:
        """The record that was packed, checked against its type."""
        value: T = self._adapter.validate_json(zlib.decompress(packed))[0]
        return value


def plain(adapter: TypeAdapter[T], value: T) -> dict[str, Any]:
    """A record as plain JSON values for a JSON column, made sure to read back as it was.

    Raises:
        ValueError: a value of the wrong kind, or a number that is not finite.
    """
    values: dict[str, Any] = adapter.dump_python(value, mode="json", warnings="error")
    for name, number in _numbers(values):
        if not math.isfinite(number):
            raise ValueError(f"{name} is {number}, expected a number")
    if adapter.validate_json(json.dumps(values)) != value:
        raise ValueError("a value of the wrong kind")
    return values


def _numbers(value: Any, name: str = "") -> Iterator[tuple[str, float]]:
    """The floats inside JSON values, each with its name such as `parts.1.thickness_mm`."""
    if isinstance(value, float):
        yield name, value
    elif isinstance(value, dict | list):
        for key, item in value.items() if isinstance(value, dict) else enumerate(value, 1):
            yield from _numbers(item, f"{name}.{key}" if name else str(key))
