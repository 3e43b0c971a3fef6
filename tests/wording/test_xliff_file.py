from __future__ import annotations

import re
from collections import Counter
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from translate.storage import xliff2
from translate.storage.placeables import StringElem
from wording.translators import LANGUAGES, an_entry, drops, forms

from service.errors import ContactError, ContentError
from service.messages.i18n import plural_categories
from service.wording.entries import Entry, shown_sources
from service.wording.xliff_file import CORE, METADATA, read_xliff, to_xliff

SCRIPTS = "abc ÀéŵŷĄżЩї ءآبپٹ हिन्दी 汉字 עברית 👂🏽🩺 {}<>&]\"'%\n\r\t\u2028\u0085\u200f\u0301\x00\x0b\x1f\ufffe\uffff"


def exported(language: str) -> tuple[Entry, ...]:
    return (
        an_entry(target=("على {phone} اتصل بـ {clinic}.",), standing="approved", note="Two lines\nof a <note> & more."),
        drops(language, target=forms(language), safety=True),
        an_entry(unit="water.dry", form="right", source=("Keep it {until} dry.",)),
        an_entry(
            unit="water.dry", form="left", source=("Keep it dry.",), target=("Sych 👂🏽\nac eto",), standing="draft"
        ),
        an_entry(unit="old", target=("Hen {phone} {phone}\x0b.",), standing="overtaken", made_from=("Call {phone}.",)),
    )


# The core of the standard, as far as a file of ours can go: for each element what may stand in it in which order, and
# its attributes with the values allowed ("id" is an NMTOKEN; "!" marks what must be there).
# Source: OASIS XLIFF Version 2.1, section 4.2 (elements, with their Contains, Attributes and Constraints) and the
# declarations of xliff_core_2.0.xsd; for the metadata module section 5.5 and metadata.xsd.
TOKEN, ANY = r"[\w.:-]+", r"(?s).*"
YES_NO, DIR = "yes|no", "ltr|rtl|auto"
TAG = r"[a-zA-Z]{1,8}(-[a-zA-Z0-9]{1,8})*"
SPACE = "{http://www.w3.org/XML/1998/namespace}space"
INLINE = "(#|cp|ph|pc|sc|ec|mrk|sm|em)*"
CORE_SCHEMA: dict[str, tuple[str, dict[str, str]]] = {
    "xliff": ("(file)+", {"version!": r"2\.[01]", "srcLang!": TAG, "trgLang": TAG, SPACE: "default|preserve"}),
    "file": (
        "(skeleton)?(@)*(notes)?(unit|group)+",
        {"id!": TOKEN, "canResegment": YES_NO, "original": ANY, "translate": YES_NO, "srcDir": DIR, "trgDir": DIR,
         SPACE: "default|preserve"},
    ),
    "group": (
        "(@)*(notes)?(unit|group)*",
        {"id!": TOKEN, "name": ANY, "canResegment": YES_NO, "translate": YES_NO, "srcDir": DIR, "trgDir": DIR,
         "type": r"(?!xlf:)[^\s:]+:[^\s:]+", SPACE: "default|preserve"},
    ),
    "unit": (
        "(@)*(notes)?(originalData)?(segment|ignorable)*(segment)(segment|ignorable)*",
        {"id!": TOKEN, "name": ANY, "canResegment": YES_NO, "translate": YES_NO, "srcDir": DIR, "trgDir": DIR,
         "type": r"(?!xlf:)[^\s:]+:[^\s:]+", SPACE: "default|preserve"},
    ),
    "segment": (
        "(source)(target)?",
        {"id": TOKEN, "canResegment": YES_NO, "state": "initial|translated|reviewed|final", "subState": ANY},
    ),
    "notes": ("(note)+", {}),
    "note": ("(#)*", {"id": TOKEN, "appliesTo": "source|target", "category": ANY, "priority": "[1-9]|10", "ref": ANY}),
    "originalData": ("(data)+", {}),
    "data": ("(#|cp)*", {"id!": TOKEN, "dir": DIR, SPACE: "preserve"}),
    "source": (INLINE, {SPACE: "default|preserve"}),
    "target": (INLINE, {SPACE: "default|preserve", "order": "[1-9][0-9]*"}),
    "cp": ("", {"hex!": "([0-9A-F]{2})+"}),
    "ph": (
        "",
        {"id!": TOKEN, "dataRef": TOKEN, "canCopy": YES_NO, "canDelete": YES_NO, "canReorder": "yes|firstNo|no",
         "copyOf": TOKEN, "disp": ANY, "equiv": ANY, "subFlows": ANY, "subType": r"[^\s:]+:[^\s:]+",
         "type": "fmt|ui|quote|link|image|other"},
    ),
}  # fmt: skip
METADATA_SCHEMA: dict[str, tuple[str, dict[str, str]]] = {
    "metadata": ("(metaGroup)+", {"id": TOKEN}),
    "metaGroup": ("(metaGroup|meta)+", {"id": TOKEN, "category": ANY, "appliesTo": "source|target|ignorable"}),
    "meta": ("(#)*", {"type!": ANY}),
}


