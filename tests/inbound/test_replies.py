"""What words do: stop, start, help, a warning, and everything else."""

from __future__ import annotations

import tomllib
from datetime import timedelta

import pytest
from builders import StoppedClock, a_person, a_service, a_visit, an_ear
from inbound.sent import World, attention, strangers

from service.config import shipped_content
from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.domain.message import Inbound, MessageKind, State
from service.domain.plan import Status
from service.inbound.replies import (
    ANSWER_AGAIN_AFTER,
    MOST_OF_A_STRANGER,
    Meaning,
    meaning_of,
    settle_left,
    take_inbound,
)
from service.planning.aftercare import give, set_status
from service.services import Services
from service.storage.people import People
from service.storage.records import Person

NUMBER = "+447700900123"
STOP_WORDS = [
    (path.stem, kind, word)
    for path in sorted((shipped_content().parent / "replies").glob("*.toml"))
    for kind in ("stop", "start", "help")
    for word in tomllib.loads(path.read_text(encoding="utf-8"))[kind]
]


def words(text: str, number: int = 1, sender: str = NUMBER, **changes: object) -> Inbound:
    values: dict[str, object] = {"channel": Channel.TEXT, "id": f"in-{number}", "at": StoppedClock().now()}
    return Inbound(sender=sender, text=text, **(values | changes))  # type: ignore[arg-type]


def stopped(services: Services, person: str) -> frozenset[Channel]:
    with services.open_reading() as work:
        return work.people.get(person).contact.stopped


def answers(world: World) -> list[str]:
    return [m.planned.key.split("/")[1] for m in world.messages() if m.planned.kind is MessageKind.REPLY]


@pytest.mark.parametrize(("language", "kind", "word"), STOP_WORDS)
def test_every_word_of_every_language_is_understood_whatever_the_persons_language(
    language: str, kind: str, word: str
) -> None:
    for text in (word, word.upper(), f" {word}. ", f"{word}!", f"\n{word} 🙏\n"):
        assert meaning_of(Channel.TEXT, text) == (Meaning(kind), ""), f"{language}: {text!r}"


@pytest.mark.parametrize(
    "text",
    [
        "Stop",
        "STOP.",
        " stop ",
        "STOPALL",
        "stop please",
    ],
)
def test_stop_in_its_usual_forms_stops_the_channel(text: str) -> None:
    world = World(Channel.TEXT)
    assert take_inbound(world.services, words(text)) is Meaning.STOP
    assert stopped(world.services, world.person) == {Channel.TEXT}
    assert world.reasons() == ["channel-stopped"]


@pytest.mark.parametrize(
    "text",
    ["do not stop", "should I stop the drops?", "Stop it hurts", "when do I start", "", "👍", "yes", "ok all fine"],
)
def test_a_sentence_with_such_a_word_in_it_goes_to_a_person(text: str) -> None:
    world = World(Channel.TEXT)
    assert take_inbound(world.services, words(text)) in (Meaning.WORDS, Meaning.WARNING)
    assert stopped(world.services, world.person) == frozenset()
    assert world.reasons()[0] in ("reply", "reply-warning")


def test_a_plan_given_a_text_sent_stop_answered_and_nothing_more_is_sent() -> None:
    world = World(Channel.TEXT)
    assert len(world.recorder.sent) == 1
    take_inbound(world.services, words("STOP"))
    for _ in range(80 * 8):
        world.clock.forward(hours=3)
        world.send()
    assert len(world.recorder.sent) == 1, "not even an answer: they said stop"
    assert {m.state for m in world.messages()} == {State.SENT, State.DROPPED}


def test_a_stop_by_text_stops_texts_only_and_is_answered_by_mail() -> None:
    world = World(Channel.TEXT, channels=(Channel.TEXT, Channel.EMAIL))
    take_inbound(world.services, words("Stop"))
    world.send()
    answer = world.recorder.sent[-1].message
    assert (answer.channel, answer.to) == (Channel.EMAIL, "maud@example.org")
    assert "we have stopped messages" in answer.text
    assert "https://larkfield.example/p/" in answer.text
    for _ in range(5 * 24):
        world.clock.forward(hours=1)
        world.send()
    assert len(world.recorder.sent) > 3
    assert {envelope.message.channel for envelope in world.recorder.sent[1:]} == {Channel.EMAIL}


