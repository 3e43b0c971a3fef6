"""What does each language say for each wording unit, and is any of it missing, out of date or wrong?

The English is `Pack.wording`. Translations are gettext files, `locales/<language>/LC_MESSAGES/wording.po`: msgctxt is
"<unit id>|<form>", msgid the English, msgid_plural its `other` form where the unit counts something. They are read in
memory; no compiled file exists. A text that is missing, fuzzy, or made from other English is never handed out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path

from babel.messages.catalog import Catalog, Message
from babel.messages.pofile import PoFileError, denormalize, normalize, read_po, write_po

from service.domain.pack import Forms, Pack, Wording
from service.domain.revision import digest_of, source_of
from service.errors import ContactError, ContentError, Fault
from service.messages.i18n import canonical_tag, counts_alike, plural_categories
from service.messages.i18n import plural_header as header_of_language
from service.messages.text_checks import FORMS, PLACEHOLDER, form_faults

__all__ = [
    "FILE",
    "FORMS",
    "PLACEHOLDER",
    "STATUS",
    "Catalogs",
    "load_catalogs",
    "template_catalog",
    "update_po",
    "write_pot",
]

FILE = Path("LC_MESSAGES") / "wording.po"
STATUS = "X-Wording-Status"


Texts = tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Catalogs:
    """Every usable text of every language, and everything wrong with the files. Look-ups only, no I/O."""

    source: str
    languages: tuple[str, ...]
    _texts: Mapping[tuple[str, str, str], Texts] = field(repr=False)
    _digests: Mapping[tuple[str, str], str] = field(repr=False)
    _faults: tuple[Fault, ...] = ()

    def translation(self, language: str, unit_id: str, form: str) -> Texts | None:
        """All plural forms (one text for a unit that does not count) in the order of the language's gettext forms.

        None when the text is missing, empty or fuzzy, or was made from English that is no longer the content's.
        """
        return self._texts.get((language, unit_id, form))

    def digest(self, language: str, unit_id: str) -> str | None:
        """What an approval is tied to: SHA-256 over the English and this language's texts of every form.

        None when any form has no usable text. For the source language it covers the English alone.
        """
        return self._digests.get((language, unit_id))

    def faults(self) -> tuple[Fault, ...]:
        """Everything wrong in the files, by language and then in the order of the content."""
        return self._faults


def template_catalog(pack: Pack) -> Catalog:
    """Every English text as an untranslated message, with its topic and note for the translator."""
    catalog = Catalog(project="tragus wording", version=pack.version, charset="utf-8")
    for unit, form, forms in _entries(pack):
        comments = [f"Topic: {unit.topic}"]
        if unit.safety:
            comments.append("Safety: say it in full.")
        if unit.count is not None:
            comments.append(f"{{{unit.count}}} picks the plural form.")
        if form != "any":
            comments.append({"right": "The right ear.", "left": "The left ear.", "both": "Both ears."}[form])
        if unit.note:
            comments.append(unit.note)
        catalog.add(_msgid(forms), auto_comments=comments, context=f"{unit.id}|{form}")
    return catalog


def write_pot(pack: Pack, path: Path) -> None:
    """Write the template of all translations (wording.pot)."""
    headers = {
        "Project-Id-Version": f"tragus wording {pack.version}",
        "PO-Revision-Date": "YEAR-MO-DA HO:MI+ZONE",
        "Last-Translator": "FULL NAME <EMAIL@ADDRESS>",
        "Language-Team": "LANGUAGE <LL@li.org>",
        "Language": "",
        **_MIME,
    }
    _write(path, "# Patient wording: the English source.\n", headers, template_catalog(pack), fuzzy=True)


def update_po(pack: Pack, path: Path, language: str) -> None:
    """Create a translation file, or bring it up to date with the content.

    Where the English changed, the old translation stays and is flagged fuzzy.
    Texts of units that are gone are kept at the end as obsolete. Where the plural forms of the file were not those
    of the CLDR, every plural text is flagged fuzzy. Headers and comments of the translator are kept.

    Raises:
        ContactError: the language tag is malformed, or its plural forms are not known.
        ContentError: the file is there but cannot be read.
    """
    tag = canonical_tag(language)
    headers = {
        "Project-Id-Version": f"tragus wording {pack.version}",
        "PO-Revision-Date": "YEAR-MO-DA HO:MI+ZONE",
        "Last-Translator": "FULL NAME <EMAIL@ADDRESS>",
        "Language-Team": tag,
        "Language": tag.replace("-", "_"),
        **_MIME,
        STATUS: "draft",
    }
    comment = f"# Patient wording in {tag}. Draft until a named reviewer approves it.\n"
    merged = template_catalog(pack)
    if path.exists():
        old = _read(path, path.as_posix())
        comment = old.comment or comment
        headers |= {name: value for name, value in old.headers.items() if name not in _OWN_HEADERS}
        same_plurals = not _plural_header_fault(old.headers.get("Plural-Forms", ""), tag)
        _merge(merged, old.catalog, len(plural_categories(tag)), same_plurals)
    headers["Plural-Forms"] = header_of_language(tag)
    merged.mime_headers = [("Plural-Forms", headers["Plural-Forms"])]
    _write(path, comment, headers, merged)


def load_catalogs(root: Path, pack: Pack) -> Catalogs:
    """Read every `<language>/LC_MESSAGES/wording.po` under `root` (a folder that is missing holds no languages).

    Nothing is raised for a bad file: it is in `Catalogs.faults()`, and what is wrong in it is not handed out.
    """
    texts: dict[tuple[str, str, str], Texts] = {}
    source = canonical_tag(pack.source_language)
    for unit, form, forms in _entries(pack):
        texts[source, unit.id, form] = _english_texts(forms, source)
    faults: list[Fault] = []
    languages = []
    for path in sorted(root.glob(f"*/{FILE.as_posix()}")):
        name = path.relative_to(root).as_posix()
        try:
            language = canonical_tag(path.parents[1].name.replace("_", "-"))
            plural_categories(language)
        except ContactError as error:
            faults.append(Fault(file=name, path="", message=f"the folder must be named by its language; {error}"))
            continue
        if language == source or language in languages:
            message = f"{language} is there already; keep one source or folder for it"
            faults.append(Fault(file=name, path="", message=message))
            continue
        languages.append(language)
        try:
            read = _read(path, name)
        except ContentError as error:
            faults.extend(error.faults)
            continue
        faults.extend(_take(read, name, language, pack, texts))
    return Catalogs(
        source=source,
        languages=(source, *sorted(languages)),
        _texts=texts,
        _digests=_all_digests(pack, (source, *languages), texts),
        _faults=tuple(faults),
    )


_MIME = {
    "MIME-Version": "1.0",
    "Content-Type": "text/plain; charset=UTF-8",
    "Content-Transfer-Encoding": "8bit",
}
_OWN_HEADERS = frozenset({"Project-Id-Version", "Language", "Plural-Forms", *_MIME})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Read:
    """One file: its messages by context, its raw headers (Babel drops those it does not know), its top comment."""

    catalog: Catalog
    messages: Mapping[str, Message]
    headers: Mapping[str, str]
    comment: str


def _read(path: Path, name: str) -> _Read:
    """Parse a file. Raises ContentError when it is not UTF-8 or not a catalog."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
        catalog = read_po(BytesIO(text.encode("utf-8")), charset="utf-8", abort_invalid=True)
    except UnicodeDecodeError as error:
        raise ContentError((Fault(file=name, path="", message="the file is not UTF-8; save it as UTF-8"),)) from error
    except PoFileError as error:
        message = "the file is not a gettext catalog from this line on; mend it with a catalog editor"
        raise ContentError((Fault(file=name, path="", message=message, line=error.lineno + 1),)) from error
    except ValueError as error:
        message = f"the header or an entry cannot be read ({error}); mend the file with a catalog editor"
        raise ContentError((Fault(file=name, path="", message=message),)) from error
    return _Read(
        catalog=catalog,
        messages={message.context: message for message in catalog if message.context},
        headers=_raw_headers(text),
        comment="".join(f"{line}\n" for line in text.split('msgid ""', 1)[0].splitlines() if line[:2] in ("#", "# ")),
    )