def against_the_standard(file: bytes) -> list[str]:
    """Every breach of the clauses above and of the constraints below, as sentences."""
    root = ElementTree.fromstring(file)
    faults: list[str] = []
    spaces = {CORE: CORE_SCHEMA, METADATA: METADATA_SCHEMA}

    def look(node: ElementTree.Element) -> None:
        space, _, name = node.tag[1:].partition("}")
        if space not in spaces:
            return
        if name not in spaces[space]:
            faults.append(f"{name} is not an element of {space}")
            return
        model, attributes = spaces[space][name]
        inside = []
        if (node.text or "").strip():
            inside.append("#")
        for child in node:
            other, _, tag = child.tag[1:].partition("}")
            inside.append(tag if other == space else "@")
            if (child.tail or "").strip():
                inside.append("#")
            look(child)
        if not re.fullmatch(
            re.sub(r"[\w@#]+", lambda match: f"(?:{match[0]} )", model), "".join(f"{x} " for x in inside)
        ):
            faults.append(f"{name} holds {inside}")
        allowed = {key.rstrip("!"): value for key, value in attributes.items()}
        for key, value in node.attrib.items():
            if key not in allowed or not re.fullmatch(allowed[key], value, re.ASCII):
                faults.append(f"{name} has {key}={value!r}")
        faults.extend(
            f"{name} lacks {key[:-1]}" for key in attributes if key.endswith("!") and key[:-1] not in node.attrib
        )

    look(root)
    if root.tag != f"{{{CORE}}}xliff":
        faults.append("the root is not xliff")
    # xliff: trgLang must be there if the file has a target.
    if root.find(f".//{{{CORE}}}target") is not None and not root.get("trgLang"):
        faults.append("there is a target and no trgLang")
    # file, group and unit: each id is unique among those of its kind in the file.
    for file_node in root:
        for kind in ("unit", "group"):
            ids = Counter(node.get("id") for node in file_node.iter(f"{{{CORE}}}{kind}"))
            faults.extend(f"{kind} id {key} stands {times} times" for key, times in ids.items() if times > 1)
    for unit in root.iter(f"{{{CORE}}}unit"):
        data = [node.get("id") for node in unit.iter(f"{{{CORE}}}data")]
        sources = [node for part in unit.iter(f"{{{CORE}}}source") for node in part.iter(f"{{{CORE}}}ph")]
        targets = [node for part in unit.iter(f"{{{CORE}}}target") for node in part.iter(f"{{{CORE}}}ph")]
        # data: the id is unique in originalData. dataRef: names a data of the same unit.
        if len(set(data)) < len(data):
            faults.append("a data id stands twice")
        faults.extend(
            f"dataRef {node.get('dataRef')} has no data"
            for node in sources + targets
            if node.get("dataRef") not in data
        )
        # ph: the id is unique in the sources and in the targets of the unit; a target that repeats an id of the source
        # means the same code, so that its attributes are the same.
        for nodes in (sources, targets):
            if len({node.get("id") for node in nodes}) < len(nodes):
                faults.append("a ph id stands twice")
        known = {node.get("id"): node.attrib for node in sources}
        faults.extend("a code differs" for node in targets if known.get(node.get("id"), node.attrib) != node.attrib)
        # segment: a state other than initial needs a target.
        for segment in unit.iter(f"{{{CORE}}}segment"):
            if segment.get("state", "initial") != "initial" and segment.find(f"{{{CORE}}}target") is None:
                faults.append("a state without a target")
    return faults


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_file_keeps_the_clauses_of_the_standard(language: str) -> None:
    assert against_the_standard(to_xliff(exported(language), "en", language)) == []