def test_a_stop_and_a_start_are_on_record_with_how_and_when() -> None:
    world = World(Channel.TEXT)
    take_inbound(world.services, words("STOP", 1))
    take_inbound(world.services, words("START", 2))
    assert stopped(world.services, world.person) == frozenset()
    with world.services.open_reading() as work:
        found = [(a.action, a.actor, a.detail) for a in work.ledger.history(world.person)]
    detail = {"channel": "text", "how": "reply"}
    assert found[:2] == [("channel-started-again", "patient", detail), ("channel-stopped", "patient", detail)]


def test_start_brings_the_reminders_back_and_says_so() -> None:
    world = World(Channel.TEXT)
    take_inbound(world.services, words("STOP", 1))
    take_inbound(world.services, words("start", 2))
    for _ in range(24):
        world.send()
        world.clock.forward(hours=1)
    texts = [envelope.message.text for envelope in world.recorder.sent]
    assert "our messages will come again" in texts[1]
    assert len(texts) > 2


def test_start_does_not_open_a_channel_that_was_never_agreed_to() -> None:
    world = World(Channel.EMAIL)
    take_inbound(world.services, words("START"))
    with world.services.open_reading() as work:
        assert work.people.get(world.person).contact.channels == (Channel.EMAIL,)


def test_help_is_answered_with_whom_to_reach() -> None:
    world = World(Channel.TEXT)
    assert take_inbound(world.services, words("HELP")) is Meaning.HELP
    world.send()
    text = world.recorder.sent[-1].message.text
    for part in ("020 7946 0123", "999", "111", "https://larkfield.example/p/"):
        assert part in text
    assert world.reasons() == []


def test_an_answer_goes_at_night_and_during_a_pause_by_the_way_that_the_words_came() -> None:
    world = World(Channel.EMAIL, channels=(Channel.EMAIL, Channel.TEXT))
    world.clock.forward(hours=16)  # two in the morning
    take_inbound(world.services, words("help"))
    world.send()
    assert world.recorder.sent[-1].message.channel is Channel.TEXT


def pile(world: World, reason: str = "reply") -> tuple[str, int, str]:
    """The first words of the one open entry for this reason, how many there are, and the latest."""
    with world.services.open_reading() as work:
        (entry,) = work.ledger.attention(only=reason)
        found = work.inbound.pile_of(entry, work.people.get(entry.person_id).contact)
    assert found is not None
    assert found.first[0].inbound.text in entry.detail
    return entry.detail, found.count, found.latest.inbound.text


def test_other_words_are_all_kept_and_are_one_entry_with_the_first_and_the_latest() -> None:
    world = World(Channel.TEXT)
    for number, text in enumerate(("May I come on Tuesday?", "Or Wednesday?", "Or in the new year?")):
        world.clock.forward(minutes=1)
        take_inbound(world.services, words(text, number, at=world.clock.now()))
    assert world.reasons() == ["reply"]
    assert pile(world) == ("May I come on Tuesday?", 3, "Or in the new year?")
    with world.services.open_reading() as work:
        contact = work.people.get(world.person).contact
        assert [s.inbound.text for s in work.inbound.of_person(world.person, contact)] == [
            "Or in the new year?",
            "Or Wednesday?",
            "May I come on Tuesday?",
        ]
    assert answers(world) == []


def test_harmless_words_that_follow_never_cover_a_warning_nor_a_second_warning_the_first() -> None:
    world = World(Channel.TEXT)
    for number, text in enumerate(("there is blood", "Thank you", "see you on Tuesday", "I feel dizzy", "all fine")):
        world.clock.forward(minutes=1)
        take_inbound(world.services, words(text, number, at=world.clock.now()))
    assert sorted(world.reasons()) == ["reply", "reply-warning"]
    assert pile(world, "reply-warning") == ("there is blood", 2, "I feel dizzy")
    assert pile(world) == ("Thank you", 3, "all fine")


def test_a_new_entry_begins_with_the_words_that_came_after_the_last_one_was_done() -> None:
    world = World(Channel.TEXT)
    take_inbound(world.services, words("there is blood", 1))
    with world.services.open_work() as work:
        work.ledger.attention_done(work.ledger.attention()[0].id, "desk", world.clock.now())
        work.commit()
    world.clock.forward(minutes=1)
    take_inbound(world.services, words("more blood", 2))
    assert pile(world, "reply-warning") == ("more blood", 1, "more blood")


