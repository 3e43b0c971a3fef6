"""The workspace of wording: what stands where, whom a gap affects, who approves what, and from when."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from html import escape, unescape
from pathlib import Path

import pytest
from builders import a_person, a_visit, an_ear, the_pack
from playwright.sync_api import Browser as Chromium
from sqlalchemy import Engine, event
from web.staff_pages import PASSWORD, Browser, a_browser, invented_urdu, password_hash
from web.test_staff_browser import a_desk as a_running_desk

from service.delivery.dispatch import send_due
from service.domain.plan import Status
from service.domain.revision import Origin, Revision
from service.planning.aftercare import give
from service.planning.approving import Approving, Author, add_language, approve, approve_units, write
from service.planning.budgets import limits_of, set_budget
from service.services import Services
from service.storage.records import Staff

TEAM = (
    ("lena", "Lena Ford", {"lead"}, {"*"}),
    ("wilf", "Wilf Moore", {"wording"}, {"ur"}),
    ("otto", "Otto Lake", {"wording"}, set()),
)
"""Beside wren, dina and cleo: a lead, a reviewer of Urdu, and a writer who approves nothing."""
CHANGED = "the wording changed since this page was opened"


def add_team(services: Services) -> None:
    with services.open_work() as work:
        for login, name, roles, approves in TEAM:
            member = Staff(id=login, login=login, name=name, roles=frozenset(roles), approves=frozenset(approves))
            work.staff.add(member, password_hash())
        work.commit()


class Desk(Browser):
    """A browser of somebody who may see no patient: the token of its forms is on the overview of wording."""

    def token(self, place: str = "/wording") -> str:
        return super().token(place)


def a_desk(folder: Path, login: str = "lena", **changes: object) -> Desk:
    """A browser on which `login` of the team is signed in."""
    browser = Desk(**vars(a_browser(folder, **changes)))
    add_team(browser.services)
    assert browser.sign_in(login).status_code == 302
    return browser


def pinned(browser: Browser, place: str, name: str = "pinned") -> str:
    found = re.search(rf'name="{name}" value="([^"]+)"', browser.get(place).text)
    assert found is not None
    return found[1]


def pair(browser: Browser, unit: str, language: str = "ur") -> str:
    """What the tick of a unit sends."""
    topic = the_pack().wording[unit].topic
    page = browser.get(f"/wording/{language}?topic={topic}").text
    found = re.search(rf'name="unit" value="({re.escape(unit)}\|[^"]+)"', page)
    assert found is not None, f"{unit} has a tick"
    return found[1]


def history(browser: Browser, language: str, unit: str) -> list[Revision]:
    with browser.services.open_reading() as work:
        return [each for each in work.revisions.all() if (each.language, each.unit) == (language, unit)]


def digest_shown(services: Services, language: str, unit: str) -> str:
    with services.open_reading() as work:
        entry = services.book(work).entry(language, unit, services.clock.now())
    return entry.draft_digest or (entry.approved.digest if entry.approved else "")


def cells(page: str, unit: str) -> dict[str, str]:
    """The words in each cell of a sentence group on the overview, by language."""
    row = re.search(rf"<tr><th scope=\"row\">(?:(?!</tr>).)*<code>{re.escape(unit)}</code>.*?</tr>", page, re.DOTALL)
    assert row is not None, f"{unit} is on the page"
    found = re.findall(r'<td class="[\w-]+" data-language="([\w-]+)">(.*?)</td>', row[0], re.DOTALL)
    return {language: " ".join(unescape(re.sub(r"<[^>]+>", " ", inside)).split()) for language, inside in found}


# The overview


def test_the_overview_says_where_every_sentence_group_stands_in_every_language(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    services = browser.services
    approve_units(services, "ur", ["page.title", "page.visit"], "Dr Elm")
    add_language(services, "so", "lena")
    write(
        services,
        "ur",
        "page.visit",
        {"any": ("نیا {date}",)},
        Author(name="Otto"),
        seen=digest_shown(services, "ur", "page.visit"),
    )
    new = write(
        services,
        "en",
        "page.title",
        {"any": ("Your plan for your ears",)},
        Author(name="Otto"),
        seen=digest_shown(services, "en", "page.title"),
    )
    assert cells(browser.get("/wording").text, "page.title") == {
        "en": "✓ approved + new", "so": "missing", "ur": "✓ approved",
    }  # fmt: skip
    browser.clock.forward(minutes=1)
    approve(services, "en", [("page.title", new.digest)], Approving(by="Dr Elm"))
    page = browser.get("/wording").text
    assert cells(page, "page.title") == {"en": "✓ approved", "so": "missing", "ur": "overtaken"}
    assert cells(page, "page.visit") == {"en": "✓ approved", "so": "missing", "ur": "✓ approved + new"}
    assert cells(page, "page.reach-us") == {"en": "✓ approved", "so": "missing", "ur": "draft"}


def test_every_sentence_group_of_the_content_is_on_the_overview_once(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    listed = re.findall(r"<code>([\w.~-]+)</code></th>", browser.get("/wording").text)
    assert sorted(listed) == sorted(the_pack().wording)


def test_the_overview_counts_each_language(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    page, total = browser.get("/wording").text, len(the_pack().wording)
    assert f'data-label="approved">{total}</td><td class="number" data-label="draft">0</td>' in page  # English
    assert f'data-label="approved">0</td><td class="number" data-label="draft">{total}</td>' in page  # Urdu
    assert "nothing is sent in it" in page


def test_a_gap_says_how_many_people_with_a_plan_it_affects(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    services = browser.services
    for name, ear in (("maud", "grommet"), ("asif", "wax-left"), ("zara", "grommet")):
        give(services, a_person(services, name, language="ur"), a_visit(an_ear(ear)), by="nurse")
    give(services, "maud", a_visit(an_ear("wax-left")), by="nurse")  # a second plan: the first one is over
    a_person(services, "without", language="ur")
    page = browser.get("/wording").text
    assert cells(page, "back.grommet")["ur"] == "draft 1 person"  # zara
    assert cells(page, "back.remove-wax")["ur"] == "draft 2 people"  # maud and asif
    assert cells(page, "back.healing")["ur"] == "draft"
    assert cells(page, "page.title")["ur"] == cells(page, "message.dose.text")["ur"] == "draft 3 people"
    assert cells(page, "page.title")["en"] == "✓ approved"


def test_people_are_counted_with_the_language_that_they_would_be_sent(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, approve=())
    services = browser.services
    for name, language in (("maud", "en-GB"), ("asif", "so"), ("zara", "so")):
        a_person(services, name, language=language)
    approve_units(services, "en", the_pack().wording, "Dr Elm", reason="only here for the plans")
    for name in ("maud", "asif", "zara"):
        give(services, name, a_visit(), by="nurse")
    page = browser.get("/wording").text
    assert (
        '<span class="soft">en, source</span></th>\n<td class="number" data-label="people with a plan">1</td>' in page
    )
    assert "so (2 people)" in page


def test_the_filter_leaves_what_blocks_sending(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    needed = [unit.id for unit in the_pack().wording.values() if unit.topic != "question"]
    approve_units(browser.services, "ur", [unit for unit in needed if unit != "page.title"], "Dr Elm", reason="short")
    page = browser.get("/wording?only=blocking&language=ur").text
    assert re.findall(r"<code>([\w.~-]+)</code></th>", page) == ["page.title"]
    assert "1 of 1 sentence group" not in page and "block sending" in page
    approve_units(browser.services, "ur", ["page.title"], "Dr Elm", reason="short")
    page = browser.get("/wording?only=blocking&language=ur").text
    assert "Nothing blocks sending here." in page  # a common question is left out where it is not approved


def test_the_overview_asks_the_database_as_often_for_many_people_as_for_one(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    asked: list[str] = []

    def note(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        asked.append(statement)

    give(browser.services, a_person(browser.services, "p0"), a_visit(), by="nurse")
    browser.get("/wording")
    event.listen(Engine, "before_cursor_execute", note)
    try:
        browser.get("/wording")
        few = len(asked)
        for number in range(1, 9):
            give(browser.services, a_person(browser.services, f"p{number}"), a_visit(), by="nurse")
        asked.clear()
        browser.get("/wording")
    finally:
        event.remove(Engine, "before_cursor_execute", note)
    assert len(asked) == few
    assert sum("FROM plans" in statement for statement in asked) == 1


# One language


def test_a_language_that_is_read_from_the_right_is_shown_so(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    page = browser.get("/wording/ur?topic=page").text
    assert '<p lang="ur" dir="rtl">ترجمہ Your ear care plan</p>' in page
    assert '<p lang="en" dir="ltr">Your ear care plan</p>' in page
    assert 'ترجمہ From your visit on <bdi dir="ltr" class="token">{date}</bdi>' in page
    assert "clinical act" in page


def test_a_text_that_counts_is_shown_in_every_plural_form(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    page = browser.get("/wording/ar?topic=engine").text
    for name in ("zero", "one", "two", "few", "many", "other"):
        assert f'<small class="form">right, {name}</small>' in page


def test_a_draft_says_what_it_costs_and_an_approved_text_does_not(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    assert "text part" in browser.get("/wording/ur?topic=message").text
    assert "text part" not in re.sub(r"<small>.*?</small>", "", browser.get("/wording/en?topic=message").text)


def test_each_sentence_group_leads_to_its_own_page(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    assert 'href="/wording/ur/page.title"' in browser.get("/wording/ur?topic=page").text
    assert 'href="/wording/ur/page.title"' in browser.get("/wording").text


def test_unknown_languages_and_topics_get_a_plain_page(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    for place in ("/wording/xx", "/wording/en?topic=none", "/wording?topic=none", "/wording?language=xx"):
        assert browser.get(place).status_code == 404, place
    assert browser.post("/wording/xx/approve", {"read": "yes", "do": "all"}).status_code == 404


# Approving


def test_a_lead_approves_a_language_in_their_name_and_it_is_sent_from_then_on(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    person = a_person(browser.services, language="ur")
    give(browser.services, person, a_visit(), by="nurse")
    send_due(browser.services, "worker")
    assert browser.recorder.sent[-1].message.language == "en"
    data = {"do": "all", "read": "yes", "reason": "a stand-in", "pinned": pinned(browser, "/wording/ur")}
    asking = browser.post("/wording/ur/approve", data)
    assert f"{len(the_pack().wording)} sentence groups in اردو would be approved in your name, at once" in asking.text
    assert history(browser, "ur", "page.title") == []
    assert browser.press_twice("/wording/ur/approve", data).status_code == 302
    browser.clock.forward(minutes=5)
    give(browser.services, person, a_visit(), by="nurse")
    send_due(browser.services, "worker")
    assert browser.recorder.sent[-1].message.language == "ur"
    with browser.services.open_reading() as work:
        (line,) = [line for line in work.ledger.history("language:ur") if line.action == "wording-approved"]
    assert line.actor == "Lena Ford (lena)"


def test_only_what_is_ticked_is_approved(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    data = {"do": "chosen", "read": "yes", "unit": pair(browser, "page.title"), "topic": "page"}
    answer = browser.post("/wording/ur/approve", data)
    assert answer.headers["Location"] == "/wording/ur?topic=page&approved=1"
    assert "1 sentence group, in your name" in browser.get(answer.headers["Location"]).text
    with browser.services.open_reading() as work:
        approved = {each.unit for each in work.revisions.all() if each.language == "ur"}
    assert approved == {"page.title"}


def test_one_group_is_approved_in_one_step(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    pin = pinned(browser, "/wording/ur?topic=back", "pinned-group")
    data = {"do": "group", "read": "yes", "topic": "back", "pinned-group": pin, "reason": "a stand-in"}
    assert browser.post("/wording/ur/approve", data).status_code == 302
    with browser.services.open_reading() as work:
        approved = {each.unit for each in work.revisions.all() if each.language == "ur"}
    assert approved == {unit.id for unit in the_pack().wording.values() if unit.topic == "back"}


@pytest.mark.parametrize(
    "data",
    [
        {"do": "all"},  # not read
        {"do": "all", "read": "yes", "pinned": "0" * 64},  # another wording was shown
        {"do": "group", "read": "yes", "topic": "page", "pinned-group": "0" * 64},
        {"do": "group", "read": "yes", "topic": "no-such-topic"},
        {"do": "chosen", "read": "yes"},  # nothing ticked
        {"do": "chosen", "read": "yes", "unit": "page.title|0000"},  # another wording was shown
        {"do": "chosen", "read": "yes", "unit": "page.title|"},
        {"do": "chosen", "read": "yes", "unit": "no.such.unit|"},
    ],
)
def test_wording_is_never_approved_unread_or_unseen(tmp_path: Path, data: dict[str, object]) -> None:
    browser = a_desk(tmp_path, approve=())
    assert browser.post("/wording/en/approve", data).status_code == 403
    with browser.services.open_reading() as work:
        assert work.revisions.all() == []


def test_a_text_that_changed_while_it_was_read_is_not_approved(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    ticked = pair(browser, "page.title")
    write(browser.services, "ur", "page.title", {"any": ("نیا",)}, Author(name="Otto"), seen=ticked.partition("|")[2])
    answer = browser.post("/wording/ur/approve", {"do": "chosen", "read": "yes", "unit": ticked})
    assert answer.status_code == 403 and CHANGED in answer.text
    assert {each.approval for each in history(browser, "ur", "page.title")} == {None}


def test_an_approval_can_begin_on_a_day_at_midnight_on_the_clinics_clock(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    data = {"do": "chosen", "read": "yes", "unit": pair(browser, "page.title"), "from": "2027-07-01"}
    assert browser.post("/wording/ur/approve", data).status_code == 302
    (revision,) = history(browser, "ur", "page.title")
    assert revision.approval is not None
    assert revision.approval.effective == datetime(2027, 6, 30, 23, 0, tzinfo=UTC)  # British Summer Time
    assert cells(browser.get("/wording").text, "page.title")["ur"].endswith("from 1 Jul 2027")
    page = browser.get("/wording/ur?topic=page").text
    assert "Lena Ford (lena) approved this text; it counts from Thu 1 Jul 2027, 00:00." in page
    assert 'value="page.title|' not in page
    browser.clock.at = datetime(2027, 6, 30, 23, 0, tzinfo=UTC)
    browser.sign_in("lena")
    assert cells(browser.get("/wording").text, "page.title")["ur"] == "✓ approved"


def test_from_today_on_is_at_once(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    data = {"do": "chosen", "read": "yes", "unit": pair(browser, "page.title"), "from": "2026-11-25"}
    assert browser.post("/wording/ur/approve", data).status_code == 302
    (revision,) = history(browser, "ur", "page.title")
    assert revision.approval is not None and revision.approval.effective == browser.clock.now()


@pytest.mark.parametrize(("begin", "said"), [("2026-11-24", "is over"), ("soon", "give a day such as 2026-12-01")])
def test_a_day_that_cannot_be_is_refused_in_one_sentence(tmp_path: Path, begin: str, said: str) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    data = {"do": "chosen", "read": "yes", "unit": pair(browser, "page.title"), "from": begin}
    answer = browser.post("/wording/ur/approve", data)
    assert answer.status_code == 403 and said in answer.text
    assert history(browser, "ur", "page.title") == []


LONG = "{clinic}: here is your plan from your visit: {link} Keep this link. " + "If you feel worse, contact us. " * 20
LONG += "Call {phone}. In an emergency call {emergency}."


def test_a_text_over_the_budget_is_approved_only_with_a_reason_that_goes_on_record(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    services, unit = browser.services, "message.plan-given.text"
    write(services, "en", unit, {"any": (LONG,)}, Author(name="Otto"), seen=digest_shown(services, "en", unit))
    page = browser.get("/wording/en?topic=message").text
    assert "text parts" in page and f'name="reason.{unit}"' in page
    data = {"do": "chosen", "read": "yes", "unit": pair(browser, unit, "en")}
    answer = browser.post("/wording/en/approve", data)
    assert answer.status_code == 403 and "give the reason why it may stay" in answer.text
    assert browser.post("/wording/en/approve", {**data, f"reason.{unit}": "for the trial week"}).status_code == 302
    approval = history(browser, "en", unit)[-1].approval
    assert approval is not None and approval.reason == "for the trial week"


def test_a_reason_for_all_counts_only_where_something_is_over(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    services, unit = browser.services, "message.plan-given.text"
    write(services, "en", unit, {"any": (LONG,)}, Author(name="Otto"), seen=digest_shown(services, "en", unit))
    write(
        services,
        "en",
        "message.dose.subject",
        {"any": ("It is time",)},
        Author(name="Otto"),
        seen=digest_shown(services, "en", "message.dose.subject"),
    )
    pin = pinned(browser, "/wording/en?topic=message", "pinned-group")
    data = {"do": "group", "read": "yes", "topic": "message", "pinned-group": pin, "reason": "for the trial week"}
    assert browser.post("/wording/en/approve", data).status_code == 302
    reasons = [history(browser, "en", each)[-1].approval for each in (unit, "message.dose.subject")]
    assert [each.reason if each else None for each in reasons] == ["for the trial week", ""]


def test_a_missing_tick_says_why_and_a_forged_one_is_refused(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, "wilf", catalogs=invented_urdu(tmp_path))
    seen = digest_shown(browser.services, "ur", "page.title")
    write(browser.services, "ur", "page.title", {"any": ("نیا",)}, Author(name="Wilf", staff_id="wilf"), seen=seen)
    page = browser.get("/wording/ur?topic=page").text
    assert "You wrote this text; a second person must read and approve it." in page
    assert "Section.help is a safety sentence: only the clinical lead can approve it." in page
    for unit in ("page.title", "section.help"):
        assert f'value="{unit}|' not in page
        forged = f"{unit}|{digest_shown(browser.services, 'ur', unit)}"
        assert browser.post("/wording/ur/approve", {"do": "chosen", "read": "yes", "unit": forged}).status_code == 403
        assert all(each.approval is None for each in history(browser, "ur", unit))


def test_a_reviewer_approves_all_that_they_may_and_nothing_else(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, "wilf", catalogs=invented_urdu(tmp_path))
    data = {"do": "all", "read": "yes", "reason": "a stand-in", "pinned": pinned(browser, "/wording/ur")}
    assert browser.press_twice("/wording/ur/approve", data).status_code == 302
    with browser.services.open_reading() as work:
        approved = {each.unit for each in work.revisions.all() if each.language == "ur"}
    assert approved == {unit.id for unit in the_pack().wording.values() if not unit.safety}


def test_without_the_right_for_the_language_nothing_can_be_ticked(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, "otto", catalogs=invented_urdu(tmp_path))
    page = browser.get("/wording/ur?topic=page").text
    assert "You have no right to approve wording in اردو" in page
    assert 'name="unit"' not in page and 'name="do"' not in page
    forged = f"page.title|{digest_shown(browser.services, 'ur', 'page.title')}"
    assert browser.post("/wording/ur/approve", {"do": "chosen", "read": "yes", "unit": forged}).status_code == 403
    assert history(browser, "ur", "page.title") == []


def test_a_draft_language_is_named_on_the_discharge_page(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    person = a_person(browser.services, language="ur")
    browser.sign_in("cleo")
    page = browser.post(f"/people/{person}/discharge", {"right.findings": "wax-left", "do": "propose"}).text
    assert "everything goes out in <b>English</b>" in page
    browser.sign_in("lena")
    data = {"do": "all", "read": "yes", "reason": "a stand-in", "pinned": pinned(browser, "/wording/ur")}
    browser.press_twice("/wording/ur/approve", data)
    browser.sign_in("cleo")
    page = browser.post(f"/people/{person}/discharge", {"right.findings": "wax-left", "do": "propose"}).text
    assert "everything goes out in" not in page
    assert '<article class="paper" lang="ur" dir="rtl"' in page
    assert "alphabet UCS2, because of “ت”" in page


# Another language


def test_a_language_is_added_under_its_canonical_tag_and_all_of_it_is_missing(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    page = browser.get("/wording").text
    assert '<option value="so">Soomaali</option>' in page
    assert '<option value="ur">' not in page.partition("<datalist")[2].partition("</datalist>")[0]  # it is there
    answer = browser.post("/wording/languages", {"language": " PA-arab "})
    assert answer.headers["Location"] == "/wording/pa-Arab"
    page = browser.get("/wording/pa-Arab?topic=page").text
    assert 'lang="pa-Arab" dir="rtl"' in page and 'name="unit"' not in page
    assert cells(browser.get("/wording").text, "page.title")["pa-Arab"] == "missing"


@pytest.mark.parametrize(
    ("tag", "why"),
    [
        ("<script>", "this is not a language tag; give a code"),
        ("", "this is not a language tag; give a code"),
        ("qqz", "plural forms are not known for qqz"),
        ("ann", "dates and numbers are not known for ann"),  # Obolo: the CLDR counts in it, and has no month of it
        ("ur", "ur is there already"),
        ("en", "en is there already"),
    ],
)
def test_a_language_that_cannot_be_added_is_refused_in_one_sentence_and_stays_in_its_field(
    tmp_path: Path, tag: str, why: str
) -> None:
    browser = a_desk(tmp_path)
    answer = browser.post("/wording/languages", {"language": tag})
    assert answer.status_code == 422
    assert f"Nothing was added: {why}" in answer.text and "<script>" not in answer.text
    assert f'value="{escape(tag)}"' in answer.text and answer.text.count('id="languages"') == 1
    with browser.services.open_reading() as work:
        assert work.revisions.languages() == ()


# Who may do what


@pytest.mark.parametrize("login", ["dina", "cleo"])
def test_the_front_desk_and_a_clinician_read_the_overview_and_open_no_text(tmp_path: Path, login: str) -> None:
    browser = a_desk(tmp_path, login, catalogs=invented_urdu(tmp_path))
    page = browser.get("/wording")
    assert page.status_code == 200
    assert 'href="/wording/' not in page.text and 'action="/wording/' not in page.text
    for place in ("/wording/ur", "/wording/ur/export"):
        assert browser.get(place).status_code == 403, place
    for place in ("/wording/ur/approve", "/wording/languages", "/wording/ur/import"):
        assert browser.post(place, {"read": "yes", "do": "all", "language": "so"}).status_code == 403, place
    with browser.services.open_reading() as work:
        assert work.revisions.languages() == ()


def test_whoever_works_on_wording_sees_no_patient(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, "otto")
    give(browser.services, a_person(browser.services), a_visit(), by="nurse")
    for place in ("/wording", "/wording/ur", "/wording/ur/export"):
        assert browser.get(place).status_code == 200, place
        assert "Maud" not in browser.get(place).text
    for place in ("/people", "/people/maud", "/people/maud/discharge", "/attention", "/letters", "/outgoing"):
        assert browser.get(place).status_code == 403, place


def test_whoever_is_not_signed_in_is_sent_to_the_sign_in(tmp_path: Path) -> None:
    browser = a_browser(tmp_path)
    for place in ("/wording", "/wording/ur", "/wording/ur/export"):
        assert browser.get(place).headers["Location"].startswith("/sign-in"), place
    for place in ("/wording/ur/approve", "/wording/languages", "/wording/ur/import"):
        assert browser.client.post(place).headers["Location"].startswith("/sign-in"), place


def test_a_form_from_another_site_does_nothing(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    data = {"do": "chosen", "read": "yes", "unit": pair(browser, "page.title"), "language": "so"}
    for place in ("/wording/ur/approve", "/wording/languages", "/wording/ur/import"):
        for forged in ({}, {"csrf": ""}, {"csrf": "0" * 43}):
            assert browser.client.post(place, data={**data, **forged}).status_code == 403, place
        assert browser.client.post(f"{place}?csrf={browser.token()}", data=data).status_code == 403, place
    assert history(browser, "ur", "page.title") == []
    with browser.services.open_reading() as work:
        assert work.revisions.languages() == ()


def test_words_are_shown_as_text_wherever_they_stand(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    evil = '"><script>alert(1)</script>'
    stored = Revision(
        id="evil",
        language="en",
        unit="page.title",
        texts={"any": (evil,)},
        digest=evil,
        source_digest=evil,
        origin=Origin.WRITTEN,
        written_by=evil,
        written_at=browser.clock.now(),
        note=evil,
    )
    with browser.services.open_work() as work:
        work.revisions.add([stored])
        work.commit()
    places = ("/wording", "/wording/en?topic=page", f"/wording?topic={evil}", f"/wording?language={evil}",
              f"/wording/en?topic={evil}", f"/wording/{evil}", f"/wording/ur/export?topic={evil}",
              f"/wording/ur/export?format={evil}")  # fmt: skip
    for place in places:
        assert "<script>alert" not in browser.get(place).text, place
    assert "&lt;script&gt;alert(1)" in browser.get("/wording/en?topic=page").text
    answer = browser.post(
        "/wording/en/approve", {"do": "chosen", "read": "yes", "unit": f"{evil}|{evil}", "from": evil}
    )
    assert answer.status_code == 403 and "<script>alert" not in answer.text


# In a browser, without script


@pytest.mark.parametrize("width", [320, 800, 1280])
def test_with_thirteen_languages_no_page_scrolls_sideways(chromium: Chromium, tmp_path: Path, width: int) -> None:
    place = Path(__file__).resolve().parents[1] / "output"
    place.mkdir(parents=True, exist_ok=True)
    with a_running_desk(tmp_path) as (browser, address):
        add_team(browser.services)
        with browser.services.open_reading() as work:
            there = len(browser.services.book(work).languages)
        for tag in ("zh-Hant", "pa-Arab", "so", "bn", "ta")[: 13 - there]:
            add_language(browser.services, tag, "lena")
        page = chromium.new_page(viewport={"width": width, "height": 900})
        page.goto(f"{address}/sign-in")
        page.fill("#login", "lena")
        page.fill("#password", PASSWORD)
        page.keyboard.press("Enter")
        page.wait_for_url("**/people")
        for name, where in (
            ("overview", "/wording?only=blocking"),
            ("budgets", "/wording/budgets"),
            ("language", "/wording/ur?topic=water"),
        ):
            page.goto(f"{address}{where}")
            assert page.evaluate("document.documentElement.scrollWidth") <= width, where
            page.screenshot(path=place / f"wording-{name}-{width}.png")
        assert page.evaluate("document.querySelectorAll('#file').length") == 1
        page.close()


def test_by_keyboard_and_without_script_a_tick_is_set_and_approved(chromium: Chromium, tmp_path: Path) -> None:
    with a_running_desk(tmp_path) as (browser, address):
        add_team(browser.services)
        page = chromium.new_context(java_script_enabled=False).new_page()
        page.goto(f"{address}/sign-in")
        page.fill("#login", "lena")
        page.fill("#password", PASSWORD)
        page.keyboard.press("Enter")
        page.wait_for_url("**/people")
        page.goto(f"{address}/wording/ur?topic=page")
        page.get_by_label("Approve page.title", exact=True).focus()
        page.keyboard.press("Space")
        page.get_by_label("I have read this wording").focus()
        page.keyboard.press("Space")
        page.get_by_role("button", name="Approve what is ticked").focus()
        page.keyboard.press("Enter")
        page.wait_for_url("**approved=1")
        page.context.close()
        assert [each.approval is not None for each in history(browser, "ur", "page.title")] == [True]


def test_a_plan_that_is_over_affects_nobody(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, catalogs=invented_urdu(tmp_path))
    person = a_person(browser.services, language="ur")
    plan = give(browser.services, person, a_visit(), by="nurse")
    assert cells(browser.get("/wording").text, "page.title")["ur"] == "draft 1 person"
    with browser.services.open_work() as work:
        work.plans.set_status(getattr(plan, "id", plan), Status.REVOKED)
        work.commit()
    assert cells(browser.get("/wording").text, "page.title")["ur"] == "draft"


# Budgets


def seen_of(page: str, kind: str) -> str:
    """What the form about one kind says was looked at."""
    form = page[page.index(f'id="budget-{kind}"') :]
    found = re.search(r'name="seen" value="([^"]*)"', form[: form.index("</form>")])
    assert found is not None
    return found[1]


def test_a_budget_is_set_and_a_wrong_one_comes_back_in_its_field(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    form = {"parts": "many", "parts_ucs2": "5", "sentence_words": ""}
    form["seen"] = seen_of(browser.get("/wording/budgets").text, "dose")
    wrong = browser.post("/wording/budgets/dose", form)
    assert wrong.status_code == 422
    assert "Dose reminder, Most parts: give a whole number from 1 to 200." in wrong.text
    assert 'value="many"' in wrong.text and 'name="parts_ucs2" value="5"' in wrong.text, "nothing typed is lost"
    assert browser.post("/wording/budgets/dose", {"parts": "201"}).status_code == 422
    with browser.services.open_reading() as work:
        assert browser.services.budgets(work) == browser.services.pack.budgets
    form = {"parts": "2", "parts_ucs2": "5", "sentence_words": "", "seen": seen_of(wrong.text, "dose")}
    done = browser.post("/wording/budgets/dose", form)
    page = browser.get(done.headers["Location"]).text
    assert "<b>Saved:</b> Dose reminder." in page and "<small>shipped: 1</small>" in page
    with browser.services.open_reading() as work:
        assert browser.services.budgets(work)["dose"].parts == 2


def test_a_budget_that_somebody_else_saved_meanwhile_stands_beside_what_was_typed(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    services = browser.services
    first = seen_of(browser.get("/wording/budgets").text, "dose")
    with services.open_reading() as work:
        before = limits_of(services.budgets(work)["dose"])
    set_budget(services, "dose", {"parts": 3, "sentence_words": 9}, "Olu Adeyemi (olu)", seen=before)
    mine = {"parts": "2", "parts_ucs2": "", "sentence_words": "11"}
    page = browser.post("/wording/budgets/dose", {**mine, "seen": first})
    assert page.status_code == 409
    assert "<b>Nothing was saved.</b> Dose reminder, Olu Adeyemi (olu) saved other limits meanwhile" in page.text
    assert 'name="parts" value="2"' in page.text and "<b>theirs: 3</b>" in page.text, "nothing typed is lost"
    assert 'name="sentence_words" value="11"' in page.text and "<b>theirs: 9</b>" in page.text
    slip = browser.post("/wording/budgets/dose", {**mine, "parts": "x", "seen": first})
    assert seen_of(slip.text, "dose") == first, "a slip in a number is no look at what the other one saved"
    assert browser.post("/wording/budgets/dose", {**mine, "seen": first}).status_code == 409
    assert browser.post("/wording/budgets/dose", mine).status_code == 409, "a page of an earlier version says nothing"
    assert browser.post("/wording/budgets/dose", {**mine, "seen": f"3,{'9' * 5000},1"}).status_code == 409
    again = browser.post("/wording/budgets/dose", {**mine, "seen": seen_of(page.text, "dose")})
    assert again.status_code == 303
    with services.open_reading() as work:
        assert limits_of(services.budgets(work)["dose"]) == (2, before[1], 11)
