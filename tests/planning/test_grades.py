"""The clinic's own hardest scores: set by kind of message, measured at the next approval, never overwritten unseen."""

from __future__ import annotations

import pytest
from builders import a_service

from service.domain.revision import Rights
from service.errors import NotAllowedError, NotFoundError, OvertakenError
from service.planning.approving import Approving, approve
from service.planning.grades import set_grades
from service.services import Services

UNIT = "message.check-in.text"
LEAD = Approving(by="Wren", rights=Rights(staff_id="wren", lead=True, languages=frozenset({"*"})))


def grades(services: Services, kind: str) -> dict[str, float]:
    with services.open_reading() as work:
        return dict(services.budgets(work)[kind].hardest)


def set_it(services: Services, kind: str, scores: dict[str, float], by: str = "Wren") -> None:
    """Set scores as somebody does who looks at them as they stand."""
    set_grades(services, kind, scores, by, seen=grades(services, kind))


def test_a_grade_is_set_for_one_kind_and_goes_on_record() -> None:
    services, _ = a_service(approve=())
    shipped, other = grades(services, "check-in"), grades(services, "dose")
    set_it(services, "check-in", {"flesch-kincaid": 4.5})
    assert grades(services, "check-in") == {**shipped, "flesch-kincaid": 4.5}
    assert grades(services, "dose") == other
    set_it(services, "dose", {"fog-polish": 8})
    assert grades(services, "check-in")["flesch-kincaid"] == 4.5, "another kind leaves it as it is"
    with services.open_reading() as work:
        (line,) = work.ledger.history("grade:check-in")
    assert (line.actor, dict(line.detail)) == ("Wren", {"flesch-kincaid": 4.5})
    set_it(services, "check-in", {"flesch-kincaid": shipped["flesch-kincaid"]})
    assert grades(services, "check-in") == shipped


def test_a_text_that_reads_harder_is_approved_only_with_a_reason() -> None:
    services, _ = a_service(approve=())
    set_it(services, "check-in", {"flesch-kincaid": 0})
    with services.open_reading() as work:
        digest = services.book(work).entry("en", UNIT, services.clock.now()).draft_digest
    with pytest.raises(
        NotAllowedError, match=r"Flesch-Kincaid grade gives .*, and at most 0 is wanted.*give the reason"
    ):
        approve(services, "en", [(UNIT, digest)], LEAD)
    with_reason = Approving(by="Wren", rights=LEAD.rights, reasons={UNIT: "it was tested with readers"})
    assert approve(services, "en", [(UNIT, digest)], with_reason) == 1


@pytest.mark.parametrize("wrong", [{"no-such": 6}, {"flesch-kincaid": -1}, {"flesch-kincaid": 201}])
def test_a_grade_that_cannot_be_is_refused(wrong: dict[str, float]) -> None:
    services, _ = a_service(approve=())
    with pytest.raises(NotAllowedError):
        set_it(services, "check-in", wrong)
    with pytest.raises(NotFoundError):
        set_grades(services, "no-such", {}, "Wren", seen={})


def test_who_saves_second_is_told_whose_grades_stand() -> None:
    services, _ = a_service(approve=())
    both_saw = grades(services, "check-in")
    set_grades(services, "check-in", {"flesch-kincaid": 5}, "Wren", seen=both_saw)
    with pytest.raises(OvertakenError, match="Wren saved other grades meanwhile"):
        set_grades(services, "check-in", {"flesch-kincaid": 9}, "Olu", seen=both_saw)
    assert grades(services, "check-in")["flesch-kincaid"] == 5
