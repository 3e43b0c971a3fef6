"""How does a translator get and give back texts as XLIFF 2?

One <unit> for each text, one <segment> in it. Placeholders are <ph> elements that may be moved, but neither copied nor
deleted nor written anew; their text is in <originalData>. The state of the segment is the standing of the text: missing
and overtaken are "initial", draft is "translated", approved is "final".

Plurals: XLIFF 2.0 and 2.1 have no element for them. A text that counts is a <group> with one <unit> for each CLDR
plural category of the target language. The category is in the id, in the metadata and, as a sentence, in a note. One
unit for each form is what every editor can translate and check, in languages with more forms than English too; it is
the shape of the plural module of XLIFF 2.2 (a group that switches, a unit for each case), so that a move is small.

Source: OASIS XLIFF Version 2.1, section 4 (core) and 5.5 (metadata module). Only what is in 2.0 too is written.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import quoteattr

from service.messages.catalogs import PLACEHOLDER
from service.messages.i18n import canonical_tag, direction, plural_categories
from service.wording.entries import (
    Entry,
    Incoming,
    Texts,
    check_language,
    explain_form,
    guidance,
    may_leave_out_number,
    refuse,
    shown_sources,
)
from service.wording.safe_xml import Node, parse

CORE = "urn:oasis:names:tc:xliff:document:2.0"
METADATA = "urn:oasis:names:tc:xliff:metadata:2.0"
_STATES = {"approved": "final", "draft": "translated"}
_OURS = frozenset({"topic", "safety", "count", "ear", "note", "standing", "form", "made-from"})

# Characters that XML 1.0 cannot hold (section 2.2, Char).
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
_TILDE = ".."
_TOKEN = re.compile(r"[\w.:-]+", re.ASCII)


def to_xliff(entries: tuple[Entry, ...], source_language: str, language: str) -> bytes:
    """The entries as one XLIFF 2.0 file, UTF-8; it holds no clock.

    Raises:
        ContactError: a language tag is malformed, or the plural forms of `language` are not known.
        ValueError: the id of a unit cannot be an XML name token.
    """
    source, target = canonical_tag(source_language), canonical_tag(language)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        f'<xliff xmlns="{CORE}" xmlns:mda="{METADATA}" version="2.0" srcLang="{source}" trgLang="{target}">',
        f'<file id="wording" canResegment="no" srcDir="{direction(source)}" trgDir="{direction(target)}" '
        'xml:space="preserve">',
    ]
    if not entries:
        raise ValueError("a file needs at least one text (XLIFF 2.1, element file)")
    for entry in entries:
        lines.extend(_group(entry, target) if entry.count is not None else _unit(entry, target, 0, ""))
    return "\n".join([*lines, "</file>", "</xliff>", ""]).encode("utf-8")


def _id(entry: Entry) -> str:
    token = f"{entry.unit.replace('~', _TILDE)}:{entry.form}"  # an NMTOKEN has no tilde
    if _TOKEN.fullmatch(token) is None or token.count(":") != 1:
        raise ValueError(f"{entry.unit}: the id of a unit has letters, digits, dots, hyphens and underscores only")
    return token


def _group(entry: Entry, language: str) -> Iterator[str]:
    """A text that counts: one unit for each plural category of the language."""
    token = _id(entry)
    yield f'<group id="{token}" name={quoteattr(entry.key)} type="wording:plural">'
    for index, category in enumerate(plural_categories(language)):
        yield from _unit(entry, language, index, category)
    yield "</group>"


def _unit(entry: Entry, language: str, index: int, category: str) -> Iterator[str]:
    token, name = _id(entry), entry.key
    facts = {"unit": entry.unit, "form": entry.form, "topic": entry.topic, "standing": entry.standing}
    notes = list(guidance(entry))
    if category and entry.count is not None:
        token, name = f"{token}:{category}", f"{name}|{category}"
        facts |= {"plural-category": category, "count": entry.count}
        notes.append(("form", explain_form(entry, language, category)))
    if entry.safety:
        facts["safety"] = "yes"
    if entry.remark and index == 0:
        notes.append(("remark", entry.remark))
    if entry.made_from and entry.standing == "overtaken":
        notes.append(("made-from", "The old translation was made from: " + " | ".join(entry.made_from)))
    yield f'<unit id="{token}" name={quoteattr(name)}>'
    metas = "".join(f"<mda:meta type={quoteattr(kind)}>{_plain(fact)}</mda:meta>" for kind, fact in facts.items())
    yield f'<mda:metadata><mda:metaGroup category="wording">{metas}</mda:metaGroup></mda:metadata>'
    yield "<notes>"
    yield from (f'<note category="{kind}">{_plain(remark)}</note>' for kind, remark in notes)
    yield "</notes>"
    source = shown_sources(entry, language)[index]
    target = entry.target[index] if entry.target is not None else ""
    codes = _Codes(entry.count if category and may_leave_out_number(language, category) else None)
    said = f"<source>{codes.marked(source)}</source>"
    if target:
        said += f"<target>{codes.marked(target)}</target>"
    if codes.data:
        yield "<originalData>"
        yield from (
            f'<data id="{key}" dir="ltr" xml:space="preserve">{_plain(text)}</data>' for text, key in codes.data.items()
        )
        yield "</originalData>"
    state = _STATES.get(entry.standing, "initial") if target else "initial"
    yield f'<segment state="{state}">{said}</segment>'
    yield "</unit>"


@dataclass(slots=True)
class _Codes:
    """The placeholders of one unit: the n-th use of a placeholder has one id, in the source and in the target."""

    optional: str | None
    data: dict[str, str] = field(default_factory=dict)
    ids: dict[tuple[str, int], str] = field(default_factory=dict)

    def marked(self, text: str) -> str:
        """The text as XML content, with its placeholders as <ph>."""
        parts, used = PLACEHOLDER.split(text), dict[str, int]()
        for place, part in enumerate(parts):
            parts[place] = self._placeholder(part, used) if place % 2 else _inline(part)
        return "".join(parts)

    def _placeholder(self, name: str, used: dict[str, int]) -> str:
        used[name] = used.get(name, 0) + 1
        text = f"{{{name}}}"
        data = self.data.setdefault(text, f"d{len(self.data) + 1}")
        token = self.ids.setdefault((name, used[name]), f"p{len(self.ids) + 1}")
        deletable = "yes" if name == self.optional else "no"
        return (
            f'<ph id="{token}" dataRef="{data}" equiv="{text}" disp="{text}" canCopy="no" canDelete="{deletable}" '
            'canReorder="yes"/>'
        )


def _escaped(text: str) -> str:
    """A carriage return is written as a reference: a bare one would be read as a line feed (XML 1.0, 2.11)."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace("\r", "&#13;")


