"""One sentence group in one language: written, refused with its place, costed, previewed, approved, compared."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html import unescape
from html.parser import HTMLParser
from pathlib import Path

import pytest
from builders import a_clinic, the_pack
from sqlalchemy import select
from web.staff_pages import Browser, a_browser, invented_urdu
from web.test_wording import add_team
from werkzeug.test import TestResponse

from service.domain.placeholders import PLACEHOLDERS
from service.domain.plan import Phrase
from service.domain.revision import Origin, Revision, Standing, Texts
from service.errors import TextFault
from service.planning.approving import Approving, add_language, approve, approve_units
from service.planning.choices import save_choices
from service.services import Services
from service.storage.tables import AuditRow
from service.web.wording_fields import MEANINGS, marked
from service.wording.book import Entry

GREETING = "/wording/en/message.greeting"
DROPS = "/wording/pl/instil.drops"


class Desk(Browser):
    """A browser of whoever works on wording: the token of its forms is on the page of a unit."""

    def token(self, place: str = GREETING) -> str:
        return super().token(place if self.get(place).status_code == 200 else "/people")


def a_desk(folder: Path, login: str = "lena", **changes: object) -> Desk:
    """A browser on which `login` of the team is signed in: lena (lead), wilf (Urdu), otto (writes only), or cleo."""
    browser = Desk(**vars(a_browser(folder, **changes)))
    add_team(browser.services)
    assert browser.sign_in(login).status_code == 302
    return browser


class Elements(HTMLParser):
    """Every element of a page with its attributes, in order."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str]]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, {name: value or "" for name, value in attrs}))

    def all(self, tag: str) -> list[dict[str, str]]:
        return [attrs for name, attrs in self.found if name == tag]


def seen(browser: Browser, place: str) -> str:
    found = re.search(r'name="seen" value="([^"]*)"', browser.get(place).text)
    assert found is not None
    return found[1]


def typed(texts: Texts, **more: str) -> dict[str, object]:
    fields = {f"text.{form}.{index}": text for form, said in texts.items() for index, text in enumerate(said)}
    return {**fields, **more}


def save(browser: Browser, place: str, texts: Texts, **more: str) -> TestResponse:
    return browser.post(f"{place}/save", typed(texts, seen=seen(browser, place), **more))


def entry(services: Services, language: str, unit_id: str) -> Entry:
    with services.open_reading() as work:
        return services.book(work).entry(language, unit_id, services.clock.now())


def history(services: Services, language: str, unit_id: str) -> list[Revision]:
    with services.open_reading() as work:
        return list(services.book(work).history(language, unit_id))


def said(services: Services, unit_id: str, language: str = "en", **values: str) -> str:
    with services.open_reading() as work:
        return services.wordings(work).say(Phrase(wording=unit_id, values=values), language)


