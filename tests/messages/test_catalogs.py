from __future__ import annotations

import os
import re
import shutil
import subprocess
from datetime import date
from io import BytesIO
from pathlib import Path

import pytest
from babel.messages.pofile import read_po
from builders import the_pack

from service.domain.pack import Forms, Moment, Pack, Timing, Wording
from service.errors import ContactError, ContentError
from service.messages.catalogs import FILE, Catalogs, load_catalogs, template_catalog, update_po, write_pot

DRY = Wording(
    id="water.dry",
    topic="water",
    forms={
        "right": Forms(other="Keep your right ear dry until {until}."),
        "left": Forms(other="Keep your left ear dry until {until}."),
        "both": Forms(other="Keep both ears dry until {until}."),
    },
    safety=True,
    note="Dry means no water at all.",
)
CALL = Wording(id="help.call", topic="help", forms={"any": Forms(other="Call {clinic} on {phone}.")})
DROPS = Wording(
    id="course.drops",
    topic="course",
    forms={"any": Forms(one="Put in {drops} drop.", other="Put in {drops} drops.")},
    count="drops",
)
WELSH = ("Dim diferion.", "Rhowch un diferyn.", "Rhowch ddau ddiferyn.", "{drops} c", "{drops} ch", "{drops} d")
POLISH = ("Jedna kropla.", "{drops} krople.", "{drops} kropli.", "{drops} kropli.")


def a_pack(*units: Wording, version: str = "1") -> Pack:
    return Pack(
        id="test",
        version=version,
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
        wording={unit.id: unit for unit in units},
        timing=Timing(
            check_in_days=2,
            check_in_at=Moment.MIDDAY,
            appointment_before_days=(1,),
            return_before_days=14,
            join_minutes=30,
            useful_minutes={},
            useful_minutes_by_letter={},
            post_days=3,
            sources=(),
        ),
        recall=the_pack().recall,
    )


def a_catalog(root: Path, pack: Pack, language: str, **texts: str | tuple[str, ...]) -> Path:
    """A translation file with `texts` by unit id (dots as `__`), the same text for every form of a unit."""
    path = root / language / FILE
    update_po(pack, path, language)
    said = {name.replace("__", "."): text for name, text in texts.items()}
    blocks = []
    for block in path.read_text(encoding="utf-8").split("\n\n"):
        unit = block.partition('msgctxt "')[2].partition("|")[0]
        if unit in said:
            given = said[unit]
            lines = [line for line in block.splitlines() if not line.startswith("msgstr")]
            if isinstance(given, str):
                lines.append(f'msgstr "{given}"')
            else:
                lines += [f'msgstr[{index}] "{text}"' for index, text in enumerate(given)]
            block = "\n".join(lines)
        blocks.append(block)
    path.write_text("\n\n".join(blocks).rstrip("\n") + "\n", encoding="utf-8")
    return path


def faults(catalogs: Catalogs) -> list[str]:
    return [f"{fault.path}: {fault.message}" for fault in catalogs.faults()]


