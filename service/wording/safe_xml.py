"""How is an XML file from outside read without letting it do anything?

The reader is expat from the standard library. A document type definition is refused at its first character: without
one there are no entities to expand and nothing outside to fetch, so no further library is needed. Size and depth are
limited. Source: XML 1.0 (fifth edition) 4.1 and 4.4, OWASP XML External Entity Prevention (disallow DTDs).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import NoReturn
from xml.parsers import expat

from service.wording.entries import decode, refuse

_MOST_DEPTH = 64  # translators' files need about ten; a reader that calls itself must not run out of stack

_MOST_ELEMENTS = 400_000  # about ten times the largest export of the shipped content; each takes memory


@dataclass(slots=True, kw_only=True)
class Node:
    """One element: its name as "namespace name" (one blank between), its attributes, its line, its content in order."""

    name: str
    attributes: dict[str, str]
    line: int
    content: list[Node | str] = field(default_factory=list)

    def children(self, name: str) -> Iterator[Node]:
        """The elements of this name directly inside."""
        return (part for part in self.content if isinstance(part, Node) and part.name == name)

    def child(self, name: str) -> Node | None:
        """The first element of this name directly inside, if there is one."""
        return next(self.children(name), None)

    @property
    def text(self) -> str:
        """The characters directly inside, without those of the elements inside."""
        return "".join(part for part in self.content if isinstance(part, str))


def parse(data: bytes, name: str) -> Node:
    """The root element of an XML file in UTF-8, or in UTF-16 with its byte order mark.

    Raises:
        ContentError: the file is too large, too deep, has a document type definition, is in another encoding or is not
            well formed (a truncated file is not); one sentence, with the line.
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            data = data.decode("utf-16").encode("utf-8")
        except UnicodeError as error:
            raise refuse(name, "the file is neither UTF-8 nor UTF-16; save it as UTF-8") from error
    text = decode(data, name)
    parser = expat.ParserCreate(encoding="utf-8", namespace_separator=" ")
    parser.buffer_text = True
    root = Node(name="", attributes={}, line=0)
    stack = [root]
    started = 0

    def no_doctype(*_: object) -> NoReturn:
        wrong = "the file has a document type definition, which is not allowed; delete the line with <!DOCTYPE"
        raise refuse(name, wrong, parser.CurrentLineNumber)

    def declared(_version: str, encoding: str | None, _standalone: int) -> None:
        if encoding and encoding.lower() not in ("utf-8", "utf-16", "us-ascii"):
            raise refuse(name, f"the file says that it is written in {encoding[:40]}; save it as UTF-8")

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal started
        started += 1
        if started > _MOST_ELEMENTS:
            raise refuse(name, f"the file has more than {_MOST_ELEMENTS} elements; export it in parts, by topic")
        if len(stack) > _MOST_DEPTH:
            raise refuse(
                name, f"elements stand more than {_MOST_DEPTH} deep; export the file again", parser.CurrentLineNumber
            )
        node = Node(name=tag, attributes=attributes, line=parser.CurrentLineNumber)
        stack[-1].content.append(node)
        stack.append(node)

    parser.StartDoctypeDeclHandler = no_doctype
    parser.XmlDeclHandler = declared
    parser.StartElementHandler = start
    parser.EndElementHandler = lambda _: stack.pop()
    parser.CharacterDataHandler = lambda text: stack[-1].content.append(text)
    try:
        parser.Parse(text.encode("utf-8"), True)
    except expat.ExpatError as error:
        why = expat.ErrorString(error.code)
        wrong = f"the file is not well-formed XML here ({why}); export it again, or send it again whole"
        raise refuse(name, wrong, error.lineno) from error
    (found,) = (part for part in root.content if isinstance(part, Node))
    return found
