"""How do the parts that come in become whole texts, and how is a text that comes again known?"""

from __future__ import annotations

import hashlib
import itertools
import math
import re
from collections import OrderedDict
from dataclasses import dataclass, field
from datetime import datetime
from time import monotonic

from service.transports.gsm7 import IA5, Headed, Place, place, read_header, text_of
from service.transports.smpp_pdu import HEADED, TON_INTERNATIONAL, ShortMessage, Tag

REPEAT_SECONDS = 600
"""An incoming text that comes again within this, although we may not have answered it, is the same text."""
MOST_TOLD = 10_000
"""Incoming texts that are known when they come again."""
MOST_TEXTS = 200
"""Incoming texts of which parts are missing, and whole ones whose parts are known when they come again."""
GAP = "[…]"
"""Stands where a part of an incoming text never came."""
_NEVER_IN_IA5 = re.compile(rb"[\x00-\x08\x0b\x0e-\x1f\x7f]")
_END_MARKS = b"\0\x1a"
"""Octets that some senders close an IA5 text with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """The words of one part and how they are coded: data_coding, national table, whether it needs another one."""

    octets: bytes
    coding: tuple[int, int | None, bool]


_Name = tuple[str, str, int, int]


@dataclass(slots=True, kw_only=True, eq=False)
class Group:
    """The parts of one incoming text: `answered` when the centre was told that we have one of them."""

    name: _Name
    sender: str
    total: int
    came: float
    alone: bytes = b""
    pieces: dict[int, _Piece] = field(default_factory=dict)
    answered: bool = False

    @property
    def whole(self) -> bool:
        """Whether no part is missing."""
        return len(self.pieces) == self.total

    @property
    def body(self) -> bytes:
        """What is the same when the centre sends the text again."""
        return self.alone or repr((self.name, sorted(self.pieces.items()))).encode()

    def text(self) -> str:
        """Parts are joined before they are decoded, since senders cut through characters."""
        words: list[str] = []
        run, coding = b"", None
        for index in range(1, self.total + 1):
            piece = self.pieces.get(index)
            if run and coding is not None and (piece is None or piece.coding != coding):
                words.append(_read(run, *coding))
                run = b""
            if piece is not None:
                run, coding = run + piece.octets, piece.coding
            elif not words or words[-1] != GAP:
                words.append(GAP)
        if coding is not None:
            words.append(_read(run, *coding))
        return "".join(words)


def _read(octets: bytes, data_coding: int, language_code: int | None, foreign: bool) -> str:
    """The words of parts in a row. Many centres say IA5 and write the default alphabet. They do so for certain where a
    control octet stands in the words or the header names a national table; else the two read alike, but for few signs.
    """
    in_words = data_coding == IA5 and _NEVER_IN_IA5.search(octets.rstrip(_END_MARKS)) is not None
    if in_words or (data_coding == IA5 and (foreign or language_code is not None)):
        data_coding = 0
    return text_of(octets, data_coding, language_code, foreign=foreign)


class Joiner:
    """Keeps parts until their text is whole."""

    def __init__(self) -> None:
        self._groups: OrderedDict[_Name, Group] = OrderedDict()
        self._finished: OrderedDict[_Name, Group] = OrderedDict()
        self._torn = itertools.count(1)

    def add(self, body: bytes, message: ShortMessage, now: float) -> Group | None:
        """The text that a message belongs to, or None when that text was handed on already, with this part in it."""
        headed = _headed(message)
        where = headed.place or Place(reference=0, total=1, index=1)
        digits = message.source.removeprefix("+")
        international = message.source_ton == TON_INTERNATIONAL and digits.isdigit()
        sender = f"+{digits}" if international else message.source
        name = (message.source, message.destination, where.reference, where.total)
        piece = _Piece(octets=headed.octets, coding=(message.data_coding, headed.language_code, headed.foreign))
        if headed.place is None:
            return Group(name=name, sender=sender, total=1, came=now, alone=body, pieces={1: piece})
        done = self._finished.get(name)
        if done is not None and now - done.came < REPEAT_SECONDS and done.pieces.get(where.index) == piece:
            return None
        group = self._groups.get(name)
        if group is not None and group.pieces.get(where.index, piece) != piece:
            # The sender began another text with the same reference: the first will not become whole any more.
            self.forget(group)
            group.name, group.came = (*name[:3], -next(self._torn)), -math.inf
            self._groups[group.name] = group
            group = None
        if group is None:
            group = self._groups[name] = Group(name=name, sender=sender, total=where.total, came=now)
        group.pieces[where.index] = piece
        return group

    def crowded(self, new: Group) -> list[Group]:
        """The oldest texts, when there are too many."""
        others = [group for group in self._groups.values() if group is not new]
        return others[: max(0, len(self._groups) - MOST_TEXTS)]

    def overdue(self, before: float) -> list[Group]:
        """Texts whose first part came before this moment, and which the centre would not send again."""
        return [group for group in self._groups.values() if group.came < before and group.answered]

    def finish(self, group: Group) -> None:
        """It is stored."""
        self.forget(group)
        if group.total > 1:
            group.came = monotonic()
            self._finished[group.name] = group
            self._finished.move_to_end(group.name)
            while len(self._finished) > MOST_TEXTS:
                self._finished.popitem(last=False)

    def forget(self, group: Group) -> None:
        """Let go of it."""
        if self._groups.get(group.name) is group:
            del self._groups[group.name]


def _headed(message: ShortMessage) -> Headed:
    """A part's place and words, by user data header or by the sar parameters (SMPP 3.4 section 5.3.2.22 to 24)."""
    if message.esm_class & HEADED:
        return read_header(message.words)
    total, index = message.number(Tag.SAR_TOTAL_SEGMENTS) or 0, message.number(Tag.SAR_SEGMENT_SEQNUM) or 0
    where = place(message.number(Tag.SAR_MSG_REF_NUM) or 0, total, index)
    return Headed(place=where, language_code=None, octets=message.words)


@dataclass(slots=True, kw_only=True)
class _Told:
    """The id given to an incoming text: when, which of its like within the span, and on which line the centre surely
    got our answer."""

    id: str
    at: datetime
    count: int
    line: int | None = None


class Repeats:
    """Gives incoming texts an id of our own, since SMPP gives them none.

    A centre sends a text again when our answer did not reach it: on another line, or on the same one after a wait. The
    same words again on a line where they were answered at once are a new text ("1" can answer two questions).
    """

    def __init__(self) -> None:
        self._told: OrderedDict[bytes, _Told] = OrderedDict()

    def id_of(self, body: bytes, now: datetime, line: int | None) -> str:
        """The id of a text: that of the earlier one if it is a repeat."""
        digest = hashlib.sha256(body).digest()
        told = self._told.get(digest)
        recent = told is not None and (now - told.at).total_seconds() < REPEAT_SECONDS
        if told is not None and recent and (told.line is None or told.line != line):
            return told.id
        count = told.count + 1 if told is not None and recent else 0
        span = int(now.timestamp()) // REPEAT_SECONDS
        name = hashlib.sha256(digest + f"{span}/{count}".encode()).hexdigest()[:32]
        self._told[digest] = _Told(id=name, at=now, count=count)
        self._told.move_to_end(digest)
        while len(self._told) > MOST_TOLD:
            self._told.popitem(last=False)
        return name

    def answered(self, body: bytes, line: int) -> None:
        """The centre was answered at once on this line."""
        self._told[hashlib.sha256(body).digest()].line = line