def plain(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


# --- writing ---------------------------------------------------------------------------------------------------------


def test_a_counting_group_has_a_field_for_each_ear_and_plural_form_with_numbers_that_take_it(tmp_path: Path) -> None:
    page = a_desk(tmp_path).get(DROPS).text
    fields = [each["name"] for each in Elements(page).all("textarea")]
    assert fields == [f"text.{form}.{index}" for form in ("right", "left", "both") for index in range(4)]
    words = plain(page)
    assert "right ear, form “few” For 2, 3, 4, 22, 23 …" in words
    assert "form “other” No whole number takes this form, fractions do." in words
    assert "how many drops" in words


def test_arabic_has_all_its_six_forms(tmp_path: Path) -> None:
    page = a_desk(tmp_path).get("/wording/ar/care.wax-falls-out").text
    fields = Elements(page).all("textarea")
    assert len(fields) == 6
    assert {each["dir"] for each in fields} == {"rtl"}


def test_what_is_saved_is_a_draft_and_changes_nothing_that_is_sent(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, "otto")
    answer = save(browser, GREETING, {"any": ("Good day {name},",)}, note="friendlier")
    assert answer.status_code == 303
    assert "Saved as a draft" in browser.get(answer.location).text
    now = entry(browser.services, "en", "message.greeting")
    assert now.draft == {"any": ("Good day {name},",)}
    assert said(browser.services, "message.greeting", name="Maud") == "Hello Maud,"
    last = history(browser.services, "en", "message.greeting")[-1]
    assert (last.written_by, last.writer, last.note) == ("Otto Lake (otto)", "otto", "friendlier")


@pytest.mark.parametrize(
    ("text", "mark", "sentence"),
    [
        ("Hello {nmae},", "<mark>{nmae}<sup>1</sup></mark>", "{nmae} is not in the English"),
        ("Hello { name },", "<mark>{ name }<sup>1</sup></mark>", "write {name} in exactly these letters"),
        ("Hello,", 'missing here: </span><sup>1</sup></mark>', "{name} is missing"),
        ("Hello {name}, {phone}", "<mark>{phone}<sup>1</sup></mark>", "{phone} is not in the English"),
        ("Hello {name} <b>,", "<mark>&lt;b&gt;<sup>1, 2</sup></mark>", "has no end"),
        ("Hello {name} 7,", "<mark>7<sup>1</sup></mark>", "the number 7 is not in the English"),
        ("Hello {name} www.example.org,", "<mark>www.example.org<sup>1</sup></mark>", "is not in the English"),
        ("", "\u2423", "the text is empty"),
    ],
)  # fmt: skip
def test_a_refused_text_comes_back_as_typed_with_the_place_marked(
    tmp_path: Path, text: str, mark: str, sentence: str
) -> None:
    browser = a_desk(tmp_path)
    before = history(browser.services, "en", "message.greeting")
    answer = save(browser, GREETING, {"any": (text,)}, note="kept too")
    assert answer.status_code == 422
    assert "Nothing was saved." in answer.text
    assert sentence.casefold() in unescape(answer.text).casefold()
    if text:
        assert mark in answer.text
    (field,) = Elements(answer.text).all("textarea")
    body = re.search(r"<textarea[^>]*>\n(.*?)</textarea>", answer.text, re.DOTALL)
    assert body is not None and unescape(body[1]) == text
    assert 'value="kept too"' in answer.text
    ids = {attrs.get("id") for _, attrs in Elements(answer.text).found}
    assert field["aria-invalid"] == "true"
    assert set(field["aria-describedby"].split()) <= ids
    assert history(browser.services, "en", "message.greeting") == before


def test_only_the_form_that_is_wrong_is_marked(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    texts = dict(entry(browser.services, "pl", "instil.drops").shown or {})
    texts["left"] = (*texts["left"][:2], texts["left"][2].replace("{drops}", "pięć"), texts["left"][3])
    answer = save(browser, DROPS, texts)
    assert answer.status_code == 422
    wrong = [each["name"] for each in Elements(answer.text).all("textarea") if each.get("aria-invalid")]
    assert wrong == ["text.left.2"]


def test_a_likely_slip_is_shown_and_does_not_bar(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    answer = save(browser, GREETING, {"any": ("Hello  {name},",)})
    assert answer.status_code == 303
    assert "two spaces follow each other" in browser.get(GREETING).text.casefold()


def test_letters_are_kept_composed(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    assert save(browser, GREETING, {"any": ("Hello cafe\u0301 {name},",)}).status_code == 303
    assert entry(browser.services, "en", "message.greeting").draft == {"any": ("Hello café {name},",)}


def test_two_people_at_once_lose_nothing_and_see_the_difference(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    started = seen(browser, GREETING)
    save(browser, GREETING, {"any": ("Good day {name},",)})
    late = browser.post(f"{GREETING}/save", typed({"any": ("Dear {name},",)}, seen=started))
    assert late.status_code == 409
    assert "somebody changed this text meanwhile" in late.text.casefold()
    assert "\nDear {name},</textarea>" in late.text
    assert '<del><span class="visually-hidden">[removed: </span>Good day' in late.text
    again = re.search(r'name="seen" value="([^"]*)"', late.text)
    assert again is not None
    assert browser.post(f"{GREETING}/save", typed({"any": ("Dear {name},",)}, seen=again[1])).status_code == 303
    assert entry(browser.services, "en", "message.greeting").draft == {"any": ("Dear {name},",)}


def test_the_same_text_again_is_no_new_revision(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    answer = save(browser, GREETING, {"any": ("Hello {name},",)})
    assert answer.status_code == 409
    assert "The text is the same as before; nothing was saved." in answer.text


def test_a_language_that_was_just_added_begins_with_empty_fields(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    add_language(browser.services, "so", "lena")
    page = browser.get("/wording/so/message.greeting")
    assert "Missing" in page.text and "There is no text to count." in page.text
    assert "nobody has written message.greeting in so yet" in browser.get("/wording/so/message.greeting/preview").text
    assert save(browser, "/wording/so/message.greeting", {"any": ("Salaan {name},",)}).status_code == 303
    assert "Salaan Sam Lee," in browser.get("/wording/so/message.greeting/preview").text


@pytest.mark.parametrize("place", ["/wording/en/no.such", "/wording/xx/message.greeting", f"{GREETING}/compare?one=a"])
def test_what_is_not_there_is_said_in_one_sentence(tmp_path: Path, place: str) -> None:
    answer = a_desk(tmp_path).get(place)
    assert answer.status_code == 404
    assert "choose" in answer.text


# --- costs -----------------------------------------------------------------------------------------------------------


def test_the_costs_stand_beside_their_budget(tmp_path: Path) -> None:
    words = plain(a_desk(tmp_path).get("/wording/en/message.plan-given.text").text)
    assert "Flesch-Kincaid" in words
    assert re.search(r"Typically \d text parts?, the plain alphabet", words)
    assert "Allowed 2 parts, in UCS-2 4" in words
    assert "Uncommon words" in words


def test_a_language_without_a_formula_says_so(tmp_path: Path) -> None:
    words = plain(a_desk(tmp_path).get("/wording/ur/message.plan-given.text").text)
    assert "no published formula is used for this language" in words
    assert "UCS-2, because of “" in words


def test_parts_are_shown_with_and_without_the_national_table_where_the_transport_uses_it(tmp_path: Path) -> None:
    """The Spanish table (3GPP TS 23.038, annex A.2.2) has á and í, and no ł: 155 septets in place of 70 characters."""
    browser, place = a_desk(tmp_path), "/wording/es/message.dose.text"
    texts = {"any": ("{clinic}: así está mejor. El próximo paso, aquí y más allá: {link}",)}
    assert save(browser, place, texts).status_code == 303
    without = plain(browser.get(place).text)
    assert re.search(r"Typically 2 text parts, UCS-2, because of “ í ” in the wording It would take 1 with", without)
    assert "this clinic’s transport does not use them" in without and "At worst with the shift table" not in without
    assert "national shift table" not in plain(browser.get(f"{place}/preview").text)
    budgets = plain(browser.get("/wording/budgets").text)
    assert "this clinic’s transport does not use them" in budgets

    vars(browser.recorder)["national_shift"] = True
    both = plain(browser.get(place).text)
    assert re.search(r"Typically 2 text parts, UCS-2, because of “ í ” in the wording; 1 with the national shift", both)
    assert "counted without the shift table" in both and "does not use them" not in both
    shown = plain(browser.get(f"{place}/preview").text)
    assert re.search(r"2 parts , UCS-2, \d+ units, because of “ í ”; 1 with the national shift table of Español", shown)
    group = plain(browser.get("/wording/es?topic=message").text)
    assert "2 text parts, at worst 3; 1 with the national shift table" in group
    assert "a budget counts without them" in plain(browser.get("/wording/budgets").text)
    assert "shift" not in plain(browser.get("/wording/pl/message.dose.text").text), "Polish has no table"


def test_over_the_budget_an_approver_says_why_or_does_not_approve(tmp_path: Path) -> None:
    browser, place = a_desk(tmp_path, "otto"), "/wording/en/message.dose.text"
    long = "{clinic}: it is time for the next step. " + "Please do it now. " * 8 + "What to do: {link}"
    assert save(browser, place, {"any": (long,)}).status_code == 303
    assert "Over the budget." in browser.get(place).text
    lead = other(browser, tmp_path, "lena")
    data = {"read": "yes", "digest": entry(browser.services, "en", "message.dose.text").draft_digest}
    refused = lead.post(f"{place}/approve", data)
    assert refused.status_code == 403
    assert "give the reason why it may stay" in refused.text
    assert lead.post(f"{place}/approve", {**data, "reason": "asked for by readers"}).status_code == 303
    assert "Over the budget because: asked for by readers" in plain(lead.get(place).text)


def other(browser: Browser, folder: Path, login: str) -> Desk:
    """A second browser at the same service."""
    second = Desk(
        client=browser.client.application.test_client(),
        services=browser.services,
        recorder=browser.recorder,
        clock=browser.clock,
    )
    assert second.sign_in(login).status_code == 302
    return second


# --- preview ---------------------------------------------------------------------------------------------------------


def frames(html: str) -> list[dict[str, str]]:
    return Elements(html).all("iframe")


def test_what_is_in_the_form_is_previewed_and_not_stored(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    before = entry(browser.services, "en", "message.greeting").shown
    answer = browser.post(f"{GREETING}/preview", typed({"any": ("Good morning {name},",)}))
    assert "What is in the form, not saved." in answer.text
    assert any("Good morning Sam Lee," in frame["srcdoc"] for frame in frames(answer.text))
    assert entry(browser.services, "en", "message.greeting").shown == before
    assert all("allow-scripts" not in frame["sandbox"] for frame in frames(answer.text))


def test_a_preview_of_a_broken_text_is_refused_as_saving_is(tmp_path: Path) -> None:
    answer = a_desk(tmp_path).post(f"{GREETING}/preview", typed({"any": ("Hello {nmae},",)}))
    assert answer.status_code == 422
    assert "<mark>{nmae}" in answer.text


def test_each_ear_and_each_number_is_shown_in_its_place(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    whole = plain(browser.get(f"{DROPS}/preview").text)
    for ending in ("1 kroplę do PRAWEGO", "2 krople do LEWEGO", "5 kropli do każdego"):
        assert ending in whole
    texts = typed(entry(browser.services, "pl", "instil.drops").shown or {})
    answer = browser.post(f"{DROPS}/preview", {**texts, "form": "left", "category": "many"})
    assert "left ear : Wax left" in plain(answer.text)
    pages = [frame["srcdoc"] for frame in frames(answer.text)]
    assert pages and all("5 kropli do LEWEGO ucha" in page for page in pages)


def test_a_text_is_shown_with_its_parts_and_alphabet(tmp_path: Path) -> None:
    words = plain(a_desk(tmp_path).get("/wording/en/message.plan-given.text/preview").text)
    assert re.search(r"[12] parts? , the plain alphabet \(GSM 7-bit\), \d+ septets", words)


def test_an_invitation_is_counted_with_the_line_that_follows_it_and_says_so(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    words = plain(browser.get("/wording/en/message.return-due.text").text)
    assert "Counted with what follows it in a text: Or answer with one word: BOOK, LATER or NO." in words
    assert "Counted with" not in plain(browser.get("/wording/en/message.dose.text").text)


def test_the_calendar_entry_is_shown_with_its_alarm(tmp_path: Path) -> None:
    words = plain(a_desk(tmp_path).get("/wording/en/calendar.appointment/preview").text)
    assert "Appointment: Larkfield Ear Care" in words and "24 hours before" in words
    assert "Not used by this example: text, e-mail, page, sheet." in words


@pytest.mark.parametrize(
    ("unit", "title"),
    [
        ("calendar.dose-guardian", "Next step of the plan for Sam"),
        ("calendar.return-guardian", "Book the next visit of Sam: Larkfield Ear Care"),
        ("calendar.appointment-guardian", "Appointment for Sam: Larkfield Ear Care"),
    ],
)
def test_what_only_the_calendar_of_a_guardian_says_is_shown_in_one(unit: str, title: str, tmp_path: Path) -> None:
    page = a_desk(tmp_path).get(f"/wording/en/{unit}/preview").text
    entries = {plain(cell).strip() for cell in re.findall(r'<td data-label="Title".*?</td>', page)}
    assert entries == {title}
    assert "Not used by this example: text, e-mail, page, sheet." in plain(page)


@pytest.mark.parametrize(
    ("unit", "said"),
    [
        ("message.return-due.second", "It is not booked yet."),
        ("message.return-due.last-guardian", "this is our last message about the next visit of Sam."),
        ("message.return-due.words", "Or answer with one word: BOOK, LATER or NO."),
    ],
)
def test_every_invitation_is_shown_as_it_goes_out(unit: str, said: str, tmp_path: Path) -> None:
    words = plain(a_desk(tmp_path).get(f"/wording/en/{unit}/preview").text)
    assert said in words
    assert "BOOK, LATER or NO" in words, "a text with the words to answer it"


def test_a_preview_is_planned_with_what_the_clinic_saved_as_its_choices(tmp_path: Path) -> None:
    browser, unit = a_desk(tmp_path), "/wording/en/instil.drops/preview"
    first = next(iter(browser.services.pack.agents))
    assert "Olive oil drops: Put" in plain(browser.get(unit).text) and first == "olive-oil"
    with browser.services.open_reading() as work:
        before = browser.services.choices_now(work)
    others = tuple(agent for agent in browser.services.pack.agents if agent != first)
    save_choices(browser.services, replace(before.choices, agents=others), seen=before.revision, by="Lena")
    shown = plain(browser.get(unit).text)
    assert "Almond oil drops: Put" in shown and "It is planned with this clinic’s choices." in shown
    given_up = plain(browser.get("/wording/en/agent.olive-oil.use/preview").text)
    assert "This clinic’s choices alone do not lead to this sentence group" in given_up


def test_the_source_can_be_looked_at_in_the_pseudo_language(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    usual = browser.get("/wording/en/message.dose.text/preview").text
    assert '<option value="pseudo">' in usual and "⟦" not in usual
    assert '<option value="pseudo"' not in browser.get("/wording/pl/message.dose.text/preview").text
    page = browser.get("/wording/en/message.dose.text/preview?as=pseudo").text
    (bubble, *_) = re.findall(r'<p class="bubble" lang="en-XA" dir="ltr">(.*?)</p>', page, re.DOTALL)
    assert re.fullmatch(r"⟦Larkfield Ear Care: ît îš tîmé .*~⟧", bubble), bubble
    plan = browser.get("/wording/en/section.do/preview?as=pseudo").text
    assert any("⟦Whàt tõ dõ" in unescape(frame["srcdoc"]) for frame in frames(plan))
    assert browser.get("/wording/en/section.do/preview?as=pseudo&format=sheet").data[:5] == b"%PDF-"


def test_the_sheet_is_a_pdf_of_the_draft(tmp_path: Path) -> None:
    answer = a_desk(tmp_path).post("/wording/en/page.title/preview", typed({"any": ("Your ears",)}, format="sheet"))
    assert answer.headers["Content-Type"] == "application/pdf"
    assert answer.data.startswith(b"%PDF")


@pytest.mark.parametrize(
    ("unit", "where"),
    [
        ("page.undo", "The plan, all doses of today done"),
        ("page.ended", "A plan that has ended"),
        ("page.said-saved", "The plan, after a change"),
        ("page.change.error-zone", "The page for changes, refused"),
        ("page.change.stop-yes", "Before stopping"),
        ("page.gone-wait", "The page after many wrong links"),
        ("page.language-fallback", "The plan in a language that stands in"),
        ("question.none-found", "The plan, a search without a find"),
        ("recall.in-weeks", "The plan, an invitation to answer"),
        ("recall.book-online", "The plan, an invitation to book online"),
        ("recall.said-later", "The plan, after the answer: later"),
        ("recall.said-elsewhere", "The plan, after the answer: seen elsewhere"),
        ("recall.wrong-sure", "The plan, an invitation to answer"),
        ("recall.wrong-undo", "The page after the wrong number or address"),
    ],
)
def test_a_sentence_of_a_rare_page_is_shown_on_that_page(tmp_path: Path, unit: str, where: str) -> None:
    answer = a_desk(tmp_path).get(f"/wording/en/{unit}/preview")
    assert [frame["title"] for frame in frames(answer.text)] == [where]


def test_every_kind_of_sentence_can_be_looked_at(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    topics: dict[str, list[str]] = {}
    for unit in the_pack().wording.values():
        topics.setdefault(unit.topic, []).append(unit.id)
    for units in topics.values():
        for unit_id in units[:: max(1, len(units) // 3)]:
            answer = browser.get(f"/wording/en/{unit_id}/preview")
            assert answer.status_code == 200, (unit_id, answer.text[-300:])


# --- history ---------------------------------------------------------------------------------------------------------


def test_a_second_person_approves_with_a_day_and_the_history_says_so(tmp_path: Path) -> None:
    writer = a_desk(tmp_path, "otto")
    save(writer, GREETING, {"any": ("Good day {name},",)})
    lead = other(writer, tmp_path, "lena")
    digest = entry(writer.services, "en", "message.greeting").draft_digest
    answer = lead.post(f"{GREETING}/approve", {"read": "yes", "digest": digest, "from": "2026-12-01"})
    assert answer.status_code == 303
    words = plain(lead.get(GREETING).text)
    assert "by Lena Ford (lena) (clinical lead), counts from Tue 1 Dec 2026, 00:00" in words
    assert said(writer.services, "message.greeting", name="Maud") == "Hello Maud,"
    writer.clock.at = datetime(2026, 12, 1, 0, 0, 1, tzinfo=UTC)
    assert said(writer.services, "message.greeting", name="Maud") == "Good day Maud,"


def test_a_text_for_a_later_day_stands_in_its_field_until_then(tmp_path: Path) -> None:
    lead = a_desk(tmp_path)
    services = lead.services
    data = {"digest": entry(services, "pl", "page.title").draft_digest, "read": "yes", "from": "2026-12-24"}
    assert lead.post("/wording/pl/page.title/approve", data).status_code == 303
    found = entry(services, "pl", "page.title")
    assert (found.standing, found.draft) == (Standing.DRAFT, None)
    assert found.shown is not None
    (field,) = found.shown["any"]
    page = lead.get("/wording/pl/page.title").text
    assert f">\n{field}</textarea>" in page
    assert "Lena Ford (lena) approved the text above; it counts from Thu 24 Dec 2026, 00:00." in plain(page)
    assert "The text that is approved from Thu 24 Dec 2026, 00:00." in lead.get("/wording/pl/page.title/preview").text
    # Who writes on begins from it, and what they wrote waits beside it.
    assert save(lead, "/wording/pl/page.title", {"any": (field.upper(),)}).status_code == 303
    assert entry(services, "pl", "page.title").draft == {"any": (field.upper(),)}


@pytest.mark.parametrize(
    ("recorded", "said"),
    [
        (True, "(with the right for اردو)"),
        (False, "(now: no right for this language; by which right it was then is not on record)"),
    ],
)
def test_the_history_says_by_which_right_somebody_approved_also_when_it_was_taken_away(
    tmp_path: Path, recorded: bool, said: str
) -> None:
    reviewer = a_desk(tmp_path, "wilf", catalogs=invented_urdu(tmp_path))
    services = reviewer.services
    data = {"digest": entry(services, "ur", "page.title").draft_digest, "read": "yes"}
    assert reviewer.post("/wording/ur/page.title/approve", data).status_code == 303
    with services.open_work() as work:
        row = work.staff.row_by_login("wilf")
        assert row is not None
        row.approves = ""
        if not recorded:  # as in a record of before
            for line in work._session.scalars(select(AuditRow).where(AuditRow.action == "wording-approved")):
                line.detail = {name: value for name, value in line.detail.items() if name != "right"}
        work.commit()
    assert f"by Wilf Moore (wilf) {said}, in force from" in plain(reviewer.get("/wording/ur/page.title").text)


def test_whoever_approves_sees_how_the_draft_differs_from_what_is_sent_and_the_note_with_it(tmp_path: Path) -> None:
    writer = a_desk(tmp_path, "otto")
    writer.clock.forward(minutes=1)
    assert save(writer, GREETING, {"any": ("Hello dear {name},",)}, note="it was too dry").status_code == 303
    page = other(writer, tmp_path, "lena").get(GREETING).text
    approval = page[page.index('id="approve"') : page.index('id="history"')]
    assert "How it differs from what is sent now, word by word" in approval
    assert '<ins><span class="visually-hidden">[added: </span> dear<span' in approval
    assert "The note with it: it was too dry" in plain(approval)


def test_the_history_is_whole_however_much_happened_since(tmp_path: Path) -> None:
    """By which right somebody approved, and why a text was withdrawn, is found behind thousands of later lines."""
    browser = a_desk(tmp_path, "wilf", catalogs=invented_urdu(tmp_path))
    services, title = browser.services, "/wording/ur/page.title"
    data = {"digest": entry(services, "ur", "page.title").draft_digest, "read": "yes"}
    assert browser.post(f"{title}/approve", data).status_code == 303
    browser.clock.forward(minutes=1)
    assert browser.press_twice(f"{title}/withdraw", {"why": "it reads as an advert"}).status_code == 303
    with services.open_work() as work:
        for minutes in range(2500):
            then = services.clock.now() + timedelta(minutes=minutes)
            work.ledger.note("Lena Ford (lena)", "wording-approved", "language:ur", then, units=1, right="lead")
            work.ledger.note("Lena Ford (lena)", "wording-withdrawn", "wording:ur:page.title", then, why="another")
        work.commit()
    page = plain(browser.get(title).text)
    assert "by Wilf Moore (wilf) (with the right for اردو), in force from" in page
    assert "by Wilf Moore (wilf). Why: it reads as an advert" in page and "another" not in page


def test_a_heading_says_who_names_it_and_who_names_it_wrongly_after_a_change(tmp_path: Path) -> None:
    browser, heading, names_it = a_desk(tmp_path), "/wording/en/section.return", "/wording/en/question.again.date"
    before = browser.get(heading).text
    assert "2 other sentence groups name this one by its words" in plain(before)
    assert f'<a href="{names_it}">' in before
    assert "This text names" not in browser.get(names_it).text
    assert save(browser, heading, {"any": ("Your next visit",)}).status_code == 303
    said = "This text names section.return by its words, and that says “ Your next visit ” now."
    assert said in plain(browser.get(names_it).text)
    group = plain(browser.get("/wording/en?topic=question").text)
    assert group.count("It names section.return by its words, and that says “Your next visit” now") == 2
    text = '"Your next visit" in this plan gives the date. Contact us sooner if an ear feels blocked or you hear less.'
    assert save(browser, names_it, {"any": (text,)}).status_code == 303
    assert said not in plain(browser.get(names_it).text)


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        ({}, "Tick that you have read the wording"),
        ({"read": "yes", "digest": "0" * 64}, "The wording changed since it was shown; read it again."),
        ({"read": "yes", "from": "2020-01-01"}, "is over; choose today or a later day"),
        ({"read": "yes", "from": "soon"}, "give a day such as"),
    ],
)
def test_nothing_is_approved_unread_unseen_or_for_yesterday(
    tmp_path: Path, data: dict[str, object], sentence: str
) -> None:
    browser = a_desk(tmp_path, approve=())
    digest = entry(browser.services, "en", "message.greeting").draft_digest
    answer = browser.post(f"{GREETING}/approve", {"digest": digest, **data})
    assert answer.status_code == 403
    assert sentence in answer.text
    assert entry(browser.services, "en", "message.greeting").approved is None


def test_nobody_approves_their_own_words_and_a_safety_sentence_is_the_leads(tmp_path: Path) -> None:
    lead = a_desk(tmp_path)
    save(lead, GREETING, {"any": ("Good day {name},",)})
    assert "You wrote this text; a second person must read and approve it." in lead.get(GREETING).text
    digest = entry(lead.services, "en", "message.greeting").draft_digest
    assert lead.post(f"{GREETING}/approve", {"read": "yes", "digest": digest}).status_code == 403
    wilf = other(lead, tmp_path, "wilf")
    assert "only the clinical lead can approve it" in wilf.get("/wording/ur/message.plan-given.text").text


def test_an_earlier_text_comes_back_as_a_draft(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    first = history(browser.services, "en", "message.greeting")[0]
    browser.clock.forward(minutes=1)
    save(browser, GREETING, {"any": ("Good day {name},",)})
    browser.clock.forward(minutes=1)
    assert browser.post(f"{GREETING}/back", {"revision": first.id}).status_code == 303
    last = history(browser.services, "en", "message.greeting")[-1]
    assert (last.texts, last.origin) == ({"any": ("Hello {name},",)}, Origin.RETURNED)
    assert "an earlier text, brought back" in browser.get(GREETING).text


def test_the_shipped_text_comes_back_too(tmp_path: Path) -> None:
    browser, place = a_desk(tmp_path), "/wording/ur/message.greeting"
    shipped = entry(browser.services, "ur", "message.greeting").shown
    save(browser, place, {"any": ("{name}،",)})
    before, _ = history(browser.services, "ur", "message.greeting")
    assert (before.origin, before.texts) == (Origin.SHIPPED, shipped)
    assert "Written over" in browser.get(place).text
    browser.clock.forward(minutes=1)
    assert browser.post(f"{place}/back", {"revision": before.id}).status_code == 303
    assert entry(browser.services, "ur", "message.greeting").draft == shipped


def test_two_revisions_are_compared_word_by_word_with_words_for_who_does_not_see(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    browser.clock.forward(minutes=1)
    save(browser, GREETING, {"any": ("Hello dear {name},",)})
    one, two = history(browser.services, "en", "message.greeting")
    page = browser.get(f"{GREETING}/compare?one={two.id}&other={one.id}").text
    assert '<ins><span class="visually-hidden">[added: </span> dear<span class="visually-hidden">]</span></ins>' in page
    assert "<del>" in page  # in the line that explains the signs
    assert '<bdi dir="ltr" class="token">{name}</bdi>' in page
    assert browser.get(f"{GREETING}/compare?one={one.id}&other={one.id}").status_code == 404


def test_a_withdrawal_needs_a_reason_asks_once_more_and_stays_on_record(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    bare = browser.post(f"{GREETING}/withdraw", {"why": " "})
    assert bare.status_code == 403 and "say why this wording must not be used any more" in bare.text
    asked = browser.post(f"{GREETING}/withdraw", {"why": "people took it for an advert"})
    assert "Nothing has happened yet." in asked.text
    assert entry(browser.services, "en", "message.greeting").approved is not None
    done = browser.press_twice(f"{GREETING}/withdraw", {"why": "people took it for an advert"})
    assert done.status_code == 303
    assert entry(browser.services, "en", "message.greeting").approved is None
    words = plain(browser.get(GREETING).text)
    assert "by Lena Ford (lena). Why: people took it for an advert" in words


def test_an_approval_for_a_later_day_is_taken_back_and_what_is_in_force_stays(tmp_path: Path) -> None:
    writer = a_desk(tmp_path, "otto")
    writer.clock.forward(minutes=1)
    save(writer, GREETING, {"any": ("Hello dear {name},",)})
    draft = entry(writer.services, "en", "message.greeting")
    lead, day = other(writer, tmp_path, "lena"), "2026-12-24"
    lead.post(f"{GREETING}/approve", {"read": "yes", "digest": draft.draft_digest, "from": day})
    before = entry(writer.services, "en", "message.greeting")
    assert before.coming is not None and before.approved is not None
    taken = {"revision": before.coming.id, "why": "the campaign is off"}
    refused = writer.post(f"{GREETING}/take-back", taken)
    assert refused.status_code == 403 and "You have no right to take back wording in en" in refused.text
    bare = lead.post(f"{GREETING}/take-back", {**taken, "why": " "})
    assert bare.status_code == 403 and "Say why this text is taken back." in bare.text
    in_force = lead.post(f"{GREETING}/take-back", {**taken, "revision": before.approved.id})
    assert in_force.status_code == 403 and "this text is in force" in in_force.text.lower()
    assert lead.post(f"{GREETING}/take-back", {**taken, "revision": "no-such"}).status_code == 404
    assert "Take back the approval" in lead.get(GREETING).text
    assert lead.post(f"{GREETING}/take-back", taken).status_code == 303
    after = entry(writer.services, "en", "message.greeting")
    assert (after.coming, after.draft, after.approved) == (None, None, before.approved)
    assert "by Lena Ford (lena). Why: the campaign is off" in plain(lead.get(GREETING).text)
    again = lead.post(f"{GREETING}/take-back", taken)
    assert again.status_code == 403 and "was taken back already" in again.text
    writer.clock.forward(days=60)
    assert said(writer.services, "message.greeting", name="Maud") == "Hello Maud,"


def test_whoever_wrote_a_draft_takes_it_back_without_a_right_to_approve(tmp_path: Path) -> None:
    writer = a_desk(tmp_path, "otto")
    writer.clock.forward(minutes=1)
    save(writer, GREETING, {"any": ("Hello dear {name},",)})
    *_, draft = history(writer.services, "en", "message.greeting")
    assert "Take back the draft" in writer.get(GREETING).text
    taken = {"revision": draft.id, "why": "a slip"}
    assert other(writer, tmp_path, "wilf").post(f"{GREETING}/take-back", taken).status_code == 403, "only Urdu is his"
    done = writer.post(f"{GREETING}/take-back", taken)
    assert done.headers["Location"].endswith("done=taken-back")
    after = entry(writer.services, "en", "message.greeting")
    assert (after.draft, after.standing) == (None, Standing.APPROVED)
    assert writer.post(f"{GREETING}/back", {"revision": draft.id}).status_code == 303, "it can come back as a draft"


def test_a_translation_whose_source_changed_shows_how_it_changed(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, "otto", approve=("en", "ur"))
    browser.clock.forward(minutes=1)
    save(browser, GREETING, {"any": ("Hello dear {name},",)})
    digest = entry(browser.services, "en", "message.greeting").draft_digest
    approve(browser.services, "en", [("message.greeting", digest)], Approving(by="Dr Wren Halloway"))
    page = browser.get("/wording/ur/message.greeting").text
    assert "Overtaken" in page
    assert '<ins><span class="visually-hidden">[added: </span> dear<span' in page


# --- who may, and what cannot be done --------------------------------------------------------------------------------


ACTIONS = ("save", "approve", "withdraw", "back", "take-back", "preview")


@pytest.mark.parametrize("login", ["cleo", "dina"])
def test_who_does_not_work_on_wording_sees_and_does_nothing_here(tmp_path: Path, login: str) -> None:
    browser = a_desk(tmp_path, login)
    for place in (GREETING, f"{GREETING}/compare", f"{GREETING}/preview"):
        assert browser.get(place).status_code == 403
    for action in ACTIONS:
        assert browser.post(f"{GREETING}/{action}").status_code == 403


@pytest.mark.parametrize("action", ACTIONS)
def test_a_form_of_another_site_does_nothing(tmp_path: Path, action: str) -> None:
    browser = a_desk(tmp_path)
    before = history(browser.services, "en", "message.greeting")
    data = {"text.any.0": "Dear {name},", "why": "x", "sure": "yes", "read": "yes", "csrf": "wrong"}
    assert browser.client.post(f"{GREETING}/{action}", data=data).status_code == 403
    assert history(browser.services, "en", "message.greeting") == before


def test_a_writer_without_the_right_is_told_who_could(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, "otto", approve=())
    page = browser.get(GREETING).text
    assert "You have no right to approve wording in en; ask the clinical lead or somebody who has." in page
    digest = entry(browser.services, "en", "message.greeting").draft_digest
    assert browser.post(f"{GREETING}/approve", {"read": "yes", "digest": digest}).status_code == 403
    approve_units(browser.services, "en", ["message.greeting"], "Dr Wren Halloway")
    assert "You have no right to withdraw wording in English" in browser.get(GREETING).text
    refused = browser.post(f"{GREETING}/withdraw", {"why": "no good", "sure": "yes"})
    assert refused.status_code == 403
    assert entry(browser.services, "en", "message.greeting").approved is not None


ATTACK = '"><script>alert(1)</script><img src=x onerror=alert(1)>'


def test_what_is_typed_is_never_markup(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    for action in ("save", "preview"):
        answer = browser.post(f"{GREETING}/{action}", typed({"any": (f"Hello {{name}}, {ATTACK}",)}, note=ATTACK))
        harmless(answer.text)
    save(browser, GREETING, {"any": ("Hello {name} & 'all',",)}, note=ATTACK)
    harmless(browser.get(GREETING).text)
    asked = browser.post(f"{GREETING}/withdraw", {"why": ATTACK})
    harmless(asked.text)


def test_what_stands_in_a_frame_is_never_markup_there(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    browser.services.clinic = a_clinic(name=f"Larkfield {ATTACK}")
    answer = browser.get("/wording/en/message.plan-given.text/preview")
    harmless(answer.text)
    assert frames(answer.text)
    page = browser.get("/wording/en/page.title/preview")
    for frame in (*frames(answer.text), *frames(page.text)):
        harmless(frame["srcdoc"])
        assert "<body" in frame["srcdoc"]


def harmless(html: str) -> None:
    """No script but our own files, and no handler in an attribute."""
    for tag, attrs in Elements(html).found:
        assert tag != "script" or ("nonce" in attrs and attrs["src"].startswith("/static/"))
        assert not any(name.startswith("on") for name in attrs)
        assert tag != "img" or attrs.get("src") != "x"


def test_every_placeholder_has_a_meaning() -> None:
    assert set(MEANINGS) == set(PLACEHOLDERS)


def test_places_that_overlap_are_all_marked() -> None:
    faults = [
        TextFault(form="any", index=None, start=0, end=4, what="a"),
        TextFault(form="any", index=None, start=2, end=6, what="b"),
        TextFault(form="any", index=None, start=8, end=8, what="c"),
    ]
    assert plain(str(marked("<a>bcdef", faults))) == "<a >b 1 cd 2 ef missing here: 3"


def test_a_day_that_comes_is_announced(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, "otto")
    save(browser, GREETING, {"any": ("Good day {name},",)})
    digest = entry(browser.services, "en", "message.greeting").draft_digest
    approving = Approving(by="Dr Wren Halloway", effective=browser.clock.now() + timedelta(days=2))
    approve(browser.services, "en", [("message.greeting", digest)], approving)
    assert "what Dr Wren Halloway approved counts from" in browser.get(GREETING).text
    assert "Nothing waits for approval." in browser.get(GREETING).text