@pytest.mark.parametrize(
    ("good", "bad"),
    [
        (b' trgLang="pl"', b""),
        (b'state="final"', b'state="done"'),
        (b'canCopy="no"', b'canCopy="never"'),
        (b'dataRef="d1"', b'dataRef="d9"'),
        (b"<notes>", b"<notes/><notes>"),
        (b'<unit id="help.call:any"', b'<unit id="water.dry:left"'),
        (b"</source>", b"<b/></source>"),
        (b'type="wording:plural"', b'type="plural"'),
        (b'<ph id="p1"', b"<ph"),
    ],
)
def test_the_clauses_find_what_breaks_them(good: bytes, bad: bytes) -> None:
    file = to_xliff(exported("pl"), "en", "pl")
    assert good in file
    assert against_the_standard(file.replace(good, bad)) != []


def test_directions_and_languages_are_stated() -> None:
    file = to_xliff(exported("ur"), "en", "ur")
    assert b'srcLang="en" trgLang="ur"' in file and b'srcDir="ltr" trgDir="rtl"' in file
    assert b'trgDir="ltr"' in to_xliff(exported("pl"), "en", "pl")


def test_a_placeholder_can_be_moved_but_neither_copied_nor_deleted() -> None:
    file = to_xliff((an_entry(target=("{phone}: {clinic}",)),), "en", "cy").decode()
    codes = re.findall(r"<ph [^>]*/>", file)
    assert len(codes) == 4 and "{" not in re.sub(r"<(ph|data|note)\b[^>]*(/>|>[^<]*)", "", file)
    assert all('canCopy="no" canDelete="no" canReorder="yes"' in code for code in codes)
    assert [re.search(r'id="(\w+)"', code)[1] for code in codes] == ["p1", "p2", "p2", "p1"]  # type: ignore[index]


def test_the_number_may_go_only_where_the_form_says_it() -> None:
    def deletable(language: str) -> dict[str, str]:
        file = to_xliff((drops(language),), "en", language).decode()
        return dict(re.findall(r'<unit id="course.drops:any:(\w+)".*?canDelete="(\w+)"', file, re.DOTALL))

    assert deletable("cy") == dict.fromkeys(("zero", "one", "two"), "yes") | dict.fromkeys(
        ("few", "many", "other"), "no"
    )
    assert set(deletable("uk").values()) == {"no"}  # "one" is for 21 too


def test_a_text_that_counts_is_a_group_with_a_unit_for_each_form() -> None:
    file = to_xliff((drops("ar"),), "en", "ar").decode()
    assert '<group id="course.drops:any" name="course.drops|any" type="wording:plural">' in file
    assert re.findall(r'<unit id="course.drops:any:(\w+)"', file) == list(plural_categories("ar"))
    assert '<mda:meta type="plural-category">few</mda:meta><mda:meta type="count">drops</mda:meta>' in file
    assert "Plural form few: for 3, 4, 5, 6, 7, 8 and so on; {drops} must stay." in file


def test_the_english_for_one_stands_beside_one_unless_the_number_would_be_lost() -> None:
    worded = drops("uk", source=("Put in a drop.", "Put in {drops} drops."))
    assert shown_sources(worded, "uk") == ("Put in {drops} drops.",) * 4  # its "one" is for 21 too
    assert shown_sources(worded, "pl")[:2] == ("Put in a drop.", "Put in {drops} drops.")
    assert shown_sources(drops("uk"), "uk")[0] == "Put in {drops} drop."


@pytest.mark.parametrize(
    ("standing", "state", "ready"),
    [("approved", "final", True), ("draft", "translated", True), ("overtaken", "initial", False)],
)
def test_the_state_is_the_standing(standing: str, state: str, ready: bool) -> None:
    file = to_xliff((an_entry(target=("x",), standing=standing),), "en", "pl")
    assert f'<segment state="{state}">'.encode() in file
    assert [each.ready for each in read_xliff(file, "pl")] == [ready]