def check_with_msgfmt(path: Path) -> str:
    """What msgfmt says of a file: empty when it is valid. Every build server must have msgfmt."""
    if shutil.which("msgfmt") is None:
        assert not os.environ.get("CI"), "msgfmt is missing: install gettext on this build server"
        return ""
    done = subprocess.run(
        ["msgfmt", "--check", "-o", os.devnull, str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    return "" if done.returncode == 0 else done.stderr


def test_the_template_has_every_english_text_with_notes_for_the_translator(tmp_path: Path) -> None:
    pack = a_pack(DRY, DROPS)
    messages = {message.context: message for message in template_catalog(pack) if message.id}
    assert list(messages) == ["water.dry|right", "water.dry|left", "water.dry|both", "course.drops|any"]
    assert messages["water.dry|left"].id == "Keep your left ear dry until {until}."
    assert messages["course.drops|any"].id == ("Put in {drops} drop.", "Put in {drops} drops.")
    notes = " ".join(messages["water.dry|left"].auto_comments)
    assert "Topic: water" in notes
    assert "The left ear." in notes
    assert "Dry means no water at all." in notes
    write_pot(pack, tmp_path / "wording.pot")
    assert {
        message.context for message in read_po(BytesIO((tmp_path / "wording.pot").read_bytes())) if message.id
    } == set(messages)


def test_an_unchanged_template_is_an_unchanged_file(tmp_path: Path) -> None:
    write_pot(a_pack(DRY, DROPS), tmp_path / "one.pot")
    write_pot(a_pack(DRY, DROPS), tmp_path / "two.pot")
    assert (tmp_path / "one.pot").read_bytes() == (tmp_path / "two.pot").read_bytes()


@pytest.mark.parametrize("language", ["cy", "ar", "pl", "ur", "pa-Arab", "fr", "zh-Hans"])
def test_a_new_translation_is_a_draft_with_the_plural_forms_of_its_language(tmp_path: Path, language: str) -> None:
    path = tmp_path / language / FILE
    update_po(a_pack(DRY, DROPS), path, language)
    text = path.read_text(encoding="utf-8")
    assert '"X-Wording-Status: draft\\n"' in text
    assert check_with_msgfmt(path) == ""
    found = load_catalogs(tmp_path, a_pack(DRY, DROPS))
    assert found.languages == ("en", language)
    assert {fault.message for fault in found.faults()} == {"not translated"}


def test_a_finished_translation_is_valid_and_handed_out(tmp_path: Path) -> None:
    pack = a_pack(DRY, DROPS, CALL)
    call = "Ffoniwch {clinic} ar {phone}."
    path = a_catalog(tmp_path, pack, "cy", water__dry="Sych tan {until}.", course__drops=WELSH, help__call=call)
    assert check_with_msgfmt(path) == ""
    found = load_catalogs(tmp_path, pack)
    assert faults(found) == []
    assert found.translation("cy", "course.drops", "any") == WELSH
    assert found.translation("cy", "water.dry", "left") == ("Sych tan {until}.",)
    assert found.translation("cy", "water.dry", "any") is None
    assert found.translation("en", "course.drops", "any") == ("Put in {drops} drop.", "Put in {drops} drops.")


def test_an_update_without_a_change_leaves_the_file_alone(tmp_path: Path) -> None:
    pack = a_pack(DRY, DROPS)
    path = a_catalog(tmp_path, pack, "pl", water__dry="Sucho do {until}.", course__drops=POLISH)
    update_po(pack, path, "pl")
    before = path.read_bytes()
    update_po(pack, path, "pl")
    assert path.read_bytes() == before
    assert faults(load_catalogs(tmp_path, pack)) == []


def test_a_changed_english_keeps_the_translation_but_does_not_use_it(tmp_path: Path) -> None:
    pack = a_pack(DRY, CALL)
    call = "Proszę dzwonić: {clinic}, {phone}."
    path = a_catalog(tmp_path, pack, "pl", water__dry="Sucho do {until}.", help__call=call)
    path.write_text(path.read_text(encoding="utf-8").replace("draft\\n", "reviewed\\n"), encoding="utf-8")
    changed = a_pack(
        DRY, Wording(id="help.call", topic="help", forms={"any": Forms(other="Ring {clinic} on {phone}.")})
    )

    stale = load_catalogs(tmp_path, changed)
    assert stale.translation("pl", "help.call", "any") is None
    assert faults(stale) == [
        "help.call|any: the English has changed; run the catalog update, then look at the translation again"
    ]

    update_po(changed, path, "pl")
    text = path.read_text(encoding="utf-8")
    assert call in text
    assert "X-Wording-Status: reviewed" in text
    merged = load_catalogs(tmp_path, changed)
    assert merged.translation("pl", "help.call", "any") is None
    assert merged.digest("pl", "help.call") is None
    assert faults(merged) == ["help.call|any: fuzzy: look at the translation again, then remove the flag"]
    assert merged.translation("pl", "water.dry", "both") == ("Sucho do {until}.",)


def test_a_unit_that_left_the_content_is_kept_as_obsolete_and_comes_back(tmp_path: Path) -> None:
    both, one = a_pack(DRY, CALL), a_pack(DRY)
    path = a_catalog(tmp_path, both, "pl", water__dry="Sucho do {until}.", help__call="{clinic}, {phone}.")
    assert faults(load_catalogs(tmp_path, one)) == [
        "help.call|any: the content has no such text any more; run the catalog update"
    ]
    update_po(one, path, "pl")
    assert '#~ msgstr "{clinic}, {phone}."' in path.read_text(encoding="utf-8")
    assert faults(load_catalogs(tmp_path, one)) == []
    update_po(both, path, "pl")
    assert load_catalogs(tmp_path, both).translation("pl", "help.call", "any") == ("{clinic}, {phone}.",)


def test_a_unit_that_starts_to_count_needs_a_new_look(tmp_path: Path) -> None:
    before = Wording(id="course.drops", topic="course", forms={"any": Forms(other="Put in {drops} drops.")})
    path = a_catalog(tmp_path, a_pack(before), "pl", course__drops="{drops} kropli.")
    update_po(a_pack(DROPS), path, "pl")
    assert check_with_msgfmt(path) == ""
    assert any("fuzzy" in line for line in faults(load_catalogs(tmp_path, a_pack(DROPS))))


def test_plural_forms_of_an_older_rule_are_a_fault_and_are_not_used(tmp_path: Path) -> None:
    pack = a_pack(DROPS, CALL)
    path = a_catalog(tmp_path, pack, "cy", course__drops=WELSH[:4], help__call="{clinic} {phone}")
    lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
    start = next(index for index, line in enumerate(lines) if line.startswith('"Plural-Forms'))
    end = next(index for index, line in enumerate(lines) if index >= start and line.endswith('\\n"\n'))
    lines[start : end + 1] = ['"Plural-Forms: nplurals=4; plural=(n==1) ? 0 : (n==2) ? 1 : (n==8) ? 2 : 3;\\n"\n']
    path.write_text("".join(lines), encoding="utf-8")

    found = load_catalogs(tmp_path, pack)
    assert faults(found)[0].startswith("Plural-Forms: the plural forms disagree with the CLDR; write: nplurals=6;")
    assert "course.drops|any: 4 plural forms where cy has 6" in faults(found)
    assert found.translation("cy", "course.drops", "any") is None
    assert found.translation("cy", "help.call", "any") == ("{clinic} {phone}",)

    update_po(pack, path, "cy")
    assert check_with_msgfmt(path) == ""
    repaired = load_catalogs(tmp_path, pack)
    assert not any("Plural-Forms" in line for line in faults(repaired))
    assert "course.drops|any: fuzzy: look at the translation again, then remove the flag" in faults(repaired)


@pytest.mark.parametrize(
    "header", ["nplurals=2; plural=n%0;", "nplurals=INTEGER; plural=EXPRESSION;", "nplurals=2; plural=n > 1;", ""]
)
def test_a_wrong_plural_header_is_a_fault_and_never_a_crash(tmp_path: Path, header: str) -> None:
    pack = a_pack(DROPS)
    path = a_catalog(tmp_path, pack, "ur", course__drops=("{drops}", "{drops}"))
    text = path.read_text(encoding="utf-8")
    path.write_text(re.sub(r'"Plural-Forms: [^"]*"', lambda _: f'"Plural-Forms: {header}\\n"', text), encoding="utf-8")
    found = load_catalogs(tmp_path, pack)
    assert len(found.faults()) == 1
    assert found.translation("ur", "course.drops", "any") is None


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("Ffoniwch {clinic}.", "{phone} is missing"),
        ("{clinic} {phone} {link}", "{link} is not in the English"),
        ("{clinic} {phone", "{phone} is missing"),
        ("{clinic} {phone} }", "a curly brace has no partner or holds no known name"),
        ("{clinic} {phone} {Rhif}", "a curly brace has no partner or holds no known name"),
        ("   ", "the text is empty"),
        ("", "not translated"),
        ("{clinic} \u2068{phone}\u2069", "holds a direction control (U+202A-202E or U+2066-2069); delete it"),
    ],
)
def test_a_wrong_text_is_a_fault_with_its_place_and_is_not_used(tmp_path: Path, text: str, fault: str) -> None:
    path = a_catalog(tmp_path, a_pack(CALL), "cy", help__call=text)
    found = load_catalogs(tmp_path, a_pack(CALL))
    assert f"help.call|any: {fault}" in faults(found)
    assert found.translation("cy", "help.call", "any") is None
    assert found.digest("cy", "help.call") is None
    (line,) = {item.line for item in found.faults()}
    assert line is not None
    assert path.read_text(encoding="utf-8").splitlines()[line - 1] == 'msgid "Call {clinic} on {phone}."'


