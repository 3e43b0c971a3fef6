"""What the report says of shipped wording and of a clinic's own; our own continuous integration is held to it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from builders import a_clinic, the_catalogs, the_pack

from service.domain.budget import OverBudget
from service.domain.pack import EASY, Pack
from service.domain.revision import Approval, Origin, Revision, Texts, Withdrawal
from service.messages.catalogs import Catalogs
from service.wording.book import Book, digest_for
from service.wording.report import LanguageReport, report

NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
UNIT = "message.course-end.text"
LONG = "{clinic}: " + "this part of your plan is now over and done with, " * 9 + "see: {link}"


def one(language: str, *revisions: Revision, pack: Pack | None = None) -> LanguageReport:
    pack = pack or the_pack()
    (found,) = report(pack, Book(pack, the_catalogs(), revisions), NOW, a_clinic().said(), [language])
    return found


def english(texts: Texts, *, reason: str | None = None) -> list[Revision]:
    """A text of the clinic in the place of the shipped one."""
    digest = digest_for(the_pack().wording[UNIT], texts, None)
    own = Revision(
        id="r",
        language="en",
        unit=UNIT,
        texts=texts,
        digest=digest,
        source_digest=digest,
        origin=Origin.WRITTEN,
        written_by="Ida",
        written_at=NOW,
        approval=Approval(by="Wren", approver="", at=NOW, effective=NOW, reason=reason) if reason is not None else None,
    )
    waiting = Book(the_pack(), the_catalogs()).entry("en", UNIT, NOW)
    assert waiting.draft is not None
    passed = replace(
        own,
        id="s",
        texts=waiting.draft,
        digest=waiting.draft_digest,
        source_digest=waiting.draft_digest,
        origin=Origin.SHIPPED,
        approval=None,
        withdrawn=Withdrawal(by="Ida", at=NOW),
    )
    return [passed, own]


@pytest.mark.parametrize("language", the_catalogs().languages)
def test_shipped_wording_is_complete_whole_and_inside_its_budget_or_says_why_not(language: str) -> None:
    found = one(language)
    assert found.missing == ()
    assert found.broken == ()
    assert [each for each in found.over if not each.reason] == []
    assert found.fit


def test_what_is_excused_is_over_its_budget_indeed() -> None:
    """An excuse that nothing needs any more would hide the next fault."""
    for stated in the_pack().over_budget.values():
        over = {each.unit for each in one(stated.language).over}
        assert sorted(stated.units - over) == [], stated.id


def test_every_hard_sentence_and_every_open_text_has_the_form_it_owes_or_says_why_not() -> None:
    excused = {unit for each in the_pack().over_budget.values() if each.language == "en" for unit in each.units}
    assert [each for each in one("en").owed if each.unit not in excused] == []


def test_a_text_over_its_budget_is_named_until_somebody_says_why() -> None:
    long: Texts = {"any": (LONG,)}
    assert UNIT not in {each.unit for each in one("en").over}
    assert UNIT in {each.unit for each in one("en", *english(long)).over if not each.reason}
    excused = one("en", *english(long, reason="the lead wants it so")).over
    assert {each.reason for each in excused if each.unit == UNIT} == {"the lead wants it so"}


def test_an_invitation_counts_with_its_last_line() -> None:
    """Whatever the line costs, the report counts exactly the text that goes out."""
    unit, line = "message.return-due.text", "message.return-due.words"
    catalogs = the_catalogs()
    long = Catalogs(
        source="en",
        languages=catalogs.languages,
        _texts=catalogs._texts | {("en", line, "any"): ("Answer BOOK, LATER or NO. " * 30,)},
        _digests=catalogs._digests,
    )
    (found,) = report(the_pack(), Book(the_pack(), long), NOW, a_clinic().said(), ["en"])
    assert unit in {each.unit for each in found.over if not each.reason}
    assert found.worst_unit.startswith("message.return-due.")
    assert unit not in {each.unit for each in one("en").over}


def test_an_excuse_of_the_content_is_for_the_shipped_text_alone() -> None:
    stated = OverBudget(id="x", language="en", units=frozenset({UNIT}), why="a shipped reason")
    pack = replace(the_pack(), over_budget={"x": stated})
    mine = {each.reason for each in one("en", *english({"any": (LONG,)}), pack=pack).over if each.unit == UNIT}
    assert mine == {""}


def test_a_language_that_lacks_a_text_or_has_a_broken_one_is_not_fit() -> None:
    catalogs = the_catalogs()
    texts = dict(catalogs._texts)
    del texts["pl", "page.title", "any"]
    texts["pl", "message.more", "any"] = ("Co dalej",)  # lost its link
    digests = {key: value for key, value in catalogs._digests.items() if key != ("pl", "page.title")}
    broken = Catalogs(source="en", languages=catalogs.languages, _texts=texts, _digests=digests)
    (found,) = report(the_pack(), Book(the_pack(), broken), NOW, a_clinic().said(), ["pl"])
    assert "page.title" in found.missing
    assert "page.title" not in one("pl").missing
    assert "message.more" in {each.unit for each in found.broken}
    assert not found.fit


def test_a_simpler_form_is_owed_by_what_is_hard_to_read() -> None:
    pack = the_pack()
    without = {unit: wording for unit, wording in pack.wording.items() if not unit.endswith(EASY)}
    owed = {each.unit for each in one("en", pack=replace(pack, wording=without)).owed}
    assert {"back.remove-wax", "warning.deep-pain"} <= owed
    assert "back.remove-wax" not in {each.unit for each in one("en").owed}