@pytest.mark.parametrize(("state", "ready"), [(' state="reviewed"', True), (' state="initial"', False), ("", False)])
def test_a_text_is_ready_when_its_state_says_so(state: str, ready: bool) -> None:
    file = to_xliff((an_entry(target=("x",), standing="draft"),), "en", "pl")
    assert read_xliff(file.replace(b' state="translated"', state.encode()), "pl")[0].ready is ready


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_translation_toolkit_opens_translates_and_saves_without_loss(language: str) -> None:
    store = xliff2.Xliff2File.parsestring(to_xliff(exported(language), "en", language))
    units = {unit.getid(): unit for unit in store.units}
    assert store.sourcelanguage == "en" and store.targetlanguage == language
    # It looks for notes inside the segment, where the standard has none; it keeps those of the unit (seen below).
    assert "of a <note> & more." in "".join(units["help.call:any"].getunitelement().itertext())
    # As an editor does it: words around the codes of the source.
    _, until, _ = units["water.dry:right"].rich_source[0].sub
    units["water.dry:right"].rich_target = [StringElem(["سوكهى 👂🏽\n ", until, " — ᚠ  שלום"])]
    units["water.dry:right"].marktranslated()
    new = []
    for category in plural_categories(language):
        unit = units[f"course.drops:any:{category}"]
        _, number, _ = unit.rich_source[0].sub
        unit.rich_target = [StringElem([number, f" <{category}> & 🩺"])]
        unit.marktranslated()
        new.append(f"{{drops}} <{category}> & 🩺")
    saved = bytes(store)
    back = {each.key: each for each in read_xliff(saved, language)}
    assert back["water.dry|right"].target == ("سوكهى 👂🏽\n {until} — ᚠ  שלום",)
    assert back["course.drops|any"].target == tuple(new)
    assert back["course.drops|any"].source == shown_sources(drops(language), language)
    assert back["help.call|any"].target == ("على {phone} اتصل بـ {clinic}.",)
    assert back["water.dry|left"].target == ("Sych 👂🏽\nac eto",)
    assert back["old|any"].target == ("Hen {phone} {phone}\x0b.",) and not back["old|any"].ready
    assert all(not each.problem for each in back.values())
    assert all(back[key].ready for key in back if key != "old|any")
    again = ElementTree.fromstring(saved)
    first = ElementTree.fromstring(to_xliff(exported(language), "en", language))
    for name in (f"{{{CORE}}}note", f"{{{METADATA}}}meta", f"{{{CORE}}}data"):
        assert [node.text for node in again.iter(name)] == [node.text for node in first.iter(name)]


def test_a_placeholder_typed_as_plain_words_is_read_too() -> None:
    store = xliff2.Xliff2File.parsestring(to_xliff((an_entry(),), "en", "pl"))
    store.units[0].target = "Zadzwoń: {phone}, {clinic}."
    store.units[0].marktranslated()
    assert read_xliff(bytes(store), "pl")[0].target == ("Zadzwoń: {phone}, {clinic}.",)


def test_what_the_translator_writes_beside_a_text_comes_back() -> None:
    store = xliff2.Xliff2File.parsestring(to_xliff((an_entry(),), "en", "pl"))
    store.units[0].getunitelement()[1].append(store.units[0].getunitelement()[1][0].__copy__())
    note = store.units[0].getunitelement()[1][-1]
    note.text, note.attrib["category"] = "Is this a person?", "question"
    assert read_xliff(bytes(store), "pl")[0].remark == "Is this a person?"


def test_what_a_translator_wrote_before_goes_out_again_once_as_a_note() -> None:
    file = to_xliff((drops("pl", target=forms("pl"), remark="Few <or> many?\nMany?"),), "en", "pl")
    assert file.count(b'<note category="remark">Few &lt;or&gt; many?\nMany?</note>') == 1
    assert read_xliff(file, "pl")[0].remark == "Few <or> many?\nMany?"
    assert against_the_standard(file) == []


texts = st.text(alphabet=st.one_of(st.sampled_from(SCRIPTS), st.characters(exclude_categories=("Cs",))), min_size=1)
with_codes = st.lists(st.one_of(texts, st.sampled_from(["{drops}", "{phone}", "{drop}", "{Drops}"])), min_size=1).map(
    "".join
)


