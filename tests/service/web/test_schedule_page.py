"""The schedule: a file that is looked at before it is saved, the list, one joint as a form, many joints at once."""

import csv
import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser
from typing import Any

import pytest
from pydantic import TypeAdapter
from tests.service.web.conftest import NOW, at
from tests.service.web.page_source import Tags, words_of

from frostshift_rules.job import Joint
from frostshift_service.schedule_file import joints_csv
from frostshift_service.store import joints as kept
from frostshift_service.store.engine import reading, writing
from frostshift_service.store.joints import (
    changes_of,
    import_joints,
    joints_of,
    kept_joint,
    kept_joints,
    move_joint,
    set_joint_state,
)
from frostshift_service.store.records import ImportedJoint
from frostshift_service.views.schedule_change import ImportOutcome, PreviewPage

pytestmark = pytest.mark.anyio
SITE = "/sites/north-yard"
PAGE = f"{SITE}/schedule"


def there(web: Any) -> list[Joint]:
    with reading(web.engine) as session:
        return joints_of(session, "north-yard")


def of(web: Any, mark: str) -> Joint:
    with reading(web.engine) as session:
        return kept_joint(session, "north-yard", mark).joint


def as_csv(joints: list[Joint]) -> bytes:
    return joints_csv(joints, "America/Chicago", "us")


def next_week(web: Any) -> bytes:
    """The schedule with a new mark, one that is gone, and one with another crew and thickness."""
    joints = []
    for one in there(web):
        if one.mark == "LN-1":
            one = replace(one, mark="NEW-1")
        if one.mark == "BR-C2":
            one = replace(one, crew="east", parts=(replace(one.parts[0], thickness_mm=19.05, thickness_in=0.75),))
        joints.append(one)
    return as_csv(joints)


