from __future__ import annotations

import subprocess
from io import BytesIO
from pathlib import Path

import pytest
from babel.messages.pofile import read_po as babel_read_po
from hypothesis import given, settings
from hypothesis import strategies as st
from translate.misc.multistring import multistring
from translate.storage import pypo
from wording.translators import LANGUAGES, an_entry, drops, forms

from service.errors import ContactError, ContentError
from service.messages.i18n import plural_categories
from service.wording.entries import MOST_OCTETS, Entry
from service.wording.po_file import read_po, to_po

SCRIPTS = "abc ÀéŵŷĄżЩї ءآبپٹ हिन्दी 汉字 עברית 👂🏽🩺 {}\\\"'%\n\r\t\u2028\u0085\u200f\u0301\x0b\x0c\x1c"


def exported(language: str) -> tuple[Entry, ...]:
    return (
        an_entry(target=("اتصل بـ {clinic} على {phone}.",), standing="approved", note="Two lines\nof a note."),
        drops(language, target=forms(language), safety=True),
        an_entry(unit="water.dry", form="right", source=("Keep it dry.",)),
        an_entry(
            unit="water.dry", form="left", source=("Keep it dry.",), target=("Sych 👂🏽\nac eto",), standing="draft"
        ),
    )


@pytest.mark.parametrize("language", LANGUAGES)
def test_gettexts_own_checker_accepts_the_file(language: str, tmp_path: Path) -> None:
    path = tmp_path / "out.po"
    entries = [entry for entry in exported(language) if "\n" not in (entry.target or ("",))[0]]
    path.write_bytes(to_po(tuple(entries), language))
    checked = subprocess.run(
        ["msgfmt", "--check", "--output-file", str(tmp_path / "out.mo"), str(path)], capture_output=True, text=True
    )
    assert checked.returncode == 0, checked.stderr
    assert "error" not in checked.stderr


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_second_reader_finds_every_text_context_and_note(language: str) -> None:
    catalog = babel_read_po(BytesIO(to_po(exported(language), language)), abort_invalid=True)
    said = {message.context: message for message in catalog if message.context}
    assert list(said) == ["help.call|any", "course.drops|any", "water.dry|right", "water.dry|left"]
    assert said["course.drops|any"].id == ("Put in {drops} drop.", "Put in {drops} drops.")
    assert said["course.drops|any"].string == forms(language)
    assert "Safety: say it in full." in said["course.drops|any"].auto_comments
    assert said["help.call|any"].auto_comments == [
        "Topic: help",
        "Two lines",
        "of a note.",
        "Standing: approved.",
    ]
    assert "The right ear." in said["water.dry|right"].auto_comments


def test_the_translator_is_told_which_numbers_a_form_is_for() -> None:
    file = to_po((drops("uk"),), "uk").decode()
    assert "#. Plural form one: for 1, 21, 31, 41, 51, 61 and so on; {drops} must stay." in file
    assert "#. Plural form other: for fractions, and no whole number; {drops} must stay." in file
    assert "#. Plural form two: for 2; {drops} may be a word." in to_po((drops("cy"),), "cy").decode()


def test_what_was_overtaken_goes_out_fuzzy_with_its_old_english_and_is_not_ready() -> None:
    entry = drops("pl", target=forms("pl"), standing="overtaken", made_from=("Put {drops}.", 'Put "{drops}"\nin.'))
    file = to_po((entry,), "pl")
    assert b'#, fuzzy\n#| msgid "Put {drops}."\n#| msgid_plural ""\n#| "Put \\"{drops}\\"\\n"\n' in file
    assert [(each.ready, each.target, each.source) for each in read_po(file, "pl")] == [
        (False, entry.target, entry.source)
    ]


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_translation_toolkit_opens_translates_and_saves_without_loss(language: str) -> None:
    store = pypo.pofile.parsestring(to_po(exported(language), language))
    units = {unit.getcontext(): unit for unit in store.units if not unit.isheader()}
    new = tuple(f"{{drops}} قطرة 👂🏽\nסוף {category}" for category in plural_categories(language))
    units["course.drops|any"].target = multistring(list(new))
    units["water.dry|right"].target = 'Sych "iawn"\\ \t\nᚠ 🩺'
    assert "of a note." in units["help.call|any"].getnotes("developer")
    saved = bytes(store)
    back = {each.key: each for each in read_po(saved, language)}
    assert back["course.drops|any"].target == new
    assert back["course.drops|any"].source == drops(language).source
    assert back["water.dry|right"].target == ('Sych "iawn"\\ \t\nᚠ 🩺',)
    assert back["water.dry|left"].target == ("Sych 👂🏽\nac eto",)
    assert back["help.call|any"].target == ("اتصل بـ {clinic} على {phone}.",)
    assert all(each.ready and not each.problem for each in back.values())
    for comment in ("#. Safety: say it in full.", "#. Two lines", "#. of a note.", "#. The left ear."):
        assert comment in saved.decode()