@settings(max_examples=100, deadline=None)
@given(data=st.data(), language=st.sampled_from(LANGUAGES))
def test_any_text_comes_back_as_it_went_out(data: st.DataObject, language: str) -> None:
    count = len(plural_categories(language))
    plural = data.draw(st.lists(with_codes, min_size=count, max_size=count).map(tuple))
    note = data.draw(st.text())
    entries = (
        an_entry(source=(data.draw(with_codes),), target=(data.draw(with_codes),), note=note, standing="draft"),
        drops(language, source=(data.draw(with_codes), data.draw(with_codes)), target=plural),
    )
    file = to_xliff(entries, "en", language)
    assert against_the_standard(file) == []
    assert [(each.key, each.source, each.target, each.problem) for each in read_xliff(file, language)] == [
        (entry.key, shown_sources(entry, language), entry.target, "") for entry in entries
    ]


WHOLE = to_xliff(exported("pl"), "en", "pl")
LAUGHS = b'<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]><xliff>&b;</xliff>'
OUTSIDE = b'<?xml version="1.0"?>\n<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]><xliff>&a;</xliff>'
PARAMETER = b'<!DOCTYPE x SYSTEM "http://example.org/x.dtd"><xliff/>'


@pytest.mark.parametrize(
    ("data", "sentence"),
    [
        (b"", "the file is empty"),
        (LAUGHS, "a document type definition, which is not allowed"),
        (OUTSIDE, "from-anna.xlf:2: the file has a document type definition, which is not allowed"),
        (PARAMETER, "a document type definition, which is not allowed"),
        (LAUGHS.decode().encode("utf-16"), "a document type definition, which is not allowed"),
        (b"<xliff>&unknown;</xliff>", "not well-formed XML here (undefined entity)"),
        (b"<a>" * 2_000_000, "elements stand more than 64 deep"),
        (b"<a>" + b"<b/>" * 400_001 + b"</a>", "more than 400000 elements; export it in parts, by topic"),
        (b"<a" + b" x='1'" * 100, "not well-formed XML here"),
        (b"x" * (50 * 1024 * 1024), "larger than 8 MB; export it in parts, by topic"),
        (WHOLE[: len(WHOLE) // 2], "not well-formed XML here"),
        (WHOLE[:-3], "not well-formed XML here"),
        (WHOLE.replace("ż".encode(), b"\xbf").replace(b"Sych", b"\xe4\xe5"), "not UTF-8 from this line on"),
        (WHOLE.replace(b'"UTF-8"', b'"windows-1256"'), "written in windows-1256; save it as UTF-8"),
        (b"\xff\xfe<\x00x", "UTF-8"),
        (b"msgid", "not well-formed XML here"),
        (b'<xliff version="1.2" xmlns="urn:oasis:names:tc:xliff:document:1.2"/>', "this is XLIFF 1.2, and XLIFF 2.0 or 2.1"),
        (b'<xliff version="2.2" xmlns="urn:oasis:names:tc:xliff:document:2.2"/>', "this is XLIFF 2.2, and XLIFF 2.0 or 2.1"),
        (b"<html/>", "this is another kind of file, and XLIFF 2.0 or 2.1 is needed"),
        (WHOLE.replace(b'trgLang="pl"', b'trgLang="cy"'), "the file is in cy, and pl was asked for"),
        (WHOLE.replace(b'trgLang="pl"', b'trgLang="?"'), "the file is in ?, and pl was asked for"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_taken_gets_one_clear_sentence(data: bytes, sentence: str) -> None:
    with pytest.raises(ContentError) as refused:
        read_xliff(data, "pl", "from-anna.xlf")
    assert sentence in str(refused.value)
    assert len(refused.value.faults) == 1 and "\n" not in str(refused.value)
    assert str(refused.value).startswith("from-anna.xlf")


def test_utf_16_and_version_2_1_are_read() -> None:
    file = WHOLE.replace(b'version="2.0"', b'version="2.1"').replace(b'"UTF-8"', b'"UTF-16"').decode().encode("utf-16")
    assert read_xliff(file, "pl") == read_xliff(WHOLE, "pl")


def one(inside: str, *, before: str = "", state: str = "translated") -> bytes:
    return (
        f'<xliff xmlns="{CORE}" version="2.0" srcLang="en" trgLang="pl"><file id="f"><unit id="help.call:any">{before}'
        f'<originalData><data id="d1">{{clinic}}</data></originalData><segment state="{state}"><source>Call <ph id="1" '
        f'dataRef="d1"/></source><target>{inside}</target></segment></unit></file></xliff>'
    ).encode()


@pytest.mark.parametrize(
    ("inside", "said"),
    [
        ('Do <ph id="1"/>', "Do {clinic}"),  # a tool that left out the reference
        ('Do <ph id="7" dataRef="d1"/>', "Do {clinic}"),
        ('<ph id="1" dataRef="d1"/><ph id="2" copyOf="1"/>', "{clinic}{clinic}"),
        ('<mrk id="m" type="term">Do</mrk> <sm id="s"/><ph id="1" dataRef="d1"/><em startRef="s"/>', "Do {clinic}"),
        ('<cp hex="0007"/>a<cp hex="1F442"/>', "\x07a\U0001f442"),
        ("<![CDATA[a < b]]> <!-- not a word -->c", "a < b c"),
    ],
)
def test_what_editors_put_into_a_text_is_read(inside: str, said: str) -> None:
    (read,) = read_xliff(one(inside), "pl")
    assert (read.target, read.source, read.problem) == ((said,), ("Call {clinic}",), "")


@pytest.mark.parametrize(
    ("inside", "problem"),
    [
        ('Do <ph id="9"/>', 'the placeholder with the id "9" is not one of the source'),
        ('<pc id="3">Do</pc>', "<pc> is formatting, and our texts have none; take it out"),
        ('<cp hex="D800"/>', '<cp hex="D800"> is not a character'),
        ('<cp hex="FFFFFFFF"/>', '<cp hex="FFFFFFFF"> is not a character'),
    ],
)
def test_what_a_text_cannot_hold_is_named(inside: str, problem: str) -> None:
    assert read_xliff(one(inside), "pl")[0].problem == problem


def test_a_text_that_a_tool_cut_into_segments_is_one_text() -> None:
    cut = (
        b'<segment state="final"><source>A.</source><target order="3">Ac.</target></segment><ignorable><source> </source>'
        b'</ignorable><segment state="final"><source>B.</source><target order="1">Bc.</target></segment>'
    )
    file = re.sub(rb"<segment.*</segment>", cut, one("x"))
    (read,) = read_xliff(file, "pl")
    assert (read.source, read.target, read.ready) == (("A. B.",), ("Bc. Ac.",), True)


def test_suggestions_of_other_modules_are_not_taken_for_texts() -> None:
    match = (
        '<m:matches xmlns:m="urn:oasis:names:tc:xliff:matches:2.0"><m:match ref="#s"><source>Call</source><target>No'
        "</target></m:match></m:matches>"
    )
    assert read_xliff(one("Do", before=match), "pl")[0].target == ("Do",)


def test_a_plural_form_that_is_gone_strange_or_twice_is_named() -> None:
    whole = to_xliff((drops("pl", target=forms("pl")),), "en", "pl")
    few = re.search(rb'<unit id="course.drops:any:few".*?</unit>\n', whole, re.DOTALL)
    assert few is not None
    assert read_xliff(whole.replace(few[0], b""), "pl")[0].problem.startswith("the plural form few is not in the file")
    assert "stands twice" in read_xliff(whole.replace(few[0], few[0] * 2), "pl")[0].problem
    strange = read_xliff(whole.replace(b":any:few", b":any:paucal"), "pl")[0].problem
    assert strange == "pl has no plural form paucal; it has one, few, many, other"


def test_a_unit_id_that_xml_cannot_name_is_refused() -> None:
    with pytest.raises(ValueError, match="letters, digits, dots"):
        to_xliff((an_entry(unit="two words"),), "en", "pl")
    with pytest.raises(ValueError, match="at least one text"):
        to_xliff((), "en", "pl")
    with pytest.raises(ContactError):
        to_xliff((an_entry(),), "en", "not a tag")
