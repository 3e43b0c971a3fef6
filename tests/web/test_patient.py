"""The patient's page over a real database: what the link opens, what reading it leaves alone, what a form changes."""

from __future__ import annotations

import io
import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from pathlib import Path
from typing import Any

import pytest
from builders import StoppedClock, a_clinic, a_person, a_service, a_visit, an_ear, some_settings, the_pack
from flask.testing import FlaskClient
from pypdf import PdfReader

from service.delivery.dispatch import send_due
from service.domain.contact import Channel, Contact
from service.domain.message import MessageKind, State
from service.domain.pack import ClinicChoices
from service.domain.plan import Status
from service.domain.visit import Visit
from service.messages.catalogs import Catalogs, load_catalogs, template_catalog
from service.planning.aftercare import give, live_link, set_status
from service.planning.approving import approve_units
from service.services import Services
from service.storage.records import StoredPlan
from service.transports.port import RecordingTransport
from service.web.app import create_app
from service.web.patient_choices import MISSES_A_MINUTE

SOFTENING = {"right": an_ear("wax-left"), "left": an_ear("wax-left")}
BOTH_WAYS = [
    {"data": {"List-Unsubscribe": "One-Click"}, "content_type": "application/x-www-form-urlencoded"},
    {"data": {"List-Unsubscribe": "One-Click"}, "content_type": "multipart/form-data"},
]


@dataclass
class Clinic:
    """A running service, one person with a plan, and a browser without cookies."""

    services: Services
    sent: RecordingTransport
    clock: StoppedClock
    client: FlaskClient
    token: str
    plan: StoredPlan | None

    @property
    def page(self) -> str:
        return f"/p/{self.token}"

    @property
    def contact(self) -> Contact:
        with self.services.open_reading() as work:
            return work.people.get("maud").contact

    def text(self, path: str = "", **asked: Any) -> str:
        return self.client.get(self.page + path, **asked).text

    def pending(self, kind: MessageKind) -> list[str]:
        with self.services.open_reading() as work:
            found = work.messages.of_person("maud")
        return [
            m.planned.wall for m in found if m.planned.kind is kind and m.state is State.PENDING and not m.superseded
        ]

    def kept(self) -> tuple[object, ...]:
        """Everything that a look at a page must leave as it was."""
        with self.services.open_reading() as work:
            assert self.plan is not None
            return (
                work.people.get("maud"),
                work.plans.of_person("maud"),
                work.plans.marks(self.plan.id),
                work.messages.of_person("maud"),
                len(work.ledger.history("maud")),
                len(work.ledger.history(self.plan.id)),
                work.ledger.attention(),
                work.links.live_id("maud"),
            )


def opened(
    tmp_path: Path,
    *,
    visit: Visit | None = None,
    with_plan: bool = True,
    parts: dict[str, object] | None = None,
    approve: tuple[str, ...] = ("en",),
    **contact: object,
) -> Clinic:
    clock = StoppedClock()
    services, sent = a_service(f"sqlite:///{tmp_path / 'clinic.sqlite'}", clock=clock, approve=approve, **(parts or {}))
    a_person(services, "maud", **contact)
    plan = give(services, "maud", visit or a_visit(**SOFTENING), "Dr Wren Halloway") if with_plan else None
    with services.open_work() as work:
        token = live_link(services, work, "maud", clock.now())
        work.commit()
    client = create_app(services, some_settings(tmp_path)).test_client(use_cookies=False)
    return Clinic(services=services, sent=sent, clock=clock, client=client, token=token, plan=plan)


@pytest.fixture
def clinic(tmp_path: Path) -> Clinic:
    return opened(tmp_path)