@pytest.mark.parametrize(
    ("language", "texts", "expected"),
    [
        ("cy", WELSH, []),  # zero, one and two stand for one number each
        ("cy", (*WELSH[:3], "tri diferyn", *WELSH[4:]), ["form 3 (few): {drops} is missing"]),  # 3 is not 0, 1 or 2
        ("pl", POLISH, []),
        ("pl", ("{drops} k", "krople", "{drops} k", "{drops} k"), ["form 1 (few): {drops} is missing"]),
        ("fr", ("une goutte", "{drops} g", "{drops} g"), ["form 0 (one): {drops} is missing"]),  # 0 and 1 share it
        ("ru", ("капля", "{drops} к", "{drops} к", "{drops} к"), ["form 0 (one): {drops} is missing"]),  # 1, 21, 31
    ],
)
def test_only_a_form_for_exactly_0_1_or_2_may_leave_out_the_number(
    tmp_path: Path, language: str, texts: tuple[str, ...], expected: list[str]
) -> None:
    a_catalog(tmp_path, a_pack(DROPS), language, course__drops=texts)
    assert faults(load_catalogs(tmp_path, a_pack(DROPS))) == [f"course.drops|any: {line}" for line in expected]


def test_an_empty_plural_form_is_a_fault(tmp_path: Path) -> None:
    a_catalog(tmp_path, a_pack(DROPS), "pl", course__drops=(*POLISH[:3], ""))
    assert faults(load_catalogs(tmp_path, a_pack(DROPS))) == ["course.drops|any: form 3 (other): the text is empty"]


