"""The stock of gas cylinders: its page with the form for one entry, as JSON, and the ledger as CSV.

The form comes in two steps that need no script: what happened, then only the fields of that. Its key is made when it is
shown, so that a form sent twice over a bad line is one entry.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Any, Final
from urllib.parse import quote

from fastapi import APIRouter, Form, Query
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel

from frostshift_rules.stock import KindStock, stock_of
from frostshift_rules.stock_entry import StockEntry
from frostshift_service.pages import render
from frostshift_service.stock_form import (
    GROUPS,
    STATE_WEIGHTS,
    WAYS,
    Kind,
    NotTaken,
    Way,
    contents_of,
    field_of,
    kind_of,
    kinds_of,
    kinds_to_choose,
    label_of,
    orders_to_choose,
    read_entry,
    tare_lines,
)
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.records import KeptSite, StockRefused
from frostshift_service.store.sites import load_site
from frostshift_service.store.stock import add_entry, entries_of, entry_with_key
from frostshift_service.views.desk import Desk, show_for
from frostshift_service.views.files import csv_bytes
from frostshift_service.views.stock import StockPage, ledger_table, what_text
from frostshift_service.web import DeskDep, SiteId, file_answer

router = APIRouter()

MOST_TYPED: Final = 2000
"""Letters in one field; what is longer is no slip of a form."""

Typed = Annotated[str, Form(max_length=MOST_TYPED)]
All = Annotated[bool, Query(alias="all", description="all entries of the ledger, not only the newest")]


class SentForm(BaseModel):
    """What the form sends, as it was typed; fields that it did not show are empty."""

    what: Typed = ""
    entry_key: Typed = ""
    kind: Typed = ""
    count: Typed = ""
    order_no: Typed = ""
    full: Typed = ""
    in_use: Typed = ""
    empty: Typed = ""
    scale: Typed = ""
    tare: Typed = ""
    net: Typed = ""
    unit: Typed = ""
    corrects: Typed = ""
    by: Typed = ""
    at: Typed = ""
    note: Typed = ""


@dataclass(frozen=True, slots=True)
class FormField:
    """One field as the page shows it.

    Attributes:
        name, label: of the field; `value` as typed, or what it starts with.
        width: `third`, `half` or `whole` of a phone.
        control: `text`, `count`, `signed`, `weight`, `choice` or `time`.
        options: value and words of a choice.
        needed: it may not stay empty.
        most: letters.
        problem: a sentence, or empty.
    """

    name: str
    label: str
    value: str
    control: str
    options: tuple[tuple[str, str], ...] = ()
    needed: bool = False
    most: int = 12
    width: str = "whole"
    problem: str = ""


@dataclass(frozen=True, slots=True)
class EntryForm:
    """The form of one movement, with `groups` of fields; `tares` say what is taken off a scale."""

    way: Way
    entry_key: str
    groups: tuple[tuple[str, tuple[FormField, ...]], ...]
    tares: tuple[str, ...]
    problems: tuple[tuple[str, str], ...]
    corrected: str


# JSON and CSV ---------------------------------------------------------------------------------------------------------

_RESPONSES: Final[dict[int | str, dict[str, Any]]] = {
    401: {"description": "no session"},
    404: {"description": "no such site"},
}


@router.get("/sites/{site_id}/stock.json", responses=_RESPONSES)
def stock_json(desk: DeskDep, site_id: SiteId, every: All = False) -> StockPage:
    """The stock of gas cylinders and the newest entries of its ledger; masses in kg, unknown is null."""
    return desk.stock(site_id, all_entries=every)


@router.get("/sites/{site_id}/stock.csv", responses=_RESPONSES, response_class=Response)
def stock_csv(desk: DeskDep, site_id: SiteId) -> Response:
    """The whole ledger as CSV (UTF-8 with its mark), in the order of its numbers."""
    content = csv_bytes(ledger_table(desk.stock(site_id, all_entries=True)))
    return file_answer(content, "csv", f"{site_id}-stock")


# The page -------------------------------------------------------------------------------------------------------------


@router.get("/sites/{site_id}/stock", include_in_schema=False)
def stock(
    desk: DeskDep,
    site_id: SiteId,
    every: All = False,
    what: Annotated[str, Query(max_length=40)] = "",
    kind: Annotated[str, Query(max_length=100)] = "",
    corrects: Annotated[str, Query(max_length=12)] = "",
    did: Annotated[int | None, Query(ge=1, le=2**31 - 1)] = None,
) -> Response:
    """What there is, what can be entered, and the newest entries."""
    typed = {"what": what, "kind": kind, "corrects": corrects}
    return _page(desk, site_id, typed, {}, 200, every=every, did=did)


@router.post("/sites/{site_id}/stock", include_in_schema=False)
def add(desk: DeskDep, site_id: SiteId, form: Annotated[SentForm, Form()]) -> Response:
    """Keep one entry, or show the form again with what was typed and a sentence beside every field that is wrong."""
    typed, now = form.model_dump(), desk.now()
    try:
        with writing(desk.engine) as session:
            site = load_site(session, site_id).site
            kinds = kinds_of(site)
            there = entry_with_key(session, site_id, form.entry_key)
            ledger = [one for one in entries_of(session, site_id) if there is None or one.number < there.number]
            entry = read_entry(typed, ledger, kinds, zone=site.zone, now=now)
            if there is not None and not form.at.strip():
                entry = replace(entry, at_utc=there.at_utc)  # the same form, however long the line was down
            kept = add_entry(session, site_id, entry, entry_key=form.entry_key, contents_kg=contents_of(kinds), now=now)
    except NotTaken as error:
        return _page(desk, site_id, typed, error.problems, 422)
    except StockRefused as error:
        return _page(desk, site_id, typed, _refusal(error, typed), 422)
    return RedirectResponse(f"/sites/{quote(site_id, safe='')}/stock?did={kept.number}", status_code=303)


def _refusal(error: StockRefused, typed: dict[str, str]) -> dict[str, str]:
    """Field -> sentence, where the ledger itself refuses; a key that is used up is replaced by another."""
    if error.field == "order_no" and typed["what"] in ("delivered", "cancelled"):
        return {"order_no": f"there is no such order of these cylinders: {error.limit}"}
    if error.field != "entry_key":
        return {field_of(error.field, typed): error.limit or str(error)}
    typed["entry_key"] = ""
    sent = "this form was sent before with something else in it: look at the ledger, and if this is another entry, "
    return {"entry_key": f"{sent}send it again"}


def _page(
    desk: Desk,
    site_id: str,
    typed: Mapping[str, str],
    problems: Mapping[str, str],
    status: int,
    *,
    every: bool = False,
    did: int | None = None,
) -> Response:
    page = desk.stock(site_id, all_entries=every)
    with reading(desk.engine) as session:
        site = load_site(session, site_id)
        ledger = entries_of(session, site_id)
    kinds = kinds_of(site.site)
    counted = stock_of(ledger, contents_of(kinds))
    what = typed.get("what", "")
    if what not in WAYS and not ledger:
        what = "opening"  # nothing else can be said yet
    form = None
    if what in WAYS:
        form = _Form(site, WAYS[what], typed, problems, counted, kinds).form(ledger)
    done = next((one for one in page.entries if one.number == did), None)
    return render(
        "stock.html",
        status,
        who=desk.who,
        page=page,
        form=form,
        choices=GROUPS,
        done=done,
        every=every,
        empty=not ledger,
        refused=[] if form else [*problems.values()],
    )


_TITLES: Final[tuple[tuple[str, tuple[str, ...]], ...]] = (
    ("", ("corrects", "kind", "order_no", "count", "full", "in_use", "empty")),
    ("Weight", ("unit", "scale", "tare", "net")),
    ("Who and when", ("by", "at", "note")),
)
_CONTROLS: Final[dict[str, str]] = {
    "count": "count",
    "full": "count",
    "in_use": "count",
    "empty": "count",
    "corrects": "count",
    "scale": "weight",
    "tare": "weight",
    "net": "weight",
    "at": "time",
}
_MAY_BE_EMPTY: Final = frozenset({"scale", "tare", "net", "at", "note"})
_WIDTHS: Final = {
    **dict.fromkeys(("full", "in_use", "empty"), "third"),
    **dict.fromkeys(("unit", "scale", "tare", "net"), "half"),
}
_MOST: Final = {"order_no": 60, "by": 60, "note": 800, "at": 40}


class _Form:
    """Makes the form of one movement."""

    def __init__(
        self,
        site: KeptSite,
        way: Way,
        typed: Mapping[str, str],
        problems: Mapping[str, str],
        stock: Mapping[str, KindStock],
        kinds: Mapping[str, Kind],
    ) -> None:
        self.site = site
        self.way, self.typed, self.problems, self.stock, self.kinds = way, typed, problems, stock, kinds
        self.unit = typed.get("unit") or ("kg" if site.show_units == "si" else "lb")

    def form(self, ledger: list[StockEntry]) -> EntryForm:
        number = self.typed.get("corrects", "").strip()
        corrected = next((one for one in ledger if str(one.number) == number), None)
        names = self._names(corrected)
        groups = [
            (title, tuple(self._field(name) for name in all_names if name in names)) for title, all_names in _TITLES
        ]
        shown = {one.name for _, fields in groups for one in fields}
        labelled = [
            (label_of(name, self.way.movement) if name in shown else "", text) for name, text in self.problems.items()
        ]
        return EntryForm(
            way=self.way,
            entry_key=self.typed.get("entry_key") or secrets.token_urlsafe(16),
            groups=tuple((title, fields) for title, fields in groups if fields),
            tares=tuple(tare_lines(self.way.movement, self.stock, self.kinds, self.unit)) if "scale" in names else (),
            problems=tuple(labelled),
            corrected="" if corrected is None or self.way.movement != "correction" else self._said(corrected),
        )

    def _names(self, corrected: StockEntry | None) -> tuple[str, ...]:
        """The fields; of a correction only those that fit what is corrected, where that is known."""
        names = (*self.way.fields, "by", "at", "note")
        if self.way.movement != "correction" or corrected is None or corrected.movement == "correction":
            return names
        left_out = {"net", "unit"} if corrected.movement not in STATE_WEIGHTS else set()
        if corrected.movement in ("weighed", "used"):
            left_out = {"full", "in_use", "empty"}
        return tuple(name for name in names if name not in left_out or self.typed.get(name) and name != "unit")

    def _said(self, corrected: StockEntry) -> str:
        name, show = kind_of(self.kinds, corrected.kind).name, show_for(self.site)
        when = show.moment(corrected.at_utc, detail="year").text
        return f"Entry {corrected.number}, {corrected.by}, {when}: {name}, {what_text(corrected, show)}."

    def _field(self, name: str) -> FormField:
        movement = self.way.movement
        options = self._options(name)
        control = "choice" if options is not None else _CONTROLS.get(name, "text")
        signed = movement == "correction" and name in ("full", "in_use", "empty", "net")
        may_be_empty = name in _MAY_BE_EMPTY or signed or (name, movement) == ("order_no", "delivered")
        if (name, movement) in (("note", "correction"), ("net", "used")):
            may_be_empty = False
        value = self.typed.get(name, "") or (self.unit if name == "unit" else "")
        if options is not None and not value and len(options) == 2 and options[0] == ("", "choose"):
            value = options[1][0]  # there is but one
        return FormField(
            name=name,
            label=label_of(name, movement),
            value=value,
            control="signed" if signed else control,
            options=tuple(options or ()),
            needed=not may_be_empty and not (name == "count" and movement == "weighed"),
            most=_MOST.get(name, 12),
            width=_WIDTHS.get(name, "whole"),
            problem=self.problems.get(name, ""),
        )

    def _options(self, name: str) -> list[tuple[str, str]] | None:
        if name == "unit":
            return [("lb", "lb"), ("kg", "kg")]
        if name == "kind":
            return [("", "choose"), *kinds_to_choose(self.way.movement, self.stock, self.kinds)]
        if name == "order_no" and self.way.movement != "ordered":
            first = "without an order" if self.way.movement == "delivered" else "choose"
            return [("", first), *orders_to_choose(self.stock, self.kinds)]
        return None