def urdu(folder: Path) -> Catalogs:
    """Every unit in Urdu-like words that keep their placeholders."""
    lines = ['msgid ""', 'msgstr ""', r'"Content-Type: text/plain; charset=UTF-8\n"', r'"Language: ur\n"']
    lines.append(r'"Plural-Forms: nplurals=2; plural=(n != 1);\n"')
    for message in template_catalog(the_pack()):
        if not message.id:
            continue
        english = [message.id] if isinstance(message.id, str) else list(message.id)
        many = len(english) > 1
        short = [["اردو اردو اردو۔"] * (len(text) // 15 + 1) for text in english]
        said = [" ".join(some + re.findall(r"{[a-z_]+}|\d+", text)) for some, text in zip(short, english, strict=True)]
        said = [f"{'کئی ' * number}{text}" for number, text in enumerate(said)] if many else said
        lines += ["", f'msgctxt "{message.context}"', f"msgid {quoted(english[0])}"]
        lines += [f"msgid_plural {quoted(english[1])}"] if many else []
        lines += (
            [f"msgstr[{n}] {quoted(text)}" for n, text in enumerate(said)] if many else [f"msgstr {quoted(said[0])}"]
        )
    path = folder / "ur" / "LC_MESSAGES" / "wording.po"
    path.parent.mkdir(parents=True)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return load_catalogs(folder, the_pack())


def quoted(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
    return f'"{escaped}"'


# --- the link --------------------------------------------------------------------------------------------------------


def test_the_link_opens_the_plan_without_an_account(clinic: Clinic) -> None:
    answer = clinic.client.get(clinic.page)
    assert answer.status_code == 200
    assert "2 drops in each ear" in answer.text


def test_an_unknown_and_a_revoked_link_get_the_same_answer(clinic: Clinic) -> None:
    with clinic.services.open_work() as work:
        work.links.revoke_all("maud", clinic.clock.now())
        work.commit()
    revoked, unknown = clinic.client.get(clinic.page), clinic.client.get("/p/" + "n" * 22)
    assert (revoked.status_code, unknown.status_code) == (404, 404)
    assert revoked.text == unknown.text
    assert 'href="tel:02079460123"' in revoked.text
    assert 'href="tel:999"' in revoked.text
    assert "Maud" not in revoked.text


@pytest.mark.parametrize("path", ["", "/change", "/stop", "/stop-now", "/calendar.ics", "/sheet.pdf", "/dose"])
def test_a_revoked_link_opens_nothing_at_all(clinic: Clinic, path: str) -> None:
    with clinic.services.open_work() as work:
        work.links.revoke_all("maud", clinic.clock.now())
        work.commit()
    assert clinic.client.get(clinic.page + path).status_code == 404


@pytest.mark.parametrize("path", ["/dose", "/change", "/stop", "/stop-now", "/start"])
def test_a_revoked_link_changes_nothing(clinic: Clinic, path: str) -> None:
    with clinic.services.open_work() as work:
        work.links.revoke_all("maud", clinic.clock.now())
        work.commit()
    before = clinic.kept()
    form = {"wall": "2026-11-25T21:30", "done": "1", "List-Unsubscribe": "One-Click", "what": "pause"}
    assert clinic.client.post(clinic.page + path, data=form).status_code == 404
    assert clinic.kept() == before


def test_many_unknown_links_from_one_place_are_slowed_down_and_a_good_one_still_opens(clinic: Clinic) -> None:
    codes = [clinic.client.get(f"/p/guess{number}").status_code for number in range(MISSES_A_MINUTE + 1)]
    assert codes == [404] * MISSES_A_MINUTE + [429]
    assert clinic.client.get("/p/guess", environ_base={"REMOTE_ADDR": "192.0.2.7"}).status_code == 404
    assert clinic.client.get(clinic.page).status_code == 200
    clinic.clock.forward(seconds=61)
    assert clinic.client.get("/p/guess").status_code == 404


@pytest.mark.parametrize("path", ["", "/change", "/stop", "/stop-now", "/sheet.pdf", "/dose", "/start"])
@pytest.mark.parametrize("method", ["get", "head"])
def test_looking_at_a_page_changes_nothing(clinic: Clinic, method: str, path: str) -> None:
    before = clinic.kept()
    assert getattr(clinic.client, method)(clinic.page + path).status_code in (200, 302)
    assert clinic.kept() == before


def test_looking_at_the_calendar_writes_no_audit_line_and_the_second_look_is_the_same(clinic: Clinic) -> None:
    before = clinic.kept()
    first, second = clinic.client.get(clinic.page + "/calendar.ics"), clinic.client.get(clinic.page + "/calendar.ics")
    assert first.data == second.data
    assert clinic.kept() == before


def test_no_page_lets_the_address_leak_or_stay_in_a_cache(clinic: Clinic) -> None:
    for path in ("", "/change", "/stop", "/calendar.ics", "/sheet.pdf"):
        answer = clinic.client.get(clinic.page + path)
        assert answer.headers["Referrer-Policy"] == "no-referrer"
        assert answer.headers["Cache-Control"] == "no-store"
        assert "Set-Cookie" not in answer.headers
    assert '<meta name="robots" content="noindex' in clinic.text()


def test_a_page_loads_nothing_from_elsewhere_and_runs_no_script(clinic: Clinic) -> None:
    for path in ("", "/change", "/stop"):
        html = clinic.text(path)
        assert "<script" not in html
        assert "style=" not in html
        assert all(
            url.startswith(("/static/", "data:"))
            for url in re.findall(r'<(?:link|img)[^>]+(?:href|src)="([^"]+)', html)
        )


# --- today -----------------------------------------------------------------------------------------------------------


def test_today_comes_before_the_plan_and_the_plan_before_the_warning_signs(clinic: Clinic) -> None:
    html = clinic.text()
    order = [html.index(mark) for mark in ('id="today"', 'id="do"', 'id="avoid"', 'id="help"', 'class="keep"')]
    assert order == sorted(order)
    assert "9:30 pm, at bedtime" in html


def test_one_ear_is_named_in_words_with_its_mark_beside_it(tmp_path: Path) -> None:
    html = opened(tmp_path, visit=a_visit(right=an_ear("wax-left"))).text()
    assert re.search(r'<p class="amount ear-right">\d drops, RIGHT ear</p>', html)


def test_a_dose_is_marked_and_the_mark_is_taken_back(clinic: Clinic) -> None:
    assert clinic.plan is not None
    form = {"wall": "2026-11-25T21:30", "done": "1"}
    answer = clinic.client.post(clinic.page + "/dose", data=form)
    assert (answer.status_code, answer.headers["Location"]) == (303, f"{clinic.page}?said=done")
    assert "Marked as done." in clinic.text("?said=done")
    with clinic.services.open_reading() as work:
        assert work.plans.marks(clinic.plan.id) == {"2026-11-25T21:30"}
    clinic.client.post(clinic.page + "/dose", data=form | {"done": "0"})
    with clinic.services.open_reading() as work:
        assert work.plans.marks(clinic.plan.id) == frozenset()


@pytest.mark.parametrize("wall", ["", "2026-11-26T08:00", "2026-11-25T21:31", "x" * 5000])
def test_only_a_dose_of_today_can_be_marked(clinic: Clinic, wall: str) -> None:
    before = clinic.kept()
    assert clinic.client.post(clinic.page + "/dose", data={"wall": wall, "done": "1"}).status_code == 303
    assert clinic.kept() == before


def test_when_everything_is_done_the_page_says_so_and_names_what_is_next(clinic: Clinic) -> None:
    for wall in ("2026-11-25T13:00", "2026-11-25T21:30"):
        clinic.client.post(clinic.page + "/dose", data={"wall": wall, "done": "1"})
    html = clinic.text()
    assert "All done for today." in html
    assert "Next: Thursday, 26 November 2026" in html


def test_after_the_last_day_the_page_says_that_the_drops_are_finished(clinic: Clinic) -> None:
    clinic.clock.forward(days=10)
    assert "The drops of this plan are finished." in clinic.text()


def test_a_pause_is_told_beside_the_doses(clinic: Clinic) -> None:
    clinic.client.post(clinic.page + "/change", data={"what": "pause", "length": "pause-days"})
    html = clinic.text()
    assert "The last day of the pause is Friday, 27 November 2026" in html
    assert "2 drops in each ear" in html


def test_urgent_advice_stands_first_and_alone(tmp_path: Path) -> None:
    html = opened(tmp_path, visit=a_visit(right=an_ear("battery-in-ear"))).text()
    assert html.index("Do this now") < html.index('id="help"')
    assert 'id="today"' not in html
    assert 'class="dose' not in html


def test_a_plan_on_hold_shows_no_doses_and_no_steps_but_every_warning_sign(clinic: Clinic) -> None:
    assert clinic.plan is not None
    signs = clinic.text().count("<li>", clinic.text().index('id="help"'))
    set_status(clinic.services, clinic.plan.id, Status.ON_HOLD, "Dr Wren Halloway", "new pain")
    html = clinic.text()
    assert "This plan is on hold." in html
    assert 'class="doses"' not in html
    assert 'id="do"' not in html
    assert html.count("<li>", html.index('id="help"')) == signs > 0
    assert clinic.client.post(clinic.page + "/dose", data={"wall": "2026-11-25T21:30", "done": "1"}).status_code == 303
    with clinic.services.open_reading() as work:
        assert work.plans.marks(clinic.plan.id) == frozenset()


def test_an_ended_plan_shows_its_warning_signs_and_return_only(clinic: Clinic) -> None:
    assert clinic.plan is not None
    set_status(clinic.services, clinic.plan.id, Status.COMPLETED, "Dr Wren Halloway", "over")
    html = clinic.text()
    assert "This plan has ended." in html
    assert 'id="help"' in html
    assert 'id="return"' in html
    assert 'id="do"' not in html


@pytest.mark.parametrize("withdrawn", [True, False])
def test_without_a_plan_the_page_still_leads_to_help(tmp_path: Path, withdrawn: bool) -> None:
    clinic = opened(tmp_path, with_plan=withdrawn)
    if clinic.plan is not None:
        set_status(clinic.services, clinic.plan.id, Status.REVOKED, "Dr Wren Halloway", "wrong person")
    answer = clinic.client.get(clinic.page)
    assert answer.status_code == 200
    assert "There is no plan on this page now." in answer.text
    assert 'href="tel:999"' in answer.text


def test_a_guardian_reads_about_the_child_by_name(tmp_path: Path) -> None:
    assert "<h1>Ear care plan for Maud</h1>" in opened(tmp_path, guardian="Ann Ellery").text()


def test_what_a_person_typed_is_never_markup(tmp_path: Path) -> None:
    html = opened(tmp_path, guardian="Ann", given_name="<b>Mo</b>", parts={"clinic": a_clinic(name="A<script>")}).text()
    assert "<b>Mo</b>" not in html
    assert "<script>" not in html


# --- help ------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["", "/change", "/stop"])
def test_help_is_one_tap_away_on_every_page(clinic: Clinic, path: str) -> None:
    bar = re.search(r'<nav class="help-bar".*?</nav>', clinic.text(path), re.DOTALL)
    assert bar is not None
    assert 'href="tel:02079460123"' in bar[0]
    assert 'href="tel:999"' in bar[0]
    assert "#help" in bar[0]


def test_the_warning_signs_are_never_folded_away(clinic: Clinic) -> None:
    html = clinic.text()
    help_part = html.split('id="help"')[1].split("</section>")[0]
    assert "<details" not in help_part
    assert "<details" not in html.split('id="questions"')[0]
    assert " hidden" not in html.replace('type="hidden"', "")


def test_numbers_in_sentences_can_be_tapped(clinic: Clinic) -> None:
    help_part = clinic.text().split('id="help"')[1]
    assert '<a class="number" dir="ltr" href="tel:111">111</a>' in help_part


def test_a_number_for_texts_opens_a_text_and_is_shown_only_where_there_is_one(tmp_path: Path) -> None:
    """RFC 5724: a link with the scheme sms opens a text message to the number."""
    link = '<a class="number" dir="ltr" href="sms:07700900456">07700 900456</a>'
    for name in ("with", "without"):
        (tmp_path / name).mkdir()
    with_it = opened(tmp_path / "with", parts={"clinic": a_clinic(text_number="07700 900456")}).text()
    help_part, footer = with_it.split('id="help"')[1].split("</section>")[0], with_it.split("<footer>")[1]
    assert help_part.count(link) == help_part.count("<h3>") - 1  # every heading but that of the emergency signs
    assert link in footer
    without = opened(tmp_path / "without").text()
    assert "sms:" not in without
    assert "by text" not in without


def test_a_number_that_takes_calls_and_texts_is_phoned(tmp_path: Path) -> None:
    page = opened(tmp_path, parts={"clinic": a_clinic(text_number="020 7946 0123")}).text()
    assert 'href="tel:02079460123">020 7946 0123</a>' in page
    assert "sms:" not in page


def test_a_page_of_a_clinic_with_a_phone_alone_promises_nothing_else(tmp_path: Path) -> None:
    page = opened(tmp_path, parts={"clinic": a_clinic(email="")}).text()
    assert "Contact us by the next day: by phone on" in page
    for other in ("by text", "by e-mail", "mailto:"):
        assert other not in page


# --- common questions ------------------------------------------------------------------------------------------------


def asked(html: str) -> list[str]:
    return re.findall(r"<summary>(.*?)</summary>", html)


def test_common_questions_follow_the_warning_signs_each_folded_with_its_answer(clinic: Clinic) -> None:
    html = clinic.text()
    assert html.index('id="help"') < html.index('id="questions"') < html.index('class="keep"')
    assert {"Can I swim?", "I missed a dose. What now?", "Why oil?"} <= set(asked(html))
    assert " open" not in html.split('id="questions"')[1].split("</section>")[0]
    swim = re.search(r"<summary>I missed a dose.*?</details>", html, re.DOTALL)
    assert swim is not None
    assert "Do not put in extra drops" in swim[0]


def test_an_answer_about_a_symptom_leads_to_the_signs_and_the_phone(clinic: Clinic) -> None:
    sting = re.search(r"<summary>The drops sting.*?</details>", clinic.text(), re.DOTALL)
    assert sting is not None
    assert 'href="#help"' in sting[0]
    assert 'href="tel:02079460123"' in sting[0]


def test_a_search_shows_the_questions_that_answer_it_open(clinic: Clinic) -> None:
    html = clinic.text("?q=SWIMMING")
    assert asked(html) == ["Can I swim?"]
    assert '<details class="asked" open>' in html
    assert 'value="SWIMMING"' in html
    assert f'href="{clinic.page}#questions"' in html


def test_a_search_without_a_find_shows_every_question_and_the_phone_and_never_says_that_all_is_well(
    clinic: Clinic,
) -> None:
    html = clinic.text("?q=zzzz")
    assert asked(html) == asked(clinic.text())
    said = re.search(r'<p class="note" role="status">.*?</p>', html)
    assert said is not None
    assert "That does not mean that all is well." in said[0]
    assert 'href="tel:02079460123"' in said[0]


def test_a_search_for_a_sign_leads_to_the_warning_signs_first(clinic: Clinic) -> None:
    html = clinic.text("?q=swim my ear bleeds and my face droops")
    part = html.split('id="questions"')[1]
    assert part.index('<p class="alarm">') < part.index("<details")
    assert '<p class="alarm">' not in clinic.text("?q=swim").split('id="questions"')[1]


def test_the_words_of_a_search_are_kept_nowhere(clinic: Clinic, caplog: pytest.LogCaptureFixture) -> None:
    before = clinic.kept()
    with caplog.at_level("DEBUG"):
        answer = clinic.client.get(clinic.page + "?q=mastoiditis-of-maud")
    assert clinic.kept() == before
    assert "mastoiditis-of-maud" not in caplog.text
    assert "mastoiditis-of-maud" not in str(answer.headers)
    assert answer.headers["Cache-Control"] == "no-store"
    with clinic.services.open_reading() as work:
        stored = "\n".join(work._session.connection().connection.driver_connection.iterdump())
    assert "mastoiditis-of-maud" not in stored


@pytest.mark.parametrize("typed", ["<script>x</script>", '"><b>', "x" * 3000, "%00", "\u202e\u200f", "*"])
def test_whatever_is_searched_the_page_stands(clinic: Clinic, typed: str) -> None:
    answer = clinic.client.get(clinic.page, query_string={"q": typed})
    assert answer.status_code == 200
    assert "<script" not in answer.text
    assert "<b>" not in answer.text
    assert "x" * 200 not in answer.text


def test_the_questions_follow_what_the_clinic_decided_about_water(tmp_path: Path) -> None:
    choices = ClinicChoices(water={"grommet": "grommet-none"})
    html = opened(tmp_path, visit=a_visit(right=an_ear("grommet")), parts={"choices": choices}).text("?q=swim")
    assert "Yes, in a clean pool" in html
    (tmp_path / "other").mkdir()
    strict = opened(tmp_path / "other", visit=a_visit(right=an_ear("grommet"))).text("?q=swim")
    assert "Yes, in a clean pool" not in strict
    assert "No, not now." in strict


@pytest.mark.parametrize("status", [Status.ON_HOLD, Status.COMPLETED])
def test_a_plan_that_must_not_be_followed_now_answers_no_questions(clinic: Clinic, status: Status) -> None:
    assert clinic.plan is not None
    set_status(clinic.services, clinic.plan.id, status, "Dr Wren Halloway", "new pain")
    assert 'id="questions"' not in clinic.text("?q=swim")


def test_urgent_advice_has_no_questions_beside_it(tmp_path: Path) -> None:
    assert 'id="questions"' not in opened(tmp_path, visit=a_visit(right=an_ear("battery-in-ear"))).text("?q=swim")


def test_questions_without_approved_words_are_left_out_and_the_page_keeps_its_language(tmp_path: Path) -> None:
    clinic = opened(tmp_path, parts={"catalogs": urdu(tmp_path / "ur")}, language="ur")
    approve_units(
        clinic.services, "ur", set(the_pack().wording) - {"question.swim.ask"}, "Dr Wren Halloway", reason="for a test"
    )
    without = clinic.text()
    assert '<html lang="ur"' in without
    approve_units(clinic.services, "ur", {"question.swim.ask"}, "Dr Wren Halloway", reason="for a test")
    assert len(asked(clinic.text())) == len(asked(without)) + 1


def test_the_printed_sheet_answers_the_first_questions(clinic: Clinic) -> None:
    pdf = clinic.client.get(clinic.page + "/sheet.pdf?large=1").data
    text = "".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages)
    assert "Common questions" in text


# --- language --------------------------------------------------------------------------------------------------------


def test_a_language_that_is_approved_is_used_for_the_whole_page_and_its_direction_is_set(tmp_path: Path) -> None:
    clinic = opened(tmp_path, parts={"catalogs": urdu(tmp_path / "ur")}, approve=("en", "ur"))
    answer = clinic.client.post(clinic.page + "/change", data={"what": "language", "language": "ur"})
    assert answer.status_code == 303
    for path in ("", "/change", "/stop"):
        html = clinic.text(path)
        assert '<html lang="ur" dir="rtl">' in html
        assert "drops" not in html
    assert '<span lang="en" dir="ltr">English</span>' in clinic.text("/change")


def test_a_language_that_is_not_approved_gives_way_to_the_source_language_and_the_page_says_so(tmp_path: Path) -> None:
    clinic = opened(tmp_path, parts={"catalogs": urdu(tmp_path / "ur")}, language="ur")
    html = clinic.text()
    assert '<html lang="en" dir="ltr">' in html
    assert "This page is not ready in your language yet." in html
    assert "اردو" not in html


def test_one_unapproved_sentence_is_enough_to_give_way(tmp_path: Path) -> None:
    catalogs = urdu(tmp_path / "ur")
    clinic = opened(tmp_path, parts={"catalogs": catalogs}, language="ur")
    approve_units(
        clinic.services, "ur", set(the_pack().wording) - {"page.undo"}, "Dr Wren Halloway", reason="for a test"
    )
    assert '<html lang="en"' in clinic.text()
    approve_units(clinic.services, "ur", {"page.undo"}, "Dr Wren Halloway", reason="for a test")
    assert '<html lang="ur"' in clinic.text()


@pytest.mark.parametrize("path", ["", "/change", "/stop", "/sheet.pdf"])
def test_without_any_approved_words_the_numbers_to_call_still_show(tmp_path: Path, path: str) -> None:
    clinic = opened(tmp_path, approve=())
    answer = clinic.client.get(clinic.page + path)
    assert answer.status_code == 503
    assert 'href="tel:02079460123"' in answer.text
    assert 'href="tel:999"' in answer.text
    assert "drops" not in answer.text


def test_an_unknown_link_without_any_approved_words_shows_the_numbers_too(tmp_path: Path) -> None:
    answer = opened(tmp_path, approve=()).client.get("/p/nothing")
    assert 'href="tel:999"' in answer.text


def test_no_sentence_of_the_page_stands_in_its_templates() -> None:
    folder = Path(__file__).parents[2] / "service" / "web" / "templates" / "patient"
    for path in folder.glob("*.html"):
        bare = re.sub(
            r"{#.*?#}|{%.*?%}|{{.*?}}|<[^>]*>| [a-z-]+=\"[^\"]*\"", " ", path.read_text("utf-8"), flags=re.DOTALL
        )
        assert re.findall(r"[A-Za-z]{2,}", bare) == [], path.name


# --- what the person changes -----------------------------------------------------------------------------------------


def test_changed_times_move_the_dose_messages_that_have_not_left(clinic: Clinic) -> None:
    assert "2026-11-25T21:30" in clinic.pending(MessageKind.DOSE)
    times = {"morning": "07:00", "midday": "12:15", "evening": "18:00", "bedtime": "20:45"}
    answer = clinic.client.post(clinic.page + "/change", data={"what": "times", **times})
    assert (answer.status_code, answer.headers["Location"]) == (303, f"{clinic.page}/change?said=saved")
    walls = clinic.pending(MessageKind.DOSE)
    assert {wall[-5:] for wall in walls} == {"07:00", "12:15", "20:45"}
    assert clinic.contact.rhythm.bedtime == time(20, 45)


@pytest.mark.parametrize(
    ("form", "sentence"),
    [
        ({"what": "times", "morning": "22:00", "midday": "13:00", "evening": "18:00", "bedtime": "21:30"}, "Each time"),
        ({"what": "times", "morning": "", "midday": "13:00", "evening": "18:00", "bedtime": "21:30"}, "Each time"),
        ({"what": "language", "language": "tlh"}, "one of the languages"),
        ({"what": "zone", "zone": "Mars/Olympus"}, "one of the places"),
        ({"what": "reach", "first": "pigeon", "reminders": "none"}, "Choose a way"),
        ({"what": "reach", "first": "text", "reminders": "always"}, "Choose a way"),
        ({"what": "pause", "length": "forever"}, "one of the lengths"),
        ({"what": "everything"}, "Please try again"),
        ({}, "Please try again"),
    ],
)
def test_what_cannot_be_saved_is_told_in_one_sentence_and_nothing_changes(
    clinic: Clinic, form: dict[str, str], sentence: str
) -> None:
    before = clinic.kept()
    answer = clinic.client.post(clinic.page + "/change", data=form)
    assert answer.status_code == 400
    assert sentence in answer.text
    assert "Nothing was saved." in answer.text
    assert clinic.kept() == before


def test_what_was_typed_stays_in_its_fields_after_an_error(clinic: Clinic) -> None:
    times = {"morning": "22:00", "midday": "13:10", "evening": "18:00", "bedtime": "21:30"}
    html = clinic.client.post(clinic.page + "/change", data={"what": "times", **times}).text
    assert all(f'value="{value}"' in html for value in times.values())


def test_a_channel_without_a_number_cannot_be_chosen(tmp_path: Path) -> None:
    clinic = opened(tmp_path, phone=None, channels=(Channel.EMAIL,))
    assert 'name="first" value="text"' not in clinic.text("/change")
    form = {"what": "reach", "first": "text", "reminders": "none"}
    assert clinic.client.post(clinic.page + "/change", data=form).status_code == 400


def test_the_way_chosen_first_is_used_first_and_the_others_stand_behind_it(clinic: Clinic) -> None:
    form = {"what": "reach", "first": "email", "also": ["text", "email"], "reminders": "once-a-day"}
    assert clinic.client.post(clinic.page + "/change", data=form).status_code == 303
    contact = clinic.contact
    assert contact.channels == (Channel.EMAIL, Channel.TEXT)
    assert (contact.reminders.value, contact.discreet) == ("once-a-day", False)
    days = [wall[:10] for wall in clinic.pending(MessageKind.DOSE)]
    assert len(days) == len(set(days))


def test_simpler_sentences_come_at_a_tick_and_go_at_another(clinic: Clinic) -> None:
    wording = clinic.services.pack.wording
    plain = wording["page.local-advice"].forms["any"].other
    simple = wording["page.local-advice~easy"].forms["any"].other
    assert plain in clinic.text() and simple not in clinic.text()
    assert '<input type="checkbox" name="easy" value="1">' in clinic.text("/change")

    form = {"what": "sentences", "easy": "1"}
    assert clinic.client.post(clinic.page + "/change", data=form).status_code == 303
    assert clinic.contact.easy_read
    assert simple in clinic.text() and plain not in clinic.text()
    assert '<input type="checkbox" name="easy" value="1" checked>' in clinic.text("/change")
    clinic.client.post(clinic.page + "/change", data={"what": "language", "language": "en"})
    assert clinic.contact.easy_read  # the other forms leave it alone

    clinic.client.post(clinic.page + "/change", data={"what": "sentences"})
    assert not clinic.contact.easy_read
    assert plain in clinic.text()
    with clinic.services.open_reading() as work:
        noted = [line.action for line in work.ledger.history("maud")]
    assert noted.count("sentences-changed") == 2


def test_simpler_sentences_are_not_offered_in_words_that_nobody_approved(clinic: Clinic) -> None:
    with clinic.services.open_work() as work:
        held = [each.id for each in work.revisions.of("en", "easy.tick")]
        work.revisions.withdraw(held, "Wren Halloway", clinic.clock.now())
        work.commit()
    page = clinic.text("/change")
    assert 'name="easy"' not in page and 'name="first"' in page


def test_somewhere_else_moves_today_and_the_messages_to_that_clock(clinic: Clinic) -> None:
    page = clinic.text("/change")
    assert re.search(r'value="Europe/London" selected', page)
    assert 'value="Asia/Karachi">Pakistan: Karachi</option>' in page
    clinic.client.post(clinic.page + "/change", data={"what": "zone", "zone": "Asia/Karachi"})
    with clinic.services.open_reading() as work:
        doses = [
            m.planned
            for m in work.messages.of_person("maud")
            if m.planned.kind is MessageKind.DOSE and not m.superseded
        ]
    assert {m.zone for m in doses} == {"Asia/Karachi"}
    bedtime = next(m for m in doses if m.wall == "2026-11-25T21:30")
    assert bedtime.due == datetime(2026, 11, 25, 16, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("length", "until"),
    [
        ("pause-today", date(2026, 11, 25)),
        ("pause-days", date(2026, 11, 27)),
        ("pause-week", date(2026, 12, 1)),
        ("pause-weeks", date(2026, 12, 8)),
    ],
)
def test_a_pause_lasts_as_long_as_its_button_says_and_can_be_ended(clinic: Clinic, length: str, until: date) -> None:
    assert "End the pause" not in clinic.text("/change")
    clinic.client.post(clinic.page + "/change", data={"what": "pause", "length": length})
    assert clinic.contact.paused_until == until
    assert "End the pause" in clinic.text("/change")
    clinic.client.post(clinic.page + "/change", data={"what": "pause", "length": "pause-end"})
    assert clinic.contact.paused_until is None


# --- stop ------------------------------------------------------------------------------------------------------------


def dropped_after_stop(clinic: Clinic) -> bool:
    """Whether nothing more goes out in the months that follow, the last invitation included."""
    before = len(clinic.sent.sent)
    for _ in range(150):
        clinic.clock.forward(hours=12)
        send_due(clinic.services, "test")
    with clinic.services.open_reading() as work:
        states = {m.state for m in work.messages.of_person("maud") if m.planned.kind is not MessageKind.PLAN_GIVEN}
    return len(clinic.sent.sent) == before and states == {State.DROPPED}


def test_stop_asks_first_then_no_message_goes_out_any_more(clinic: Clinic) -> None:
    send_due(clinic.services, "test")
    assert len(clinic.sent.sent) == 1
    assert "Yes, stop all messages" in clinic.text("/stop")
    answer = clinic.client.post(clinic.page + "/stop")
    assert (answer.status_code, answer.headers["Location"]) == (303, f"{clinic.page}?said=stopped")
    assert "You stopped all messages." in clinic.text()
    assert "2 drops in each ear" in clinic.text()
    assert dropped_after_stop(clinic)


def test_a_stop_is_taken_back(clinic: Clinic) -> None:
    clinic.client.post(clinic.page + "/stop")
    assert "Start messages again" in clinic.text("/change")
    clinic.client.post(clinic.page + "/start")
    assert clinic.contact.stopped == frozenset()
    assert clinic.pending(MessageKind.DOSE)


@pytest.mark.parametrize("way", BOTH_WAYS, ids=["url-encoded", "form-data"])
def test_one_click_stops_at_once_without_cookies_and_twice_is_as_good_as_once(
    clinic: Clinic, way: dict[str, Any]
) -> None:
    send_due(clinic.services, "test")
    answer = clinic.client.post(clinic.page + "/stop-now", **way)
    assert (answer.status_code, answer.data) == (200, b"")
    assert "Set-Cookie" not in answer.headers
    assert clinic.contact.stopped == frozenset(Channel)
    once = clinic.kept()
    assert clinic.client.post(clinic.page + "/stop-now", **way).status_code == 200
    assert clinic.kept() == once
    assert dropped_after_stop(clinic)


@pytest.mark.parametrize("form", [{}, {"List-Unsubscribe": "yes"}])
def test_a_post_that_is_not_one_click_stops_nothing(clinic: Clinic, form: dict[str, str]) -> None:
    before = clinic.kept()
    assert clinic.client.post(clinic.page + "/stop-now", data=form).status_code == 400
    assert clinic.kept() == before


# --- to keep ---------------------------------------------------------------------------------------------------------


def test_the_calendar_is_offered_to_download_and_to_subscribe(clinic: Clinic) -> None:
    assert f'href="webcal://larkfield.example/p/{clinic.token}/calendar.ics"' in clinic.text()
    answer = clinic.client.get(clinic.page + "/calendar.ics")
    assert answer.content_type.startswith("text/calendar")
    assert answer.data.startswith(b"BEGIN:VCALENDAR")
    assert b"BEGIN:VEVENT" in answer.data


def test_a_changed_time_reaches_the_calendar_as_a_change_of_the_same_event(clinic: Clinic) -> None:
    def numbers() -> tuple[set[bytes], set[bytes]]:
        data = clinic.client.get(clinic.page + "/calendar.ics").data
        return set(re.findall(rb"UID:(\S+)", data)), set(re.findall(rb"SEQUENCE:(\d+)", data))

    uids, first = numbers()
    clinic.clock.forward(minutes=5)
    times = {"morning": "07:00", "midday": "12:15", "evening": "18:00", "bedtime": "20:45"}
    clinic.client.post(clinic.page + "/change", data={"what": "times", **times})
    later_uids, later = numbers()
    assert uids == later_uids
    assert max(map(int, later)) > max(map(int, first))


def test_the_sheet_is_a_pdf_and_comes_in_large_letters_on_request(clinic: Clinic) -> None:
    plain, large = clinic.client.get(clinic.page + "/sheet.pdf"), clinic.client.get(clinic.page + "/sheet.pdf?large=1")
    assert plain.content_type == large.content_type == "application/pdf"
    assert plain.data.startswith(b"%PDF")
    assert large.data.startswith(b"%PDF")
    assert large.data != plain.data


def test_an_urgent_plan_offers_no_calendar_and_asking_for_one_leads_back_to_the_page(tmp_path: Path) -> None:
    clinic = opened(tmp_path, visit=a_visit(right=an_ear("battery-in-ear")))
    assert "webcal:" not in clinic.text()
    assert clinic.client.get(clinic.page + "/calendar.ics").headers["Location"] == clinic.page