def _raw_headers(text: str) -> dict[str, str]:
    match = re.search(r'^msgid ""\nmsgstr ((?:"(?:[^"\\\n]|\\.)*"\n?)+)', text, re.MULTILINE)
    lines = denormalize(match[1]).splitlines() if match else []
    return {name.strip(): value.strip() for name, found, value in (line.partition(":") for line in lines) if found}


def _write(path: Path, comment: str, headers: Mapping[str, str], catalog: Catalog, *, fuzzy: bool = False) -> None:
    """Write a file with exactly these headers: no clock, so that an unchanged catalog is an unchanged file."""
    header = "".join(f"{name}: {value}\n" for name, value in headers.items())
    body = BytesIO()
    write_po(body, catalog, width=100, omit_header=True)
    top = f'{comment}{"#, fuzzy" + chr(10) if fuzzy else ""}msgid ""\nmsgstr {normalize(header, width=100)}\n\n'
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(top.encode("utf-8") + body.getvalue().rstrip(b"\n") + b"\n")


def _merge(merged: Catalog, old: Catalog, forms: int, same_plurals: bool) -> None:
    """Carry the translations of `old` over into `merged`, by context."""
    before = {message.context: message for message in [*old.obsolete.values(), *old] if message.context}
    for message in merged:
        known = before.pop(message.context, None) if message.id else None
        if known is None:
            continue
        strings = _strings(known)
        message.user_comments = list(known.user_comments)
        message.string = (strings + ("",) * forms)[:forms] if message.pluralizable else strings[0]
        changed = known.id != message.id or (message.pluralizable and not same_plurals)
        if any(strings) and (changed or known.fuzzy):
            message.flags.add("fuzzy")
    for key, message in enumerate(before.values()):
        if any(_strings(message)):
            merged.obsolete[str(key)] = message


