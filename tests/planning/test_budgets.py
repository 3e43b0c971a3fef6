"""The clinic's own budgets of its texts."""

from __future__ import annotations

import json
from threading import Thread

import pytest
from builders import a_service

from service.domain.revision import Rights
from service.errors import NotAllowedError, NotFoundError, OvertakenError
from service.planning.approving import Approving, approve
from service.planning.budgets import Seen, budgets_of, limits_of, set_budget
from service.services import BUDGETS, Services

UNIT = "message.check-in.text"
LEAD = Approving(by="Wren", rights=Rights(staff_id="wren", lead=True, languages=frozenset({"*"})))


def limits(services: Services, kind: str) -> Seen:
    with services.open_reading() as work:
        return limits_of(services.budgets(work)[kind])


def set_it(services: Services, kind: str, changes: dict[str, int], by: str = "Wren") -> None:
    """Set limits as somebody does who looks at them as they stand."""
    set_budget(services, kind, changes, by, seen=limits(services, kind))


def test_the_clinic_sets_its_own_limits_and_the_content_keeps_the_others() -> None:
    services, _ = a_service(approve=())
    before = limits(services, "dose")
    set_it(services, "check-in", {"parts": 1, "sentence_words": 12})
    assert limits(services, "check-in") == (1, services.pack.budgets["check-in"].parts_ucs2, 12)
    assert limits(services, "dose") == before
    with services.open_reading() as work:
        (line,) = work.ledger.history("budget:check-in")
        assert dict(line.detail) == {"parts": 1, "sentence_words": 12}
        assert [now.id for now, shipped in budgets_of(services, work) if now != shipped] == ["check-in"]
    set_it(services, "check-in", {"parts": 2, "sentence_words": 20})
    with services.open_reading() as work:
        assert [now.id for now, shipped in budgets_of(services, work) if now != shipped] == []


def test_a_text_over_the_clinics_limit_is_approved_only_with_a_reason() -> None:
    services, _ = a_service(approve=())
    set_it(services, "check-in", {"parts": 1})
    with services.open_reading() as work:
        digest = services.book(work).entry("en", UNIT, services.clock.now()).draft_digest
    with pytest.raises(NotAllowedError, match=r"message\.check-in\.text: .*parts.*give the reason"):
        approve(services, "en", [(UNIT, digest)], LEAD)
    said = Approving(by="Wren", rights=LEAD.rights, reasons={UNIT: "it must name the number"})
    assert approve(services, "en", [(UNIT, digest)], said) == 1
    with services.open_reading() as work:
        approved = services.book(work).entry("en", UNIT, services.clock.now()).approved
    assert approved is not None
    assert approved.approval is not None
    assert approved.approval.reason == "it must name the number"


@pytest.mark.parametrize(
    ("kind", "wrong"),
    [("check-in", {"parts": 0}), ("check-in", {"grade": 5}), ("other", {"parts": 3}), ("check-in", {"parts": 500})],
)
def test_a_limit_that_cannot_be_is_refused(kind: str, wrong: dict[str, int]) -> None:
    services, _ = a_service(approve=())
    with pytest.raises(NotAllowedError):
        set_it(services, kind, wrong)
    with pytest.raises(NotFoundError):
        set_budget(services, "no-such", {"parts": 1}, "Wren", seen=(1, 1, 20))


def test_who_saves_second_is_told_whose_limits_stand_and_nothing_is_overwritten() -> None:
    services, _ = a_service(approve=())
    both_saw = limits(services, "check-in")
    set_budget(services, "check-in", {"parts": 3}, "Wren", seen=both_saw)
    with pytest.raises(OvertakenError, match="Wren saved other limits meanwhile: look at them, then save yours"):
        set_budget(services, "check-in", {"parts": 1, "sentence_words": 12}, "Olu", seen=both_saw)
    assert limits(services, "check-in") == (3, *both_saw[1:])
    with services.open_reading() as work:
        assert [line.actor for line in work.ledger.history("budget:check-in")] == ["Wren"]
    set_it(services, "check-in", {"parts": 1}, "Olu")
    assert limits(services, "check-in")[0] == 1


def test_budgets_of_two_kinds_saved_at_the_same_moment_are_both_kept(database_url: str) -> None:
    one, _ = a_service(database_url, approve=())
    other, _ = a_service(database_url, approve=())
    refused: list[Exception] = []

    def save_another_kind() -> None:
        try:
            set_it(other, "dose", {"parts": 3}, "Olu")
        except Exception as error:
            refused.append(error)

    second = Thread(target=save_another_kind)
    with one.open_work() as work:  # what `set_budget` does, halted before it commits
        assert work.ledger.swap_fact(BUDGETS, None, json.dumps({"check-in": {"parts": 1}}))
        second.start()
        second.join(0.5)  # it waits now, and has read that nothing is set
        work.commit()
    second.join()
    assert refused == []
    assert (limits(one, "check-in")[0], limits(one, "dose")[0]) == (1, 3)


def test_one_kind_saved_by_two_at_the_same_moment_is_refused_to_the_second(database_url: str) -> None:
    one, _ = a_service(database_url, approve=())
    other, _ = a_service(database_url, approve=())
    set_it(one, "check-in", {"parts": 3})
    both_saw, refused = limits(one, "check-in"), list[OvertakenError]()

    def save_too() -> None:
        try:
            set_budget(other, "check-in", {"parts": 4}, "Olu", seen=both_saw)
        except OvertakenError as error:
            refused.append(error)

    second = Thread(target=save_too)
    with one.open_work() as work:
        before = work.ledger.fact(BUDGETS)
        assert work.ledger.swap_fact(BUDGETS, before, json.dumps({"check-in": {"parts": 1}}))
        second.start()
        second.join(0.5)
        work.commit()
    second.join()
    assert len(refused) == 1
    assert limits(one, "check-in")[0] == 1
