from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path

import pytest
from builders import the_pack
from hypothesis import given
from hypothesis import strategies as st

from service.domain.pack import Forms, Moment, Pack, Timing, Wording
from service.domain.plan import Phrase
from service.domain.visit import Ears
from service.errors import ContactError, WordingError
from service.messages import catalogs as catalogs_module
from service.messages.catalogs import FILE, Catalogs, load_catalogs, update_po
from service.messages.wordings import Approvals, Wordings, unit_ids_of


def a_unit(unit_id: str, text: str | None = None, **forms: str) -> Wording:
    given_forms = {"any": text} if text is not None else forms
    return Wording(id=unit_id, topic="t", forms={form: Forms(other=said) for form, said in given_forms.items()})


UNITS = (
    a_unit("dry", right="Keep your right ear dry.", left="Keep your left ear dry.", both="Keep both ears dry."),
    a_unit("call", "Call {clinic} on {phone}."),
    a_unit("when", "Use them in the {moments}, from {date} at {time}."),
    a_unit("moment.morning", "morning"),
    a_unit("moment.evening", "evening"),
    a_unit("for", "This is for {person}."),
    a_unit("loop", "again {moments}"),
    a_unit("wrong", "Take {tablets}."),
    Wording(
        id="drops",
        topic="t",
        forms={"any": Forms(one="Put in {drops} drop.", other="Put in {drops} drops.")},
        count="drops",
    ),
)
CLINIC = {"clinic": "Hill View Ear Care", "phone": "+44 20 7946 0123", "link": "https://example.org/p/1"}
NUMBERS = {
    "cy": ("zero", "one", "two", "few {drops}", "many {drops}", "other {drops}"),
    "ar": ("zero", "one", "two", "few {drops}", "many {drops}", "other {drops}"),
    "pl": ("one", "few {drops}", "many {drops}", "other {drops}"),
}


def a_pack() -> Pack:
    timing = Timing(
        check_in_days=2,
        check_in_at=Moment.MIDDAY,
        appointment_before_days=(1,),
        return_before_days=14,
        join_minutes=30,
        useful_minutes={},
        useful_minutes_by_letter={},
        post_days=3,
        sources=(),
    )
    return Pack(
        id="test",
        version="1",
        source_language="en",
        review_by=date(2027, 1, 1),
        sources={},
        findings={},
        history={},
        methods={},
        agents={},
        templates={},
        rules={},
        urgent={},
        warnings={},
        expected={},
        water={},
        wording={unit.id: unit for unit in UNITS},
        timing=timing,
        recall=the_pack().recall,
    )


def translated(root: Path, language: str, texts: Mapping[str, str]) -> None:
    """A translation file of some single-form units, and of the drops where this file has forms for the language."""
    path = root / language / FILE
    update_po(a_pack(), path, language)
    blocks = []
    for block in path.read_text(encoding="utf-8").split("\n\n"):
        unit = block.partition('msgctxt "')[2].partition("|")[0]
        if unit in texts:
            block = block.replace('msgstr ""', f'msgstr "{texts[unit]}"')
        if unit == "drops":
            for index, text in enumerate(NUMBERS.get(language, ())):
                block = block.replace(f'msgstr[{index}] ""', f'msgstr[{index}] "{text}"')
        blocks.append(block)
    path.write_text("\n\n".join(blocks), encoding="utf-8")


@pytest.fixture(scope="module")
def catalogs(tmp_path_factory: pytest.TempPathFactory) -> Catalogs:
    root = tmp_path_factory.mktemp("locales")
    for language in ("cy", "pl", "pa"):
        translated(root, language, {"call": f"{language}: {{clinic}} {{phone}}", "moment.morning": f"{language} bore"})
    arabic = {
        "call": "اتصل على {phone} في {clinic}.",
        "when": "في {moments} من {date} في {time}.",
        "for": "هذا لـ {person}.",
        "moment.morning": "الصباح",
        "moment.evening": "المساء",
    }
    translated(root, "ar", arabic)
    return load_catalogs(root, a_pack())


@pytest.fixture(scope="module")
def drafts(catalogs: Catalogs) -> Wordings:
    return Wordings(a_pack(), catalogs, None, CLINIC)


def approved(catalogs: Catalogs, *pairs: tuple[str, str]) -> Approvals:
    entries = set()
    for language, unit_id in pairs:
        digest = catalogs.digest(language, unit_id)
        assert digest is not None
        entries.add((language, unit_id, digest))
    return Approvals(entries=frozenset(entries))


def every_english() -> list[tuple[str, str]]:
    return [("en", unit.id) for unit in UNITS]