def test_a_flood_from_one_stranger_is_kept_to_a_few_and_counted_and_covers_no_warning() -> None:
    world = World(Channel.TEXT)

    def write(text: str, number: int, sender: str = "+447700900999") -> None:
        world.clock.forward(seconds=1)
        take_inbound(world.services, words(text, number, sender=sender, at=world.clock.now()))

    for number in range(MOST_OF_A_STRANGER + 15):
        write(f"offer {number}", number)
    write("my ear bleeds", 100)
    write("who is this?", 101, "+447700900998")
    with world.services.open_reading() as work:
        assert len(work.inbound.strangers()) == MOST_OF_A_STRANGER + 2
        (warning,) = work.inbound.piles(10, warnings=True)
        flood, other = work.inbound.piles(10, warnings=False)
        assert work.inbound.open_count() == 3
    assert (warning.count, warning.latest.inbound.text, warning.counted) == (1, "my ear bleeds", 0)
    assert (flood.count, flood.counted) == (MOST_OF_A_STRANGER + 15, 15)
    assert (flood.first[0].inbound.text, other.first[0].inbound.text) == ("offer 0", "who is this?")
    for number in range(200, 200 + MOST_OF_A_STRANGER + 3):
        write("it bleeds still", number)
    with world.services.open_reading() as work:
        (warning,) = work.inbound.piles(10, warnings=True)
    assert warning.first[0].inbound.text == "my ear bleeds", "the earliest warning stays in sight"
    assert (warning.count, warning.counted) == (MOST_OF_A_STRANGER + 4, 4)


def test_what_the_desk_has_seen_of_a_flood_makes_room_and_the_next_day_as_well() -> None:
    world = World(Channel.TEXT)

    def write(times: int, start: int) -> None:
        for number in range(start, start + times):
            world.clock.forward(seconds=1)
            take_inbound(world.services, words("offer", number, sender="offers@example.com", channel=Channel.EMAIL))

    write(MOST_OF_A_STRANGER + 5, 0)
    with world.services.open_work() as work:
        (flood,) = work.inbound.piles(10, warnings=False)
        work.inbound.handle(Channel.EMAIL, flood.first[-1].inbound.id, "desk", world.clock.now())
        assert work.inbound.piles(10, warnings=False) == []
        work.commit()
    write(MOST_OF_A_STRANGER + 2, 100)
    with world.services.open_reading() as work:
        (flood,) = work.inbound.piles(10, warnings=False)
    assert (flood.count, flood.counted) == (MOST_OF_A_STRANGER + 2, 2)


def test_done_takes_off_what_was_shown_of_a_stranger_and_not_what_came_in_since() -> None:
    world = World(Channel.TEXT)
    for number, text in enumerate(("Hello", "my ear bleeds", "Cancel my visit")):
        world.clock.forward(seconds=1)
        take_inbound(world.services, words(text, number, sender="+447700900999", at=world.clock.now()))
    with world.services.open_work() as work:
        work.inbound.handle(Channel.TEXT, "in-0", "desk", world.clock.now())
        work.commit()
        assert [each.inbound.text for each in work.inbound.strangers()] == ["my ear bleeds", "Cancel my visit"]


def test_words_from_a_shared_number_are_piled_up_for_each_who_is_reached_there() -> None:
    world = World(Channel.TEXT)
    a_person(world.services, "tom", name="Tom Ellery", channels=(Channel.TEXT,))
    for number, sender in enumerate(("+44 7700 900123", "00447700900123")):
        take_inbound(world.services, words("May I come?", number, sender=sender))
    with world.services.open_reading() as work:
        for entry in work.ledger.attention():
            found = work.inbound.pile_of(entry, work.people.get(entry.person_id).contact)
            assert found is not None and found.count == 2
        assert len(work.ledger.attention()) == 2


