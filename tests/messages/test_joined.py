"""Several reminders in one message: does it read as one, and is nothing that matters lost?"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from builders import a_clinic, a_contact, draft_wordings, the_catalogs, the_pack
from hypothesis import given
from hypothesis import strategies as st

from service.domain.contact import Channel, Contact
from service.domain.joining import JOINED, MOST_JOINED
from service.domain.message import ComposedMessage, DosePart, MessageKind, PlannedMessage
from service.domain.plan import Phrase
from service.domain.visit import Ears
from service.errors import WordingError
from service.messages.compose import Letter, Part, compose, compose_joined
from service.messages.sms import count_parts
from service.messages.wordings import Approvals, Wordings

NOW = datetime(2026, 11, 25, 13, 0, tzinfo=UTC)
LANGUAGES = ("en", "cy", "pl", "ur", "bn", "zh-Hans")
EVERY_LANGUAGE = ("en", "ar", "bn", "cy", "es", "fr", "hi", "pl", "pt", "ro", "uk", "ur", "zh-Hans")
LATIN = ("en", "cy", "es", "fr", "pl", "pt", "ro")
PHONE = "020 7946 0123"
LINK, OTHER_LINK = f"https://larkfield.example/p/{'A' * 22}", f"https://larkfield.example/p/{'B' * 22}"
LETTER = Letter(link=LINK, pack="1", booked=("2026-12-02", "10:30"), unsubscribe=f"{LINK}/stop-now")
ISOLATES = re.compile("[\u2066-\u2069]")

OLIVE_RIGHT = DosePart(agent="olive-oil", ears=Ears.RIGHT, drops=3)
OLIVE_LEFT = DosePart(agent="olive-oil", ears=Ears.LEFT, drops=3)
ALMOND_RIGHT = DosePart(agent="almond-oil", ears=Ears.RIGHT, drops=3)
OPEN = a_contact(discreet=False)
TOM = a_contact(guardian="Ann Ellery", given_name="Tom", name="Tom Ellery", join_with_others=True)
NIA = replace(TOM, given_name="Nia", name="Nia Ellery")


WORDINGS = draft_wordings()


def a_part(
    kind: MessageKind = MessageKind.DOSE, *doses: DosePart, contact: Contact | None = None, letter: Letter = LETTER
) -> Part:
    planned = PlannedMessage(
        key="key",
        kind=kind,
        due=NOW,
        earliest=NOW,
        last_useful=NOW + timedelta(hours=1),
        wall="2026-11-25T13:00",
        zone="Europe/London",
        parts=doses,
    )
    return Part(planned=planned, contact=contact or a_contact(), letter=letter)


def joined(*parts: Part, channel: Channel = Channel.TEXT, wordings: Wordings | None = None) -> ComposedMessage:
    return compose_joined(parts, a_clinic(), wordings or WORDINGS, channel)


def in_language(language: str, *parts: Part) -> list[Part]:
    return [replace(part, contact=replace(part.contact, language=language)) for part in parts]


def read_aloud(message: ComposedMessage) -> str:
    """The words without the marks that only steer the direction of letters."""
    return ISOLATES.sub("", message.text)


def two_children(language: str = "en") -> list[Part]:
    other = replace(LETTER, link=OTHER_LINK, booked=None)
    return in_language(
        language,
        a_part(MessageKind.APPOINTMENT, contact=TOM),
        a_part(contact=TOM),
        a_part(contact=NIA, letter=other),
    )


def test_two_plans_of_one_person_are_one_text_with_one_link() -> None:
    text = joined(a_part(MessageKind.APPOINTMENT), a_part(), a_part(MessageKind.CHECK_IN)).text
    assert text == (
        "Larkfield Ear Care: The appointment is on Wednesday, 2 December 2026 at 10:30 am. "
        "It is time for the next step of the plan. Some things are normal now and some need help: see the plan. "
        f"What to do, and when to get help: {LINK} "
        "If you are worried or want to change something, contact us: 020 7946 0123."
    )


@pytest.mark.parametrize("channel", [Channel.TEXT, Channel.EMAIL])
@pytest.mark.parametrize("kind", [MessageKind.APPOINTMENT, MessageKind.CHECK_IN])
@pytest.mark.parametrize("language", EVERY_LANGUAGE)
def test_a_joined_message_ends_with_the_number_that_its_reminders_carry_by_themselves(
    language: str, kind: MessageKind, channel: Channel
) -> None:
    parts = in_language(language, a_part(kind), a_part())
    alone = compose(parts[0].planned, None, parts[0].contact, a_clinic(), WORDINGS, Channel.TEXT, LETTER)
    assert PHONE in ISOLATES.sub("", alone.text), "alone it says whom to call"
    message = joined(*parts, channel=channel)
    closing = ISOLATES.sub("", WORDINGS.say(Phrase(wording="message.part.contact"), language))
    assert PHONE in closing
    said = read_aloud(message)
    assert said.count(closing) == 1
    assert said.endswith(closing) if channel is Channel.TEXT else closing in said.splitlines()


def test_two_children_read_the_number_once_after_both_of_them() -> None:
    assert joined(*two_children()).text.count(PHONE) == 1


def test_doses_alone_carry_no_number_joined_or_not() -> None:
    assert PHONE not in joined(a_part(contact=TOM), a_part(contact=NIA, letter=replace(LETTER, link=OTHER_LINK))).text


def test_two_plans_that_say_the_same_say_it_once() -> None:
    assert joined(a_part(), a_part()).text.count("next step") == 1


def test_two_appointments_of_one_person_are_both_said() -> None:
    later = replace(LETTER, booked=("2026-12-09", "09:00"))
    text = joined(a_part(MessageKind.APPOINTMENT), a_part(MessageKind.APPOINTMENT, letter=later)).text
    assert "2 December" in text
    assert "9 December" in text


READ_ALOUD = {
    "en": (
        "Larkfield Ear Care: For Tom: The appointment is on Wednesday, 2 December 2026 at 10:30 am. It is time for the "
        f"next step of the plan. What to do, and when to get help: {LINK} "
        f"For Nia: It is time for the next step of the plan. What to do, and when to get help: {OTHER_LINK} "
        "If you are worried or want to change something, contact us: 020 7946 0123."
    ),
    "cy": (
        "Larkfield Ear Care: Ar gyfer Tom: Yr apwyntiad: Dydd Mercher, 2 Rhagfyr 2026 am 10:30. Mae'n bryd gwneud cam "
        f"nesaf y cynllun. Beth i'w wneud, a phryd i gael help: {LINK} "
        f"Ar gyfer Nia: Mae'n bryd gwneud cam nesaf y cynllun. Beth i'w wneud, a phryd i gael help: {OTHER_LINK} "
        "Os ydych yn poeni neu am newid rhywbeth, cysylltwch: 020 7946 0123."
    ),
    "pl": (
        "Larkfield Ear Care: Tom: Termin wizyty: środa, 2 grudnia 2026, godz. 10:30. Czas na kolejny krok planu. "
        f"Co dalej i kiedy potrzebna jest pomoc: {LINK} "
        f"Nia: Czas na kolejny krok planu. Co dalej i kiedy potrzebna jest pomoc: {OTHER_LINK} "
        "W razie obaw lub zmian prosimy o kontakt: 020 7946 0123."
    ),
    "ur": (
        "Larkfield Ear Care: Tom کے لیے: اپائنٹمنٹ: بدھ، 2 دسمبر، 2026، وقت 10:30 AM۔ پلان کے اگلے قدم کا وقت ہو گیا۔ "
        f"کیا کرنا ہے، اور کب مدد لینی ہے: {LINK} "
        f"Nia کے لیے: پلان کے اگلے قدم کا وقت ہو گیا۔ کیا کرنا ہے، اور کب مدد لینی ہے: {OTHER_LINK} "
        "فکر ہو یا کچھ بدلنا ہو تو ہم سے رابطہ کریں: 020 7946 0123۔"
    ),
    "bn": (
        "Larkfield Ear Care: Tom সম্পর্কে: অ্যাপয়েন্টমেন্ট বুধবার, ২ ডিসেম্বর, ২০২৬, সময় ১০:৩০ AM। "
        f"পরিকল্পনার পরের ধাপের সময় হয়েছে। কী করবেন, আর কখন সাহায্য নেবেন: {LINK} "
        f"Nia সম্পর্কে: পরিকল্পনার পরের ধাপের সময় হয়েছে। কী করবেন, আর কখন সাহায্য নেবেন: {OTHER_LINK} "
        "চিন্তা হলে বা কিছু বদলাতে চাইলে যোগাযোগ করুন: 020 7946 0123।"
    ),
    "zh-Hans": (
        f"Larkfield Ear Care：关于Tom：预约时间是2026年12月2日星期三 10:30。该做计划的下一步了。怎么做、何时求助：{LINK} "
        f"关于Nia：该做计划的下一步了。怎么做、何时求助：{OTHER_LINK} "
        "如果担心，或想改什么，请联系我们：020 7946 0123。"
    ),
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_two_children_of_one_guardian_are_each_named_before_their_own_sentences_and_link(language: str) -> None:
    text = read_aloud(joined(*two_children(language)))
    assert text == READ_ALOUD[language]
    assert text.index("Tom") < text.index(LINK) < text.index("Nia") < text.index(OTHER_LINK)


def test_one_child_is_named_too() -> None:
    assert joined(a_part(contact=TOM), a_part(MessageKind.CHECK_IN, contact=TOM)).text.count("For Tom:") == 1


def test_an_adult_and_the_child_at_the_same_number_are_told_apart() -> None:
    ann = a_contact(given_name="Ann", join_with_others=True)
    text = joined(a_part(contact=ann), a_part(contact=TOM, letter=replace(LETTER, link=OTHER_LINK))).text
    assert "For Ann:" in text
    assert "For Tom:" in text


def test_two_children_of_one_name_keep_their_own_links() -> None:
    text = joined(a_part(contact=TOM), a_part(contact=TOM, letter=replace(LETTER, link=OTHER_LINK))).text
    assert text.count("For Tom:") == 2
    assert text.index(LINK) < text.index(OTHER_LINK)


OPEN_ALOUD = {
    "en": "Olive oil drops: Put 3 drops in your RIGHT ear. Put 3 drops in your LEFT ear. "
    "Almond oil drops: Put 3 drops in your RIGHT ear. Some things",
    "cy": "Diferion olew olewydd: Rhowch 3 diferyn yn eich clust DDE. Rhowch 3 diferyn yn eich clust CHWITH. "
    "Diferion olew almon: Rhowch 3 diferyn yn eich clust DDE. Mae rhai",
    "pl": "Krople z oliwy z oliwek: Proszę wkroplić 3 krople do PRAWEGO ucha. Proszę wkroplić 3 krople do LEWEGO ucha. "
    "Krople z oleju migdałowego: Proszę wkroplić 3 krople do PRAWEGO ucha. Co jest",
    "ur": "زیتون کے تیل کے قطرے: دائیں کان میں 3 قطرے ڈالیں۔ بائیں کان میں 3 قطرے ڈالیں۔ "
    "بادام کے تیل کے قطرے: دائیں کان میں 3 قطرے ڈالیں۔ اب",
    "bn": "অলিভ অয়েল (জলপাই তেল) ড্রপ: আপনার ডান কানে ৩ ফোঁটা দিন। আপনার বাম কানে ৩ ফোঁটা দিন। "
    "কাঠবাদামের তেলের ড্রপ (আমন্ড অয়েল): আপনার ডান কানে ৩ ফোঁটা দিন। এখন",
    "zh-Hans": "橄榄油滴耳液: 请往右耳里滴3滴。请往左耳里滴3滴。杏仁油滴耳液: 请往右耳里滴3滴。现在",
}


@pytest.mark.parametrize("language", LANGUAGES)
def test_open_doses_of_two_plans_name_each_product_with_its_own_ears_and_drops(language: str) -> None:
    parts = in_language(
        language,
        a_part(MessageKind.DOSE, OLIVE_RIGHT, OLIVE_LEFT, contact=OPEN),
        a_part(MessageKind.DOSE, ALMOND_RIGHT, contact=OPEN),
        a_part(MessageKind.CHECK_IN, contact=OPEN),
    )
    assert OPEN_ALOUD[language] in read_aloud(joined(*parts))


def test_a_dose_that_two_plans_ask_for_is_said_once() -> None:
    text = joined(
        a_part(MessageKind.DOSE, OLIVE_RIGHT, contact=OPEN),
        a_part(MessageKind.DOSE, OLIVE_RIGHT, OLIVE_LEFT, contact=OPEN),
    ).text
    assert text.count("Olive oil drops:") == text.count("RIGHT") == text.count("LEFT") == 1


def test_both_ears_in_one_open_text_by_itself_read_the_same_way() -> None:
    part = a_part(MessageKind.DOSE, OLIVE_RIGHT, OLIVE_LEFT, contact=OPEN)
    text = compose(part.planned, None, OPEN, a_clinic(), WORDINGS, Channel.TEXT, LETTER).text
    assert "Olive oil drops: Put 3 drops in your RIGHT ear. Put 3 drops in your LEFT ear. What" in text


drops = st.builds(
    DosePart,
    agent=st.sampled_from(["olive-oil", "almond-oil", "sodium-bicarbonate"]),
    ears=st.sampled_from([Ears.RIGHT, Ears.LEFT]),
    drops=st.integers(2, 5),
)


@given(plans=st.lists(st.lists(drops, min_size=1, max_size=3), min_size=2, max_size=4))
def test_no_dose_is_lost_or_said_under_another_product(plans: list[list[DosePart]]) -> None:
    text = joined(*[a_part(MessageKind.DOSE, *doses, contact=OPEN) for doses in plans]).text
    names = {agent: f"{WORDINGS.label(f'agent.{agent}.name', 'en')}:" for agent in ("olive-oil", "almond-oil")}
    names["sodium-bicarbonate"] = f"{WORDINGS.label('agent.sodium-bicarbonate.name', 'en')}:"
    found: set[tuple[str, str, int]] = set()
    agent = ""
    pieces = re.split(f"({'|'.join(map(re.escape, names.values()))})", text)
    for piece in pieces:
        agent = next((key for key, name in names.items() if name == piece), agent)
        found |= {(agent, ear, int(count)) for count, ear in re.findall(r"Put (\d) drops in your (\w+) ear", piece)}
    wanted = {(dose.agent, dose.ears.value.upper(), dose.drops) for doses in plans for dose in doses}
    assert found == wanted
    assert text.count("Put ") == len(wanted), "none is said twice"


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("contact", [a_contact(), replace(OPEN, guardian="Ann Ellery")], ids=["discreet", "guardian"])
def test_a_discreet_text_and_one_about_somebody_else_name_neither_ear_nor_product(
    language: str, contact: Contact
) -> None:
    parts = [a_part(kind, OLIVE_RIGHT, ALMOND_RIGHT, contact=contact) for kind in sorted(JOINED)]
    message = joined(*in_language(language, *parts))
    assert not any(unit.startswith(("agent.", "instil.")) for unit in message.units)
    for unit in ("agent.olive-oil.name", "agent.almond-oil.name"):
        assert WORDINGS.label(unit, language) not in message.text


def test_one_open_and_one_discreet_person_at_one_number_keep_their_own_choice() -> None:
    ann = replace(OPEN, given_name="Ann", join_with_others=True)
    text = joined(
        a_part(MessageKind.DOSE, OLIVE_LEFT, contact=ann),
        a_part(MessageKind.DOSE, ALMOND_RIGHT, contact=TOM, letter=replace(LETTER, link=OTHER_LINK)),
    ).text
    assert "LEFT" in text
    assert "RIGHT" not in text
    assert "Almond" not in text


def test_a_mail_says_the_sentences_line_by_line_with_greeting_link_and_help_around_them() -> None:
    message = joined(a_part(MessageKind.APPOINTMENT), a_part(), channel=Channel.EMAIL)
    lines = message.text.splitlines()
    assert message.subject == "Reminders from Larkfield Ear Care"
    assert message.to == "maud@example.org"
    assert message.unsubscribe == LETTER.unsubscribe
    assert lines[0] == "Hello Maud Ellery,"
    assert "The appointment is on Wednesday, 2 December 2026 at 10:30 am." in lines
    assert "It is time for the next step of the plan." in lines
    assert f"What to do, and when to get help: {LINK}" in lines
    assert "In an emergency call 999." in lines
    assert not any(line.startswith("Larkfield Ear Care:") for line in lines)
    assert message.html is not None
    assert message.html.count("It is time for the next step of the plan.") == 1


@pytest.mark.parametrize("language", EVERY_LANGUAGE)
def test_the_subject_of_a_joined_mail_is_its_own_and_names_the_clinic(language: str) -> None:
    parts = in_language(language, a_part(MessageKind.CHECK_IN), a_part())
    subject = joined(*parts, channel=Channel.EMAIL).subject
    assert "Larkfield Ear Care" in subject
    alone = [
        compose(each.planned, None, each.contact, a_clinic(), WORDINGS, Channel.EMAIL, LETTER).subject
        for each in [*parts, *in_language(language, a_part(MessageKind.APPOINTMENT))]
    ]
    assert subject not in alone


def test_a_mail_to_a_guardian_greets_the_guardian_and_names_the_child() -> None:
    message = joined(a_part(contact=TOM), a_part(MessageKind.CHECK_IN, contact=TOM), channel=Channel.EMAIL)
    assert message.text.startswith("Hello Ann Ellery,")
    assert "For Tom:" in message.text.splitlines()


def approved(language: str, without: str = "") -> Wordings:
    """English is approved whole, the other language but for one sentence."""
    catalogs = the_catalogs()
    entries = {
        (each, unit, digest)
        for each in ("en", language)
        for unit in the_pack().wording
        if (digest := catalogs.digest(each, unit)) is not None and (each == "en" or unit != without)
    }
    return Wordings(the_pack(), catalogs, Approvals(entries=frozenset(entries)), a_clinic().said())


@pytest.mark.parametrize("language", ["cy", "pl", "ur"])
def test_one_sentence_in_draft_turns_the_whole_message_into_the_source_language(language: str) -> None:
    parts = two_children(language)
    whole = joined(*parts, wordings=approved(language))
    assert (whole.language, whole.missing) == (language, ())
    fallen = joined(*parts, wordings=approved(language, without="message.part.dose"))
    assert (fallen.language, fallen.wanted_language) == ("en", language)
    assert fallen.missing == ("message.part.dose",)
    assert fallen.text == READ_ALOUD["en"], "never half in one language and half in another"


def test_a_sentence_that_nobody_needs_may_stay_in_draft() -> None:
    parts = two_children("cy")
    assert joined(*parts, wordings=approved("cy", without="message.part.course-end")).language == "cy"


def test_without_an_approved_source_nothing_is_said() -> None:
    nothing = Wordings(the_pack(), the_catalogs(), Approvals(), a_clinic().said())
    with pytest.raises(WordingError, match=r"message\.part\.dose"):
        joined(a_part(), a_part(MessageKind.CHECK_IN), wordings=nothing)


@pytest.mark.parametrize("language", LATIN)
def test_joined_words_without_a_date_stay_in_the_basic_alphabet(language: str) -> None:
    kinds = sorted(JOINED - {MessageKind.APPOINTMENT})
    message = joined(*in_language(language, *[a_part(kind) for kind in kinds]))
    assert count_parts(message.text).forced_by is None


@pytest.mark.parametrize("language", LATIN)
@pytest.mark.parametrize("kind", [MessageKind.CHECK_IN, MessageKind.COURSE_END])
def test_two_reminders_of_one_person_in_latin_script_take_two_parts(language: str, kind: MessageKind) -> None:
    assert count_parts(joined(*in_language(language, a_part(kind), a_part())).text).parts == 2


@pytest.mark.parametrize(("language", "parts"), [("en", 3), ("cy", 3), ("pl", 6), ("ur", 6), ("bn", 6), ("zh-Hans", 4)])
def test_two_children_in_one_text_take_no_more_parts_than_this(language: str, parts: int) -> None:
    assert count_parts(joined(*two_children(language)).text).parts <= parts


@given(
    language=st.sampled_from(["en", "cy", "ur"]),
    kinds=st.lists(st.sampled_from(sorted(JOINED)), min_size=2, max_size=MOST_JOINED, unique=True),
    contact=st.sampled_from([a_contact(), TOM]),
)
def test_joined_reminders_of_one_person_never_take_more_text_parts_than_apart(
    language: str, kinds: list[MessageKind], contact: Contact
) -> None:
    # Polish is left out: there a few short texts need no letter outside the basic alphabet, and their sum may be less.
    parts = in_language(language, *[a_part(kind, contact=contact) for kind in kinds])
    apart = [
        compose(part.planned, None, part.contact, a_clinic(), WORDINGS, Channel.TEXT, part.letter).text
        for part in parts
    ]
    assert count_parts(joined(*parts).text).parts <= sum(count_parts(text).parts for text in apart)


@pytest.mark.parametrize(("language", "most"), [("en", 8), ("cy", 7), ("pl", 15), ("ur", 16)])
def test_as_many_children_as_one_text_may_speak_of_take_no_more_parts_than_this(language: str, most: int) -> None:
    names = ("Bartholomew", "Clementina", "Gwenllian", "Maximilian", "Persephone", "Wilhelmina")
    assert len(names) == MOST_JOINED
    several = [
        a_part(
            MessageKind.APPOINTMENT,
            contact=replace(TOM, given_name=name),
            letter=replace(LETTER, link=f"{LINK[:-1]}{number}"),
        )
        for number, name in enumerate(names)
    ]
    assert count_parts(joined(*in_language(language, *several)).text).parts <= most


@pytest.mark.parametrize("language", ["bn", "zh-Hans"])
def test_bengali_and_chinese_texts_are_ucs_2_without_marks_and_with_links_and_numbers_that_can_be_tapped(
    language: str,
) -> None:
    for kind in sorted(JOINED):
        text = joined(*in_language(language, a_part(kind), a_part(MessageKind.CHECK_IN))).text
        assert count_parts(text).alphabet == "UCS2"
        assert not ISOLATES.search(text)
        assert PHONE in text, "in Latin digits"
        after = {text[place.end() : place.end() + 1] for place in re.finditer(re.escape(LINK), text)}
        assert after <= {" ", ""}, "nothing that a phone would take into the link"