def test_what_the_translator_writes_beside_a_text_comes_back() -> None:
    file = to_po((an_entry(target=("x",)),), "pl").replace(b"msgctxt", b"# Is this a clinic\n# or a person?\nmsgctxt")
    assert read_po(file, "pl")[0].remark == "Is this a clinic\nor a person?"


def test_what_a_translator_wrote_before_goes_out_again_as_a_translators_comment() -> None:
    file = to_po((drops("pl", target=forms("pl"), remark="Few or many?\n\nMany?"),), "pl")
    assert file.count(b"# Few or many?\n# Many?\n#. Topic: help") == 1
    assert read_po(file, "pl")[0].remark == "Few or many?\nMany?"
    (unit,) = [unit for unit in pypo.pofile.parsestring(file).units if not unit.isheader()]
    assert unit.getnotes("translator") == "Few or many?\nMany?", "a second reader finds it as what it is"


texts = st.text(alphabet=st.one_of(st.sampled_from(SCRIPTS), st.characters(exclude_categories=("Cs",))), min_size=1)


@settings(max_examples=100, deadline=None)
@given(data=st.data(), language=st.sampled_from(LANGUAGES))
def test_any_text_comes_back_as_it_went_out(data: st.DataObject, language: str) -> None:
    count = len(plural_categories(language))
    plural = data.draw(st.lists(texts, min_size=count, max_size=count).map(tuple))
    entries = (
        an_entry(source=(data.draw(texts),), target=(data.draw(texts),), note=data.draw(st.text()), standing="draft"),
        drops(language, source=(data.draw(texts), data.draw(texts)), target=plural),
    )
    back = read_po(to_po(entries, language), language)
    assert [(each.key, each.source, each.target) for each in back] == [
        (entry.key, entry.source, entry.target) for entry in entries
    ]


WHOLE = to_po(exported("pl"), "pl")


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "the file is empty"),
        (b"  \n", "the file is empty"),
        (b"Dear clinic, here are the texts.", "not a gettext catalog from this line on"),
        (b'<?xml version="1.0"?><xliff/>', "not a gettext catalog from this line on"),
        (WHOLE.decode().encode("iso8859-6", "ignore").replace(b"Sych", b"\xe4\xe5"), "not UTF-8 from this line on"),
        (WHOLE.decode().encode("utf-16"), "not UTF-8"),
        (WHOLE.replace(b"charset=UTF-8", b"charset=windows-1256"), "written in windows-1256; save it as UTF-8"),
        (WHOLE.replace(b"Language: pl", b"Language: cy"), "the file is in cy, and pl was asked for"),
        (WHOLE.replace(b"Language: pl", b"Language: ???"), "the file is in ???, and pl was asked for"),
        (WHOLE[: WHOLE.index(b"Keep it dry") + 4], "ends in the middle of a text; send it again"),
        (WHOLE[: WHOLE.rindex(b"msgid") + 6], "ends in the middle of a text; send it again"),
        (WHOLE.replace(b"msgstr[3]", b"msgstr[9]"), "not a gettext catalog from this line on"),
        (WHOLE.replace(b"msgstr[3]", b"msgstr[x]"), "not a gettext catalog"),
        (b"x" * (50 * 1024 * 1024), "larger than 8 MB; export it in parts, by topic"),
        (b'msgstr "x"\n"', "holds no text of a gettext catalog; choose a .po file"),
        (b"\x00\x01\x02", "not a gettext catalog"),
    ],
)
def test_a_file_that_cannot_be_taken_gets_one_clear_sentence(data: bytes, sentence: str) -> None:
    with pytest.raises(ContentError) as refused:
        read_po(data, "pl", "from-anna.po")
    assert sentence in str(refused.value)
    assert len(refused.value.faults) == 1 and "\n" not in str(refused.value)
    assert str(refused.value).startswith("from-anna.po")


