"""What is in use at one moment: crews at their joints, torches and heaters of a kind, people who hold torches."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Final, Literal

UseKind = Literal["crew", "source", "hands"]

_SPAN: Final = timedelta(hours=6)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Use:
    """What one joint uses for a while.

    Attributes:
        mark: of the joint.
        kind: `crew`: a place at its crew, while it is welded; `source`: torches or heaters of a kind, and `hands`:
            people who hold torches, both as long as the sheet of the day has them in use.
        name: of the crew, of the kind of torches; empty: of people, whoever they are.
        begin_utc, end_utc: aware UTC.
        count: so many of it.
        most: so many there are for it, of which others may use some.
    """

    mark: str
    kind: UseKind
    name: str
    begin_utc: datetime
    end_utc: datetime
    count: int
    most: int


class InUse:
    """Uses, kept so that those of a moment are found without looking at all of them."""

    def __init__(self, uses: Iterable[Use] = ()) -> None:
        self._spans: defaultdict[tuple[UseKind, str, int], list[Use]] = defaultdict(list)
        for use in uses:
            self.add(use)

    def add(self, use: Use) -> None:
        """One more. One that lasts no time takes nothing from anybody."""
        if use.begin_utc < use.end_utc:
            for key in _keys(use):
                self._spans[key].append(use)

    def beside(self, use: Use) -> list[Use]:
        """Uses of the same that go on in some moment of one, itself left out where it is among them; each once."""
        found: dict[int, Use] = {}
        for key in _keys(use):
            for other in self._spans.get(key, ()):
                if other is not use and other.begin_utc < use.end_utc and use.begin_utc < other.end_utc:
                    found[id(other)] = other
        return list(found.values())

    def has_room(self, use: Use) -> bool:
        """Whether in every moment of one there is enough for it; more than there is at all, where it is alone."""
        fullest = fullest_moment(self.beside(use), use)
        return sum(one.count for one in fullest) + use.count <= max(use.most, use.count)


def _keys(use: Use) -> Iterator[tuple[UseKind, str, int]]:
    for span in range((use.begin_utc - _EPOCH) // _SPAN, (use.end_utc - _EPOCH) // _SPAN + 1):
        yield use.kind, use.name, span


def fullest_moment(beside: Sequence[Use], use: Use) -> list[Use]:
    """Those of some uses that go on at the moment of one in which most is used; the first such moment."""
    moments = sorted({max(other.begin_utc, use.begin_utc) for other in beside})
    at_each = [[one for one in beside if one.begin_utc <= at < one.end_utc] for at in moments]
    return max(at_each, key=lambda ones: sum(one.count for one in ones), default=[])
