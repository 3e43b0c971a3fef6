"""Whatever a clinic does in whatever order: nobody who is due is lost in silence, and nothing false stands anywhere.

Each step is one that staff or the person can take, with nights and sendings between. After each the record is looked at.
"""

from __future__ import annotations

from collections import Counter
from contextlib import suppress
from datetime import UTC, datetime, time, timedelta

from builders import StoppedClock, a_clinic, a_person, a_service, a_visit, an_ear
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import MessageKind, State
from service.domain.plan import Status
from service.domain.recall import Answer, Ended, RecallState, unanswered_from
from service.errors import NotAllowedError, VisitError
from service.planning import recall_round
from service.planning.aftercare import give, set_status
from service.planning.appointments import book
from service.planning.attention import WANTS_VISIT
from service.planning.calendar import APPOINTMENT
from service.planning.missed import look_for_missed, look_for_unfounded
from service.planning.people import mark_died, mark_left, trust_channel
from service.planning.recall_board import Decision, decide
from service.planning.recall_settings import settings_now
from service.planning.recalling import answer_in, wrong_person_in
from service.storage.unit_of_work import UnitOfWork

AHEAD = st.sampled_from([None, None, 3, 10, 20, 45])
"""Days to an appointment, or none."""
STEPS = st.one_of(
    st.tuples(st.just("give"), AHEAD, st.sampled_from(["mastoid-cavity", "wax-left", "normal"])),
    st.tuples(st.just("give"), AHEAD, st.just("battery-in-ear")),  # urgent advice
    st.tuples(st.just("withdraw"), st.integers(0, 2)),
    st.tuples(st.just("take up"), st.integers(0, 2)),
    st.tuples(st.just("book"), st.integers(0, 2), AHEAD),
    st.tuples(st.just("hold"), st.integers(0, 2)),
    st.tuples(st.just("answer"), st.sampled_from([Answer.BOOK, Answer.LATER, Answer.NO, Answer.WRONG])),
    st.tuples(st.just("decide"), st.sampled_from([Decision.INVITE, Decision.DECLINED, Decision.NO_ANSWER])),
    st.tuples(st.just("tick off")),
    st.tuples(st.just("gone"), st.sampled_from([mark_died, mark_left]), st.booleans()),
    st.tuples(st.just("days"), st.sampled_from([1, 2, 10, 30])),
)