@pytest.mark.parametrize(
    "text", ["there is blood", "Boli mnie", "کان میں درد ہے", "mae gen i boen", "Stop. My face is numb"]
)
def test_a_warning_word_is_never_taken_as_safe_and_is_answered_with_how_to_get_help(text: str) -> None:
    world = World(Channel.TEXT)
    assert take_inbound(world.services, words(text)) is Meaning.WARNING
    assert world.reasons() == ["reply-warning"]
    world.send()
    answer = world.recorder.sent[-1].message.text
    for part in ("Get help now", "999", "020 7946 0123", "111", "https://larkfield.example/p/"):
        assert part in answer
    for soothing in ("normal", "do not worry", "fine", "safe"):
        assert soothing not in answer.casefold()


def test_a_warning_from_somebody_who_stopped_texts_is_shown_and_says_that_no_answer_went_out() -> None:
    world = World(Channel.TEXT)
    take_inbound(world.services, words("STOP", 1))
    take_inbound(world.services, words("blood everywhere", 2))
    world.send()
    assert len(world.recorder.sent) == 1
    with world.services.open_reading() as work:
        entry = next(e for e in work.ledger.attention() if e.reason == "reply-warning")
    assert entry.detail == "(no automatic answer went out)\nblood everywhere"


def test_one_answer_of_a_kind_in_an_hour() -> None:
    world = World(Channel.TEXT)
    for number in range(3):
        take_inbound(world.services, words("help", number))
    take_inbound(world.services, words("bleeding", 9))
    assert sorted(answers(world)) == ["reply.help", "reply.urgent"]
    world.clock.forward(seconds=(ANSWER_AGAIN_AFTER + timedelta(seconds=1)).total_seconds())
    take_inbound(world.services, words("help", 10))
    assert sorted(answers(world)) == ["reply.help", "reply.help", "reply.urgent"]


def test_a_repeat_of_the_same_words_is_known_by_its_id() -> None:
    world = World(Channel.TEXT)
    for _ in range(3):
        assert take_inbound(world.services, words("my ear bleeds")) is Meaning.WARNING
    assert world.reasons() == ["reply-warning"]
    assert answers(world) == ["reply.urgent"]


def test_a_repeat_of_an_old_stop_does_not_undo_a_later_start() -> None:
    world = World(Channel.TEXT)
    take_inbound(world.services, words("STOP", 1))
    take_inbound(world.services, words("START", 2))
    take_inbound(world.services, words("STOP", 1))
    assert stopped(world.services, world.person) == frozenset()


def test_everybody_at_a_shared_number_is_stopped_and_started_and_staff_see_it() -> None:
    world = World(Channel.TEXT)
    other = a_person(world.services, "tom", name="Tom Ellery", channels=(Channel.TEXT,))
    third = a_person(world.services, "ann", name="Ann Birch", phone="+447700900456", channels=(Channel.TEXT,))
    take_inbound(world.services, words("STOP", 1))
    assert [stopped(world.services, each) for each in (world.person, other, third)] == [
        {Channel.TEXT},
        {Channel.TEXT},
        frozenset(),
    ]
    with world.services.open_reading() as work:
        entries = work.ledger.attention()
    assert {(e.person_id, e.reason) for e in entries} == {
        (world.person, "channel-stopped"),
        (other, "channel-stopped"),
    }
    assert all("2 people share" in entry.detail for entry in entries)
    take_inbound(world.services, words("START", 2))
    assert stopped(world.services, other) == stopped(world.services, world.person) == frozenset()


def test_at_a_shared_number_words_are_shown_for_everybody_and_answered_once() -> None:
    world = World(Channel.TEXT)
    other = a_person(world.services, "tom", name="Tom Ellery", channels=(Channel.TEXT,))
    give(world.services, other, a_visit(an_ear("wax-left")), by="nurse")
    take_inbound(world.services, words("I feel dizzy", 1))
    with world.services.open_reading() as work:
        assert {e.person_id for e in work.ledger.attention()} == {world.person, other}
        replies = [m for p in (world.person, other) for m in work.messages.of_person(p) if "reply/" in m.planned.key]
    assert len(replies) == 1


def test_words_that_name_our_message_are_shown_for_its_person_only() -> None:
    world = World(Channel.TEXT)
    a_person(world.services, "tom", name="Tom Ellery", channels=(Channel.TEXT,))
    take_inbound(world.services, words("Thank you", in_reply_to=world.message_id))
    with world.services.open_reading() as work:
        assert [entry.person_id for entry in work.ledger.attention()] == [world.person]