def _plain(text: str) -> str:
    return _escaped(_NOT_XML.sub("\ufffd", text))


def _inline(text: str) -> str:
    """Characters that XML cannot hold become <cp>, which is what it is for (XLIFF 2.1, element cp)."""
    return _NOT_XML.sub(lambda match: f'<cp hex="{ord(match[0]):04X}"/>', _escaped(text))


def read_xliff(data: bytes, language: str, name: str = "the file") -> tuple[Incoming, ...]:
    """Every text of a translator's XLIFF 2.0 or 2.1 file, in the order of the file.

    A text is ready when the state of each of its segments is translated, reviewed or final; a segment without a state
    is "initial" (XLIFF 2.1, attribute state). `name` is what the file is called in an error.

    Raises:
        ContentError: the file cannot be read as XLIFF 2.0 or 2.1 in this language; one sentence, with the line.
        ContactError: the language tag is malformed, or its plural forms are not known.
    """
    tag = canonical_tag(language)
    root = parse(data, name)
    version = root.attributes.get("version", "")
    if root.name != f"{CORE} xliff" or version not in ("2.0", "2.1"):
        found = f"XLIFF {version[:10]}" if root.name.endswith(" xliff") and version else "another kind of file"
        raise refuse(name, f"this is {found}, and XLIFF 2.0 or 2.1 is needed; export it again as XLIFF 2", root.line)
    if stated := root.attributes.get("trgLang", ""):
        check_language(stated, tag, name)
    texts: dict[str, list[_Unit]] = {}
    for unit in _units(root):
        read = _read_unit(unit)
        texts.setdefault(read.key, []).append(read)
    return tuple(_joined(key, units, tag) for key, units in texts.items())


def _units(node: Node) -> Iterator[Node]:
    """The units of files and groups in the order of the file; depth is limited by the parser."""
    for part in node.content:
        if isinstance(part, Node) and part.name == f"{CORE} unit":
            yield part
        elif isinstance(part, Node) and part.name in (f"{CORE} file", f"{CORE} group"):
            yield from _units(part)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Unit:
    """One unit as it was read; `category` is empty where nothing counts."""

    key: str
    category: str
    source: str
    target: str
    ready: bool
    problem: str
    remark: str
    line: int


