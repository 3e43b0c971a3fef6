"""The clinic's own budgets of its texts."""

from __future__ import annotations

import pytest
from builders import a_service

from service.domain.revision import Rights
from service.errors import NotAllowedError, NotFoundError
from service.planning.approving import Approving, approve
from service.planning.budgets import budgets_of, set_budget
from service.services import Services

UNIT = "message.check-in.text"
LEAD = Approving(by="Wren", rights=Rights(staff_id="wren", lead=True, languages=frozenset({"*"})))


def limits(services: Services, kind: str) -> tuple[int | None, int | None, int]:
    with services.open_reading() as work:
        found = services.budgets(work)[kind]
    return found.parts, found.parts_ucs2, found.sentence_words


def test_the_clinic_sets_its_own_limits_and_the_content_keeps_the_others() -> None:
    services, _ = a_service(approve=())
    before = limits(services, "dose")
    set_budget(services, "check-in", {"parts": 1, "sentence_words": 12}, "Wren")
    assert limits(services, "check-in") == (1, services.pack.budgets["check-in"].parts_ucs2, 12)
    assert limits(services, "dose") == before
    with services.open_reading() as work:
        (line,) = work.ledger.history("budget:check-in")
        assert dict(line.detail) == {"parts": 1, "sentence_words": 12}
        assert [now.id for now, shipped in budgets_of(services, work) if now != shipped] == ["check-in"]
    set_budget(services, "check-in", {"parts": 2, "sentence_words": 20}, "Wren")
    with services.open_reading() as work:
        assert [now.id for now, shipped in budgets_of(services, work) if now != shipped] == []


def test_a_text_over_the_clinics_limit_is_approved_only_with_a_reason() -> None:
    services, _ = a_service(approve=())
    set_budget(services, "check-in", {"parts": 1}, "Wren")
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
        set_budget(services, kind, wrong, "Wren")
    with pytest.raises(NotFoundError):
        set_budget(services, "no-such", {"parts": 1}, "Wren")
