"""How does a translator get and give back texts as a gettext catalog (PO)?

msgctxt is "<unit id>|<form>", msgid the English, msgid_plural its text for others: the same keys as in locales/. A text
that was overtaken goes out fuzzy, with the English that it was made from. A fuzzy text that comes in is not ready.
Source: GNU gettext manual, "The Format of PO Files".
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from io import StringIO

from babel.messages.catalog import Catalog, Message
from babel.messages.pofile import PoFileError, PoFileParser, normalize

from service.messages.i18n import canonical_tag, counts_alike, plural_categories, plural_header
from service.wording.entries import Entry, Incoming, Texts, check_language, decode, explain_form, guidance, refuse

_WIDTH = 100
_MOST_TEXTS = 50_000  # about a hundred times the shipped content; each takes memory
_MOST_FORMS = 6  # the CLDR has six plural categories


def to_po(entries: tuple[Entry, ...], language: str, *, version: str = "") -> bytes:
    """The entries as one catalog in `language`, UTF-8. `version` is the content's; it holds no clock.

    Raises:
        ContactError: the language tag is malformed, or its plural forms are not known.
    """
    tag = canonical_tag(language)
    headers = {
        "Project-Id-Version": f"patient wording {version}".strip(),
        "PO-Revision-Date": "YEAR-MO-DA HO:MI+ZONE",
        "Last-Translator": "FULL NAME <EMAIL@ADDRESS>",
        "Language-Team": tag,
        "Language": tag.replace("-", "_"),
        "MIME-Version": "1.0",
        "Content-Type": "text/plain; charset=UTF-8",
        "Content-Transfer-Encoding": "8bit",
        "Plural-Forms": plural_header(tag),
    }
    header = "".join(f"{name}: {value}\n" for name, value in headers.items())
    top = f'# Patient wording in {tag}, for a translator.\nmsgid ""\nmsgstr {_quoted(header)}\n'
    return "\n".join([top, *("\n".join(_lines(entry, tag)) + "\n" for entry in entries)]).encode("utf-8")


def _lines(entry: Entry, language: str) -> Iterator[str]:
    """The lines of one entry. Comments are not wrapped, so that a note stays as it was written. What a translator wrote
    goes back as a translator's comment."""
    yield from (f"# {line}" for line in entry.remark.splitlines() if line.strip())
    comments = [remark for _, remark in guidance(entry)]
    if entry.count is not None:
        comments += [explain_form(entry, language, category) for category in plural_categories(language)]
    for comment in comments:
        yield from (f"#. {line}" for line in comment.splitlines() if line.strip())
    counted = entry.count is not None
    targets = entry.target or ("",) * (len(plural_categories(language)) if counted else 1)
    if entry.standing == "overtaken" and any(targets):
        yield "#, fuzzy"
        for keyword, text in zip(("msgid", "msgid_plural"), entry.made_from or (), strict=False):
            yield from (f"#| {line}" for line in f"{keyword} {_quoted(text)}".split("\n"))
    yield f"msgctxt {_quoted(entry.key)}"
    yield f"msgid {_quoted(entry.source[0])}"
    if counted:
        yield f"msgid_plural {_quoted(entry.source[1])}"
        yield from (f"msgstr[{index}] {_quoted(text)}" for index, text in enumerate(targets))
    else:
        yield f"msgstr {_quoted(targets[0])}"


def _quoted(text: str) -> str:
    return normalize(text, width=_WIDTH)


class _Taken(Catalog):
    """Takes what the parser reads as it stands: twins stay apart, and a header cannot order a million plural forms."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self.name = name
        self.header = ""
        self.taken: list[Message] = []

    @property
    def num_plurals(self) -> int:
        return _MOST_FORMS

    def __setitem__(self, id: object, message: Message) -> None:
        if id == "" and not message.context:
            self.header = self.header or str(message.string)
        else:
            self.taken.append(message)
            if len(self.taken) > _MOST_TEXTS:
                raise refuse(self.name, f"the file has more than {_MOST_TEXTS} texts; export it in parts, by topic")


def read_po(data: bytes, language: str, name: str = "the file") -> tuple[Incoming, ...]:
    """Every text of a translator's catalog, in the order of the file; obsolete ones are left out.

    `name` is what the file is called in an error.

    Raises:
        ContentError: the file cannot be read as a UTF-8 catalog of this language; one sentence, with the line if known.
        ContactError: the language tag is malformed, or its plural forms are not known.
    """
    tag = canonical_tag(language)
    text = decode(data, name)
    if "msgid " in text and _torn(text):
        raise refuse(name, "the file ends in the middle of a text; send it again", text.count("\n") + 1)
    taken = _Taken(name)
    try:
        # Lines end at \n alone: a text may hold other characters at which Python would split.
        PoFileParser(taken, ignore_obsolete=True, abort_invalid=True).parse(StringIO(text, newline="\n"))
    except PoFileError as error:
        wrong = "the file is not a gettext catalog from this line on; mend it with a catalog editor, or export it again"
        raise refuse(name, wrong, error.lineno + 1) from error
    except (ValueError, LookupError, AttributeError, TypeError) as error:  # what the parser trips over
        raise refuse(
            name, "the file is not a gettext catalog; mend it with a catalog editor, or export it again"
        ) from error
    if not taken.header and not taken.taken:
        raise refuse(name, "the file holds no text of a gettext catalog; choose a .po file")
    plural_fault = _check_header(taken.header, tag, name)
    return tuple(_incoming(message, tag, plural_fault) for message in taken.taken)


def _incoming(message: Message, language: str, plural_fault: str) -> Incoming:
    counted = not isinstance(message.id, str)
    source, target = _strings(message.id), _strings(message.string)
    problem = ""
    if counted:
        wanted = len(plural_categories(language))
        given = max((index + 1 for index, text in enumerate(target) if text), default=0)
        if given > wanted:
            problem = f"{given} plural forms where {language} has {wanted}"
        elif given:
            problem = plural_fault
        target = target[: max(given, wanted)]
    return Incoming(
        key=message.context or "",
        source=source,
        target=target,
        ready="fuzzy" not in message.flags,
        problem=problem,
        remark="\n".join(line for line in message.user_comments if line and not line.startswith("|")),
        line=message.lineno,
    )


def _strings(said: object) -> Texts:
    return tuple(str(text) for text in said) if isinstance(said, tuple | list) else (str(said),)


def _torn(text: str) -> bool:
    """Whether the last line breaks off inside its quotes, or before its text."""
    last = next((line for line in reversed(text.split("\n")) if line.strip()), "").strip()
    if last.startswith("#"):
        return False
    return re.fullmatch(r'(?:\w+(?:\[\d+\])? )?"(?:[^"\\]|\\.)*"', last) is None


def _check_header(header: str, language: str, name: str) -> str:
    """What is wrong with the plural rule of the file, "" if nothing. Raises ContentError for another language."""
    values = {
        key.strip().lower(): value.strip() for key, found, value in (line.partition(":") for line in header.split("\n"))
    }
    charset = re.search(r"charset=([\w-]+)", values.get("content-type", ""))
    if charset and charset[1].lower() not in ("utf-8", "utf8", "us-ascii", "ascii", "charset"):
        raise refuse(name, f"the header says that the file is written in {charset[1]}; save it as UTF-8")
    stated = values.get("language", "").replace("_", "-")
    if stated:
        check_language(stated, language, name)
    if counts_alike(values.get("plural-forms", ""), language):
        return ""
    return f"the plural forms of the file disagree with the CLDR; write: Plural-Forms: {plural_header(language)}"
