"""How the cross-section of a flange with its web answers to a pulse of heat.

A rolled or built-up member is a prism, so heat spreads along it and over its section independently: the response of a
member is the response of its section times the spread along it (Carslaw & Jaeger, Conduction of Heat in Solids,
2nd ed. 1959, 1.15, from memory). The section's response is a sum of decaying modes of half of it, by finite volumes:
no shape between plate and member has to be guessed, and the web draws heat exactly where it stands. The free edges of
the flange and the faces of the web lose heat to the air as well.

Valid for a flange with one web on its middle line, the flange up to a third as thick as wide and the web up to twice as
thick as the flange, no hole (the weld access hole in a web is left out: it makes the true time up to about 4 % shorter
on thin flanges, by the reference). The far end of the web is insulated: state its real clear depth, or half of it where
both flanges are heated at once. No more than `DEEPEST_WEB_M` of it is felt.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_SLOW: Final = 64
"""Modes that are mixed anew with the loss."""

Load = Literal["face", "both_faces", "end"]

DEEPEST_WEB_M: Final = 0.8
"""Heat does not get further down a web in the hours that a heating may take; deeper webs count as this [m]."""

_THROUGH_FLANGE: Final = 5
_OVER_WEB: Final = 2
_BESIDE_WEB: Final = 14
_DOWN_WEB: Final = 24
_WEB_GRADE: Final = 1.7
"""Cells through the flange, over half the web, beside it, and down the web, which grow away from the flange."""


@dataclass(frozen=True)
class Modes:
    """Modes of half a section, insulated, for unit diffusivity.

    Attributes:
        decay: decay rates [1/m2], [modes].
        shape: [cells, modes]; the squares of a mode times the cells' areas sum to 1.
        area_m2: of the cells.
        open_m: length of each cell's outline that lies open to the air.
        y_m: middles of the flange's columns of cells, from the web's middle line.
        wide_m: widths of the columns.
        over_web: columns that stand over the web.
        through: rows of cells through the flange.
        deep_m: of a flange cell, through the flange.
        web_first_m: of the first web cell, down the web.
    """

    decay: Floats
    shape: Floats
    area_m2: Floats
    open_m: Floats
    y_m: Floats
    wide_m: Floats
    over_web: int
    through: int
    deep_m: float
    web_first_m: float

    def losing(self, edge_loss: float, damping: float) -> Modes:
        """The modes with loss from all open outlines, beyond an even `damping` of the whole section.

        The slow modes are mixed anew (Rayleigh and Ritz); the fast ones, gone before any loss is felt, only decay
        faster.

        Args:
            edge_loss: loss over conductivity [1/m].
            damping: even loss that the caller takes care of [1/m2].
        """
        slow, fast = self.shape[:, :_SLOW], self.shape[:, _SLOW:]
        lost = edge_loss * self.open_m[:, None]
        mixed = np.diag(self.decay[:_SLOW] - damping) + slow.T @ (lost * slow)
        decay, share = np.linalg.eigh(mixed)
        faster = self.decay[_SLOW:] - damping + (fast * lost * fast).sum(axis=0)
        return replace(self, decay=np.concatenate([decay, faster]), shape=np.concatenate([slow @ share, fast], axis=1))

    def flange(self, row: int) -> Floats:
        """Mode shapes of one row of flange cells, counted from the torch face, [columns, modes]."""
        columns = len(self.y_m)
        return self.shape[row * columns : (row + 1) * columns]

    def load(self, load: Load, half_m: float) -> Floats:
        """Heat per unit flux that each mode takes up, [modes].

        `half_m`: the load lies on the middle of the flange up to here. `end`: spread through the flange's thickness,
        per unit of area instead of flux.
        """
        edges = np.append(0.0, np.cumsum(self.wide_m))
        length = np.clip(half_m - edges[:-1], 0.0, self.wide_m)
        taken: Floats = length @ self.flange(0)
        if load == "end":
            taken = self.deep_m * (length @ sum(self.flange(row) for row in range(self.through)))
        elif load == "both_faces":
            bare = length.copy()
            bare[: self.over_web] = 0.0
            taken = taken + bare @ self.flange(self.through - 1)
        return taken

    def at(self, y_m: float, z: float) -> Floats:
        """Mode shapes at a point of the flange: `y_m` from the middle line, `z` 0 torch face to 1 far face; [modes]."""
        if z >= 1.0 and y_m < self.wide_m[: self.over_web].sum():
            # Where the web begins: between the last cell of the flange and the first of the web.
            first = self.shape[self.through * len(self.y_m) :][: self.over_web].mean(axis=0)
            last = self.flange(self.through - 1)[: self.over_web].mean(axis=0)
            share = self.deep_m / (self.deep_m + self.web_first_m)
            line: Floats = last + share * (first - last)
            return line
        rows = (np.arange(self.through) + 0.5) / self.through
        low = int(np.clip(np.searchsorted(rows, z) - 1, 0, self.through - 2))
        share = float(np.clip((z - rows[low]) / (rows[low + 1] - rows[low]), 0.0, 1.0))
        values = self.flange(low) * (1.0 - share) + self.flange(low + 1) * share
        at = int(np.clip(np.searchsorted(self.y_m, y_m) - 1, 0, len(self.y_m) - 2))
        part = float(np.clip((y_m - self.y_m[at]) / (self.y_m[at + 1] - self.y_m[at]), 0.0, 1.0))
        point: Floats = values[at] * (1.0 - part) + values[at + 1] * part
        return point


@lru_cache(maxsize=512)
def modes(thickness_m: float, half_width_m: float, web_m: float, web_depth_m: float) -> Modes:
    """The modes of a flange with a web.

    Args:
        thickness_m: of the flange [m].
        half_width_m: of the flange, from the web's middle line to the free edge [m]; more than half the web.
        web_m: thickness of the web [m].
        web_depth_m: clear depth of the web [m].
    """
    web_depth_m = min(web_depth_m, DEEPEST_WEB_M)
    over = np.full(_OVER_WEB, web_m / 2.0 / _OVER_WEB)
    wide = np.concatenate([over, np.full(_BESIDE_WEB, (half_width_m - web_m / 2.0) / _BESIDE_WEB)])
    columns = len(wide)
    deep = thickness_m / _THROUGH_FLANGE
    # The cells stand where they do in the deepest web, so that a deeper one only adds some.
    levels = DEEPEST_WEB_M * (np.arange(_DOWN_WEB) / _DOWN_WEB) ** _WEB_GRADE
    down = np.diff(np.append(levels[levels < 0.999 * web_depth_m], web_depth_m))
    number = np.arange(_THROUGH_FLANGE * columns + len(down) * _OVER_WEB)
    flange = number[: _THROUGH_FLANGE * columns].reshape(_THROUGH_FLANGE, columns)
    web = number[_THROUGH_FLANGE * columns :].reshape(len(down), _OVER_WEB)
    area = np.concatenate([np.tile(wide * deep, _THROUGH_FLANGE), np.outer(down, over).ravel()])

    exchange = np.zeros((len(area), len(area)))

    def join(one: NDArray[np.intp], other: NDArray[np.intp], face_m: Floats, apart_m: Floats) -> None:
        conductance = np.broadcast_to(face_m / apart_m, one.shape).ravel()
        exchange[one.ravel(), other.ravel()] -= conductance
        exchange[other.ravel(), one.ravel()] -= conductance

    one_m = np.array(deep)
    join(flange[:, :-1], flange[:, 1:], one_m, (wide[:-1] + wide[1:]) / 2.0)
    join(flange[:-1], flange[1:], wide, one_m)
    join(flange[-1, :_OVER_WEB], web[0], over, (one_m + down[0]) / 2.0)
    join(web[:-1], web[1:], over, ((down[:-1] + down[1:]) / 2.0)[:, None])
    join(web[:, :-1], web[:, 1:], down[:, None], over[0])
    np.fill_diagonal(exchange, -exchange.sum(axis=1))

    outline = np.zeros(len(area))
    outline[flange[0]] += wide
    outline[flange[-1, _OVER_WEB:]] += wide[_OVER_WEB:]
    outline[flange[:, -1]] += deep
    outline[web[:, -1]] += down
    root = np.sqrt(area)
    decay, vectors = np.linalg.eigh(exchange / np.outer(root, root))
    return Modes(
        decay=np.maximum(decay, 0.0),
        open_m=outline,
        shape=vectors / root[:, None],
        area_m2=area,
        y_m=np.cumsum(wide) - wide / 2.0,
        wide_m=wide,
        over_web=_OVER_WEB,
        through=_THROUGH_FLANGE,
        deep_m=deep,
        web_first_m=float(down[0]),
    )