def _strings(message: Message) -> Texts:
    return (message.string or "",) if isinstance(message.string, str | None) else tuple(message.string)


def _entries(pack: Pack) -> Iterator[tuple[Wording, str, Forms]]:
    """Every text of the content in a steady order: units as the content has them, then any, right, left, both."""
    for unit in pack.wording.values():
        for form in FORMS:
            if form in unit.forms:
                yield unit, form, unit.forms[form]


def _msgid(forms: Forms) -> str | tuple[str, str]:
    return forms.other if forms.one is None else (forms.one, forms.other)


def _english_texts(forms: Forms, source: str) -> Texts:
    if forms.one is None:
        return (forms.other,)
    return tuple(forms.one if name == "one" else forms.other for name in plural_categories(source))


def _all_digests(
    pack: Pack, languages: tuple[str, ...], texts: Mapping[tuple[str, str, str], Texts]
) -> dict[tuple[str, str], str]:
    digests = {}
    for unit in pack.wording.values():
        source = source_of(unit)
        for language in languages:
            said = {form: text for form in unit.forms if (text := texts.get((language, unit.id, form))) is not None}
            if len(said) == len(unit.forms):
                digests[language, unit.id] = digest_of(unit, source, None if language == languages[0] else said)
    return digests


def _take(
    read: _Read, name: str, language: str, pack: Pack, texts: dict[tuple[str, str, str], Texts]
) -> Iterator[Fault]:
    """Put the usable texts of one file into `texts`; give its faults."""
    wrong_header = _plural_header_fault(read.headers.get("Plural-Forms", ""), language)
    if wrong_header:
        yield Fault(file=name, path="Plural-Forms", message=wrong_header)
    wanted = set()
    for unit, form, forms in _entries(pack):
        key = f"{unit.id}|{form}"
        wanted.add(key)
        message = read.messages.get(key)
        line = message.lineno if message is not None else None
        problems = list(_text_faults(message, unit, form, forms, language))
        yield from (Fault(file=name, path=key, message=problem.message, line=line) for problem in problems)
        if message is None or any(problem.bars for problem in problems) or (wrong_header and unit.count is not None):
            continue
        texts[language, unit.id, form] = _strings(message)
    for key in read.messages.keys() - wanted:
        gone = "the content has no such text any more; run the catalog update"
        yield Fault(file=name, path=key, message=gone, line=read.messages[key].lineno)


@dataclass(frozen=True, slots=True)
class _Problem:
    message: str
    bars: bool = True


def _text_faults(message: Message | None, unit: Wording, form: str, forms: Forms, language: str) -> Iterator[_Problem]:
    if message is None or not any(_strings(message)):
        yield _Problem("not translated")
        return
    if message.id != _msgid(forms):
        yield _Problem("the English has changed; run the catalog update, then look at the translation again")
        return
    if message.fuzzy:
        yield _Problem("fuzzy: look at the translation again, then remove the flag")
    english = (forms.other,) if forms.one is None else (forms.one, forms.other)
    for fault in form_faults(unit, language, form, _strings(message), english, slips=False):
        if fault.bars:
            place = "" if fault.index is None else f"form {fault.index} ({plural_categories(language)[fault.index]}): "
            yield _Problem(f"{place}{fault.what}")


def _plural_header_fault(header: str, language: str) -> str | None:
    """What is wrong with a Plural-Forms header, or None. Forms are compared by what they do, not how they look."""
    expected = header_of_language(language)
    return None if counts_alike(header, language) else f"the plural forms disagree with the CLDR; write: {expected}"
