"""Which words of a mail did the sender write, and which are our own mail quoted back?

Heuristics, since no standard marks a quotation. The whole text is stored beside the result, and a person reads both.
1. From an introduction of a quotation on ("On ... wrote:", followed by quoted lines or by nothing else of ours), from a
   separator of common mail programs on, and from a signature mark ("-- ") on, everything is cut.
2. Lines that begin with ">" are taken out wherever they stand; so answers below or between quoted lines are kept.
3. When nothing is left, the whole text counts.
Limits: an original that is quoted without any mark is taken for the sender's words (that warns too often, never too
seldom), and the introduction is known in English, Welsh, Polish and Urdu, French, German and Spanish only.
"""

from __future__ import annotations

import re
from html.parser import HTMLParser

MOST_CHARACTERS = 20_000
"""What is kept of one mail. Our choice: far more than anybody types."""
MOST_READ = 200_000
MOST_HTML = 1_000_000
"""Characters of a text, and of an HTML part, that are looked at. Our choice: time to read grows with them."""

_INTRODUCTION = re.compile(
    r"^\s*>*\s*(on|ar|w dniu|dnia|le|am|el)\b.{6,200}?"
    r"\b(wrote|ysgrifennodd|napisa\S*|pisze|a écrit|schrieb.*|escribió)\s*:?\s*$"
    r"|^.{6,200}نے\s+لکھا\s*:?\s*$",
    re.IGNORECASE,
)
_SEPARATOR = re.compile(
    r"^\s*(-{2,}\s*(original message|forwarded message|neges wreiddiol|wiadomość oryginalna|oryginalna wiadomość)"
    r"\s*-{2,}"
    r"|_{20,}"
    r"|(from|oddi wrth|od|منجانب)\s*:\s.*@.*)\s*$",
    re.IGNORECASE,
)
_BLOCKS = frozenset({"p", "div", "br", "li", "tr", "h1", "h2", "h3", "h4", "table", "ul", "ol", "hr"})
_UNSEEN = frozenset({"style", "script", "title"})
_QUOTE_MARKS = ("gmail_quote", "yahoo_quoted", "moz-cite-prefix")


def own_words(text: str) -> str:
    """What the sender wrote, without the quoted original."""
    text = text[:MOST_READ]
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    # Compared with single blanks: over a long run of blanks the patterns below would take its square.
    narrow = [" ".join(line.split()) for line in lines]
    kept: list[str] = []
    for number, line in enumerate(lines):
        if line in ("-- ", "--") or _SEPARATOR.match(narrow[number]):
            break
        # A long introduction is broken in two by many programs.
        if _INTRODUCTION.match(narrow[number]) or (
            number + 1 < len(lines) and _INTRODUCTION.match(f"{narrow[number]} {narrow[number + 1]}")
        ):
            if any(rest.lstrip().startswith(">") for rest in lines[number + 1 :]):
                lines_left = lines[number + 1 + (0 if _INTRODUCTION.match(narrow[number]) else 1) :]
                kept += [rest for rest in lines_left if not rest.lstrip().startswith(">")]
            break
        if not line.lstrip().startswith(">"):
            kept.append(line)
    kept_text = "\n".join(kept)
    signature = re.search(r"(?m)^-- ?$", kept_text)
    own = (kept_text[: signature.start()] if signature else kept_text).strip()
    return (own or text.strip())[:MOST_CHARACTERS]


def plain_of_html(html: str, *, quoted: bool = False) -> str:
    """The text of an HTML mail, without what its program marked as quoted unless `quoted` is asked for."""
    reader = _Text(quoted)
    reader.feed(_closed(html[:MOST_HTML]))
    reader.close()
    text = "".join(reader.found)
    return re.sub(r"\n{3,}", "\n\n", re.sub(r"[ \t\xa0]+", " ", text)).strip()


def _closed(html: str) -> str:
    """The HTML without comments and declarations, and with nothing left open at its end: for each that is never closed
    the standard parser would read on to the end again."""
    found, at = list[str](), 0
    last, last_comment = html.rfind(">"), html.rfind("-->")
    while 0 <= (start := html.find("<!", at)) < last:
        found.append(html[at:start])
        whole = html.startswith("<!--", start) and start < last_comment
        close = "-->" if whole else ">"
        at = html.index(close, start + 2) + len(close)
    found += (html[at : last + 1], html[max(at, last + 1) :].replace("<", "&lt;"))
    return "".join(found)


class _Text(HTMLParser):
    """Collects text. `_inside` is the element that hides what is in it, and `_depth` how often it is nested in itself:
    tags of other names may stay unclosed in there without doing harm."""

    def __init__(self, quoted: bool) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[str] = []
        self._quoted = quoted
        self._inside, self._depth = "", 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Break a line at a block; begin to hide at something quoted or unseen."""
        if self._depth:
            self._depth += tag == self._inside
        elif tag in _UNSEEN or (not self._quoted and _is_quote(tag, attrs)):
            self._inside, self._depth = tag, 1
        elif tag in _BLOCKS:
            self.found.append("\n")

    def handle_endtag(self, tag: str) -> None:
        """Come out of something hidden, or break a line."""
        if self._depth:
            self._depth -= tag == self._inside
        elif tag in _BLOCKS:
            self.found.append("\n")

    def handle_data(self, data: str) -> None:
        """Keep what can be seen."""
        if not self._depth:
            self.found.append(data)


def _is_quote(tag: str, attrs: list[tuple[str, str | None]]) -> bool:
    marks = " ".join(value or "" for name, value in attrs if name in ("class", "id"))
    return tag == "blockquote" or (tag == "div" and any(mark in marks for mark in _QUOTE_MARKS))