@pytest.mark.parametrize(
    ("ears", "said"),
    [
        (Ears.RIGHT, "Keep your right ear dry."),
        (Ears.LEFT, "Keep your left ear dry."),
        (Ears.BOTH, "Keep both ears dry."),
    ],
)
def test_a_sentence_names_the_ear_it_is_about(drafts: Wordings, ears: Ears, said: str) -> None:
    assert drafts.say(Phrase(wording="dry", ears=ears), "en") == said


def test_a_sentence_about_no_ear_is_the_same_for_any_ear(drafts: Wordings) -> None:
    for ears in (None, *Ears):
        assert drafts.say(Phrase(wording="call", ears=ears), "en") == "Call Hill View Ear Care on +44 20 7946 0123."


def test_a_sentence_that_needs_an_ear_is_not_said_without_one(drafts: Wordings) -> None:
    with pytest.raises(WordingError, match=r"dry: .* say which ear"):
        drafts.say(Phrase(wording="dry"), "en")


@pytest.mark.parametrize(
    ("language", "count", "said"),
    [
        ("en", 1, "Put in 1 drop."),
        ("en", 0, "Put in 0 drops."),
        ("en", 3, "Put in 3 drops."),
        ("cy", 0, "zero"),
        ("cy", 1, "one"),
        ("cy", 2, "two"),
        ("cy", 3, "few 3"),
        ("cy", 6, "many 6"),
        ("cy", 7, "other 7"),
        ("ar", 2, "two"),
        ("ar", 7, "few 7"),
        ("ar", 11, "many 11"),
        ("ar", 100, "other 100"),
        ("pl", 1, "one"),
        ("pl", 3, "few 3"),
        ("pl", 5, "many 5"),
        ("pl", 12, "many 12"),
        ("pl", 22, "few 22"),
    ],
)
def test_the_number_picks_the_form_of_the_language(drafts: Wordings, language: str, count: int, said: str) -> None:
    assert drafts.say(Phrase(wording="drops", values={"drops": count}), language) == said


WHEN = Phrase(
    wording="when",
    values={"moments": ("moment.morning", "moment.evening"), "date": "2026-11-25", "time": "21:30"},
)


def test_dates_times_and_lists_are_written_as_the_language_writes_them(drafts: Wordings) -> None:
    assert drafts.say(WHEN, "en") == "Use them in the morning and evening, from Wednesday, 25 November 2026 at 9:30 pm."
    assert drafts.say(WHEN, "ar") == "في الصباح والمساء من الأربعاء، 25 نوفمبر 2026 في \u20689:30 م\u2069."


def test_inserted_values_cannot_turn_right_to_left_text_around(drafts: Wordings) -> None:
    said = drafts.say(Phrase(wording="call"), "ar")
    assert said == "اتصل على \u2066+44 20 7946 0123\u2069 في \u2068Hill View Ear Care\u2069."
    hostile = drafts.say(Phrase(wording="for", values={"person": "\u202eSam\u2069\n"}), "ar")
    assert hostile == "هذا لـ \u2068Sam \u2069."


def test_left_to_right_text_gets_no_marks(drafts: Wordings) -> None:
    assert drafts.say(Phrase(wording="for", values={"person": "\u2068Sam\u2069"}), "en") == "This is for Sam."


def test_a_value_of_the_phrase_goes_before_the_clinics(drafts: Wordings) -> None:
    phrase = Phrase(wording="call", values={"phone": "01632 960123"})
    assert drafts.say(phrase, "en") == "Call Hill View Ear Care on 01632 960123."


@given(name=st.text(alphabet="{}abclinpho %s\\", min_size=1))
def test_braces_in_a_name_are_harmless(drafts: Wordings, name: str) -> None:
    assert drafts.say(Phrase(wording="for", values={"person": name}), "en") == f"This is for {name}."
    both = Phrase(wording="call", values={"clinic": "{phone}", "phone": "{clinic}"})
    assert drafts.say(both, "en") == "Call {phone} on {clinic}."