class Fields(HTMLParser):
    """The hidden fields and filled-in values of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.values: dict[str, str] = {}
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = dict(attrs)
        if tag == "input" and named.get("name") and named.get("type") not in ("checkbox", "radio", "file"):
            self.values[str(named["name"])] = named.get("value") or ""


async def sent(client: Any, data: bytes, name: str = "week 52.csv") -> Any:
    return await client.post(PAGE, files={"file": (name, data, "text/csv")}, follow_redirects=True)


# A file ---------------------------------------------------------------------------------------------------------------


async def test_a_file_is_shown_before_it_is_saved_and_then_saved(web: Any) -> None:
    before = there(web)
    async with web.client() as client:
        answer = await sent(client, next_week(web))
        words = words_of(answer.text)
        assert answer.status_code == 200
        assert Tags(answer.text).open == []
        assert "10 joints in week 52.csv: 1 new," in words
        assert "New 1: NEW-1" in words
        assert "Taken out: not in the file, no longer planned 1: LN-1" in words
        assert "crew north east" in words
        assert "thickness at the weld, part 1 1/2 in 3/4 in" in words
        assert "is outside every shift of the site" in words
        assert "X9/α <3>: the process is not stated" in words
        assert "<3>" not in answer.text
        assert there(web) == before
        assert web.planner.replanned == []
        version = Fields(answer.text).values["version"]
        done = await client.post(str(answer.url), data={"action": "save", "version": version}, follow_redirects=True)
        words = words_of(done.text)
        assert "Saved: week 52.csv" in words
        assert of(web, "BR-C2").crew == "east"
        assert "LN-1" not in {one.mark for one in there(web)}
        assert web.planner.replanned == ["north-yard"]
        again = await client.get(str(answer.url))
        assert again.status_code == 404
        assert "load the file again" in words_of(again.text)


async def test_thrown_away_is_gone_and_nothing_was_written(web: Any) -> None:
    before = there(web)
    async with web.client() as client:
        answer = await sent(client, next_week(web))
        await client.post(str(answer.url), data={"action": "throw_away"})
        assert (await client.get(str(answer.url))).status_code == 404
    assert there(web) == before
    assert web.planner.replanned == []


async def test_a_look_that_is_no_longer_true_saves_nothing_and_is_shown_anew(web: Any) -> None:
    async with web.client() as client:
        answer = await sent(client, next_week(web))
        version = Fields(answer.text).values["version"]
        with writing(web.engine) as session:
            move_joint(session, "north-yard", "CR-B4-W", at(30), now=NOW, by="R. Quill")
        late = await client.post(str(answer.url), data={"action": "save", "version": version})
        words = words_of(late.text)
        assert late.status_code == 409
        assert "The schedule was changed since you looked at this: nothing was saved." in words
        assert "Moved by hand before, now as in the file 1: CR-B4-W" in words
        assert "start was changed by hand, R. Quill, Thu 17 Dec 05:30: goes" in words
        assert "NEW-1" not in {one.mark for one in there(web)}
        version = Fields(late.text).values["version"]
        assert (await client.post(str(answer.url), data={"action": "save", "version": version})).status_code == 303
    assert of(web, "CR-B4-W").start_utc == datetime(2026, 12, 17, 13, 30, tzinfo=UTC)


async def test_a_state_that_changes_meanwhile_is_kept_by_the_file(web: Any) -> None:
    async with web.client() as client:
        answer = await sent(client, next_week(web))
        with writing(web.engine) as session:
            set_joint_state(session, "north-yard", "BR-C2", "done", now=NOW, by="R. Quill")
        page = await client.get(str(answer.url))
        version = Fields(page.text).values["version"]
        await client.post(str(answer.url), data={"action": "save", "version": version})
    assert of(web, "BR-C2").state == "done"


async def test_a_file_that_waits_for_a_day_is_gone(web: Any) -> None:
    async with web.client() as client:
        answer = await sent(client, next_week(web))
        web.clock[0] = NOW + timedelta(hours=23)
        assert (await client.get(str(answer.url))).status_code == 200
        web.clock[0] = NOW + timedelta(hours=24, seconds=1)
        assert (await client.get(str(answer.url))).status_code == 404
        save = await client.post(str(answer.url), data={"action": "save", "version": "1.0"})
        assert save.status_code == 404


async def test_only_so_many_files_wait(web: Any) -> None:
    async with web.client() as client:
        urls = [str((await sent(client, next_week(web))).url) for _ in range(22)]
        assert [(await client.get(urls[n])).status_code for n in (0, 1, 2, 21)] == [404, 404, 200, 200]


async def test_a_file_that_changes_nothing_says_so(web: Any) -> None:
    data = as_csv(there(web))
    async with web.client() as client:
        first = await sent(client, data)
        version = Fields(first.text).values["version"]
        await client.post(str(first.url), data={"action": "save", "version": version})
        again = await sent(client, data)
    words = words_of(again.text)
    assert "there is nothing to save" in words
    assert "Save this schedule" not in words


NO_MORE_COVERED = "HP-E2"
"""Its reason not to be covered is made up, so that a file read anew gives another."""


async def test_what_only_writes_a_default_out_is_told_apart_from_what_changes(web: Any) -> None:
    """The joints were imported with exposure and torches left open; the export writes both out."""
    async with web.client() as client:
        answer = await sent(client, as_csv(there(web)))
        outcome = (await client.get(f"{answer.url}.json")).json()["outcome"]
    assert "CR-B5-W" in outcome["only_stated"]
    assert "CR-B5-W" not in [diff["mark"] for diff in outcome["changes"]]
    assert outcome["status"] == "preview"
    assert outcome["changed"] == [NO_MORE_COVERED]


async def test_the_preview_counts_and_lists_what_differs_and_nothing_else(web: Any) -> None:
    """One joint at another place and one taken out, in a file that writes out every default."""
    joints = there(web)
    moved = [replace(one, place="row Z") if one.mark == "CR-B5-W" else one for one in joints if one.mark != "LN-1"]
    async with web.client() as client:
        answer = await sent(client, as_csv(moved), "week 52.csv")
        outcome = (await client.get(f"{answer.url}.json")).json()["outcome"]
        saved = await client.post(str(answer.url), data={"action": "save", "version": outcome["version"]})
    same = len(joints) - 3
    assert outcome["summary"] == f"{len(moved)} joints in week 52.csv: 2 changed, 1 taken out, {same} as they were."
    assert outcome["changed"] == ["CR-B5-W", NO_MORE_COVERED]
    assert (outcome["vanished"], outcome["same"]) == (["LN-1"], same)
    place = {"field": "place", "was": "row B, line 5, bottom splice", "becomes": "row Z", "by_hand": ""}
    assert outcome["changes"][0] == {"mark": "CR-B5-W", "fields": [place]}
    assert [one["mark"] for one in outcome["changes"]] == outcome["changed"]
    assert f"2 changed, 1 taken out, {same} as they were." in words_of(answer.text)
    assert saved.status_code == 303


async def test_a_file_with_errors_changes_nothing_and_lists_them_by_row(web: Any) -> None:
    before = there(web)
    lines = as_csv(before[:2]).decode("utf-8-sig").splitlines()
    lines[2] = lines[2].replace("2026-12-17", "2026-13-17")
    async with web.client() as client:
        answer = await sent(client, "\r\n".join(lines).encode(), "<b>.csv")
    assert answer.status_code == 422
    words = words_of(answer.text)
    assert "Nothing was imported: 1 error in <b>.csv." in words
    assert "<b>" not in answer.text
    assert "3 start" in words
    assert there(web) == before
    assert web.planner.replanned == []


@pytest.mark.parametrize(
    ("name", "data"), [("empty.csv", b""), ("picture.csv", b"\x89PNG\r\n\x1a\n\0\0"), ("x.xlsx", b"PK\3\4no")]
)
async def test_a_hopeless_file_gets_a_sentence(web: Any, name: str, data: bytes) -> None:
    async with web.client() as client:
        answer = await client.post(PAGE, files={"file": (name, data)})
    assert answer.status_code == 422
    assert "Nothing was imported: 1 error" in answer.text


async def test_no_file_chosen(web: Any) -> None:
    async with web.client() as client:
        answer = await client.post(
            PAGE,
            content=b'--b\r\nContent-Disposition: form-data; name="file"; filename=""\r\n\r\n\r\n--b--\r\n',
            headers={"content-type": "multipart/form-data; boundary=b"},
        )
    assert answer.status_code == 422


async def test_a_draft_belongs_to_its_site(web: Any) -> None:
    async with web.client() as client:
        answer = await sent(client, next_week(web))
        elsewhere = str(answer.url).replace("north-yard", "south-yard")
        assert (await client.get(elsewhere)).status_code == 404


# For programs ---------------------------------------------------------------------------------------------------------


async def test_programs_look_first_and_then_save_on_what_they_saw(web: Any) -> None:
    data, read = next_week(web), TypeAdapter(ImportOutcome).validate_python
    async with web.client() as client:
        headers = {"content-type": "text/csv"}
        looked = await client.post(f"{PAGE}.json?name=week+52.csv", content=data, headers=headers)
        outcome = read(looked.json())
        assert (outcome.status, outcome.added, outcome.vanished) == ("preview", ("NEW-1",), ("LN-1",))
        assert "NEW-1" not in {one.mark for one in there(web)}
        stale = await client.post(f"{PAGE}.json?preview=false&version=0.0", content=data, headers=headers)
        assert (stale.status_code, stale.json()["status"]) == (409, "preview")
        saved = await client.post(f"{PAGE}.json?preview=false&version={outcome.version}", content=data, headers=headers)
        assert (saved.status_code, saved.json()["status"]) == (200, "saved")
        assert of(web, "NEW-1").mark == "NEW-1"
        bad = await client.post(f"{PAGE}.json?preview=false", content=b"mark,start\nA,b\n", headers=headers)
        assert bad.status_code == 422
        assert bad.json()["errors"][0]["message"].startswith("required columns are missing")
        unasked = await client.post(f"{PAGE}.json?preview=false", content=as_csv(there(web)), headers=headers)
        assert unasked.json()["status"] == "saved"
    assert web.planner.replanned == ["north-yard"] * 2


async def test_the_json_of_a_preview_is_its_view(web: Any) -> None:
    async with web.client() as client:
        answer = await sent(client, next_week(web))
        page = TypeAdapter(PreviewPage).validate_python((await client.get(f"{answer.url}.json")).json())
    assert page.outcome.added == ("NEW-1",)
    changed = {diff.mark: diff.fields for diff in page.outcome.changes}["BR-C2"]
    assert ("crew", "north", "east") in [(one.field, one.was, one.becomes) for one in changed]


# The list -------------------------------------------------------------------------------------------------------------


async def listed(web: Any, query: str) -> list[str]:
    async with web.client() as client:
        answer = await client.get(f"{PAGE}.json?{query}")
    assert answer.status_code == 200, answer.text
    return [row["mark"] for row in answer.json()["rows"]]


async def test_the_list_can_be_filtered(web: Any) -> None:
    async with web.client() as client:
        words = words_of((await client.get(f"{PAGE}?text=LINE+5&state=&crew=&day=&shift=&call=")).text)
        assert "1 of 10" in words
        assert "CR-B5-W" in words
        assert "BP-A1" not in words
        assert "No joint passes this filter." in (await client.get(f"{PAGE}?state=done")).text
        assert (await client.get(f"{PAGE}?day=yesterday")).status_code == 422
    assert await listed(web, "state=in_progress") == ["CR-B7-W"]
    assert await listed(web, "crew=south") == ["HP-E2", "CR-B7-W"]
    assert await listed(web, "crew=-") == ["CR-B6-N", "LN-1"]
    assert await listed(web, "call=unknown") == ["X9/α <3>", "HP-E2"]
    assert await listed(web, "shift=Night") == ["HP-E2", "CR-B7-W"]
    assert await listed(web, "shift=outside") == ["LN-1"]  # 03:30, after the night shift
    # the night shift of the 17th runs to 02:00 of the 18th
    with writing(web.engine) as session:
        move_joint(session, "north-yard", "HP-E2", at(20), now=NOW, by="")  # 01:30 of the 18th
    assert "HP-E2" in await listed(web, "day=2026-12-17")
    assert await listed(web, "day=2026-12-18") == ["LN-1"]


async def test_the_list_can_be_sorted_and_says_how(web: Any) -> None:
    starts = [one.mark for one in there(web)]
    assert await listed(web, "") == starts
    assert await listed(web, "down=1") == starts[::-1]
    assert await listed(web, "sort=mark") == sorted(starts, key=str.casefold)
    crews = await listed(web, "sort=crew&down=1")
    assert crews[:2] == ["HP-E2", "CR-B7-W"]
    assert crews[-2:] == ["CR-B6-N", "LN-1"]
    async with web.client() as client:
        page = (await client.get(f"{PAGE}?sort=mark&down=1&crew=north")).text
        assert 'aria-sort="descending"><a href="/sites/north-yard/schedule?crew=north&amp;sort=mark">Joint' in page
        assert page.count('aria-sort="none"') == 3
        assert (await client.get(f"{PAGE}?sort=colour")).status_code == 422


async def test_a_long_list_comes_in_pages(web: Any) -> None:
    first = there(web)[0]
    many = [replace(first, mark=f"M-{n:04}", start_utc=first.start_utc + timedelta(minutes=n)) for n in range(250)]
    with writing(web.engine) as session:
        rows = [ImportedJoint(one, row) for row, one in enumerate(many, 2)]
        import_joints(session, "north-yard", rows, now=NOW, file_name="many.csv", by="test")
    async with web.client() as client:
        one = (await client.get(f"{PAGE}?text=m-")).text
        assert "Page 1 of 3" in words_of(one)
        assert one.count('class="mark"') == 100
        last = (await client.get(f"{PAGE}?text=m-&page=3")).text
        assert last.count('class="mark"') == 50
        assert '<a rel="prev" href="/sites/north-yard/schedule?text=m-&amp;page=2">' in last
        beyond = (await client.get(f"{PAGE}?text=m-&page=99")).text
        assert "Page 3 of 3" in words_of(beyond)
        assert len((await client.get(f"{PAGE}.json")).json()["rows"]) == 250
        assert len((await client.get(f"{PAGE}.json?page=2")).json()["rows"]) == 100


async def test_what_is_filtered_can_be_taken_away(web: Any) -> None:
    async with web.client() as client:
        part = await client.get(f"{PAGE}.csv?crew=south&sort=mark")
        assert part.headers["content-disposition"] == 'attachment; filename="north-yard-schedule-part.csv"'
        rows = list(csv.DictReader(io.StringIO(part.text.removeprefix("\ufeff"))))
        assert [row["mark"] for row in rows] == ["CR-B7-W", "HP-E2"]
        assert f'href="{PAGE}.xlsx?crew=south"' in (await client.get(f"{PAGE}?crew=south")).text
        assert (await client.get(f"{PAGE}.csv")).text.count("\r\n") == 11


# One joint ------------------------------------------------------------------------------------------------------------


async def form_of(client: Any, mark: str = "") -> dict[str, str]:
    """What a browser would send of the form as it stands."""
    answer = await client.get(f"{SITE}/edit", params={"mark": mark} if mark else {})
    assert answer.status_code == 200
    assert Tags(answer.text).open == []
    view = (await client.get(f"{SITE}/edit.json", params={"mark": mark} if mark else {})).json()
    cells = {field["name"]: field["value"] for group in view["groups"] for field in group["fields"]}
    return cells | {"seen": view["seen"]}


@pytest.mark.parametrize("mark", ["CR-B5-W", "X9/α <3>", "GR-D1"])
async def test_a_form_sent_as_it_stands_changes_nothing(web: Any, mark: str) -> None:
    before = of(web, mark)
    with reading(web.engine) as session:
        noted = kept_joint(session, "north-yard", mark)
    async with web.client() as client:
        form = await form_of(client, mark)
        assert form["exposure"] == form["torches"] == ""  # left open in the schedule
        answer = await client.post(f"{SITE}/edit", params={"mark": mark}, data=form)
    assert answer.status_code == 303
    assert of(web, mark) == before
    with reading(web.engine) as session:
        assert {*noted.defaults} <= {*kept_joint(session, "north-yard", mark).defaults}


async def test_what_is_typed_is_saved_written_down_and_taken_back(web: Any) -> None:
    before = of(web, "BR-C2")
    async with web.client() as client:
        form = await form_of(client, "BR-C2") | {"crew": " east ", "thickness_1": "20 mm", "start": "2026-12-17 12:00"}
        answer = await client.post(f"{SITE}/edit?mark=BR-C2", data=form)
        assert answer.status_code == 303
        became = of(web, "BR-C2")
        assert (became.crew, became.parts[0].thickness_mm) == ("east", 20.0)
        assert became.start_utc == datetime(2026, 12, 17, 18, tzinfo=UTC)
        with reading(web.engine) as session:
            said = {(one.field, one.was, one.became) for one in changes_of(session, "north-yard", "BR-C2")}
        assert said == {
            ("start_utc", before.start_utc.isoformat(), became.start_utc.isoformat()),
            ("crew", "north", "east"),
            ("thickness_1", "1/2 in", "20 mm"),
        }
        page = words_of((await client.get(answer.headers["location"])).text)
        assert "BR-C2 changed. Thu 17 Dec 05:30" in page
        assert "moved; schedule says Thu 17 Dec 11:30" in page
        act = Fields((await client.get(PAGE)).text).values["act"]
        assert (await client.post(f"{PAGE}/undo", data={"act": act})).status_code == 303
        assert of(web, "BR-C2") == before
        twice = await client.post(f"{PAGE}/undo", data={"act": act})
        assert twice.status_code == 409
    assert web.planner.replanned == ["north-yard"] * 2


async def test_errors_stand_by_their_field_and_what_was_typed_stays(web: Any) -> None:
    before = of(web, "BR-C2")
    async with web.client() as client:
        form = await form_of(client, "BR-C2") | {"thickness_1": "400 mm", "hours": "", "crew": "<i>east</i>"}
        answer = await client.post(f"{SITE}/edit?mark=BR-C2", data=form)
    words = words_of(answer.text)
    assert answer.status_code == 422
    assert "Nothing was saved: 2 fields cannot be read." in words
    assert "Thickness at the weld, part 1 '400 mm' is 15.7 in, outside 0.04 in to 11.8 in." in words
    assert "Hours of welding is empty; write number, 0.1 to 72, for example 2.5." in words
    assert 'value="400 mm"' in answer.text
    assert 'value="&lt;i&gt;east&lt;/i&gt;"' in answer.text
    assert of(web, "BR-C2") == before
    assert web.planner.replanned == []


async def test_a_joint_that_changed_since_the_form_was_opened_is_not_overwritten(web: Any) -> None:
    async with web.client() as client:
        form = await form_of(client, "BR-C2") | {"crew": "east"}
        with writing(web.engine) as session:
            move_joint(session, "north-yard", "BR-C2", at(9), now=NOW, by="R. Quill")
        answer = await client.post(f"{SITE}/edit?mark=BR-C2", data=form)
        words = words_of(answer.text)
        assert answer.status_code == 409
        assert "This joint was changed since the form was opened." in words
        assert "Thu 17 Dec 05:30, R. Quill: planned start Thu 17 Dec 11:30 → Thu 17 Dec 14:30." in words
        assert 'value="east"' in answer.text
        assert of(web, "BR-C2").crew == "north"
        form["seen"] = Fields(answer.text).values["seen"]
        assert (await client.post(f"{SITE}/edit?mark=BR-C2", data=form)).status_code == 303
    assert of(web, "BR-C2").crew == "east"


async def test_a_state_is_no_part_of_the_form(web: Any) -> None:
    async with web.client() as client:
        form = await form_of(client, "BR-C2") | {"crew": "east"}
        with writing(web.engine) as session:
            set_joint_state(session, "north-yard", "BR-C2", "in_progress", now=NOW, by="R. Quill")
        assert (await client.post(f"{SITE}/edit?mark=BR-C2", data=form)).status_code == 303
    assert (of(web, "BR-C2").crew, of(web, "BR-C2").state) == ("east", "in_progress")


NEW = {
    "mark": "ZZ-9",
    "start": "2026-12-17 08:00",
    "hours": "2",
    "process": "SMAW",
    "electrode": "E7018",
    "weld_length": "24 in",
    "steel_1": "A572-50",
    "thickness_1": "1 in",
}


async def test_a_joint_is_added_by_hand_and_taken_back(web: Any) -> None:
    async with web.client() as client:
        assert (await form_of(client))["mark"] == ""
        assert (await client.post(f"{SITE}/edit", data=NEW)).status_code == 303
        assert of(web, "ZZ-9").parts[0].thickness_in == 1.0
        same = await client.post(f"{SITE}/edit", data=NEW | {"mark": "zz-9"})
        assert same.status_code == 422
        assert "'ZZ-9' is in the schedule already; change it there" in words_of(same.text)
        act = Fields((await client.get(PAGE)).text).values["act"]
        await client.post(f"{PAGE}/undo", data={"act": act})
        assert "ZZ-9" not in {one.mark for one in there(web)}
        # and put in once more: its row is still there
        assert (await client.post(f"{SITE}/edit", data=NEW | {"crew": "east"})).status_code == 303
    assert of(web, "ZZ-9").crew == "east"
    assert "ZZ-9" in {one.mark for one in there(web)}


async def test_a_joint_by_hand_vanishes_with_the_next_file_that_does_not_hold_it(web: Any) -> None:
    data = as_csv(there(web))
    async with web.client() as client:
        await client.post(f"{SITE}/edit", data=NEW)
        answer = await sent(client, data)
    assert "Taken out: not in the file, no longer planned 1: ZZ-9" in words_of(answer.text)


async def test_a_joint_is_taken_out_and_put_back(web: Any) -> None:
    async with web.client() as client:
        form = await form_of(client, "BR-C2")
        assert (await client.post(f"{SITE}/remove", data={"mark": "BR-C2", "seen": form["seen"]})).status_code == 303
        assert "BR-C2" not in {one.mark for one in there(web)}
        gone = await client.post(f"{SITE}/remove", data={"mark": "BR-C2"})
        assert gone.status_code == 409
        act = Fields((await client.get(PAGE)).text).values["act"]
        await client.post(f"{PAGE}/undo", data={"act": act})
    assert "BR-C2" in {one.mark for one in there(web)}


async def test_what_was_changed_by_hand_goes_with_the_next_file_which_says_so(web: Any) -> None:
    data = as_csv(there(web))
    async with web.client() as client:
        web.clock[0] = NOW + timedelta(minutes=1)
        form = await form_of(client, "BR-C2") | {"crew": "east"}
        await client.post(f"{SITE}/edit?mark=BR-C2", data=form)
        answer = await sent(client, data)
    words = words_of(answer.text)
    assert "What was changed by hand on BR-C2 becomes as in the file." in words
    assert "crew was changed by hand" in words


# Many joints ----------------------------------------------------------------------------------------------------------


async def bulk(client: Any, save: bool = True, **asked: Any) -> Any:
    """Ask for a change of many joints, and save what is shown."""
    shown = await client.post(f"{PAGE}/bulk", data=asked)
    assert Tags(shown.text).open == []
    if not save or shown.status_code != 200:
        return shown
    return await client.post(f"{PAGE}/bulk/save", data=asked | {"seen": Fields(shown.text).values["seen"]})


async def test_ticked_joints_move_by_shifts_and_come_back_as_one(web: Any) -> None:
    before = there(web)
    async with web.client() as client:
        shown = await bulk(client, False, mark=["CR-B4-W", "BP-A1"], action="shifts", shifts="1")
        words = words_of(shown.text)
        assert "2 joints: moved by 1 shift later." in words
        assert "CR-B4-W planned start Thu 17 Dec 07:30 Thu 17 Dec 17:30" in words  # as long after the shift's start
        assert there(web) == before
        asked = {"mark": ["CR-B4-W", "BP-A1"], "action": "shifts", "shifts": "1"}
        twin = (await client.post(f"{PAGE}/bulk.json", data=asked)).json()
        assert (twin["text"], twin["asked"]) == ("2 joints: moved by 1 shift later.", 2)
        done = await bulk(client, mark=["CR-B4-W", "BP-A1"], action="shifts", shifts="1")
        assert done.status_code == 303
        assert of(web, "CR-B4-W").start_utc == datetime(2026, 12, 17, 23, 30, tzinfo=UTC)
        page = await client.get(PAGE)
        assert "2 joints: moved by 1 shift later." in words_of(page.text)
        await client.post(f"{PAGE}/undo", data={"act": Fields(page.text).values["act"]})
    assert there(web) == before
    with reading(web.engine) as session:
        assert len(changes_of(session, "north-yard", "CR-B4-W")) == 2


async def test_all_that_match_the_filter_get_another_crew(web: Any) -> None:
    async with web.client() as client:
        done = await bulk(client, all="1", query="crew=north&sort=mark", action="crew", crew="east")
        assert done.status_code == 303
        assert done.headers["location"] == f"{PAGE}?crew=north&sort=mark"
    assert {one.crew for one in there(web)} == {"", "south", "east"}


async def test_states_change_for_many(web: Any) -> None:
    async with web.client() as client:
        done = await bulk(client, mark=["CR-B4-W", "BP-A1"], action="state", state="postponed")
        assert done.status_code == 303
        again = await bulk(client, False, mark=["CR-B4-W", "CR-B5-W"], action="state", state="postponed")
    assert of(web, "BP-A1").state == "postponed"
    assert "1 joint: postponed. 1 of 2 are so already." in words_of(again.text)


@pytest.mark.parametrize(
    ("asked", "starts"),
    [
        ({"action": "hours", "hours": "-1.5"}, datetime(2026, 12, 17, 12, tzinfo=UTC)),
        ({"action": "shifts", "shifts": "-1"}, datetime(2026, 12, 16, 23, 30, tzinfo=UTC)),
        ({"action": "to", "day": "2026-12-20"}, datetime(2026, 12, 20, 13, 30, tzinfo=UTC)),
        ({"action": "to", "shift": "Night"}, datetime(2026, 12, 17, 23, 30, tzinfo=UTC)),
        ({"action": "to", "day": "2026-12-19", "shift": "Night"}, datetime(2026, 12, 19, 23, 30, tzinfo=UTC)),
    ],
)
async def test_where_a_joint_of_0730_is_moved_to(web: Any, asked: dict[str, str], starts: datetime) -> None:
    async with web.client() as client:
        assert (await bulk(client, mark=["CR-B4-W"], **asked)).status_code == 303
    assert of(web, "CR-B4-W").start_utc == starts


async def test_a_day_keeps_the_wall_clock_over_a_change_of_the_clock(web: Any) -> None:
    async with web.client() as client:
        await bulk(client, mark=["CR-B4-W"], action="to", day="2027-03-15")  # the day after the clocks went forward
    assert of(web, "CR-B4-W").start_utc == datetime(2027, 3, 15, 12, 30, tzinfo=UTC)  # 07:30 still


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"action": "shifts", "shifts": "1"}, "No joint is ticked"),
        ({"mark": ["CR-B4-W"]}, "Choose what to change"),
        ({"mark": ["CR-B4-W"], "action": "shifts", "shifts": "many"}, "'many' is no whole number of shifts"),
        ({"mark": ["CR-B4-W"], "action": "shifts", "shifts": "0"}, "0 shifts is outside -200 to 200, not 0"),
        ({"mark": ["CR-B4-W"], "action": "hours", "hours": "9999"}, "9999 hours is outside -2000 to 2000, not 0"),
        ({"mark": ["CR-B4-W"], "action": "to"}, "Choose a day, a shift, or both"),
        ({"mark": ["CR-B4-W"], "action": "to", "day": "soon"}, "'soon' is no day"),
        ({"mark": ["CR-B4-W"], "action": "to", "day": "2099-01-01"}, "more than a year from its start"),
        ({"mark": ["CR-B4-W"], "action": "to", "shift": "Noon"}, "'Noon' is no shift of the site"),
        ({"mark": ["CR-B4-W"], "action": "crew", "crew": "x" * 61}, "more than 60"),
        ({"mark": ["CR-B4-W"], "action": "state", "state": "heating"}, "'heating' is no state"),
        ({"mark": ["CR-B4-W", "NOPE"], "action": "state", "state": "done"}, "No longer in the schedule: NOPE"),
        ({"mark": ["CR-B4-W", "LN-1"], "action": "shifts", "shifts": "1"}, "LN-1: its start is in no shift"),
        ({"all": "1", "query": "sort=colour", "action": "state", "state": "done"}, "cannot be read"),
        (
            {"all": "1", "query": f"text={'x' * 110}&" * 20 + "crew=north", "action": "state", "state": "done"},
            "at most 2000; nothing was changed",
        ),
    ],
)
async def test_what_cannot_be_done_to_all_is_done_to_none(web: Any, asked: dict[str, Any], said: str) -> None:
    before = there(web)
    async with web.client() as client:
        for path in (f"{PAGE}/bulk", f"{PAGE}/bulk/save"):
            answer = await client.post(path, data=asked)
            assert answer.status_code == 422
            assert said in words_of(answer.text)
    assert there(web) == before
    assert web.planner.replanned == []


async def test_joints_that_changed_since_the_look_are_shown_anew(web: Any) -> None:
    asked = {"mark": ["CR-B4-W", "BP-A1"], "action": "crew", "crew": "east"}
    async with web.client() as client:
        shown = await client.post(f"{PAGE}/bulk", data=asked)
        with writing(web.engine) as session:
            set_joint_state(session, "north-yard", "BP-A1", "in_progress", now=NOW, by="R. Quill")
        late = await client.post(f"{PAGE}/bulk/save", data=asked | {"seen": Fields(shown.text).values["seen"]})
    assert late.status_code == 409
    assert "These joints were changed since you looked at them: nothing was saved." in words_of(late.text)
    assert of(web, "CR-B4-W").crew == "north"


async def test_what_was_changed_again_is_not_taken_back(web: Any) -> None:
    async with web.client() as client:
        await bulk(client, mark=["CR-B4-W", "BP-A1"], action="crew", crew="east")
        act = Fields((await client.get(PAGE)).text).values["act"]
        form = await form_of(client, "BP-A1") | {"crew": "west"}
        await client.post(f"{SITE}/edit?mark=BP-A1", data=form)
        answer = await client.post(f"{PAGE}/undo", data={"act": act})
    assert answer.status_code == 409
    assert "BP-A1 changed again since; nothing was taken back" in words_of(answer.text)
    assert of(web, "CR-B4-W").crew == "east"


async def test_an_undo_takes_nothing_back_that_a_schedule_has_held_since(web: Any) -> None:
    """A joint that was added by hand and then stands in the file is the file's: it stays."""
    async with web.client() as client:
        form = await form_of(client, "BR-C2")
        await client.post(f"{SITE}/edit?mark=BR-C2", data=form | {"crew": "east"})
        act = Fields((await client.get(PAGE)).text).values["act"]
        with writing(web.engine) as session:
            joints = [
                ImportedJoint(one.joint, one.row, one.defaults, one.problems)
                for one in kept_joints(session, "north-yard")
                if one.present
            ]
            import_joints(session, "north-yard", joints, now=NOW, file_name="again.csv", by="R. Quill")
        assert 'name="act"' not in (await client.get(PAGE)).text
        answer = await client.post(f"{PAGE}/undo", data={"act": act})
    assert answer.status_code == 409
    assert "schedule was loaded since; nothing was taken back" in words_of(answer.text)
    assert of(web, "BR-C2").crew == "east"


async def test_the_undo_of_one_start_does_not_meet_a_change_of_another_kind(web: Any) -> None:
    async with web.client() as client:
        form = await form_of(client, "BP-A1") | {"crew": "west"}
        await client.post(f"{SITE}/edit?mark=BP-A1", data=form)
        answer = await client.post(f"{SITE}/undo", data={"mark": "BP-A1", "number": "1"})
        assert answer.status_code == 409
        assert (await client.get(f"{PAGE}?did=BP-A1")).status_code == 200
    with reading(web.engine) as session:
        assert kept.schedule_version(session, "north-yard").endswith(".1")
