"""Values to bytes and back: hours exactly, NaN included; records as compressed JSON."""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import fields
from datetime import datetime
from typing import Any, Final, Generic, TypeVar

import numpy as np
from pydantic import TypeAdapter

from frostshift_rules.surroundings import MEMBER_SERIES, Hours, Members, Singles

T = TypeVar("T")

SERIES: Final = tuple(field.name for field in fields(Hours) if field.name != "start_utc")
"""The series of `Hours`, in order."""

OF_MEMBERS: Final = tuple(name for name, _, _ in MEMBER_SERIES)
"""The series of `Members`, in order."""


def pack_hours(hours: Hours, members: Members | None = None) -> bytes:
    """`hours` as a line of JSON (start, names of the series) and the zlib of one little-endian float64 block.

    Exact, so that a plan made from stored hours can be reproduced to the last digit. The members of an ensemble on the
    same axis follow in the same zlib as float32, as exactly: a plan's cold side and chance hang on them.

    Raises:
        ValueError: series of different lengths, a start that is not aware or not on the full hour, or members on
            another axis than the hours.
    """
    start = hours.start_utc
    if start.utcoffset() is None or (start.minute, start.second, start.microsecond) != (0, 0, 0):
        raise ValueError(f"hours start at {start.isoformat()}, expected a full hour with its time zone")
    blocks = [np.stack([np.asarray(getattr(hours, name), dtype="<f8") for name in SERIES])]
    about: dict[str, Any] = {"start_utc": start.isoformat(), "series": SERIES}
    if members is not None:
        if (members.start_utc, members.air_c.shape[1]) != (start, len(hours)):
            raise ValueError(
                f"members from {members.start_utc.isoformat()}, {members.air_c.shape[1]} hours; expected those of the "
                f"forecast, from {start.isoformat()}, {len(hours)} hours"
            )
        blocks.append(np.stack([np.asarray(getattr(members, name), dtype="<f4") for name in OF_MEMBERS]))
        about |= {"members": len(members), "of_members": OF_MEMBERS}
    return json.dumps(about).encode() + b"\n" + zlib.compress(b"".join(block.tobytes() for block in blocks))


def holds_members(packed: bytes) -> bool:
    """Whether members were packed with the hours; reads the first line only."""
    return bool(json.loads(packed.partition(b"\n")[0]).get("members", 0))


def unpack_hours(packed: bytes) -> Hours:
    """The hours that were packed. A series that did not exist when they were packed is missing (NaN) throughout."""
    return unpack_weather(packed)[0]


def unpack_weather(packed: bytes) -> tuple[Hours, Members | None]:
    """The hours and the members that were packed; None where there were none. As `unpack_hours`."""
    head, _, body = packed.partition(b"\n")
    about: dict[str, Any] = json.loads(head)
    series, of_members, count = about["series"], about.get("of_members", []), about.get("members", 0)
    raw = zlib.decompress(body)
    n_hours = len(raw) // (8 * len(series) + 4 * count * len(of_members))
    missing = np.full(n_hours, np.nan)
    start, split = datetime.fromisoformat(about["start_utc"]), 8 * len(series) * n_hours
    rows = dict(zip(series, np.frombuffer(raw[:split], dtype="<f8").reshape(len(series), -1), strict=True))
    hours = Hours(start, *(rows.get(name, missing).copy() for name in SERIES))
    if not count:
        return hours, None
    blocks = np.frombuffer(raw[split:], dtype="<f4").reshape(len(of_members), count, n_hours)
    named = dict(zip(of_members, blocks, strict=True))
    unknown = np.full((count, n_hours), np.nan, dtype=np.float32)
    return hours, Members(start, *(named.get(name, unknown).copy() for name in OF_MEMBERS))


def pack_singles(rows: Mapping[str, Singles]) -> bytes:
    """Series of one length by name: a line of JSON (the names) and the zlib of one little-endian float32 block.

    Exact, NaN included.

    Raises:
        ValueError: no series, or series of different lengths.
    """
    block = np.stack([np.asarray(row, dtype="<f4") for row in rows.values()])
    return json.dumps(list(rows)).encode() + b"\n" + zlib.compress(block.tobytes())


def unpack_singles(packed: bytes) -> dict[str, Singles]:
    """The series that were packed, by name."""
    head, _, body = packed.partition(b"\n")
    names: list[str] = json.loads(head)
    block = np.frombuffer(zlib.decompress(body), dtype="<f4").reshape(len(names), -1)
    return {name: row.astype(np.float32) for name, row in zip(names, block, strict=True)}


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