@pytest.mark.parametrize(
    ("phrase", "message"),
    [
        (Phrase(wording="nothing"), "nothing: the content has no such wording unit"),
        (Phrase(wording="for"), "for: {person} has no value"),
        (Phrase(wording="for", values={"person": ""}), "for: {person} has no value"),
        (Phrase(wording="drops"), "drops: {drops} has no value"),
        (Phrase(wording="drops", values={"drops": "three"}), "drops: {drops} must be a whole number"),
        (Phrase(wording="for", values={"person": 3}), "for: {person} must be text"),
        (Phrase(wording="wrong"), "wrong: {tablets} is not a known placeholder"),
        (Phrase(wording="when", values={**WHEN.values, "date": "25/11"}), "when: {date} must be an ISO date"),
        (Phrase(wording="when", values={**WHEN.values, "time": "late"}), "when: {time} must be an ISO time"),
        (Phrase(wording="when", values={**WHEN.values, "moments": "morning"}), "when: {moments} must be a list"),
        (Phrase(wording="when", values={**WHEN.values, "moments": ("noon",)}), "noon: the content has no such"),
        (Phrase(wording="loop", values={"moments": ("loop",)}), "loop: {moments} must be a list"),
    ],
)
def test_a_sentence_that_cannot_be_said_names_its_unit_and_value(
    drafts: Wordings, phrase: Phrase, message: str
) -> None:
    with pytest.raises(WordingError) as caught:
        drafts.say(phrase, "en")
    assert str(caught.value).startswith(message)


def test_a_label_is_a_unit_without_values(drafts: Wordings) -> None:
    assert drafts.label("moment.morning", "cy") == "cy bore"


def test_all_units_of_a_plan_are_found_those_in_lists_too() -> None:
    found = unit_ids_of([WHEN, Phrase(wording="call"), Phrase(wording="call")])
    assert found == {"when", "call", "moment.morning", "moment.evening"}


def test_unapproved_wording_is_not_usable_and_not_said(catalogs: Catalogs) -> None:
    clinic = Wordings(a_pack(), catalogs, approved(catalogs, *every_english(), ("cy", "call")), CLINIC)
    assert not clinic.shows_drafts
    assert clinic.usable("cy", ["call"])
    assert not clinic.usable("cy", ["call", "drops"])
    assert not clinic.usable("tlh", ["call"])
    with pytest.raises(WordingError, match="drops: no approved wording in cy"):
        clinic.say(Phrase(wording="drops", values={"drops": 2}), "cy")


def test_an_approval_of_other_words_does_not_count(catalogs: Catalogs) -> None:
    stale = Approvals(entries=frozenset({("cy", "call", "0" * 64)}))
    assert not Wordings(a_pack(), catalogs, stale, CLINIC).usable("cy", ["call"])


def test_a_message_is_wholly_in_one_language(catalogs: Catalogs) -> None:
    clinic = Wordings(a_pack(), catalogs, approved(catalogs, *every_english(), ("cy", "call")), CLINIC)
    wanted = clinic.choose_language("cy", ["call"])
    assert (wanted.language, wanted.fallback, wanted.missing) == ("cy", False, ())
    other = clinic.choose_language("cy", ["call", "drops", "dry"])
    assert (other.language, other.wanted, other.fallback, other.missing) == ("en", "cy", True, ("drops", "dry"))


@pytest.mark.parametrize(
    ("wanted", "language", "fallback", "missing"),
    [
        ("en-GB", "en", False, ()),  # the person reads this language
        ("CY-gb", "cy", False, ()),
        ("so", "en", True, ("call",)),  # no catalog at all
        ("pa", "pa", False, ()),
        ("pa-Arab", "en", True, ("call",)),  # never Gurmukhi for a reader of the Arabic script
    ],
)
def test_the_nearest_language_that_the_person_reads_is_chosen(
    drafts: Wordings, wanted: str, language: str, fallback: bool, missing: tuple[str, ...]
) -> None:
    choice = drafts.choose_language(wanted, ["call"])
    assert (choice.language, choice.fallback, choice.missing) == (language, fallback, missing)


def test_with_no_approved_english_nothing_is_said(catalogs: Catalogs) -> None:
    clinic = Wordings(a_pack(), catalogs, Approvals(), CLINIC)
    with pytest.raises(WordingError, match="no approved wording in en for: call, dry"):
        clinic.choose_language("cy", ["dry", "call"])
    with pytest.raises(ContactError, match="not a language tag"):
        clinic.choose_language("Welsh please", ["call"])


def test_saying_a_phrase_reads_no_files(drafts: Wordings, monkeypatch: pytest.MonkeyPatch) -> None:
    for language in ("en", "ar"):
        drafts.say(WHEN, language)

    def no_files(*_: object, **__: object) -> None:
        raise AssertionError("a file was read")

    monkeypatch.setattr("builtins.open", no_files)
    monkeypatch.setattr(Path, "read_bytes", no_files)
    monkeypatch.setattr(catalogs_module, "read_po", no_files)
    for language in ("en", "ar"):
        assert drafts.say(WHEN, language)
        assert drafts.say(Phrase(wording="call"), language)