def test_no_header_can_order_a_great_number_of_plural_forms() -> None:
    file = WHOLE.replace(b"nplurals=4", b"nplurals=999999999999")
    back = {each.key: each for each in read_po(file, "pl")}
    assert "disagree with the CLDR" in back["course.drops|any"].problem
    assert back["course.drops|any"].target == forms("pl")
    assert back["help.call|any"].problem == ""


@pytest.mark.parametrize(
    "rule", ["nplurals=4; plural=n", "nplurals=4; plural=n%0", "", f"nplurals=4; plural={'(' * 900}"]
)
def test_plural_texts_counted_by_another_rule_are_refused(rule: str) -> None:
    head, _, rest = WHOLE.partition(b'"Plural-Forms')
    file = head + f'"Plural-Forms: {rule};\\n"'.encode() + b"\n\n#." + rest.partition(b"\n\n#.")[2]
    problems = [each.problem for each in read_po(file, "pl")]
    assert problems[0] == "" and problems[1].startswith("the plural forms of the file disagree with the CLDR; write: ")


def test_too_many_plural_forms_are_named() -> None:
    file = WHOLE.replace(b"msgstr[3]", b'msgstr[4] "more"\nmsgstr[3]')
    assert read_po(file, "pl")[1].problem == "5 plural forms where pl has 4"


def test_windows_line_ends_and_a_byte_order_mark_do_no_harm() -> None:
    assert read_po(b"\xef\xbb\xbf" + WHOLE.replace(b"\n", b"\r\n"), "pl") is not None
    plain = [(each.key, each.target) for each in read_po(WHOLE, "pl")]
    assert [(each.key, each.target) for each in read_po(WHOLE.replace(b"\n", b"\r\n"), "pl")] == plain


def test_a_text_that_stands_twice_is_given_twice() -> None:
    entry = an_entry(target=("x",))
    assert [each.key for each in read_po(to_po((entry, entry), "pl"), "pl")] == ["help.call|any"] * 2


@pytest.mark.parametrize("stated", [b"pl_PL", b"pl", b""])
def test_a_country_that_a_tool_added_is_no_other_language(stated: bytes) -> None:
    assert len(read_po(WHOLE.replace(b"Language: pl", b"Language: " + stated), "pl")) == len(exported("pl"))


def test_more_texts_than_anybody_needs_are_refused() -> None:
    with pytest.raises(ContentError, match="more than 50000 texts; export it in parts"):
        read_po(b'msgctxt "a"\nmsgid "a"\nmsgstr "b"\n' * 50_001, "pl")


def test_obsolete_texts_are_left_out() -> None:
    file = WHOLE + b'\n#~ msgctxt "old|any"\n#~ msgid "Old."\n#~ msgstr "Stare."\n'
    assert len(read_po(file, "pl")) == len(exported("pl"))


def test_a_language_tag_must_be_one() -> None:
    with pytest.raises(ContactError):
        read_po(WHOLE, "not a tag")
    with pytest.raises(ContactError):
        to_po((), "not a tag")


def test_the_limit_lets_the_largest_useful_file_through() -> None:
    many = tuple(an_entry(unit=f"u{number}", source=("x" * 200,)) for number in range(5000))
    file = to_po(many, "pl")
    assert len(file) < MOST_OCTETS and len(read_po(file, "pl")) == 5000
