"""The patient's page once a course of drops is over: nobody is told to put them in again, and the rest stays."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear, some_settings
from flask.testing import FlaskClient

from service.planning.aftercare import give, live_link
from service.web.app import create_app

DONE = "These drops are finished. Do not start them again unless we tell you to."
FOLDED = re.compile(r'<details class="asked finished">(.*?)</details>', re.DOTALL)


class Reader:
    """Somebody with a plan, who opens the page on some day at noon (UTC)."""

    def __init__(self, folder: Path, **ears: str) -> None:
        self.clock = StoppedClock()
        services, _ = a_service(clock=self.clock)
        a_person(services)
        give(services, "maud", a_visit(**{side: an_ear(finding) for side, finding in ears.items()}), by="nurse")
        with services.open_work() as work:
            self.place = f"/p/{live_link(services, work, 'maud', self.clock.now())}"
            work.commit()
        self.client: FlaskClient = create_app(services, some_settings(folder)).test_client()

    def page(self, month: int, day: int) -> str:
        self.clock.at = datetime(2026, month, day, 12, 0, tzinfo=UTC)
        return self.client.get(self.place).text


def part(page: str, name: str) -> str:
    found = re.search(rf'<section class="part part-{name}".*?</section>', page, re.DOTALL)
    assert found is not None, name
    return found[0]


def open_words(page: str) -> str:
    """What stands open: without anything folded."""
    return re.sub(r"<details.*?</details>", "", page, flags=re.DOTALL)


def test_the_day_after_the_last_dose_the_steps_are_folded_under_a_sentence_that_says_so(tmp_path: Path) -> None:
    reader = Reader(tmp_path, right="wax-left")
    assert "Do this for 5 days" in open_words(reader.page(11, 25))
    last = reader.page(11, 29)  # five days from the 25th: the last day is the 29th
    assert "Do this for 5 days" in open_words(last) and DONE not in last
    page = reader.page(11, 30)
    assert "drops in your RIGHT ear" not in open_words(page) and "Do this for" not in open_words(page)
    (folded,) = FOLDED.findall(part(page, "do"))
    summary = folded[: folded.index("</summary>")]
    assert DONE in summary and "RIGHT ear" in summary and "Olive oil" in summary
    assert "Do this for 5 days" in folded[folded.index("</summary>") :], "it can still be read"


def test_what_the_drops_take_is_folded_with_them_and_other_advice_stays_open(tmp_path: Path) -> None:
    reader = Reader(tmp_path, right="wax-left")
    before, after = open_words(reader.page(11, 29)), open_words(reader.page(11, 30))
    assert "ml" in part(before, "supply") and "ml" not in part(after, "supply")
    assert part(before, "avoid") == part(after, "avoid")
    assert "cotton" in part(after, "avoid")


def test_a_finished_course_and_a_running_one_are_told_apart(tmp_path: Path) -> None:
    reader = Reader(tmp_path, right="dry-skin", left="wax-left")  # oil once a week, and five days of softening
    page = reader.page(12, 1)
    assert DONE in page
    (folded,) = FOLDED.findall(page)
    assert "LEFT ear" in folded and "RIGHT ear" not in folded
    steps = open_words(part(page, "do"))
    assert "RIGHT ear only" in steps and "LEFT ear only" not in steps and "LEFT ear only" in folded
    assert "ml" in open_words(part(page, "supply")), "one bottle serves both, and one of them still needs it"


def test_what_a_finished_course_says_too_is_not_missing_from_a_running_one(tmp_path: Path) -> None:
    """Within a section no sentence is said twice; what is folded must not count as said."""
    alone = Reader(tmp_path / "alone", right="dry-skin")
    both = Reader(tmp_path / "both", right="dry-skin", left="wax-left")

    def said(page: str) -> set[str]:
        return set(re.findall(r"<p>(.*?)</p>", open_words(part(page, "do"))))

    assert said(alone.page(12, 1)) <= said(both.page(12, 1))


@pytest.mark.parametrize("month", [2, 6])
def test_a_course_of_months_is_not_taken_for_finished(tmp_path: Path, month: int) -> None:
    reader = Reader(tmp_path, right="dry-skin")  # 182 days from 2 December: the last oil on 26 May
    reader.clock.at = datetime(2027, month, 1, 12, 0, tzinfo=UTC)
    assert (DONE in reader.client.get(reader.place).text) is (month == 6)
