"""Letters that really get posted: batches, ticks, what is left out, and two people pressing at once."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from builders import a_person, a_visit
from planning.letter_desk import BY, a_letter, a_printing_clinic, made_ready
from pypdf import PdfReader
from sqlalchemy import text

from service.delivery.dispatch import send_due
from service.domain.contact import Channel, Contact
from service.domain.message import MessageKind, State
from service.domain.plan import Status
from service.errors import NotAllowedError, NotFoundError
from service.planning.aftercare import give, set_status
from service.planning.posting import (
    ADDRESS_CHANGED,
    ASK_BEFORE,
    KINDS,
    LETTER_WAITING,
    Letter,
    ask_about_waiting,
    batch_pdf,
    batches,
    make_batch,
    mark_batch_posted,
    mark_posted,
    print_list,
    undo_posted,
    waiting,
)
from service.services import Services

ADDRESSES = (("Maud Ellery", "maud"), ("Arthur Penhaligon", "arthur"), ("Zofia Wiśniewska", "zofia"))


def three_letters(services: Services) -> list[str]:
    return [a_letter(services, person, name=name) for name, person in ADDRESSES]


def listed(services: Services) -> list[Letter]:
    with services.open_reading() as work:
        return waiting(services, work)


def in_batches(services: Services) -> list[list[str]]:
    with services.open_reading() as work:
        return [[each.message.id for each in batch.letters] for batch in batches(services, work)]


def pages_of(pdf: bytes) -> list[str]:
    return [page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages]


def change(services: Services, person: str, by: Callable[[Contact], Contact]) -> None:
    with services.open_work() as work:
        found = work.people.get(person)
        work.people.save(replace(found, contact=by(found.contact)))
        work.commit()


def audit_of(services: Services, subject: str) -> list[tuple[str, str]]:
    with services.open_reading() as work:
        return [(line.action, line.actor) for line in reversed(work.ledger.history(subject))]


def test_a_batch_holds_every_waiting_letter_once_and_each_begins_on_an_odd_page(tmp_path: Path) -> None:
    services, _ = a_printing_clinic(tmp_path)
    letters = three_letters(services)
    batch = make_batch(services, BY)
    assert sorted(in_batches(services)[0]) == sorted(letters)
    assert listed(services) == []
    pages = pages_of(batch_pdf(services, batch, BY))
    starts = [number for number, page in enumerate(pages) if "Letter " in page and " of 3, " in page]
    assert len(starts) == 3 and all(start % 2 == 0 for start in starts)
    assert len(pages) % 2 == 0
    names = {name for name, _ in ADDRESSES}
    for start, end in zip(starts, [*starts[1:], len(pages)], strict=True):
        assert f"{(end - start) // 2} sheets" in pages[start]
        assert len([name for name in names if name in pages[start]]) == 1
        assert pages[start + 1] == "", "the back of the address page is blank"
        assert "right ear" in "".join(pages[start + 2 : end]).lower()


def test_the_address_page_says_nothing_about_health_beside_the_name_of_the_clinic(tmp_path: Path) -> None:
    services, _ = a_printing_clinic(tmp_path)
    a_letter(services)
    page = pages_of(batch_pdf(services, make_batch(services, BY), BY))[0]
    words = {line.strip() for line in page.splitlines() if line.strip()}
    assert words == {
        "Larkfield Ear Care",
        "1 Larkfield Lane, Exampleton, EX1 0AA",
        "Maud Ellery",
        "2 Elm Row",
        "Exampleton",
        "EX1 0AB",
        "Wednesday, 25 November 2026",
        "Letter 1 of 1, 2 sheets",
    }


def test_a_reprint_is_the_same_to_the_byte_also_after_the_record_changed(tmp_path: Path) -> None:
    services, clock = a_printing_clinic(tmp_path)
    three_letters(services)
    batch = make_batch(services, BY)
    first = batch_pdf(services, batch, BY)
    clock.forward(hours=3)
    change(services, "maud", lambda contact: replace(contact, name="Maud Penn", address=("9 Oak Road", "EX1 0AC")))
    assert batch_pdf(services, batch, BY) == first
    assert [action for action, _ in audit_of(services, batch)] == ["letter-batch-made", *["letter-batch-opened"] * 2]


def test_the_print_list_names_the_letters_and_nothing_about_health(tmp_path: Path) -> None:
    services, _ = a_printing_clinic(tmp_path)
    three_letters(services)
    batch = make_batch(services, BY)
    (page,) = pages_of(print_list(services, batch, BY))
    assert all(name in page for name, _ in ADDRESSES)
    assert "EX1 0AB" in page and "3 letters, 6 sheets" in page and KINDS[MessageKind.PLAN_GIVEN] in page
    for word in ("wax", "drop", "oil", "right", "left"):
        assert word not in page.replace("Larkfield Ear Care", "").lower().split()


def test_only_ticked_letters_go_into_a_batch(tmp_path: Path) -> None:
    services, _ = a_printing_clinic(tmp_path)
    first, second, third = three_letters(services)
    make_batch(services, BY, [first, third])
    assert [each.message.id for each in listed(services)] == [second]
    with pytest.raises(NotAllowedError, match="waits no longer"):
        make_batch(services, BY, [first, second])
    assert [each.message.id for each in listed(services)] == [second], "a refused batch takes nothing"
    with pytest.raises(NotAllowedError, match="no letter is ticked"):
        make_batch(services, BY, [])


def test_an_empty_desk_makes_no_batch(tmp_path: Path) -> None:
    services, _ = a_printing_clinic(tmp_path)
    with pytest.raises(NotAllowedError, match="no letter waits"):
        make_batch(services, BY)
    assert in_batches(services) == []


def test_two_people_who_press_at_the_same_time_make_no_letter_twice(tmp_path: Path, database_url: str) -> None:
    services, _ = a_printing_clinic(tmp_path, database_url)
    three_letters(services)
    together, said = threading.Barrier(4), []

    def press() -> None:
        together.wait()
        try:
            make_batch(services, BY)
        except NotAllowedError as refused:
            said.append(str(refused))

    people = [threading.Thread(target=press) for _ in range(4)]
    for each in people:
        each.start()
    for each in people:
        each.join()
    assert [len(batch) for batch in in_batches(services)] == [3]
    assert len(said) == 3 and all("at this moment" in each or each == "no letter waits" for each in said)


@pytest.mark.parametrize(
    ("happened", "why"),
    [
        (lambda s: change(s, "maud", lambda c: replace(c, died=s.clock.now().date())), "the person has died"),
        (lambda s: change(s, "maud", lambda c: replace(c, left=s.clock.now().date())), "the person has moved away"),
        (
            lambda s: change(s, "maud", lambda c: replace(c, stopped=frozenset({Channel.LETTER}))),
            "stopped this channel",
        ),
        (lambda s: change(s, "maud", lambda c: replace(c, bad=frozenset({Channel.LETTER}))), "found unusable"),
        (lambda s: change(s, "maud", lambda c: replace(c, withdrawn=s.clock.now().date())), "withdrew consent"),
        (lambda s: change(s, "maud", lambda c: replace(c, address=("9 Oak Road", "EX1 0AC"))), ADDRESS_CHANGED),
        (lambda s: give(s, "maud", a_visit(), by="nurse"), "the plan has ended"),
        (lambda s: withdraw(s, Status.REVOKED), "the plan was withdrawn"),
        (lambda s: withdraw(s, Status.ON_HOLD), "the plan is on hold"),
        (lambda s: overtaken(s), "takes its place"),
    ],
)
def test_a_letter_that_must_not_go_out_any_more_is_left_out_and_the_list_says_why(
    tmp_path: Path, happened: Callable[[Services], object], why: str
) -> None:
    services, _ = a_printing_clinic(tmp_path)
    maud, arthur = a_letter(services), a_letter(services, "arthur", name="Arthur Penhaligon")
    happened(services)
    assert {each.message.id: why in each.left_out for each in listed(services)} == {maud: True, arthur: False}
    with pytest.raises(NotAllowedError, match="the letter to Maud Ellery must not be posted"):
        make_batch(services, BY, [maud, arthur])
    with pytest.raises(NotAllowedError, match="must not be posted"):
        mark_posted(services, maud, BY)
    make_batch(services, BY)
    assert in_batches(services) == [[arthur]]


def withdraw(services: Services, status: Status) -> None:
    with services.open_reading() as work:
        plan = work.plans.current("maud")
    assert plan is not None
    set_status(services, plan.id, status, "nurse", "a slip")


def overtaken(services: Services) -> None:
    with services.open_work() as work:
        work._session.execute(text("UPDATE messages SET superseded = true WHERE person_id = 'maud'"))
        work.commit()


@pytest.mark.parametrize("state", [State.DROPPED, State.FAILED, State.UNCERTAIN])
def test_a_message_that_is_no_longer_sent_is_no_letter(tmp_path: Path, state: State) -> None:
    services, _ = a_printing_clinic(tmp_path)
    letter = a_letter(services)
    with services.open_work() as work:
        work._session.execute(text(f"UPDATE messages SET state = '{state}' WHERE id = :id"), {"id": letter})
        work.commit()
    assert listed(services) == []
    with pytest.raises(NotFoundError, match="not a letter that is ready"):
        mark_posted(services, letter, BY)


def test_somebody_who_died_after_the_printing_is_left_out_when_the_batch_is_ticked(tmp_path: Path) -> None:
    services, _ = a_printing_clinic(tmp_path)
    maud, *others = three_letters(services)
    batch = make_batch(services, BY)
    change(services, "maud", lambda contact: replace(contact, died=services.clock.now().date()))
    assert mark_batch_posted(services, batch, BY) == 2
    with services.open_reading() as work:
        assert work.letters.get(maud).posted is None
        assert all(work.letters.get(each).posted for each in others)


def test_a_tick_says_who_and_when_and_a_wrong_one_is_taken_back(tmp_path: Path) -> None:
    services, clock = a_printing_clinic(tmp_path)
    letter = a_letter(services)
    make_batch(services, BY)
    assert mark_posted(services, letter, BY)
    clock.forward(minutes=5)
    assert not mark_posted(services, letter, "Cleo Byrne (cleo)"), "the first tick stays"
    with services.open_reading() as work:
        stored = work.letters.get(letter)
        assert stored.posted == clock.now() - timedelta(minutes=5) and stored.posted_by == BY
        assert work.messages.get(letter).state is State.SENT, "posted is not delivered"
    assert undo_posted(services, letter, BY) and not undo_posted(services, letter, BY)
    with services.open_reading() as work:
        assert work.letters.get(letter).posted is None
    assert audit_of(services, letter) == [("letter-posted", BY), ("letter-posting-undone", BY)]


def test_a_whole_batch_is_ticked_and_each_letter_has_its_line_in_the_record(tmp_path: Path) -> None:
    services, _ = a_printing_clinic(tmp_path)
    letters = three_letters(services)
    batch = make_batch(services, BY)
    mark_posted(services, letters[0], "Cleo Byrne (cleo)")
    assert mark_batch_posted(services, batch, BY) == 2
    assert mark_batch_posted(services, batch, BY) == 0
    assert [audit_of(services, each) for each in letters] == [
        [("letter-posted", "Cleo Byrne (cleo)")],
        [("letter-posted", BY)],
        [("letter-posted", BY)],
    ]


def test_a_letter_that_was_posted_without_a_batch_waits_no_longer(tmp_path: Path) -> None:
    services, _ = a_printing_clinic(tmp_path)
    letter = a_letter(services)
    mark_posted(services, letter, BY)
    assert listed(services) == []
    undo_posted(services, letter, BY)
    assert [each.message.id for each in listed(services)] == [letter]
    make_batch(services, BY)
    assert in_batches(services) == [[letter]]


def test_a_late_letter_never_goes_by_itself_but_a_person_may_tick_it(tmp_path: Path) -> None:
    services, clock = a_printing_clinic(tmp_path)
    letter = a_letter(services)
    clock.forward(days=4, hours=23)
    assert not listed(services)[0].late, "a letter may wait over a long weekend"
    clock.forward(hours=2)
    (late,) = listed(services)
    assert late.late and not late.left_out
    with pytest.raises(NotAllowedError, match="no letter is ticked"):
        make_batch(services, BY)
    make_batch(services, BY, [letter])
    assert in_batches(services) == [[letter]]


def test_a_letter_that_nobody_posts_is_put_before_a_person_once(tmp_path: Path) -> None:
    services, clock = a_printing_clinic(tmp_path)
    letter, posted, _ = three_letters(services)
    make_batch(services, BY, [letter, posted])
    mark_posted(services, posted, BY)
    change(services, "zofia", lambda contact: replace(contact, died=services.clock.now().date()))
    assert ask_about_waiting(services) == 0, "there is time left"
    with services.open_reading() as work:
        clock.at = work.messages.get(letter).planned.last_useful - ASK_BEFORE
    assert ask_about_waiting(services) == 1
    assert ask_about_waiting(services) == 0
    with services.open_work() as work:
        (entry,) = work.ledger.attention()
        assert (entry.person_id, entry.message_id, entry.reason) == ("maud", letter, LETTER_WAITING)
        assert entry.detail == "in a batch"
        work.ledger.attention_done(entry.id, BY, clock.now())
        work.commit()
    assert ask_about_waiting(services) == 0, "who saw to it is not asked again"


def test_a_file_that_is_gone_from_the_folder_stops_the_batch_before_it_is_made(tmp_path: Path) -> None:
    services, _ = a_printing_clinic(tmp_path)
    three_letters(services)
    next((tmp_path / "letters").iterdir()).unlink()
    with pytest.raises(NotFoundError, match="no longer in the folder"):
        make_batch(services, BY)
    assert in_batches(services) == [] and len(listed(services)) == 3


def test_what_is_handed_over_by_letter_waits_to_be_posted_and_what_does_not_fit_the_window_does_not(
    tmp_path: Path,
) -> None:
    services, _ = a_printing_clinic(tmp_path)
    for person, address in (("maud", ("2 Elm Row", "EX1 0AB")), ("long", tuple(f"Line {n}" for n in range(9)))):
        a_person(services, person, channels=(Channel.LETTER,), address=address)
        give(services, person, a_visit(), by="nurse")
    send_due(services, "me")
    assert [each.message.person_id for each in listed(services)] == ["maud"]
    with services.open_reading() as work:
        assert [entry.person_id for entry in work.ledger.attention()] == ["long"]
    assert "2 Elm Row" in pages_of(batch_pdf(services, make_batch(services, BY), BY))[0]


def test_a_new_plan_after_the_letter_was_made_brings_a_new_letter(tmp_path: Path) -> None:
    services, _ = a_printing_clinic(tmp_path)
    a_letter(services)
    newer = made_ready(services, "maud", give(services, "maud", a_visit(), by="nurse").id)
    make_batch(services, BY)
    assert in_batches(services) == [[newer]]
