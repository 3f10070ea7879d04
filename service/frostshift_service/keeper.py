"""What was made from something that does not change, kept and made once where several ask for it at the same time."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from threading import Lock
from typing import Any, Final, TypeVar
from weakref import ReferenceType

T = TypeVar("T")

MOST: Final = 48
"""Things kept; those that were asked for last. A sheet of thousands of joints is a few megabytes. Our choice."""


@dataclass(slots=True)
class _Kept:
    """A thing, with what it was made from: as long as that is held here, nothing else can have its identity."""

    source: object
    making: Lock = field(default_factory=Lock)
    made: Any = None
    done: bool = False

    @property
    def is_over(self) -> bool:
        """Whether it was made from something that is gone, so that nobody can ask for it again."""
        return isinstance(self.source, ReferenceType) and self.source() is None


class Keeper:
    """Things by what they were made from (one object, the very same) and by everything else that they hang on.

    Nothing in here is ever brought up to date: another source or another key is another thing. What may change, such as
    the state of a joint, has to stand in the key by something that was read from the store for this request.
    """

    def __init__(self, most: int = MOST) -> None:
        self._most = most
        self._kept: OrderedDict[tuple[int, Hashable], _Kept] = OrderedDict()
        self._looking = Lock()

    def get(self, source: object, key: Hashable, make: Callable[[], T]) -> T:
        """The thing of this source and key, made where it is not kept; an error is raised and not kept.

        Args:
            source: an object that does not change. It stays in memory with the thing; a `weakref.ref` to it does not
                keep it there, is the same one as long as the object is, and takes the thing with it.
            key: whatever else the thing hangs on.
            make: makes it; may ask for other things, never for this one.
        """
        place = id(source), key
        with self._looking:
            one = self._kept.setdefault(place, _Kept(source))
            self._kept.move_to_end(place)
            for gone in [place for place, kept in self._kept.items() if kept.is_over]:
                del self._kept[gone]
            while len(self._kept) > self._most:
                self._kept.popitem(last=False)
        with one.making:
            if not one.done:
                one.made, one.done = make(), True
            made: T = one.made
            return made
