"""Which messages are said in one?"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from builders import a_contact
from hypothesis import given
from hypothesis import strategies as st

from service.domain.contact import Channel, Contact
from service.domain.joining import APART, JOINED, MOST_JOINED, Ready, join, people_of
from service.domain.message import MessageKind, PlannedMessage
from service.domain.sending import IMPORTANCE

NOW = datetime(2026, 11, 25, 13, 0, tzinfo=UTC)
CHILD = a_contact(guardian="Ann Ellery", given_name="Tom", join_with_others=True)
SISTER = replace(CHILD, given_name="Nia")


def ready(
    number: str,
    kind: MessageKind = MessageKind.DOSE,
    *,
    person: str = "maud",
    contact: Contact | None = None,
    channel: Channel = Channel.TEXT,
    overdue: bool = True,
    due: datetime = NOW,
) -> Ready:
    message = PlannedMessage(
        key="key",
        kind=kind,
        due=due,
        earliest=due,
        last_useful=due + timedelta(hours=1),
        wall="2026-11-25T13:00",
        zone="Europe/London",
    )
    contact = contact or a_contact()
    return Ready(id=number, person_id=person, message=message, contact=contact, channel=channel, overdue=overdue)


def ids(bundles: list[tuple[Ready, ...]]) -> list[list[str]]:
    return [[each.id for each in bundle] for bundle in bundles]


def test_one_persons_reminders_become_one_and_the_most_important_carries_the_others() -> None:
    found = join([ready("dose"), ready("check", MessageKind.CHECK_IN), ready("appointment", MessageKind.APPOINTMENT)])
    assert ids(found) == [["appointment", "check", "dose"]]


def test_two_plans_of_one_person_are_said_in_one_oldest_first() -> None:
    found = join([ready("second", due=NOW), ready("first", due=NOW - timedelta(minutes=10))])
    assert ids(found) == [["first", "second"]]


@pytest.mark.parametrize(
    "kind", [MessageKind.URGENT, MessageKind.PLAN_GIVEN, MessageKind.REPLY, MessageKind.RETURN_DUE]
)
def test_warnings_plans_answers_and_invitations_stand_alone(kind: MessageKind) -> None:
    assert ids(join([ready("alone", kind), ready("also", kind), ready("dose")])) == [["alone"], ["also"], ["dose"]]


def test_a_letter_stands_alone() -> None:
    letters = [ready(n, MessageKind.RETURN_DUE, channel=Channel.LETTER) for n in "ab"]
    assert ids(join(letters)) == [["a"], ["b"]]


def test_two_channels_of_one_person_are_two_messages() -> None:
    assert len(join([ready("text"), ready("mail", channel=Channel.EMAIL)])) == 2


def test_two_children_of_one_guardian_are_said_in_one_when_both_records_say_so() -> None:
    found = join([ready("tom", person="tom", contact=CHILD), ready("nia", person="nia", contact=SISTER)])
    assert ids(found) == [["nia", "tom"]]
    assert people_of(found[0]) == ["nia", "tom"]


@pytest.mark.parametrize(
    ("one", "other"),
    [(MessageKind.COURSE_END, MessageKind.DOSE)],
)
def test_what_would_contradict_itself_in_one_message_is_said_in_two(one: MessageKind, other: MessageKind) -> None:
    assert ids(join([ready("other", other), ready("one", one)])) == [["one"], ["other"]]
    third = ready("third", MessageKind.CHECK_IN)
    assert sorted(map(len, join([ready("other", other), ready("one", one), third]))) == [1, 2]
    siblings = join([ready("nia", other, person="nia", contact=SISTER), ready("tom", one, person="tom", contact=CHILD)])
    assert len(siblings) == 1, "each child is named before their own sentences"


def test_what_would_contradict_a_message_that_goes_now_waits_for_its_own_moment() -> None:
    soon = ready("end", MessageKind.COURSE_END, overdue=False, due=NOW + timedelta(minutes=20))
    assert ids(join([soon, ready("dose")])) == [["dose"]]


def test_one_number_written_in_two_ways_is_one_number() -> None:
    spaced = replace(SISTER, phone="0044 7700 900123")
    assert len(join([ready("tom", person="tom", contact=CHILD), ready("nia", person="nia", contact=spaced)])) == 1


@pytest.mark.parametrize(
    "sister",
    [
        replace(SISTER, join_with_others=False),
        replace(SISTER, phone="+447700900124"),
        replace(SISTER, language="cy"),
    ],
    ids=["nobody said that they may be joined", "another number", "another language"],
)
def test_two_people_stay_two_messages_otherwise(sister: Contact) -> None:
    assert len(join([ready("tom", person="tom", contact=CHILD), ready("nia", person="nia", contact=sister)])) == 2


def test_mail_of_two_people_is_never_joined() -> None:
    both = [
        ready(name, person=name, contact=contact, channel=Channel.EMAIL)
        for name, contact in (("tom", CHILD), ("nia", SISTER))
    ]
    assert len(join(both)) == 2


def test_people_without_a_number_are_not_one_recipient() -> None:
    nobody, nobody_else = replace(CHILD, phone="?"), replace(SISTER, phone="?")
    found = join([ready("a", person="tom", contact=nobody), ready("b", person="nia", contact=nobody_else)])
    assert len(found) == 2


def test_what_is_due_soon_goes_along_and_never_by_itself() -> None:
    soon = ready("soon", overdue=False, due=NOW + timedelta(minutes=20))
    assert join([soon]) == []
    assert ids(join([soon, ready("now", MessageKind.CHECK_IN)])) == [["now", "soon"]]
    assert ids(join([soon, ready("now", person="other")])) == [["now"]]


def test_a_longer_row_is_cut_and_what_is_due_comes_before_what_could_wait() -> None:
    many = [ready(f"now{n}", due=NOW + timedelta(seconds=n)) for n in range(MOST_JOINED - 1)]
    early = [ready(f"soon{n}", MessageKind.APPOINTMENT, overdue=False) for n in range(3)]
    (bundle,) = join([*early, *many])
    assert len(bundle) == MOST_JOINED
    assert [each.id for each in bundle if not each.overdue] == ["soon0"], "one place was left"
    assert bundle[0].id == "soon0", "it is the more important one"
    bundles = join(ready(f"now{n}", due=NOW + timedelta(seconds=n)) for n in range(2 * MOST_JOINED + 1))
    assert [len(each) for each in bundles] == [MOST_JOINED, MOST_JOINED, 1]


def test_the_carriers_person_comes_first_and_nobody_twice() -> None:
    bundle = [ready("a", person="z"), ready("b", person="m"), ready("c", person="z"), ready("d", person="b")]
    assert people_of(bundle) == ["z", "b", "m"]


contacts = {
    "tom": CHILD,
    "nia": SISTER,
    "ann": a_contact(given_name="Ann", join_with_others=True),
    "zoe": replace(CHILD, phone="+447700900124"),
    "cai": replace(CHILD, language="cy"),
    "maud": a_contact(),
    "void": replace(CHILD, phone=""),
}


@st.composite
def anything(draw: st.DrawFn) -> list[Ready]:
    found = []
    for number in range(draw(st.integers(0, 25))):
        person = draw(st.sampled_from(sorted(contacts)))
        found.append(
            ready(
                f"{number:02}",
                draw(st.sampled_from(list(MessageKind))),
                person=person,
                contact=contacts[person],
                channel=draw(st.sampled_from(list(Channel))),
                overdue=draw(st.booleans()),
                due=NOW + timedelta(minutes=draw(st.integers(-30, 30))),
            )
        )
    return found


@given(found=anything(), order=st.randoms(use_true_random=False))
def test_nothing_is_said_twice_nothing_due_is_lost_and_nobody_reads_what_is_not_theirs(
    found: list[Ready], order: object
) -> None:
    bundles = join(found)
    said = [each.id for bundle in bundles for each in bundle]
    assert len(said) == len(set(said)), "nothing twice"
    assert {each.id for each in found if each.overdue} <= set(said) <= {each.id for each in found}
    for bundle in bundles:
        assert 1 <= len(bundle) <= MOST_JOINED
        assert any(each.overdue for each in bundle), "nothing goes early by itself"
        assert {each.channel for each in bundle} == {bundle[0].channel}
        assert bundle[0].message.kind is min((each.message.kind for each in bundle), key=IMPORTANCE.__getitem__)
        if len(bundle) == 1:
            continue
        assert {each.message.kind for each in bundle} <= JOINED
        for person in people_of(bundle):
            said_of = {each.message.kind for each in bundle if each.person_id == person}
            assert not any(pair <= said_of for pair in APART)
        assert bundle[0].channel is not Channel.LETTER
        if len({each.person_id for each in bundle}) > 1:
            assert bundle[0].channel is Channel.TEXT
            assert all(each.contact.join_with_others for each in bundle)
            assert len({(each.contact.phone, each.contact.language) for each in bundle}) == 1
    order.shuffle(found)  # type: ignore[attr-defined]
    assert ids(join(found)) == ids(bundles), "the order of arrival changes nothing"


@given(found=anything())
def test_what_could_be_one_message_is_one(found: list[Ready]) -> None:
    bundles = join(found)
    for person in contacts:
        for channel in (Channel.TEXT, Channel.EMAIL):
            mine = [
                each
                for each in found
                if each.person_id == person and each.channel is channel and each.message.kind in JOINED and each.overdue
            ]
            carrying = [bundle for bundle in bundles if any(each in bundle for each in mine)]
            along = {each.message.kind for each in found if each.person_id == person and each.channel is channel}
            if any(pair <= along for pair in APART):
                continue  # these stay apart on purpose
            if person in ("maud", "zoe", "cai", "void") or channel is Channel.EMAIL:
                assert len(carrying) == -(-len(mine) // MOST_JOINED)
