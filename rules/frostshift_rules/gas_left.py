"""Gas left in the cylinders of one kind that are in use: what is known of it between two weighings.

A weighing is exact. After it, what is connected brings its nominal contents, and what is reported as used lowers the
rest. Two things open a doubt: cylinders that nobody weighed when the ledger was opened (empty to full), and cylinders
that were taken off, of which nobody knows what was left in them. Reports of gas used come late more often than not,
so that gas which went off with a cylinder is kept in mind for reports that still come; the low end does not rely on it.

The rules of this book are our choice, without a source.
"""

from __future__ import annotations

from typing import Final

from frostshift_rules.workload import Range

NOISE_KG: Final = 1e-6
"""Float noise of sums [kg]."""
OVER_NOMINAL: Final = 1.05
"""A scale and a filling may be off by this much upwards (our choice): net gas up to it times the nominal contents."""


class GasLeft:
    """A running book of the gas in use; its movements are told to it in the order of their time.

    The three ends may run below zero, so that a report that was told before the connection it belongs to does no
    harm; `range_kg` shows none below zero and `beyond_kg` says by how much.

    Attributes:
        in_use: cylinders in use.
        found_kg: gas that weighings found beyond the high end, all together [kg].
        last_found_kg: the same of the last weighing [kg].
    """

    def __init__(self, contents_kg: float) -> None:
        """`contents_kg` is what one cylinder holds when it is full [kg]."""
        self._contents_kg = contents_kg
        self._low_kg = self._likely_kg = self._high_kg = 0.0
        # The ends if nothing had gone off with a cylinder: late reports are taken from the difference first.
        self._likely_book_kg = self._high_book_kg = 0.0
        self.in_use = 0
        self.found_kg = 0.0
        self.last_found_kg = 0.0

    def unweighed(self, cylinders: int) -> None:
        """So many more are in use, and nobody knows how full they are."""
        self.in_use += cylinders
        most_kg = cylinders * self._contents_kg
        self._add(0.0, most_kg / 2.0, most_kg)

    def connected(self, cylinders: int) -> None:
        """So many more are in use, and they were full."""
        self.in_use += cylinders
        self._add(*[cylinders * self._contents_kg] * 3)

    def taken_off(self, cylinders: int) -> None:
        """So many are in use no more, and what was left in them is not known: each no more than in one that stays."""
        self.in_use -= cylinders
        self._fit()
        stay = max(self.in_use, 0)
        if self._low_kg > 0.0:
            self._low_kg *= stay / (stay + cylinders)

    def returned(self, cylinders: int, residual_kg: float) -> None:
        """So many went back with `residual_kg` in them, all together [kg]."""
        self.in_use -= cylinders
        self._add(*[-residual_kg] * 3)
        self._fit()

    def used(self, used_kg: float) -> None:
        """So much was burned [kg]."""
        self._low_kg -= used_kg
        self._likely_book_kg -= used_kg
        self._high_book_kg -= used_kg
        self._likely_kg = min(self._likely_kg, self._likely_book_kg)
        self._high_kg = min(self._high_kg, self._high_book_kg)

    def weighed(self, left_kg: float) -> None:
        """So much is left in all that are in use [kg]: what was before no longer matters."""
        self.last_found_kg = max(0.0, left_kg - self._high_kg)
        self.found_kg += self.last_found_kg
        self._low_kg = self._likely_kg = self._high_kg = left_kg
        self._likely_book_kg = self._high_book_kg = left_kg

    @property
    def beyond_kg(self) -> float:
        """By how much what was used and returned is more than there can have been since the last weighing [kg]."""
        return -self._high_kg if self._high_kg < -NOISE_KG else 0.0

    @property
    def over_kg(self) -> float:
        """By how much the high end is more than the cylinders in use can hold [kg]; the range is cut to that."""
        over_kg = self._high_kg - self._most_kg()
        return over_kg if over_kg > NOISE_KG else 0.0

    def range_kg(self) -> Range:
        """What is left in use, low, likely and high [kg]; from 0 to what the cylinders in use can hold."""
        most_kg = self._most_kg()
        return Range(*(min(max(0.0, end), most_kg) for end in (self._low_kg, self._likely_kg, self._high_kg)))

    def _most_kg(self) -> float:
        return max(self.in_use, 0) * self._contents_kg * OVER_NOMINAL

    def _add(self, low_kg: float, likely_kg: float, high_kg: float) -> None:
        self._low_kg += low_kg
        self._likely_kg += likely_kg
        self._likely_book_kg += likely_kg
        self._high_kg += high_kg
        self._high_book_kg += high_kg

    def _fit(self) -> None:
        """Cut the ends to what the cylinders that stay can hold.

        Where even the low end is above it, gas was burned that no report tells of yet: the others may be as empty.
        """
        most_kg = max(self.in_use, 0) * self._contents_kg
        self._high_kg = min(self._high_kg, most_kg)
        if self.in_use <= 0:
            self._low_kg = self._likely_kg = self._high_kg
            self._likely_book_kg = max(self._likely_book_kg, self._likely_kg)
        elif self._low_kg > most_kg + NOISE_KG:
            self._low_kg, self._likely_kg = 0.0, self._high_kg / 2.0
        else:
            self._low_kg = min(self._low_kg, most_kg)
            self._likely_kg = min(self._likely_kg, most_kg)