def test_a_stop_from_an_address_that_our_message_was_passed_on_to_is_left_to_a_person() -> None:
    world = World(Channel.EMAIL)
    take_inbound(
        world.services,
        words("STOP", channel=Channel.EMAIL, sender="daughter@example.com", in_reply_to=world.message_id),
    )
    assert stopped(world.services, world.person) == frozenset()
    assert world.reasons() == ["reply"]


@pytest.mark.parametrize("text", ["STOP", "help", "there is blood", "Who is this?"])
def test_words_of_a_stranger_go_to_the_desk_and_get_no_answer(text: str) -> None:
    world = World(Channel.TEXT)
    meaning = take_inbound(world.services, words(text, sender="+447700900999"))
    assert strangers(world.services) == [meaning]
    assert (world.reasons(), answers(world)) == ([], [])
    with world.services.open_work() as work:
        work.inbound.handle(Channel.TEXT, "in-1", "desk", world.clock.now())
        work.commit()
    assert strangers(world.services) == []


def test_a_person_without_a_plan_is_not_answered_but_shown() -> None:
    services, recorder = a_service()
    a_person(services, channels=(Channel.TEXT,))
    take_inbound(services, words("help", 1))
    take_inbound(services, words("blood", 2))
    send_due(services, "worker")
    assert recorder.sent == []
    assert attention(services) == ["reply", "reply-warning"]


def test_after_the_end_of_a_plan_its_person_is_still_answered_and_after_a_withdrawal_not() -> None:
    world = World(Channel.TEXT)
    plan = world.message.plan_id
    set_status(world.services, plan, Status.COMPLETED, "nurse", "done")
    take_inbound(world.services, words("help", 1))
    world.send()
    assert len(world.recorder.sent) == 2
    set_status(world.services, plan, Status.REVOKED, "nurse", "wrong person")
    take_inbound(world.services, words("blood", 2))
    world.send()
    assert len(world.recorder.sent) == 2


@pytest.mark.parametrize("sender", ["+44 7700 900123", "00447700900123", "447700900123"])
def test_a_number_is_known_however_the_far_side_writes_it(sender: str) -> None:
    world = World(Channel.TEXT)
    take_inbound(world.services, words("STOP", sender=sender))
    assert stopped(world.services, world.person) == {Channel.TEXT}


def test_an_address_is_known_without_regard_to_capitals_and_in_any_script() -> None:
    world = World(Channel.EMAIL, email="Łucja@Example.org")
    take_inbound(world.services, words("STOP", channel=Channel.EMAIL, sender="łucja@example.ORG"))
    assert stopped(world.services, world.person) == {Channel.EMAIL}


def test_half_characters_and_nulls_from_a_far_side_are_stored_as_text() -> None:
    world = World(Channel.TEXT)
    take_inbound(world.services, words("a\x00b \ud83d", sender="+44\x007700900123"))
    with world.services.open_reading() as work:
        contact = work.people.get(world.person).contact
        assert work.inbound.of_person(world.person, contact)[0].inbound.text == "ab ?"


def test_what_an_interruption_left_undone_is_done_afterwards() -> None:
    world = World(Channel.TEXT)
    with world.services.open_work() as work:  # stored, and then the service died
        work.inbound.add(words("STOP"), "", Meaning.STOP)
        work.commit()
    assert stopped(world.services, world.person) == frozenset()
    assert settle_left(world.services) == 1
    assert settle_left(world.services) == 0
    assert stopped(world.services, world.person) == {Channel.TEXT}


def test_an_answer_that_waits_outlives_a_change_of_the_plans_times() -> None:
    from service.planning.preferences import change_zone

    world = World(Channel.TEXT)
    take_inbound(world.services, words("help"))
    change_zone(world.services, world.person, "Europe/Warsaw")
    world.send()
    assert "contact us" in world.recorder.sent[-1].message.text


def test_words_in_characters_that_no_database_takes_are_stored_without_them() -> None:
    world = World(Channel.TEXT)
    take_inbound(world.services, words("half \ud83d and \x00 none", in_reply_to="a\x00\ud83d"))
    with world.services.open_reading() as work:
        stored = work.inbound.get(Channel.TEXT, "in-1")
    assert stored is not None
    assert (stored.inbound.text, stored.inbound.in_reply_to) == ("half ? and  none", "a?")


