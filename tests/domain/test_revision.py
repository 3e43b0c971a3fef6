"""Which text is in force, and who may approve it."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from service.domain.pack import Forms, Wording
from service.domain.revision import (
    Approval,
    Origin,
    Revision,
    Rights,
    Withdrawal,
    check_approval,
    current,
    digest_of,
    newest_draft,
    next_change,
    source_of,
)
from service.errors import NotAllowedError

NOW = datetime(2026, 11, 25, 9, tzinfo=UTC)
DAY = timedelta(days=1)
UNIT = Wording(id="care.rest", topic="care", forms={"any": Forms(one=None, other="Rest today.")})
SAFETY = replace(UNIT, safety=True)
LEAD = Rights(staff_id="lead", lead=True, languages=frozenset({"*"}))


def revision(number: int, *, effective: datetime | None = None, **changes: object) -> Revision:
    made = Revision(
        id=f"r{number}",
        language="pl",
        unit="care.rest",
        texts={"any": (f"Odpocznij {number}.",)},
        digest=f"d{number}",
        source_digest="english",
        origin=Origin.WRITTEN,
        written_by="Ida Fenn (ida)",
        writer="ida",
        written_at=NOW + timedelta(minutes=number),
    )
    if effective is not None:
        made = replace(made, approval=Approval(by="Wren", approver="lead", at=made.written_at, effective=effective))
    return replace(made, **changes)  # type: ignore[arg-type]


def test_a_draft_is_never_in_force() -> None:
    assert current([revision(1)], "english", NOW + DAY) is None


def test_the_approval_that_came_into_force_last_wins() -> None:
    older, newer = revision(1, effective=NOW), revision(2, effective=NOW + DAY)
    assert current([newer, older], "english", NOW + DAY / 2) is older
    assert current([newer, older], "english", NOW + DAY) is newer


def test_an_approval_for_a_date_leaves_the_old_text_in_force_until_then() -> None:
    revisions = [revision(1, effective=NOW), revision(2, effective=NOW + DAY)]
    assert next_change(revisions, NOW) == NOW + DAY
    assert next_change(revisions, NOW + DAY) is None


def test_a_translation_of_another_source_text_is_not_in_force() -> None:
    assert current([revision(1, effective=NOW)], "other english", NOW) is None


def test_a_withdrawn_text_is_in_force_up_to_that_moment_and_never_again() -> None:
    gone = revision(1, effective=NOW, withdrawn=Withdrawal(by="Wren", at=NOW + DAY))
    assert current([gone], "english", NOW + DAY / 2) is gone
    assert current([gone], "english", NOW + DAY) is None
    assert next_change([replace(gone, approval=replace(gone.approval, effective=NOW + 2 * DAY))], NOW) is None  # type: ignore[arg-type]


def test_the_draft_written_last_waits_and_a_withdrawn_one_does_not() -> None:
    first, second = revision(1), revision(2)
    assert newest_draft([second, first], NOW + DAY) is second
    assert newest_draft([first, replace(second, withdrawn=Withdrawal(by="x", at=NOW))], NOW + DAY) is first


def test_the_digest_covers_the_source_and_the_text() -> None:
    source = source_of(UNIT)
    polish = digest_of(UNIT, source, {"any": ("Odpocznij.",)})
    assert polish != digest_of(UNIT, source, {"any": ("Odpocznij dzisiaj.",)})
    assert polish != digest_of(UNIT, source_of(UNIT, {"any": ("Rest now.",)}), {"any": ("Odpocznij.",)})
    assert digest_of(UNIT, source, None) == digest_of(UNIT, source_of(UNIT, {"any": ("Rest today.",)}), None)


@pytest.mark.parametrize(
    ("unit", "rights", "written_by", "said"),
    [
        (
            UNIT,
            Rights(staff_id="x", lead=False, languages=frozenset({"cy"})),
            "ida",
            "no right to approve wording in pl",
        ),
        (SAFETY, Rights(staff_id="x", lead=False, languages=frozenset({"pl"})), "ida", "only the clinical lead"),
        (UNIT, LEAD, "lead", "a second person must read"),
    ],
)
def test_an_approval_needs_the_right_the_lead_and_a_second_person(
    unit: Wording, rights: Rights, written_by: str, said: str
) -> None:
    with pytest.raises(NotAllowedError, match=said):
        check_approval(revision(1, writer=written_by), unit, rights, own_words=False, over=())


def test_a_clinic_of_one_person_may_approve_its_own_words_and_that_is_known() -> None:
    assert check_approval(revision(1, writer="lead"), SAFETY, LEAD, own_words=True, over=())
    assert not check_approval(revision(1), SAFETY, LEAD, own_words=True, over=())


def test_a_text_over_the_budget_needs_a_reason() -> None:
    with pytest.raises(
        NotAllowedError, match=r"care\.rest: 4 parts where 3 are allowed; shorten it, or give the reason"
    ):
        check_approval(revision(1), UNIT, LEAD, own_words=False, over=("4 parts where 3 are allowed",))


def test_an_approver_of_one_language_approves_in_it() -> None:
    rights = Rights(staff_id="ewa", lead=False, languages=frozenset({"pl"}))
    assert not check_approval(revision(1), UNIT, rights, own_words=False, over=())