def test_an_approval_is_tied_to_the_english_and_to_every_form_of_the_translation(tmp_path: Path) -> None:
    def digests(english: str, polish: str) -> tuple[str | None, str | None]:
        unit = Wording(id="help.call", topic="help", forms={"any": Forms(other=english)})
        a_catalog(tmp_path, a_pack(unit), "pl", help__call=polish)
        found = load_catalogs(tmp_path, a_pack(unit))
        return found.digest("en", "help.call"), found.digest("pl", "help.call")

    first = digests("Call us.", "Zadzwoń.")
    assert digests("Call us.", "Zadzwoń.") == first
    reworded = digests("Call us.", "Proszę dzwonić.")
    assert (reworded[0] == first[0], reworded[1] == first[1]) == (True, False)
    shutil.rmtree(tmp_path / "pl")
    english_changed = digests("Ring us.", "Zadzwoń.")
    assert english_changed[0] != first[0]
    assert english_changed[1] != first[1]
    assert first[0] != first[1]


def test_a_unit_with_one_form_untranslated_has_no_digest(tmp_path: Path) -> None:
    path = a_catalog(tmp_path, a_pack(DRY), "pl", water__dry="Sucho do {until}.")
    text = path.read_text(encoding="utf-8")
    head, mark, tail = text.partition('msgctxt "water.dry|both"')
    path.write_text(head + mark + tail.replace("Sucho do {until}.", ""), encoding="utf-8")
    found = load_catalogs(tmp_path, a_pack(DRY))
    assert found.translation("pl", "water.dry", "left") is not None
    assert found.digest("pl", "water.dry") is None
    assert found.digest("en", "water.dry") is not None


def test_bad_files_and_folders_are_faults_and_the_rest_still_loads(tmp_path: Path) -> None:
    pack = a_pack(CALL)
    good = a_catalog(tmp_path, pack, "pl", help__call="{clinic} {phone}")
    for folder, content in {
        "cy": b'msgid "a"\nmsgstr "b\nnot a catalog\n',
        "fr": b'msgid ""\nmsgstr "\xe9"\n',
        "welsh_please": good.read_bytes(),
        "en": good.read_bytes(),
        "qaa": good.read_bytes(),
    }.items():
        (tmp_path / folder / FILE).parent.mkdir(parents=True)
        (tmp_path / folder / FILE).write_bytes(content)
    found = load_catalogs(tmp_path, pack)
    assert [(fault.file.split("/")[0], fault.message.split(";")[0]) for fault in found.faults()] == [
        ("cy", "the file is not a gettext catalog from this line on"),
        ("en", "en is there already"),
        ("fr", "the file is not UTF-8"),
        ("qaa", "the folder must be named by its language"),
        ("welsh_please", "the folder must be named by its language"),
    ]
    assert found.translation("pl", "help.call", "any") == ("{clinic} {phone}",)
    with pytest.raises(ContentError, match="UTF-8"):
        update_po(pack, tmp_path / "fr" / FILE, "fr")


def test_no_folder_means_the_source_language_alone(tmp_path: Path) -> None:
    found = load_catalogs(tmp_path / "none", a_pack(CALL))
    assert found.languages == ("en",)
    assert found.faults() == ()


def test_a_catalog_for_a_malformed_language_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ContactError, match="not a language tag"):
        update_po(a_pack(CALL), tmp_path / "x.po", "Welsh!")