def test_an_id_longer_than_an_index_takes_is_kept_as_its_hash_and_a_repeat_is_still_known() -> None:
    world = World(Channel.TEXT)
    for _ in range(2):
        take_inbound(world.services, words("Hello", id="ż" * 5000))
    assert world.reasons() == ["reply"]


def test_a_fault_in_the_words_of_one_sender_does_not_hold_up_those_of_the_next(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    world = World(Channel.TEXT)
    with world.services.open_work() as work:
        work.inbound.add(words("First", 1, sender="+447700900999"), "", "nothing that we know")
        work.inbound.add(words("Second", 2), "", "reply")
        work.commit()
    assert settle_left(world.services) == 1
    assert world.reasons() == ["reply"]
    assert "could not be settled: ValueError" in caplog.text


def test_people_at_one_number_are_held_in_one_order_whoever_is_asked_about(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(Channel.TEXT)
    a_person(world.services, "alma", name="Alma Ellery", channels=(Channel.TEXT,))
    held: list[str] = []
    real = People.get

    def noted(self: People, person_id: str) -> Person:
        held.append(person_id)
        return real(self, person_id)

    monkeypatch.setattr(People, "get", noted)
    for number, text in enumerate(("STOP", "I feel dizzy", "START")):
        held.clear()
        take_inbound(world.services, words(text, number, in_reply_to=world.message_id))
        assert list(dict.fromkeys(held)) == ["alma", "maud"], text


def mail_words(text: str, number: int, **changes: object) -> Inbound:
    return words(text, number, sender="maud@example.org", channel=Channel.EMAIL, **changes)


def test_a_start_by_mail_takes_a_stop_back_only_as_an_answer_to_a_mail_of_ours() -> None:
    world = World(Channel.EMAIL)
    take_inbound(world.services, mail_words("STOP", 1))
    assert Channel.EMAIL in stopped(world.services, world.person)
    take_inbound(world.services, mail_words("START", 2))
    assert Channel.EMAIL in stopped(world.services, world.person), "anybody can write a sender's name into a mail"
    assert "reply" in world.reasons()
    take_inbound(world.services, mail_words("START", 3, in_reply_to=world.message_id))
    assert Channel.EMAIL not in stopped(world.services, world.person)


@pytest.mark.parametrize(("answers_ours", "reason"), [(True, "channel-stopped"), (False, "stop-unsure")])
def test_a_stop_by_mail_is_obeyed_at_once_and_one_that_answers_none_of_ours_is_put_before_a_person(
    answers_ours: bool, reason: str
) -> None:
    world = World(Channel.EMAIL)
    ours = world.message_id if answers_ours else None
    for number in range(3):
        take_inbound(world.services, mail_words("STOP", number, in_reply_to=ours))
    assert stopped(world.services, world.person) == {Channel.EMAIL}
    assert world.reasons() == [reason]


def test_the_id_of_somebody_elses_mail_makes_a_stop_no_surer() -> None:
    world = World(Channel.EMAIL)
    a_person(world.services, "tom", name="Tom Ellery", email="tom@example.org", channels=(Channel.EMAIL,))
    take_inbound(
        world.services,
        words("STOP", sender="tom@example.org", channel=Channel.EMAIL, in_reply_to=world.message_id),
    )
    assert stopped(world.services, "tom") == {Channel.EMAIL}
    assert world.reasons() == ["stop-unsure"]


def test_after_a_stop_by_mail_that_may_be_forged_the_other_channel_goes_on_and_says_so() -> None:
    world = World(Channel.EMAIL, channels=(Channel.EMAIL, Channel.TEXT))
    take_inbound(world.services, mail_words("STOP", 1))
    world.send()
    answer = world.recorder.sent[-1].message
    assert answer.channel is Channel.TEXT and "we have stopped messages" in answer.text


def test_urgent_advice_after_a_stop_by_mail_that_may_be_forged_goes_to_a_person() -> None:
    world = World(Channel.EMAIL)
    take_inbound(world.services, mail_words("STOP", 1))
    give(world.services, world.person, a_visit(an_ear("battery-in-ear")), by="nurse")
    world.send()
    with world.services.open_reading() as work:
        urgent = {m.id for m in work.messages.of_person(world.person) if m.planned.kind is MessageKind.URGENT}
        assert urgent & {entry.message_id for entry in work.ledger.attention()}
