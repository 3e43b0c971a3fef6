"""What came of the invitations of a time: who is counted, after which invitation, by which words, and with a plug."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta

import pytest
from builders import StoppedClock, a_clinic, a_person, a_service, a_visit, an_ear, the_catalogs, the_pack
from sqlalchemy import Engine, event, update

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.plan import Status
from service.domain.recall import Answer, Recall, RecallState, unanswered_from
from service.domain.revision import Approval, Origin, Revision, Texts
from service.domain.uptake import Group, Share, Words
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.planning.people import mark_died, mark_left
from service.planning.preferences import mark_dose
from service.planning.recall_board import Decision, decide
from service.planning.recall_outcome import Outcome, outcome
from service.planning.recall_settings import settings_now
from service.planning.recalling import answer_in
from service.services import Services
from service.storage.tables import MessageRow
from service.wording.book import Book, digest_for

PLUG = an_ear("hard-wax-cleared")
DAY = timedelta(days=1)


class Clinic:
    """Some people with wax to come back for, on one stopped clock."""

    def __init__(self, people: int = 1, url: str = "sqlite://", **contact: object) -> None:
        self.clock = StoppedClock()
        self.services: Services = a_service(url, clock=self.clock)[0]
        self.people = [f"p{number}" for number in range(people)]
        for person in self.people:
            a_person(self.services, person, **{"channels": (Channel.TEXT,), **contact})
            give(self.services, person, a_visit(), "clinician")

    def recall(self, person: str = "p0") -> Recall:
        with self.services.open_reading() as work:
            found = work.recalls.newest_of(person)
        assert found is not None
        return found

    def invite(self, number: int = 1, person: str = "p0") -> None:
        """Send the invitation of this number of the present round, at noon of its day."""
        on = self.recall(person).invite_on + (timedelta(), 14 * DAY, 35 * DAY)[number - 1]
        self.clock.at = max(self.clock.at, datetime.combine(on, time(12), UTC))
        send_due(self.services, "worker")

    def answer(self, answer: Answer, person: str = "p0", later: date | None = None) -> None:
        self.clock.forward(hours=1)
        with self.services.open_work() as work:
            assert answer_in(self.services, work, person, answer, by="page", now=self.clock.at, later=later)
            work.commit()

    def come(self, person: str = "p0", **changes: object) -> None:
        self.clock.forward(hours=1)
        give(self.services, person, a_visit(PLUG, on=self.clock.at.date(), **changes), "clinician")

    def book(self, person: str = "p0") -> None:
        moment = (self.clock.at.date() + 2 * DAY, time(9))
        assert book(self.services, self.recall(person).plan_id, moment, "desk").appointment == moment

    def reach(self, channel: Channel, person: str = "p0") -> None:
        """From now on the person is reached by this channel."""
        with self.services.open_work() as work:
            found = work.people.get(person)
            work.people.save(replace(found, contact=replace(found.contact, channels=(channel,))))
            work.commit()

    def note(self, key: str = "return-due/1/1", person: str = "p0", **values: object) -> None:
        """Write into the record what the test says of this message."""
        with self.services.open_work() as work:
            rows = update(MessageRow).where(MessageRow.person_id == person, MessageRow.key == key)
            assert work._session.execute(rows.values(**values)).rowcount == 1  # type: ignore[attr-defined]
            work.commit()

    def handed(self, key: str, at: datetime) -> None:
        """As if the hand-over of this message had been at another instant."""
        self.note(key, handed=at)

    def outcome(self, first: date = date(2026, 1, 1), last: date = date(2029, 1, 1)) -> Outcome:
        with self.services.open_reading() as work:
            return outcome(self.services, work, first, last)


def counts(group: Group) -> tuple[int, int, int]:
    """Who came, of how many settled, and how many are open."""
    return group.share.hits, group.share.of, group.open


def test_who_asks_for_later_stays_in_the_time_of_the_first_invitation() -> None:
    clinic = Clinic(4)
    clinic.invite()
    asked_on = clinic.clock.at.date()
    for person in ("p0", "p1"):
        clinic.answer(Answer.LATER, person, later=asked_on + timedelta(days=200))
    assert clinic.outcome(asked_on, asked_on).all.invited == 4
    clinic.invite()
    assert clinic.clock.at.date() == asked_on + timedelta(days=200)
    assert clinic.outcome(asked_on, asked_on).all.invited == 4, "a second round belongs to the first"
    assert clinic.outcome(asked_on + DAY, clinic.clock.at.date()).all.invited == 0, "and is counted in one time only"


def test_an_invitation_belongs_to_the_day_of_the_clinic_on_which_it_was_handed_over() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.handed("return-due/1/1", datetime(2027, 6, 1, 23, 30, tzinfo=UTC))  # half past midnight of the 2nd in London
    assert clinic.outcome(date(2027, 6, 2), date(2027, 6, 2)).all.invited == 1
    assert clinic.outcome(date(2027, 6, 1), date(2027, 6, 1)).all.invited == 0
    clinic.handed("return-due/1/1", datetime(2027, 6, 2, 23, 0, tzinfo=UTC))  # the first instant of the 3rd
    assert clinic.outcome(date(2027, 6, 2), date(2027, 6, 2)).all.invited == 0


def test_what_was_never_handed_over_is_no_invitation() -> None:
    clinic = Clinic(2)
    clinic.invite()
    clinic.note(person="p1", state="failed")
    assert clinic.outcome().all.invited == 1


def test_a_person_counts_once_however_often_they_are_invited() -> None:
    clinic = Clinic(2)
    clinic.invite()
    clinic.invite(2)
    clinic.invite(3)
    first = clinic.recall()
    clinic.come(next_appointment=None)
    clinic.clock.forward(days=1)
    give(clinic.services, "p0", a_visit(on=clinic.clock.at.date()), "clinician")  # wax to come back for once more
    assert clinic.recall().id != first.id
    clinic.invite()
    found = clinic.outcome()
    assert (found.all.invited, found.again) == (2, 1)
    assert found.by_channel["text"].share.hits == 1, "the recall that began first is the one that counts"
    alone = clinic.outcome(clinic.clock.at.date(), clinic.clock.at.date())
    assert (counts(alone.all), alone.again) == ((0, 0, 1), 0)


@pytest.mark.parametrize("number", [1, 2, 3])
def test_an_answer_counts_by_the_invitation_that_it_followed(number: int) -> None:
    clinic = Clinic()
    for each in range(1, number + 1):
        clinic.invite(each)
    clinic.answer(Answer.BOOK)
    assert clinic.outcome().answers == {"book": Counter({number: 1})}


def test_an_answer_that_takes_the_place_of_later_at_once_keeps_its_invitation() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.invite(2)
    clinic.answer(Answer.LATER, later=clinic.clock.at.date() + 100 * DAY)
    clinic.answer(Answer.BOOK)
    assert clinic.outcome().answers == {"book": Counter({2: 1})}


def test_the_same_number_of_another_round_is_another_invitation() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.answer(Answer.LATER, later=clinic.clock.at.date() + 100 * DAY)
    clinic.reach(Channel.EMAIL)
    clinic.invite()
    clinic.answer(Answer.BOOK)
    found = clinic.outcome()
    assert found.answers == {"book": Counter({1: 1})}
    assert list(found.by_channel) == ["email"]


def test_who_came_without_an_answer_is_counted_by_the_last_invitation_before_they_did() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.reach(Channel.EMAIL)
    clinic.invite(2)
    clinic.come()
    clinic.handed("return-due/1/2", clinic.clock.at + DAY)  # of unknown outcome, and repeated after they came
    found = clinic.outcome()
    assert found.answers == {"": Counter({1: 1})}
    assert list(found.by_channel) == ["text"]
    clinic.handed("return-due/1/2", clinic.clock.at - DAY)
    found = clinic.outcome()
    assert found.answers == {"": Counter({2: 1})}
    assert list(found.by_channel) == ["email"]


def test_who_came_after_asking_for_later_came_by_the_later_invitation_and_answered_the_earlier_one() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.invite(2)
    clinic.answer(Answer.LATER, later=clinic.clock.at.date() + 100 * DAY)
    clinic.reach(Channel.EMAIL)
    clinic.invite()
    clinic.come()
    found = clinic.outcome()
    assert found.answers == {"later": Counter({2: 1})}
    assert {name: counts(group) for name, group in found.by_channel.items()} == {"email": (1, 1, 0)}


def test_an_only_invitation_whose_hand_over_was_repeated_after_the_answer_is_the_one_that_got_it() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.answer(Answer.NO)
    clinic.handed("return-due/1/1", clinic.clock.at + DAY)
    assert clinic.outcome().answers == {"no": Counter({1: 1})}


def test_who_died_moved_or_is_not_to_come_any_more_is_left_out_of_every_share() -> None:
    clinic = Clinic(6)
    clinic.invite()
    mark_died(clinic.services, "p0", "desk", died=True)
    mark_left(clinic.services, "p1", "desk", left=True)
    set_status(clinic.services, clinic.recall("p2").plan_id, Status.REVOKED, "clinician", "the wrong person's")
    decide(clinic.services, clinic.recall("p3").id, Decision.NOT_NEEDED, "clinician", reason="not needed")
    clinic.answer(Answer.NO, "p4")
    decide(clinic.services, clinic.recall("p5").id, Decision.NO_ANSWER, "desk", reason="rang twice")
    found = clinic.outcome()
    assert (counts(found.all), found.left_out) == ((0, 2, 0), 4)
    for groups in (found.by_channel, found.by_language, found.by_age, found.by_words):
        assert [counts(group) for group in groups.values()] == [(0, 2, 0)]


def test_who_was_seen_and_died_later_came() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.come()
    mark_died(clinic.services, "p0", "desk", died=True)
    found = clinic.outcome(last=clinic.clock.at.date())
    assert (counts(found.all), found.left_out) == ((1, 1, 0), 0)


def test_who_may_still_answer_is_open_until_the_day_from_which_nobody_does() -> None:
    clinic = Clinic()
    clinic.invite()
    with clinic.services.open_reading() as work:
        spacing = settings_now(clinic.services, work).spacing
    over = unanswered_from(clinic.recall(), spacing)
    clinic.clock.at = datetime.combine(over - DAY, time(12), UTC)
    assert counts(clinic.outcome().all) == (0, 0, 1)
    clinic.clock.forward(days=1)
    assert counts(clinic.outcome().all) == (0, 1, 0)


def test_who_asked_for_later_is_open_until_the_new_round_has_run_out() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.answer(Answer.LATER, later=clinic.clock.at.date() + 100 * DAY)
    for days, expected in ((60, (0, 0, 1)), (88, (0, 0, 1)), (1, (0, 1, 0))):  # 100 + 14 + 21 + 14 = 149
        clinic.clock.forward(days=days)
        assert counts(clinic.outcome().all) == expected


def test_who_wants_to_come_is_open_until_somebody_has_booked_and_then_counts_as_come() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.answer(Answer.BOOK)
    clinic.clock.forward(days=300)
    assert clinic.recall().state is RecallState.ANSWERED
    assert counts(clinic.outcome().all) == (0, 0, 1)
    clinic.book()
    assert counts(clinic.outcome().all) == (1, 1, 0)


def test_a_share_is_of_the_settled_and_what_the_open_ones_can_make_of_it_is_said() -> None:
    clinic = Clinic(5)
    clinic.invite()
    clinic.come("p0")
    clinic.answer(Answer.NO, "p1")
    found = clinic.outcome().all
    assert counts(found) == (1, 2, 3)
    assert (found.share.share, found.least, found.most) == (0.5, 1 / 5, 4 / 5)


def test_the_first_invitation_by_mail_is_counted_by_its_sentence_and_not_by_its_subject() -> None:
    clinic = Clinic(channels=(Channel.EMAIL,))
    clinic.invite()
    assert [words.sentence for words in clinic.outcome().by_words] == ["text"]


def test_an_invitation_whose_sentence_is_not_on_record_is_counted_without_one() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.note(units="[]")
    assert list(clinic.outcome().by_words) == [Words(language="en", sentence="")]


def test_a_sentence_that_left_the_content_keeps_its_own_name() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.note(units='["message.return-due.friendly"]', language="cy")
    assert list(clinic.outcome().by_words) == [Words(language="cy", sentence="friendly")]


def test_each_revision_of_a_text_is_a_group_of_its_own() -> None:
    clinic = Clinic(2)
    clinic.invite()
    unit, later = the_pack().wording["message.return-due.second"], clinic.clock.at + DAY
    texts: Texts = {"any": ("{clinic}: please come. {link} {phone}",)}
    digest = digest_for(unit, texts, None)
    with clinic.services.open_work() as work:
        work.revisions.add([a_revision("en", texts, digest, digest, later, effective=later)])
        work.commit()
    clinic.answer(Answer.NO, "p1")
    clinic.invite(2)
    found = clinic.outcome().by_words
    assert {(words.sentence, words.approved): group.invited for words, group in found.items()} == {
        ("text", StoppedClock().at): 1,
        ("second", later): 1,
    }


def a_revision(language: str, texts: Texts, digest: str, source: str, at: datetime, *, effective: datetime) -> Revision:
    return Revision(
        id=f"{language}{at.isoformat()}"[:32],
        language=language,
        unit="message.return-due.second",
        texts=texts,
        digest=digest,
        source_digest=source,
        origin=Origin.WRITTEN,
        written_by="Ida",
        written_at=at,
        approval=Approval(by="Wren", approver="", at=at, effective=effective),
    )


def test_of_two_approved_translations_it_was_the_one_beside_the_source_text_of_that_day() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.invite(2)
    sent = clinic.clock.at
    unit = the_pack().wording["message.return-due.second"]
    old: Texts = {"any": ("{clinic}: old {link} {phone}",)}
    new: Texts = {"any": ("{clinic}: new {link} {phone}",)}
    old_digest, new_digest = digest_for(unit, old, None), digest_for(unit, new, None)
    early, late = sent - 20 * DAY, sent - 10 * DAY
    revisions = [
        a_revision("en", old, old_digest, old_digest, early, effective=early),
        a_revision("pl", {"any": ("stary",)}, "1", old_digest, early + DAY, effective=early + DAY),
        a_revision("pl", {"any": ("nowy",)}, "2", new_digest, late, effective=late),  # waits for its source
        a_revision("en", new, new_digest, new_digest, late + DAY, effective=sent + DAY),
    ]
    clinic.note("return-due/1/2", language="pl")
    clinic.services.book = lambda work: Book(the_pack(), the_catalogs(), revisions)  # type: ignore[method-assign]
    assert list(clinic.outcome().by_words) == [Words(language="pl", sentence="second", approved=early + DAY)]


def test_an_age_is_that_of_the_clinics_day_of_the_invitation() -> None:
    clinic = Clinic()  # born on 2 March 1948
    clinic.services.clinic = a_clinic(zone="Asia/Kolkata")  # where that day begins at 18:30 UTC
    clinic.invite()
    clinic.handed("return-due/1/1", datetime(2028, 3, 1, 18, 29, tzinfo=UTC))
    assert list(clinic.outcome().by_age) == ["65 to 79"]
    clinic.handed("return-due/1/1", datetime(2028, 3, 1, 18, 30, tzinfo=UTC))
    assert list(clinic.outcome().by_age) == ["80 or older"]


def test_a_plug_is_counted_by_the_doses_that_the_person_marked() -> None:
    clinic = Clinic(4)  # each with 15 doses: three a day, for five days
    with clinic.services.open_reading() as work:
        given = work.plans.get(clinic.recall().plan_id).plan.courses
    assert [(phase.days, len(phase.moments)) for course in given for phase in course.phases] == [(5, 3)]
    clinic.clock.forward(days=4, hours=13)  # the last evening
    walls = [f"2026-11-{day}T{at}" for day in range(25, 30) for at in ("08:00", "13:00", "21:30")]
    for person, number in (("p1", 7), ("p2", 8)):
        for wall in walls[1 : number + 1]:
            mark_dose(clinic.services, person, wall, done=True)
    clinic.invite()
    for person in ("p0", "p1"):
        clinic.come(person)
    clinic.clock.forward(hours=1)
    give(clinic.services, "p2", a_visit(an_ear("dry-skin"), on=clinic.clock.at.date()), "clinician")
    decide(clinic.services, clinic.recall("p3").id, Decision.SEEN, "desk", reason="recorded elsewhere")
    found = clinic.outcome()
    assert counts(found.all) == (4, 4, 0)
    assert {name: (share.hits, share.of) for name, share in found.plugs.items()} == {
        "no dose marked": (1, 1),
        "fewer than half marked": (1, 1),
        "half or more marked": (0, 1),
    }


def test_wax_in_the_ear_that_was_not_due_is_no_plug() -> None:
    clinic = Clinic()
    clinic.invite()
    clinic.clock.forward(hours=1)
    give(clinic.services, "p0", a_visit(an_ear("dry-skin"), PLUG, on=clinic.clock.at.date()), "clinician")
    assert [share.hits for share in clinic.outcome().plugs.values()] == [0]


def test_the_database_is_asked_as_often_for_many_people_as_for_one(database_url: str) -> None:
    asked: list[str] = []

    def note(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        asked.append(statement)

    clinic = Clinic(8, database_url)
    clinic.invite()
    clinic.come("p0")
    clinic.outcome()  # the book of texts is read once
    event.listen(Engine, "before_cursor_execute", note)
    try:
        first = clinic.outcome()
        few = len(asked)
    finally:
        event.remove(Engine, "before_cursor_execute", note)
    for person in clinic.people[1:]:
        clinic.come(person)
    asked.clear()
    event.listen(Engine, "before_cursor_execute", note)
    try:
        second = clinic.outcome()
    finally:
        event.remove(Engine, "before_cursor_execute", note)
    assert (_came(first), _came(second)) == (1, 8)
    assert 0 < len(asked) == few


def _came(found: Outcome) -> int:
    plugs: list[Share] = list(found.plugs.values())
    assert sum(share.of for share in plugs) == found.all.share.hits
    return found.all.share.hits
