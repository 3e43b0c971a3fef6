"""Does a broken placeholder ever get through, and can what gets through always be said?"""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from functools import cache

from builders import a_clinic, a_contact, draft_wordings, the_catalogs, the_pack
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from properties.test_plan_properties import planned, settings_of_a_clinic, visits

from service.domain.contact import WAYS, Channel
from service.domain.pack import ClinicChoices, Wording
from service.domain.placeholders import PLACEHOLDERS, Kind
from service.domain.plan import Phrase
from service.domain.schedule import lay_out
from service.domain.visit import Ears, Visit
from service.messages.catalogs import Catalogs
from service.messages.compose import Letter, compose
from service.messages.i18n import plural_categories, plural_form
from service.messages.layout import as_html, as_text
from service.messages.read_plan import read_plan, units_of
from service.messages.text_checks import PLACEHOLDER, text_faults
from service.messages.wordings import Value, Wordings

PACK, CATALOGS = the_pack(), the_catalogs()
LANGUAGES = CATALOGS.languages
quick = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
slow = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])

Texts = dict[str, tuple[str, ...]]


def shipped(language: str, unit: Wording) -> Texts:
    texts = {form: CATALOGS.translation(language, unit.id, form) for form in unit.forms}
    return {form: each for form, each in texts.items() if each is not None}


WITH_PLACEHOLDERS = [
    unit for unit in PACK.wording.values() if any(PLACEHOLDER.search(forms.other) for forms in unit.forms.values())
]
TRANSLATED = [
    (unit, language)
    for language in LANGUAGES
    for unit in WITH_PLACEHOLDERS
    if len(shipped(language, unit)) == len(unit.forms)
]


def is_refused(unit: Wording, language: str, texts: Texts) -> bool:
    return any(fault.bars for fault in text_faults(unit, language, texts))


@st.composite
def right_texts(draw: st.DrawFn) -> tuple[Wording, str, Texts, str, int]:
    """A unit with a placeholder, its right translation, and one plural form of it that holds a placeholder."""
    unit, language = draw(st.sampled_from(TRANSLATED))
    texts = shipped(language, unit)
    places = [(form, index) for form, each in texts.items() for index, text in enumerate(each) if "{" in text]
    form, index = draw(st.sampled_from(places))
    return unit, language, texts, form, index


INVISIBLE = "\u200b\u200c\u200d\u2060\u00ad\ufeff\u200e\u2066 \u00a0\u3000"
LOOKALIKES = str.maketrans("aceopxyi", "асеорхуі")  # Latin letters and the Cyrillic ones that look the same
BREAKS = (
    lambda token, place, char: token[:place] + char + token[place:],
    lambda token, place, char: token[:-1],
    lambda token, place, char: token[1:],
    lambda token, place, char: "{" + token + "}",
    lambda token, place, char: token.upper(),
    lambda token, place, char: token[0] + token[1:].capitalize(),
    lambda token, place, char: token.replace("{", "｛").replace("}", "｝"),
    lambda token, place, char: token.replace("{", "[").replace("}", "]"),
    lambda token, place, char: token.replace("{", "<").replace("}", ">"),
    lambda token, place, char: token.translate(LOOKALIKES),
    lambda token, place, char: "%(" + token[1:-1] + ")s",
    lambda token, place, char: "$" + token,
    lambda token, place, char: token[:place] + token[place + 1 :],
)


