"""What somebody without a sign-in, or with one that is not enough, can do to the pages of staff: nothing."""

from __future__ import annotations

from pathlib import Path

import pytest
from web.staff_pages import Browser, a_browser
from werkzeug.routing import Rule

from service.domain.contact import Channel
from service.domain.message import Inbound
from service.inbound.mail import take_mail
from service.inbound.replies import take_inbound
from service.links import hash_of

OPEN = {
    "callbacks.called",  # believed for its signature
    "callbacks.health",
    "fonts.arabic",
    "fonts.bengali",
    "fonts.bengali_bold",
    "fonts.devanagari",
    "signing_in.sign_in",
    "signing_in.start",
    "static",
}
"""What answers without a sign-in, besides a patient's own pages."""
FOR_FEWER = {
    "admin.channel": {"lead"},
    "clinician.discharge": {"clinician"},
    "clinician.given": {"clinician"},
    "clinician.sheet_preview": {"clinician"},
    "desk.record.change_status": {"clinician", "lead"},
    "choices.show": {"lead"},
    "choices.change": {"lead"},
    "wording.budget": {"lead"},
    "wording.grade": {"lead"},
    "recall.settings_page": {"lead"},
    "recall.save": {"lead"},
    **{
        f"wording.{name}": {"lead", "wording"}
        for name in (
            "language_page",
            "approve",
            "add",
            "export",
            "take",
            "budgets",
            "grades",
            "unit",
            "unit_save",
            "unit_approve",
            "unit_withdraw",
            "unit_back",
            "unit_take_back",
            "compare",
            "preview",
        )
    },
}
"""Pages that are not for every role."""


@pytest.fixture
def browser(tmp_path: Path) -> Browser:
    return a_browser(tmp_path)


def closed(browser: Browser) -> list[tuple[Rule, str, str]]:
    """Every page of staff: its rule, a method, and an address of it."""
    found = []
    for rule in browser.client.application.url_map.iter_rules():
        if rule.endpoint in OPEN or rule.endpoint.startswith("patient"):
            continue
        values = {name: 1 if name == "entry_id" else "none" for name in rule.arguments}
        _, place = rule.build(values) or ("", "")
        found += [(rule, method, place) for method in ("GET", "POST") if method in (rule.methods or set())]
    return found


def test_every_page_of_staff_sends_whoever_is_not_signed_in_to_the_sign_in(browser: Browser) -> None:
    for rule, method, place in closed(browser):
        answer = browser.client.open(place, method=method)
        assert (answer.status_code, answer.headers.get("Location", "")[:8]) == (302, "/sign-in"), (rule, method)


def test_every_form_of_staff_is_refused_without_the_sessions_own_token(browser: Browser) -> None:
    browser.sign_in()
    for rule, method, place in closed(browser):
        if method == "POST":
            assert browser.client.post(place, data={"csrf": ""}).status_code == 403, rule
            assert browser.client.post(f"{place}?csrf={browser.token()}").status_code == 403, rule


@pytest.mark.parametrize(("login", "role"), [("dina", "desk"), ("cleo", "clinician")])
def test_the_front_desk_and_a_clinician_reach_what_is_theirs_and_no_more(
    browser: Browser, login: str, role: str
) -> None:
    browser.sign_in(login)
    token = browser.token()
    for rule, method, place in closed(browser):
        if rule.endpoint == "signing_in.sign_out":
            continue
        answer = browser.client.open(place, method=method, data={"csrf": token} if method == "POST" else None)
        refused = answer.status_code == 403 and "this page is for the role" in answer.text
        assert refused is (role not in FOR_FEWER.get(rule.endpoint, {role})), rule


def test_a_patients_link_opens_no_page_of_staff(browser: Browser) -> None:
    token = "a" * 22
    browser.client.set_cookie("tragus-staff", token)
    browser.client.set_cookie("__Host-tragus-staff", hash_of(token))
    for rule, method, place in closed(browser):
        assert browser.client.open(place, method=method).status_code == 302, rule


def test_words_of_a_stranger_are_shown_as_text_wherever_they_stand(browser: Browser) -> None:
    services, evil = browser.services, "<script>alert(1)</script>"
    mail = f'From: "{evil}" <{evil}@example.org>\nSubject: {evil}\nMessage-ID: <"><b@c>\n\nchest pain {evil}\n{evil}'
    take_mail(services, mail.encode())
    now = services.clock.now()
    take_inbound(services, Inbound(channel=Channel.TEXT, id=f'"{evil}', sender=evil, text=evil, at=now))
    browser.sign_in()
    page = browser.get("/attention").text
    assert "&lt;script&gt;alert(1)" in page
    assert "<script>alert" not in page


def test_endless_mails_leave_the_attention_list_a_page_that_a_browser_can_show(browser: Browser) -> None:
    for number in range(5):
        take_mail(browser.services, f"From: a@example.org\nSubject: {number}\n\nwords\n".encode() + b"a\n" * 9000)
    browser.sign_in()
    page = browser.get("/attention")
    assert page.status_code == 200
    assert len(page.data) < 100_000
    assert "the whole of it is in the mailbox" in page.text