def _read_unit(unit: Node) -> _Unit:
    token = unit.attributes.get("id", "")
    name, _, rest = token.replace(_TILDE, "~").partition(":")
    form, _, category = rest.partition(":")
    data = {
        each.attributes.get("id", ""): _characters(each)
        for holder in unit.children(f"{CORE} originalData")
        for each in holder.children(f"{CORE} data")
    }
    parts = [
        part
        for part in unit.content
        if isinstance(part, Node) and part.name in (f"{CORE} segment", f"{CORE} ignorable")
    ]
    known: dict[str, str] = {}
    problems: list[str] = []
    sources = [_said(part.child(f"{CORE} source"), data, known, problems) for part in parts]
    targets = []
    for place, part in enumerate(parts):
        target = part.child(f"{CORE} target")
        order = target.attributes.get("order", "") if target is not None else ""
        said = _said(target, data, known, problems)
        if target is None and part.name.endswith("ignorable"):
            said = sources[place]  # what lies between segments stays as it is (XLIFF 2.1, element ignorable)
        targets.append((int(order) if order.isdecimal() and len(order) < 6 else place + 1, said))
    segments = [part for part in parts if part.name == f"{CORE} segment"]
    translated = any(_said(part.child(f"{CORE} target"), data, known, []) for part in segments)
    return _Unit(
        key=f"{name}|{form}" if form else token,
        category=category,
        source="".join(sources),
        target="".join(said for _, said in sorted(targets, key=lambda each: each[0])) if translated else "",
        ready=all(part.attributes.get("state", "initial") in ("translated", "reviewed", "final") for part in segments),
        problem=problems[0] if problems else "",
        remark="\n".join(
            _characters(note)
            for holder in unit.children(f"{CORE} notes")
            for note in holder.children(f"{CORE} note")
            if note.attributes.get("category", "") not in _OURS
        ),
        line=unit.line,
    )


def _said(node: Node | None, data: dict[str, str], known: dict[str, str], problems: list[str]) -> str:
    """The characters of a source or target, its codes written out. `known` learns the codes of the source by id."""
    said = []
    for part in node.content if node is not None else ():
        if isinstance(part, str):
            said.append(part)
            continue
        kind, given = part.name.removeprefix(f"{CORE} "), part.attributes
        if kind == "cp":
            said.append(_code_point(part, problems))
        elif kind == "mrk":
            said.append(_said(part, data, known, problems))
        elif kind == "ph":
            token = given.get("id", "")
            text = data.get(given.get("dataRef", "")) or known.get(token) or known.get(given.get("copyOf", ""))
            if text is None:
                problems.append(f'the placeholder with the id "{token[:40]}" is not one of the source')
            else:
                said.append(known.setdefault(token, text))
        elif kind not in ("sm", "em"):
            problems.append(f"<{kind[:40]}> is formatting, and our texts have none; take it out")
    return "".join(said)


def _characters(node: Node) -> str:
    """The characters of an element that holds nothing but characters and <cp>."""
    return "".join(part if isinstance(part, str) else _code_point(part, []) for part in node.content)


def _code_point(node: Node, problems: list[str]) -> str:
    number = node.attributes.get("hex", "")
    if (
        re.fullmatch("[0-9A-Fa-f]{1,8}", number)
        and int(number, 16) <= 0x10FFFF
        and not 0xD800 <= int(number, 16) < 0xE000
    ):
        return chr(int(number, 16))
    problems.append(f'<cp hex="{number[:40]}"> is not a character')
    return ""


def _joined(key: str, units: Sequence[_Unit], language: str) -> Incoming:
    """One text from its unit, or from the units of its plural forms."""
    problem = next(
        (f"{unit.category}: {unit.problem}" if unit.category else unit.problem for unit in units if unit.problem), ""
    )
    by_category = {unit.category: unit for unit in units}
    counted = "" not in by_category
    categories = plural_categories(language) if counted else ("",)
    unknown = [category for category in by_category if category not in categories]
    if len(by_category) < len(units):
        problem = "the text stands twice in the file; keep one of them"
    elif unknown:
        problem = f"{language} has no plural form {unknown[0][:40]}; it has {', '.join(plural_categories(language))}"
    missing = [category for category in categories if category not in by_category]
    if missing and not problem and any(unit.target for unit in units):
        problem = f"the plural form {missing[0]} is not in the file; export it again"
    remarks = dict.fromkeys(unit.remark for unit in units if unit.remark)
    found = [by_category.get(category) for category in categories]
    target: Texts = tuple(unit.target if unit else "" for unit in found)
    return Incoming(
        key=key,
        source=tuple(unit.source if unit else "" for unit in found),
        target=target,
        ready=all(unit.ready for unit in units if unit.target),
        per_form=True,
        problem=problem,
        remark="\n".join(remarks),
        line=units[0].line,
    )
