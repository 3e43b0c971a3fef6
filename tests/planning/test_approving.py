"""Wording is written by one person, approved by another, and only then sent."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from threading import Thread

import pytest
from builders import StoppedClock, a_service

from service.domain.plan import Phrase
from service.domain.revision import Origin, Revision, Rights, Standing
from service.errors import ContactError, NotAllowedError, NotFoundError, TextRefusedError
from service.planning.approving import (
    Approving,
    Author,
    add_language,
    approve,
    approve_language,
    approve_units,
    bring_back,
    withdraw,
    write,
    write_many,
)
from service.services import Services
from service.wording.book import Entry

UNIT, SAFETY = "page.undo", "message.more"
IDA = Author(name="Ida Fenn (ida)", staff_id="ida")
LEAD = Rights(staff_id="wren", lead=True, languages=frozenset({"*"}))
WREN = Approving(by="Wren Halloway (wren)", rights=LEAD)
WORDS = {"any": ("Take this back",)}


@pytest.fixture
def clinic() -> tuple[Services, StoppedClock]:
    clock = StoppedClock()
    services, _ = a_service(clock=clock)
    return services, clock


def entry(services: Services, language: str = "en", unit: str = UNIT) -> Entry:
    with services.open_reading() as work:
        return services.book(work).entry(language, unit, services.clock.now())


def digest(services: Services, language: str = "en", unit: str = UNIT) -> str:
    found = entry(services, language, unit)
    return found.draft_digest or (found.approved.digest if found.approved else "")


def said(services: Services, language: str = "en", unit: str = UNIT) -> str:
    with services.open_reading() as work:
        return services.wordings(work).say(Phrase(wording=unit), language)


def test_a_new_text_is_sent_only_when_a_second_person_approved_it(clinic: tuple[Services, StoppedClock]) -> None:
    services, _ = clinic
    before = said(services)
    write(services, "en", UNIT, WORDS, IDA, seen=digest(services))
    assert said(services) == before
    with pytest.raises(NotAllowedError, match="you wrote this text"):
        own = Rights(staff_id="ida", lead=True, languages=frozenset({"*"}))
        approve(services, "en", [(UNIT, digest(services))], Approving(by=IDA.name, rights=own))
    approve(services, "en", [(UNIT, digest(services))], WREN)
    assert said(services) == "Take this back"
    with services.open_reading() as work:
        actions = [each.action for each in work.ledger.history(f"wording:en:{UNIT}")]
    assert actions == ["wording-written"]


def test_in_a_clinic_of_one_person_approving_own_words_goes_on_record(clinic: tuple[Services, StoppedClock]) -> None:
    services, _ = clinic
    services.own_words = True
    write(services, "en", UNIT, WORDS, Author(name="Wren", staff_id="wren"), seen=digest(services))
    approve(services, "en", [(UNIT, digest(services))], WREN)
    found = entry(services).approved
    assert found is not None
    assert found.approval is not None
    assert found.approval.own_words


def test_a_text_for_a_date_is_said_from_that_moment_on(clinic: tuple[Services, StoppedClock]) -> None:
    services, clock = clinic
    before = said(services)
    write(services, "en", UNIT, WORDS, IDA, seen=digest(services))
    tomorrow = clock.now() + timedelta(days=1)
    approve(services, "en", [(UNIT, digest(services))], Approving(by="Wren", rights=LEAD, effective=tomorrow))
    assert said(services) == before
    clock.forward(seconds=24 * 3600)
    assert said(services) == "Take this back"


def test_who_read_an_older_text_does_not_approve_the_newer_one(clinic: tuple[Services, StoppedClock]) -> None:
    services, _ = clinic
    write(services, "en", UNIT, WORDS, IDA, seen=digest(services))
    read = digest(services)
    write(services, "en", UNIT, {"any": ("Not this one",)}, IDA, seen=read)
    with pytest.raises(NotAllowedError, match="changed since it was shown"):
        approve(services, "en", [(UNIT, read)], WREN)


def test_two_people_who_write_at_once_do_not_overwrite_each_other(clinic: tuple[Services, StoppedClock]) -> None:
    services, _ = clinic
    seen = digest(services)
    write(services, "en", UNIT, WORDS, IDA, seen=seen)
    with pytest.raises(NotAllowedError, match="somebody changed this text meanwhile"):
        write(services, "en", UNIT, {"any": ("Undo it",)}, Author(name="Other"), seen=seen)


def test_saving_the_same_text_saves_nothing(clinic: tuple[Services, StoppedClock]) -> None:
    services, _ = clinic
    with pytest.raises(NotAllowedError, match="the same as before"):
        write(services, "en", UNIT, entry(services).source, IDA, seen=digest(services))


def test_a_text_that_would_break_messages_is_refused_with_its_place(clinic: tuple[Services, StoppedClock]) -> None:
    services, _ = clinic
    with pytest.raises(TextRefusedError) as refused:
        write(
            services,
            "en",
            SAFETY,
            {"any": ("What to do, and when to get help.",)},
            IDA,
            seen=digest(services, unit=SAFETY),
        )
    assert any("link" in each.message for each in refused.value.faults)


def test_a_changed_english_sentence_stops_its_translations_until_they_are_approved_anew(
    clinic: tuple[Services, StoppedClock],
) -> None:
    services, _ = clinic
    approve_language(services, "pl", "Ewa Lis", reason="for a test")
    assert entry(services, "pl").standing is Standing.APPROVED
    write(services, "en", UNIT, WORDS, IDA, seen=digest(services))
    approve(services, "en", [(UNIT, digest(services))], WREN)
    assert entry(services, "pl").standing is Standing.OVERTAKEN
    write(
        services,
        "pl",
        UNIT,
        {"any": ("Cofnij to",)},
        IDA,
        seen=digest(services, "pl") if entry(services, "pl").shown else "",
    )
    approve(services, "pl", [(UNIT, digest(services, "pl"))], WREN)
    assert said(services, "pl") == "Cofnij to"


def test_withdrawn_wording_is_said_no_more_and_can_be_brought_back_as_a_draft(
    clinic: tuple[Services, StoppedClock],
) -> None:
    services, clock = clinic
    old = entry(services).approved
    assert old is not None
    with pytest.raises(NotAllowedError, match="say why"):
        withdraw(services, "en", UNIT, "Wren", LEAD, "  ")
    with pytest.raises(NotAllowedError, match="no right to withdraw"):
        withdraw(services, "en", UNIT, "Ida", Rights(staff_id="ida", lead=False, languages=frozenset()), "wrong")
    withdraw(services, "en", UNIT, "Wren", LEAD, "it misleads")
    clock.forward(seconds=1)
    assert entry(services).approved is None
    returned = bring_back(services, old.id, IDA)
    assert returned.origin is Origin.RETURNED
    approve(services, "en", [(UNIT, digest(services))], WREN)
    assert said(services) == old.texts["any"][0]
    with pytest.raises(NotFoundError):
        bring_back(services, "0" * 32, IDA)


def test_a_shipped_text_that_an_earlier_one_was_brought_back_over_waits_no_more(
    clinic: tuple[Services, StoppedClock],
) -> None:
    services, clock = clinic
    approve(services, "pl", [(UNIT, digest(services, "pl"))], WREN)
    (old,) = entry(services, "pl").history
    # A later version ships another text.
    texts = {**services.catalogs._texts, ("pl", UNIT, "any"): ("Cofnij to",)}
    digests = {**services.catalogs._digests, ("pl", UNIT): "2" * 64}
    services.catalogs, services._book = replace(services.catalogs, _texts=texts, _digests=digests), None
    assert entry(services, "pl").draft == {"any": ("Cofnij to",)}
    clock.forward(seconds=1)
    bring_back(services, old.id, IDA)
    clock.forward(seconds=1)
    approve(services, "pl", [(UNIT, digest(services, "pl"))], WREN)
    found = entry(services, "pl")
    assert (found.standing, found.draft) == (Standing.APPROVED, None)
    assert said(services, "pl") == old.texts["any"][0]
    assert {"any": ("Cofnij to",)} in [each.texts for each in found.history], "it stays on record"


def test_an_import_writes_only_what_changed(clinic: tuple[Services, StoppedClock]) -> None:
    services, _ = clinic
    polish = entry(services, "pl").draft
    assert polish is not None
    texts = {UNIT: polish, "page.title": {"any": ("Plan",)}}
    seen = {unit: digest(services, "pl", unit) for unit in texts}
    assert write_many(services, "pl", texts, IDA, seen=seen, note="from pl.po", origin=Origin.IMPORTED) == 1
    with pytest.raises(NotAllowedError, match=r"page\.title: somebody changed this text meanwhile"):
        write_many(services, "pl", texts, IDA, seen=seen, note="from pl.po", origin=Origin.IMPORTED)
    assert entry(services, "pl", "page.title").draft == {"any": ("Plan",)}


def test_a_shipped_text_that_was_written_over_waits_no_more_and_stays_in_the_history(
    clinic: tuple[Services, StoppedClock],
) -> None:
    services, clock = clinic
    shipped = entry(services, "pl").draft
    write(services, "pl", UNIT, {"any": ("Cofnij to",)}, IDA, seen=digest(services, "pl"))
    clock.forward(seconds=1)
    approve(services, "pl", [(UNIT, digest(services, "pl"))], WREN)
    found = entry(services, "pl")
    assert (found.standing, found.draft) == (Standing.APPROVED, None)
    assert {each.origin: each.texts for each in found.history} == {
        Origin.SHIPPED: shipped,
        Origin.WRITTEN: {"any": ("Cofnij to",)},
    }


def test_an_approval_at_the_command_line_needs_a_name_and_a_known_language(
    clinic: tuple[Services, StoppedClock],
) -> None:
    services, _ = clinic
    with pytest.raises(NotAllowedError, match="full name"):
        approve_units(services, "pl", [UNIT], " ")
    with pytest.raises(NotAllowedError, match="has no catalog"):
        approve_units(services, "xx", [UNIT], "Ewa Lis")
    assert approve_units(services, "pl", [UNIT], "Ewa Lis") == 1
    assert approve_units(services, "pl", [UNIT], "Ewa Lis") == 0


def test_a_language_can_be_added_and_translated_here(clinic: tuple[Services, StoppedClock]) -> None:
    services, _ = clinic
    assert add_language(services, "it", "Ida") == "it"
    assert entry(services, "it").standing is Standing.MISSING
    write(services, "it", UNIT, {"any": ("Annulla",)}, IDA, seen="")
    approve(services, "it", [(UNIT, digest(services, "it"))], WREN)
    assert said(services, "it") == "Annulla"
    with pytest.raises(NotAllowedError, match="there already"):
        add_language(services, "IT", "Ida")
    with pytest.raises(ContactError):
        add_language(services, "not a tag", "Ida")


def test_two_processes_agree_about_the_wording(tmp_path: object) -> None:
    url = f"sqlite:///{tmp_path}/two.sqlite"
    one, _ = a_service(url)
    other, _ = a_service(url, approve=())
    assert said(other) == said(one)
    write(one, "en", UNIT, WORDS, IDA, seen=digest(one))
    approve(one, "en", [(UNIT, digest(one))], WREN)
    assert said(other) == "Take this back"


def a_draft(services: Services) -> Revision:
    """A new text as `write` would keep it."""
    return Revision(
        id="first",
        language="en",
        unit=UNIT,
        texts=WORDS,
        digest="1" * 64,
        source_digest="1" * 64,
        origin=Origin.WRITTEN,
        written_by=IDA.name,
        writer=IDA.staff_id,
        written_at=services.clock.now(),
    )


@pytest.mark.parametrize("approved", [("en",), ()], ids=["later", "the very first time"])
def test_whoever_writes_while_another_is_writing_waits_and_is_told(
    database_url: str, approved: tuple[str, ...]
) -> None:
    one, _ = a_service(database_url, approve=approved)
    other, _ = a_service(database_url, approve=())
    seen, refused = digest(one), list[NotAllowedError]()

    def write_too() -> None:
        try:
            write(other, "en", UNIT, {"any": ("Undo this",)}, Author(name="Otto Lake"), seen=seen)
        except NotAllowedError as error:
            refused.append(error)

    second = Thread(target=write_too)
    with one.open_work() as work:
        work.revisions.hold()
        one.book(work)
        second.start()
        second.join(0.5)  # it waits now; were it not made to wait, it would have written by now
        work.revisions.add([a_draft(one)])
        work.commit()
    second.join()
    assert len(refused) == 1 and "somebody changed this text meanwhile" in str(refused[0])
    assert [each.texts for each in entry(one).history if each.origin is Origin.WRITTEN] == [WORDS]
