"""The clinic's choices on the web: seen before saved, who saves second is told, only the lead gets in."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest
from builders import a_person, a_visit, an_ear, the_pack
from web.staff_pages import Browser, signed_in
from werkzeug.datastructures import MultiDict
from werkzeug.test import TestResponse

from service.domain.pack import ClinicChoices
from service.planning.aftercare import give
from service.planning.choices import save_choices
from service.storage.clinic_choices import ChoicesInForce

FREE = {"water.grommet": "grommet-none"}


def present(browser: Browser) -> ChoicesInForce:
    with browser.services.open_reading() as work:
        return browser.services.choices_now(work)


def filled(page: str) -> MultiDict[str, str]:
    """What a browser would send of the first form about choices on this page, without its button."""
    form = page[page.index('action="/aftercare"') :]
    form = form[: form.index("</form>")]
    sent = MultiDict[str, str]()
    for tag in re.findall(r"<input [^>]+>", form):
        kind, name, value = (re.search(f' {part}="([^"]*)"', tag) for part in ("type", "name", "value"))
        if name and value and kind and (kind[1] == "hidden" or " checked" in tag) and name[1] != "csrf":
            sent.add(name[1], html.unescape(value[1]))
    for name, options in re.findall(r'<select [^>]*name="([^"]+)">(.*?)</select>', form, re.DOTALL):
        chosen = re.search(r'<option value="([^"]*)" selected>', options) or re.search(r'value="([^"]*)"', options)
        assert chosen is not None
        sent.add(name, chosen[1])
    return sent


def with_changes(sent: MultiDict[str, str], **changes: str) -> MultiDict[str, str]:
    found = sent.copy()
    for name, value in changes.items():
        found.setlist(name, [value])
    return found


def post(browser: Browser, sent: MultiDict[str, str], do: str) -> TestResponse:
    data = with_changes(sent, do=do, csrf=browser.token("/aftercare"))
    return browser.client.post("/aftercare", data=data)


def seen(browser: Browser, changes: dict[str, str]) -> MultiDict[str, str]:
    """The form of the page that says what would change."""
    page = post(browser, with_changes(filled(browser.get("/aftercare").text), **changes), "see")
    assert page.status_code == 200 and "Nothing is saved yet." in page.text
    return filled(page.text)


def a_grommet_visit(browser: Browser, person: str = "maud") -> None:
    give(browser.services, a_person(browser.services, person), a_visit(an_ear("grommet")), by="nurse")


def test_the_form_says_what_holds_and_sent_unchanged_there_is_nothing_to_save(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    page = browser.get("/aftercare")
    assert "the settings file’s <code>choices</code> hold until somebody does" in page.text
    sent = filled(page.text)
    assert sent.getlist("template") == list(the_pack().templates)
    assert sent["water.grommet"] == "grommet-whole-time"
    answer = post(browser, sent, "see")
    assert "there is nothing to save" in answer.text
    assert "Save as" not in answer.text


def test_a_change_is_seen_by_visit_and_then_saved_in_the_leads_name(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    a_grommet_visit(browser)
    page = post(browser, with_changes(filled(browser.get("/aftercare").text), **FREE), "see").text
    assert "1 visit would end in another plan." in page
    assert 'href="/people/maud"' in page
    assert "Maud" not in page, "no name of a patient is needed here"
    assert "is less cautious than" in page
    assert present(browser).revision == 0, "seeing saves nothing"
    assert post(browser, filled(page), "save").status_code == 302
    assert present(browser).choices == ClinicChoices(water={"grommet": "grommet-none"})
    assert present(browser).by == "Wren Halloway (wren)"
    after = browser.get("/aftercare?saved=yes").text
    assert "Revision 1, saved by Wren Halloway (wren)" in after
    assert "Keep dry the whole time that it is in → No routine limit (exceptions are said)" in after
    assert filled(after)["water.grommet"] == "grommet-none"


def test_everything_that_can_be_chosen_is_saved_as_it_was_chosen(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    sent = filled(browser.get("/aftercare").text)
    sent.setlist("template", [name for name in sent.getlist("template") if name != "dry-skin"])
    for name in the_pack().agents:
        sent.setlist(f"agent.{name}", [{"almond-oil": "1", "olive-oil": "2", "docusate": "7"}.get(name, "")])
    sent.setlist("regimen.olive-oil/soften", ["olive-long-14"])
    sent.setlist("water.sore-canal", ["sore-3-days"])
    post(browser, filled(post(browser, sent, "see").text), "save")
    assert present(browser).choices == ClinicChoices(
        agents=("almond-oil", "olive-oil", "docusate"),
        regimens={"olive-oil/soften": "olive-long-14"},
        water={"sore-canal": "sore-3-days"},
        templates_off=frozenset({"dry-skin"}),
    )


def test_visits_that_could_no_longer_be_planned_come_first_in_the_words_of_the_form(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    a_grommet_visit(browser)
    give(browser.services, a_person(browser.services, "ann"), a_visit(an_ear("wax-left")), by="nurse")
    sent = with_changes(filled(browser.get("/aftercare").text), **{"agent.olive-oil": ""})
    sent.setlist("template", [name for name in sent.getlist("template") if name != "grommet-watch"])
    page = post(browser, sent, "see").text
    assert "1 visit could no longer be planned" in page
    assert page.index("Could no longer be planned") < page.index("Visit by visit")
    assert "Right ear: no aftercare is offered for these findings alone" in page
    assert "No template is left" in page and "Grommet in place" in page


def test_who_saves_second_is_told_who_was_first_and_keeps_what_they_chose(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    mine = seen(browser, {"water.sore-canal": "sore-3-days"})
    save_choices(browser.services, ClinicChoices(water={"grommet": "grommet-none"}), seen=0, by="Dr Otter")
    answer = post(browser, mine, "save")
    assert answer.status_code == 409
    assert "Not saved: Dr Otter saved other choices" in answer.text
    assert "Keep dry the whole time that it is in → No routine limit (exceptions are said)" in answer.text
    assert present(browser).by == "Dr Otter"
    again = filled(answer.text)
    assert again["water.sore-canal"] == "sore-3-days"
    both = filled(post(browser, with_changes(again, **FREE), "see").text)
    assert post(browser, both, "save").status_code == 302
    assert present(browser).choices.water == {"grommet": "grommet-none", "sore-canal": "sore-3-days"}


def test_what_was_not_seen_is_not_saved(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    other = with_changes(seen(browser, FREE), **{"water.sore-canal": "sore-3-days"})
    answer = post(browser, other, "save")
    assert "Nothing is saved yet." in answer.text and "Keep dry 3 days" in answer.text
    assert present(browser).revision == 0


def test_going_back_keeps_everything_that_was_chosen(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    sent = seen(browser, {**FREE, "agent.docusate": "", "last": "500"})
    back = filled(post(browser, sent, "change").text)
    assert (back["water.grommet"], back["agent.docusate"], back["last"]) == ("grommet-none", "", "500")


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"agent.olive-oil": "2"}, "Olive oil and Almond oil both have place 2; give each a place of its own."),
        ({"agent.olive-oil": "first"}, "is no place; choose 1 to"),
        ({f"agent.{name}": "" for name in the_pack().agents}, "none has a place"),
        ({"water.grommet": "pond"}, "is not on offer; choose among"),
        ({"template": "none-such"}, "every one is switched off"),
    ],
)
def test_what_cannot_be_is_said_in_one_sentence_and_the_form_is_kept(
    tmp_path: Path, changes: dict[str, str], said: str
) -> None:
    browser = signed_in(tmp_path)
    sent = with_changes(filled(browser.get("/aftercare").text), **{"water.sore-canal": "sore-3-days"}, **changes)
    answer = post(browser, sent, "see")
    assert answer.status_code == 422
    assert said in html.unescape(answer.text)
    assert filled(answer.text)["water.sore-canal"] == "sore-3-days"
    assert present(browser).revision == 0


def test_choices_that_no_longer_fit_the_content_are_named_and_can_be_chosen_anew(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    browser.services.choices = ClinicChoices(water={"grommet": "no-such-option", "pond": "x"})
    page = browser.get("/aftercare").text
    assert "does not fit the content any more" in page
    sent = filled(page)
    assert "water.grommet" not in sent and "water.pond" not in sent
    saved = filled(post(browser, with_changes(sent, **{"water.grommet": "grommet-4-weeks"}), "see").text)
    assert post(browser, saved, "save").status_code == 302
    assert present(browser).choices == ClinicChoices(water={"grommet": "grommet-4-weeks"})


@pytest.mark.parametrize("login", ["dina", "cleo"])
def test_who_is_not_the_lead_neither_sees_the_page_nor_its_place_in_the_head(tmp_path: Path, login: str) -> None:
    browser = signed_in(tmp_path, login)
    assert browser.get("/aftercare").status_code == 403
    assert browser.post("/aftercare", {"do": "save"}).status_code == 403
    assert 'href="/aftercare"' not in browser.get("/people").text
    assert present(browser).revision == 0


def test_a_form_from_elsewhere_saves_nothing(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    sent = with_changes(seen(browser, FREE), do="save", csrf="guessed")
    assert browser.client.post("/aftercare", data=sent).status_code == 403
    assert present(browser).revision == 0


def test_a_plan_that_was_previewed_under_other_choices_is_shown_again_before_it_is_given(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    person = a_person(browser.services)
    ticks = {"right.findings": "grommet"}
    place = f"/people/{person}/discharge"
    previewed = re.search(r'name="previewed" value="([^"]*)"', browser.post(place, {**ticks, "do": "propose"}).text)
    assert previewed is not None
    data = {**ticks, "do": "give", "previewed": previewed[1]}
    save_choices(browser.services, ClinicChoices(water={"grommet": "grommet-none"}), seen=0, by="Wren")
    assert "Something changed after the preview" in browser.post(place, data).text
    save_choices(browser.services, ClinicChoices(water={"sore-canal": "sore-3-days"}), seen=1, by="Wren")
    assert browser.post(place, data).status_code == 302, "these choices leave the plan as it was previewed"


def test_a_template_that_is_off_is_not_offered_at_discharge(tmp_path: Path) -> None:
    browser = signed_in(tmp_path)
    place = f"/people/{a_person(browser.services)}/discharge"
    data = {"right.findings": "wax-left", "do": "propose"}
    assert '<option value="skin-plug"' in browser.post(place, data).text
    save_choices(browser.services, ClinicChoices(templates_off=frozenset({"skin-plug"})), seen=0, by="Wren")
    assert '<option value="skin-plug"' not in browser.post(place, data).text