class Clinic:
    """One person, and everything that happens to them."""

    def __init__(self) -> None:
        self.clock = StoppedClock()
        self.services, self.recorder = a_service(clock=self.clock, clinic=a_clinic(daily_cap=0))
        a_person(self.services, channels=(Channel.EMAIL,))
        self.sequences: dict[str, int] = {}
        self.sent = 0
        self.ticked: datetime | None = None

    def do(self, what: str, *how: object) -> None:
        """One step; what the service refuses changes nothing."""
        with suppress(NotAllowedError, VisitError):
            getattr(self, what.replace(" ", "_"))(*how)
        self.clock.forward(minutes=7)
        with self.services.open_work() as work:
            self.look(work)

    def give(self, ahead: int | None, finding: str) -> None:
        with self.services.open_reading() as work:
            if work.people.get("maud").contact.gone:
                return
        on = self.services.day_of(self.clock.at)
        booked = on + timedelta(days=ahead) if ahead else None
        visit = a_visit(
            an_ear(finding), on=on, next_appointment=booked, next_appointment_time=time(9, 30) if booked else None
        )
        give(self.services, "maud", visit, by="nurse")

    def withdraw(self, which: int) -> None:
        self._change(which, {Status.ACTIVE, Status.ON_HOLD}, Status.REVOKED)

    def take_up(self, which: int) -> None:
        self._change(which, {Status.ON_HOLD}, Status.ACTIVE)

    def hold(self, which: int) -> None:
        self._change(which, {Status.ACTIVE}, Status.ON_HOLD)

    def _change(self, which: int, before: set[Status], after: Status) -> None:
        with self.services.open_reading() as work:
            plans = work.plans.of_person("maud")
        if which < len(plans) and plans[which].status in before:
            set_status(self.services, plans[which].id, after, "nurse", "x")

    def book(self, which: int, ahead: int | None) -> None:
        with self.services.open_reading() as work:
            plans = work.plans.of_person("maud")
        on = self.services.day_of(self.clock.at)
        if which < len(plans):
            book(self.services, plans[which].id, (on + timedelta(days=ahead), time(14)) if ahead else None, "desk")

    def answer(self, said: Answer) -> None:
        with self.services.open_work() as work:
            if said is Answer.WRONG:
                wrong_person_in(self.services, work, "maud", frozenset({Channel.EMAIL}), self.clock.at, by="page")
            else:
                answer_in(self.services, work, "maud", said, by="page", now=self.clock.at)
            work.commit()
        if said is Answer.WRONG:  # and the desk finds out that it is right
            trust_channel(self.services, "maud", Channel.EMAIL, "desk")

    def decide(self, decision: Decision) -> None:
        with self.services.open_reading() as work:
            recall = work.recalls.newest_of("maud")
        if recall is not None:
            decide(self.services, recall.id, decision, "desk", reason="x")

    def tick_off(self) -> None:
        """Somebody thinks that the visit is arranged, and books nothing."""
        with self.services.open_work() as work:
            for each in work.ledger.attention():
                if each.reason == WANTS_VISIT:
                    work.ledger.attention_done(each.id, "desk", self.clock.at)
                    self.ticked = self.clock.at
            work.commit()

    def gone(self, mark: object, holds: bool) -> None:
        if mark is mark_died:
            mark_died(self.services, "maud", "desk", died=holds)
        else:
            mark_left(self.services, "maud", "desk", left=holds)

    def days(self, number: int) -> None:
        for _ in range(number):
            self.clock.at = datetime.combine(self.clock.at.date() + timedelta(days=1), time(3), UTC)
            look_for_missed(self.services)
            look_for_unfounded(self.services)
            today = self.services.day_of(self.clock.at)
            recall_round.ask_about_silent(self.services, today)
            recall_round.ask_about_late(self.services, today)
            recall_round.ask_about_unarranged(self.services)
            self.clock.at = self.clock.at.replace(hour=10)
            self.send()

    def send(self) -> None:
        """What is due goes out; what invites must be called for."""
        before = self.invitations_out()
        send_due(self.services, "worker")
        with self.services.open_reading() as work:
            recall, plans = work.recalls.open_of("maud"), {each.id: each for each in work.plans.of_person("maud")}
        for plan_id in self.invitations_out() - before:
            assert recall is not None and recall.plan_id == plan_id and recall.state is RecallState.DUE
            dates = [each.appointment[0] for each in plans.values() if each.appointment is not None]
            today = self.services.day_of(self.clock.at)
            assert not any(today < day <= recall.window.latest for day in dates), "who has a date is not asked to book"
            urgent = any(each.status is Status.ACTIVE and each.plan.urgent for each in plans.values())
            assert not urgent or plans[plan_id].status is Status.ACTIVE, "urgent advice runs, and nobody took it up"

    def invitations_out(self) -> Counter[str]:
        """By plan, how many invitations have gone out."""
        with self.services.open_reading() as work:
            found = work.messages.of_person("maud")
        return Counter(m.plan_id for m in found if m.planned.kind is MessageKind.RETURN_DUE and m.handed is not None)

    def look(self, work: UnitOfWork) -> None:
        """What must hold after every step."""
        today, rules = self.services.day_of(self.clock.at), self.services.pack.recall
        contact, plans = work.people.get("maud").contact, work.plans.of_person("maud")
        if contact.gone:
            assert len(self.recorder.sent) == self.sent, "nothing goes to who died or left"
        self.sent = len(self.recorder.sent)
        slots = [each.appointment for each in plans if each.appointment is not None and each.appointment[0] > today]
        assert len(slots) == len(set(slots)), "one slot stands under one plan"
        owners: dict[str, str] = {}
        for plan in plans:
            entry = work.plans.calendar_states(plan.id).get(APPOINTMENT)
            if entry is not None:
                uid = str(entry.uid)
                assert uid not in owners, "one UID is one appointment (RFC 5545 3.8.4.7)"
                assert entry.sequence >= self.sequences.get(uid, 0), "SEQUENCE never falls (RFC 5546 2.1.5)"
                owners[uid], self.sequences[uid] = plan.id, entry.sequence
        recall = work.recalls.open_of("maud")
        listed = {each.reason for each in work.ledger.attention() if each.person_id == "maud"}
        newest = work.recalls.newest_of("maud")
        if newest is not None and newest.ended is Ended.DECLINED and newest.answer is Answer.NO and not contact.gone:
            heavy = newest.window.weight >= rules.heavy_weight
            assert listed or not heavy, "a person knows of a no where much depends on the visit"
        if recall is None:
            return
        assert not contact.gone, "nobody is asked back who is gone"
        assert work.plans.get(recall.plan_id).status is not Status.REVOKED
        if recall.state is RecallState.BOOKED:
            latest = today - timedelta(days=rules.missed_after_days)
            days = [each.appointment[0] for each in plans if each.appointment is not None]
            assert any(day >= latest for day in days), "who counts as booked has an appointment"
        if recall.state is RecallState.DUE:
            waits = any(
                m.plan_id == recall.plan_id and m.state is State.PENDING and not m.superseded
                for m in work.messages.of_person("maud")
                if m.planned.kind is MessageKind.RETURN_DUE
            )
            asked = work.recalls.invitations_out([recall]).get(recall.id, 0)
            answers_by = unanswered_from(recall, settings_now(self.services, work).spacing)
            plan = work.plans.get(recall.plan_id)
            held = plan.status is Status.ON_HOLD or any(p.status is Status.ACTIVE and p.plan.urgent for p in plans)
            known = waits or listed or ((asked or held) and today <= answers_by)
            assert known, "who is due is asked, or on a person's list"
        if recall.state is RecallState.ANSWERED and WANTS_VISIT not in listed:
            days = timedelta(days=settings_now(self.services, work).spacing.give_up + 1)
            assert self.ticked is not None and self.clock.at <= self.ticked + days, "their visit is to be arranged"


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(STEPS, min_size=3, max_size=12))
def test_nobody_is_lost_and_nothing_false_stands(steps: list[tuple[object, ...]]) -> None:
    clinic = Clinic()
    clinic.do("give", 20, "mastoid-cavity")
    for step in steps:
        clinic.do(str(step[0]), *step[1:])
