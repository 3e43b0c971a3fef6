"""The page of reading grades: read by whoever works on wording, set by the lead, and nothing typed is lost."""

from __future__ import annotations

import re
from pathlib import Path

from web.test_wording import a_desk
from web.test_wording_unit import plain

GRADES = "/wording/grades"


def seen_of(page: str, kind: str) -> dict[str, object]:
    """What the form of one kind carries along."""
    found = re.findall(rf'form="grades-{kind}" type="hidden" name="(seen\.[a-z-]+)" value="([\d.]+)"', page)
    assert len(found) == 5, "one for each formula"
    return dict(found)


def test_the_lead_sets_a_grade_and_a_wrong_one_comes_back_in_its_field(tmp_path: Path) -> None:
    browser = a_desk(tmp_path)
    page = browser.get(GRADES).text
    assert "Flesch-Kincaid grade (English), higher is harder" in plain(page)
    assert f'href="{GRADES}"' in browser.get("/wording").text
    form = {**seen_of(page, "dose"), "flesch-kincaid": "easy", "szigriszt-pazos": "70"}
    wrong = browser.post(f"{GRADES}/dose", form)
    assert wrong.status_code == 422
    assert "Flesch-Kincaid grade: give a number from 0 to 200, such as 6 or 6.5" in plain(wrong.text)
    assert 'value="easy"' in wrong.text and 'value="70"' in wrong.text
    done = browser.post(f"{GRADES}/dose", {**form, "flesch-kincaid": "4,5"})
    assert done.headers["Location"] == f"{GRADES}?saved=dose"
    after = browser.get(f"{GRADES}?saved=dose").text
    assert 'name="flesch-kincaid" value="4.5"' in after and "shipped: 6" in plain(after)
    assert "wanted: at most 4.5" in plain(browser.get("/wording/en/message.dose.text").text)

    late = browser.post(f"{GRADES}/dose", {**form, "flesch-kincaid": "8"})
    assert late.status_code == 409 and "saved other grades meanwhile" in late.text
    assert 'value="8"' in late.text and "theirs: 4.5" in plain(late.text)
    assert browser.post(f"{GRADES}/dose", {"flesch-kincaid": "8"}).status_code == 409, "nobody saw what stands"
    assert browser.post(f"{GRADES}/nothing", form).status_code in (404, 422)


def test_who_writes_reads_the_grades_and_sets_none(tmp_path: Path) -> None:
    browser = a_desk(tmp_path, "otto")
    page = browser.get(GRADES)
    assert page.status_code == 200 and "<input form=" not in page.text
    assert "Only the clinical lead changes a grade." in page.text
    assert browser.post(f"{GRADES}/dose", {"flesch-kincaid": "8"}).status_code == 403
    browser.sign_in("cleo")
    assert browser.get(GRADES).status_code == 403