@quick
@given(right=right_texts(), data=st.data())
def test_a_right_text_with_one_placeholder_dropped_renamed_broken_or_added_is_refused(
    right: tuple[Wording, str, Texts, str, int], data: st.DataObject
) -> None:
    unit, language, texts, form, index = right
    assert not is_refused(unit, language, texts)
    text = texts[form][index]
    names = PLACEHOLDER.findall(text)
    english = {
        name for said in (unit.forms[form].other, unit.forms[form].one or "") for name in PLACEHOLDER.findall(said)
    }
    others = sorted(set(PLACEHOLDERS) - english)
    match = data.draw(st.sampled_from(list(PLACEHOLDER.finditer(text))))
    once = Counter(names)[match[1]] == 1
    numbers = {number for number in range(201) if plural_form(language)(number) == index}
    may_go = match[1] == unit.count and numbers in ({0}, {1}, {2})
    kinds = ["rename", "break", "add"] + (["drop"] if once and not may_go else [])
    kind = data.draw(st.sampled_from(kinds))
    if kind == "drop":
        new = ""
    elif kind == "rename":
        new = f"{{{data.draw(st.one_of(st.sampled_from(others), st.from_regex('[a-z_]{1,12}', fullmatch=True)))}}}"
        assume(new[1:-1] not in english)
    elif kind == "add":
        added = st.one_of(
            st.sampled_from(others).map("{{{}}}".format), st.sampled_from(["{", "}", "{}", "｛", "{{", "}{"])
        )
        new = f"{match[0]} {data.draw(added)}"
    else:
        broken = data.draw(st.sampled_from(BREAKS))
        new = broken(match[0], data.draw(st.integers(1, len(match[0]) - 1)), data.draw(st.sampled_from(INVISIBLE)))
        assume(new != match[0])
        # What is no longer near a placeholder is one that is missing: it must have been needed there.
        assume((once and not may_go) or any(char in new for char in "{}｛｝"))
    changed = text[: match.start()] + new + text[match.end() :]
    each = (*texts[form][:index], changed, *texts[form][index + 1 :])
    assert is_refused(unit, language, texts | {form: each}), (kind, changed)


SCRIPTS = {
    "Latin": "aąbcčdeéfghiìkłmnoøprsştuüvwyzž",
    "Greek": "αβγδεζηθικλμνξοπρστυφχψω",
    "Cyrillic": "абвгґдежзиійклмнопрстуфхцчшщьюя",
    "Arabic": "ابتثجحخدذرزسشصضطظعغفقكلمنهويپچگے",
    "Devanagari": "अआइईउकखगघचजटडतदनपबमयरलवशसह",
    "Han": "耳朵滴液医生今天水干",
    "Thai": "กขคงจชดตถทนบปผพมยรลวสหอ",
    "Ethiopic": "ሀለሐመሠረሰቀበተ",
}
words = st.one_of([st.text(letters, min_size=1, max_size=9) for letters in SCRIPTS.values()])
marks = st.sampled_from([".", ",", "?", "!", "؟", "۔", "।", "。", "(", ")", "«", "»", '"', "’", "-", "°", "{", "}"])


@st.composite
def new_texts(draw: st.DrawFn) -> tuple[Wording, str, Texts]:
    """Texts that somebody might write: words of one or two scripts, marks, the unit's tokens and sometimes others."""
    unit, language = draw(st.sampled_from(WITH_PLACEHOLDERS)), draw(st.sampled_from(LANGUAGES))
    many = 1 if unit.count is None else len(plural_categories(language))
    texts: Texts = {}
    for form, english in unit.forms.items():
        tokens = [f"{{{name}}}" for name in PLACEHOLDER.findall(english.other)]
        numbers = [word for word in english.other.replace(".", " ").split() if word.isdecimal()]
        each = []
        for _ in range(many):
            said = draw(st.lists(words, min_size=3, max_size=14))
            kept = [token for token in tokens if draw(st.integers(0, 24))]
            odd = draw(
                st.lists(st.one_of(marks, st.sampled_from([f"{{{name}}}" for name in PLACEHOLDERS])), max_size=1)
            )
            odd = odd if draw(st.integers(0, 3)) == 0 else []
            each.append(" ".join(draw(st.permutations([*said, *kept, *numbers, *odd]))))
        texts[form] = tuple(each)
    return unit, language, texts


def with_texts(unit: Wording, language: str, texts: Texts) -> Wordings:
    """The wordings in which this unit is said in these words."""
    changed = {(language, unit.id, form): each for form, each in texts.items()}
    catalogs = Catalogs(
        source=CATALOGS.source,
        languages=tuple(dict.fromkeys((CATALOGS.source, language))),
        _texts={**_moments(language), **changed},
        _digests={(language, unit_id): "d" for unit_id in (unit.id, *LISTED)},
    )
    return Wordings(PACK, catalogs, None, a_clinic().said())


MOMENTS = tuple(unit_id for unit_id in PACK.wording if unit_id.startswith("moment."))
LISTED = (*MOMENTS, *WAYS.values())


@cache
def _moments(language: str) -> dict[tuple[str, str, str], tuple[str, ...]]:
    """The moments of the day, and the ways to reach the clinic, in this language; in English where they are not translated yet."""
    return {
        (language, unit_id, form): each
        for unit_id in LISTED
        for form, each in (shipped("en", PACK.wording[unit_id]) | shipped(language, PACK.wording[unit_id])).items()
    }


