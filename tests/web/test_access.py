"""Signing in, resting after wrong passwords, sessions that end, forms from elsewhere, roles."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from builders import a_person
from web.staff_pages import PASSWORD, a_browser, signed_in

from service.planning.staffing import add_member
from service.web import access


def test_a_member_of_staff_signs_in_and_sees_the_people(tmp_path: Path) -> None:
    browser = a_browser(tmp_path)
    assert browser.get("/people").location == "/sign-in?then=/people"
    answer = browser.sign_in()
    assert answer.status_code == 302
    assert answer.location == "/people"
    assert "Wren Halloway" in browser.get("/people").text


def test_the_cookie_is_http_only_lax_and_bound_to_this_host_over_https(tmp_path: Path) -> None:
    browser = a_browser(tmp_path, secure_cookies=True)
    page = browser.client.get("/sign-in", base_url="https://clinic.example").text
    token = page.split('name="form-token" value="')[1].split('"')[0]
    answer = browser.client.post(
        "/sign-in",
        data={"login": "wren", "password": PASSWORD, "form-token": token},
        base_url="https://clinic.example",
    )
    (cookie,) = [value for value in answer.headers.getlist("Set-Cookie") if "staff" in value]
    assert cookie.startswith("__Host-tragus-staff=")
    assert all(part in cookie for part in ("Secure", "HttpOnly", "SameSite=Lax", "Path=/"))
    assert "Domain" not in cookie


def test_an_unknown_login_and_a_wrong_password_get_the_same_answer(tmp_path: Path) -> None:
    browser = a_browser(tmp_path)
    unknown, wrong = browser.sign_in("nobody", "x"), browser.sign_in("wren", "x")
    assert unknown.status_code == wrong.status_code == 403
    assert unknown.text.replace("nobody", "") == wrong.text.replace("wren", "")


def test_an_account_rests_after_wrong_passwords_and_recovers(tmp_path: Path) -> None:
    browser = a_browser(tmp_path)
    for _ in range(4):
        browser.sign_in("wren", "wrong")
    assert browser.sign_in().status_code == 403  # the right password, while the account rests
    browser.clock.forward(minutes=16)
    assert browser.sign_in().status_code == 302


def test_an_hour_of_guessing_is_far_below_a_hundred_looks_at_a_password(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    browser = a_browser(tmp_path)
    monkeypatch.setattr(access, "_matches", lambda stored, password: False)  # only the counting is looked at here
    for _ in range(360):
        access.check_password(browser.services, "wren", "a guess")
        browser.clock.forward(seconds=10)
    with browser.services.open_reading() as work:
        row = work.staff.row_by_login("wren")
    assert row is not None
    assert access.FREE_TRIES < row.failures <= 20


def test_signing_out_makes_a_copied_cookie_worthless(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    copied = browser.client.get_cookie("tragus-staff")
    assert copied is not None
    browser.post("/sign-out")
    browser.client.set_cookie("tragus-staff", copied.value)
    assert browser.get("/people").status_code == 302


def test_signing_in_again_gives_a_new_token_and_ends_the_old_one(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    first = browser.client.get_cookie("tragus-staff")
    browser.sign_in()
    second = browser.client.get_cookie("tragus-staff")
    assert first is not None and second is not None and first.value != second.value
    browser.client.set_cookie("tragus-staff", first.value)
    assert browser.get("/people").status_code == 302


@pytest.mark.parametrize(("minutes", "still_in"), [(29, True), (31, False)])
def test_a_session_ends_after_half_an_hour_without_use(tmp_path: Path, minutes: int, still_in: bool) -> None:
    browser = signed_in(tmp_path)
    browser.clock.forward(minutes=minutes)
    assert (browser.get("/people").status_code == 200) is still_in


def test_a_session_ends_after_twelve_hours_however_busy(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    for _ in range(12 * 3 - 1):
        browser.clock.forward(minutes=20)
        assert browser.get("/people").status_code == 200
    browser.clock.forward(minutes=21)
    assert browser.get("/people").status_code == 302


def test_a_form_without_the_sessions_own_token_is_refused(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    for data in ({"do": "left"}, {"do": "left", "csrf": ""}, {"do": "left", "csrf": "é" * 43}):
        assert browser.client.post(f"/people/{person}/left", data=data).status_code == 403
    with browser.services.open_reading() as work:
        assert work.people.get(person).contact.left is None


def test_the_token_of_one_session_does_not_fit_another(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "cleo")
    stolen = browser.token()
    browser.sign_in("dina")
    assert browser.client.post("/sign-out", data={"csrf": stolen}).status_code == 403


def test_a_sign_in_form_from_another_site_is_refused(tmp_path: Path) -> None:
    browser = a_browser(tmp_path)
    data = {"login": "wren", "password": PASSWORD}
    assert browser.client.post("/sign-in", data=data).status_code == 403
    page = browser.get("/sign-in").text
    token = page.split('name="form-token" value="')[1].split('"')[0]
    crossed = browser.client.post(
        "/sign-in", data={**data, "form-token": token}, headers={"Sec-Fetch-Site": "cross-site"}
    )
    assert crossed.status_code == 403


@pytest.mark.parametrize("elsewhere", ["https://evil.example/", "//evil.example", "/\\evil.example", "javascript:x"])
def test_a_sign_in_never_leads_to_another_site(tmp_path: Path, elsewhere: str) -> None:
    browser = a_browser(tmp_path)
    page = browser.client.get("/sign-in", query_string={"then": elsewhere}).text
    token = page.split('name="form-token" value="')[1].split('"')[0]
    answer = browser.client.post(
        "/sign-in", data={"login": "wren", "password": PASSWORD, "form-token": token, "then": elsewhere}
    )
    assert answer.location == "/people"


def test_only_a_clinician_discharges_and_only_a_lead_approves(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "dina")
    person = a_person(browser.services)
    assert browser.get(f"/people/{person}/discharge").status_code == 403
    assert browser.post(f"/people/{person}/discharge", {"do": "give"}).status_code == 403
    assert browser.post("/wording/en/approve", {"do": "all", "read": "yes"}).status_code == 403
    assert "Discharge" not in browser.get("/people").text


def test_somebody_switched_off_is_out_at_once(tmp_path: Path) -> None:
    browser = signed_in(tmp_path, "cleo")
    with browser.services.open_work() as work:
        work.staff.row_by_login("cleo").active = False  # type: ignore[union-attr]
        work.commit()
    assert browser.get("/people").status_code == 302
    assert browser.sign_in("cleo").status_code == 403


def test_who_works_on_wording_alone_begins_there_sees_no_link_that_is_closed_and_can_sign_out(tmp_path: Path) -> None:
    browser = a_browser(tmp_path)
    add_member(browser.services, "wilf", "Wilf Moore", frozenset({"wording"}), PASSWORD, by="test")
    assert browser.sign_in("wilf").headers["Location"] == "/wording"
    assert browser.get("/").headers["Location"] == "/wording"
    nav = browser.get("/wording").text.partition('<nav aria-label="Pages">')[2].partition("</nav>")[0]
    links = re.findall(r'href="([^"]+)"', nav)
    assert "/wording" in links
    assert {place: browser.get(place).status_code for place in links} == dict.fromkeys(links, 200)
    closed = browser.get("/people")
    assert closed.status_code == 403 and 'href="/"' in closed.text, "a way back"
    token = browser.token("/wording")
    assert browser.client.post("/sign-out", data={"csrf": token}).status_code == 302
    assert browser.get("/wording").status_code == 302