@cache
def one_number_of_each_form(language: str) -> tuple[int, ...]:
    found: dict[int, int] = {}
    for number in (*range(1, 201), 0, 1_000_000):
        found.setdefault(plural_form(language)(number), number)
    return tuple(found.values())


@st.composite
def values(draw: st.DrawFn, name: str) -> Value:
    kind = PLACEHOLDERS[name]
    if kind is Kind.NUMBER:
        return draw(st.integers(0, 1_000_000))
    if kind is Kind.DATE:
        return draw(st.dates(date(1900, 1, 1), date(2200, 1, 1))).isoformat()
    if kind is Kind.TIME:
        return draw(st.times()).isoformat("minutes")
    if kind is Kind.LIST:
        return tuple(draw(st.lists(st.sampled_from(MOMENTS), min_size=1, max_size=4, unique=True)))
    if kind is Kind.CHOICE:
        return tuple(draw(st.lists(st.sampled_from(sorted(WAYS.values())), min_size=1, max_size=3, unique=True)))
    return draw(st.text(min_size=1, max_size=20))


@quick
@given(made=new_texts(), data=st.data())
def test_whatever_is_accepted_can_be_said_with_values_of_every_kind_and_in_every_plural_form(
    made: tuple[Wording, str, Texts], data: st.DataObject
) -> None:
    unit, language, texts = made
    assume(not is_refused(unit, language, texts))
    wordings = with_texts(unit, language, texts)
    numbers = one_number_of_each_form(language) if unit.count is not None else (0,)
    for form in unit.forms:
        ears = None if form == "any" else Ears(form)
        given_values = {name: data.draw(values(name)) for name in sorted(PLACEHOLDERS)}
        for number in numbers:
            if unit.count is not None:
                given_values[unit.count] = number
            said = wordings.say(Phrase(wording=unit.id, ears=ears, values=given_values), language)
            assert said.strip()


def test_the_accepted_texts_of_the_test_above_are_not_rare() -> None:
    accepted = []

    @settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow], database=None)
    @given(made=new_texts())
    def count(made: tuple[Wording, str, Texts]) -> None:
        accepted.append(not is_refused(*made))

    count()
    assert sum(accepted) > len(accepted) / 10


GIVEN_AT = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
WORDINGS = draft_wordings()


@slow
@given(visit=visits(), choices=settings_of_a_clinic(), data=st.data())
def test_every_plan_of_the_engine_can_be_read_and_sent_in_every_language_and_format(
    visit: Visit, choices: ClinicChoices, data: st.DataObject
) -> None:
    plan = planned(visit, choices)
    assume(plan is not None)
    assert plan is not None
    clinic = a_clinic()
    booked = data.draw(st.one_of(st.none(), st.just((visit.on + timedelta(days=20), time(9, 30)))))
    said = None if booked is None else (booked[0].isoformat(), booked[1].isoformat("minutes"))
    letter = Letter(link="https://larkfield.example/p/0123456789abcdef", pack=PACK.id, booked=said)
    guardian = data.draw(st.sampled_from(["", "Ines Ellery"]))
    contact = a_contact(guardian=guardian, discreet=data.draw(st.booleans()))
    kinds = {
        message.kind: message for message in lay_out(plan, contact, PACK.timing, given=GIVEN_AT, appointment=booked)
    }
    for language in LANGUAGES:
        person = contact.given_name if guardian else ""
        chosen = WORDINGS.choose_language(language, units_of(plan))  # English where something is not translated yet
        assert (chosen.language == language) is WORDINGS.usable(language, units_of(plan))
        reading = read_plan(plan, WORDINGS, chosen.language, clinic, person=person, booked=said)
        page, sheet = as_html(reading), as_text(reading)
        assert f'lang="{chosen.language}"' in page
        for text in (page, sheet):
            assert not any(f"{{{name}}}" in text for name in PLACEHOLDERS)
        spoken = a_contact(guardian=guardian, discreet=contact.discreet, language=language)
        for message in kinds.values():
            for channel in (Channel.TEXT, Channel.EMAIL, Channel.LETTER):
                composed = compose(message, plan, spoken, clinic, WORDINGS, channel, letter)
                assert (composed.language == language) is not bool(composed.missing)
                assert composed.text.strip()
                assert not any(f"{{{name}}}" in composed.text for name in PLACEHOLDERS)
