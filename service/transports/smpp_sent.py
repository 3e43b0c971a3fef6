"""Which text is a delivery receipt about?

A receipt names the centre's id of a text, which came in the answer to it, and often the user_message_reference that we
gave. With these the key is found among the texts that this process sent lately. A text whose answer never came is found
by our reference alone. That is 16 bits made from the key, and no key can be read back from it: once the process was
started anew, a receipt for an earlier text is reported without key, with the centre's id as its reference, and whoever
stored that id with the message knows it again. If the answer never came, nobody has the id. Then nothing can be done:
the message stays uncertain, for a person to look at.
"""

from __future__ import annotations

import hashlib
import re
from collections import deque
from dataclasses import dataclass
from threading import Lock

from service.domain.message import ReportState
from service.transports.smpp_pdu import Pdu, Receipt, Status, message_id_of

MOST_RECENT = 10_000
"""Texts whose receipts find their key."""


def hashed(words: str) -> int:
    """16 bits that are the same at every attempt."""
    return int.from_bytes(hashlib.sha256(words.encode()).digest()[:2])


def user_reference(key: str, index: int) -> int:
    """The user_message_reference of the part `index` (from 1) of the message `key`."""
    return hashed(f"{key}/{index}")


@dataclass(slots=True, kw_only=True, eq=False)
class Sent:
    """One text that was handed over, part by part: the ids that the centre gave and the last word about each."""

    key: str
    number: str
    references: list[int]
    ids: list[str]
    states: list[ReportState | None]

    @property
    def reference(self) -> str | None:
        """The ids of all parts that have one, joined by commas."""
        return ",".join(filter(None, self.ids)) or None


class Recent:
    """Finds the text that a receipt is about, among those sent by this process lately."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._sent: deque[Sent] = deque()
        self._open: list[Sent] = []
        self._by_id: dict[str, tuple[Sent, int]] = {}
        self._by_reference: dict[int, list[tuple[Sent, int]]] = {}

    def begin(self, key: str, number: str, references: list[int]) -> Sent:
        """Remember a text before any of it leaves."""
        count = len(references)
        sent = Sent(key=key, number=number, references=references, ids=[""] * count, states=[None] * count)
        with self._lock:
            self._sent.append(sent)
            self._open.append(sent)
            for index, reference in enumerate(references):
                self._by_reference.setdefault(reference, []).append((sent, index))
            while len(self._sent) > MOST_RECENT:
                self._drop(self._sent.popleft())
        return sent

    def end(self, sent: Sent) -> None:
        """Its answers are in, or given up."""
        with self._lock:
            self._open.remove(sent)

    def named(self, sent: Sent, index: int, answer: Pdu) -> None:
        """The centre's answer to one part, perhaps a late one."""
        if answer.status == Status.ESME_ROK and (name := message_id_of(answer.body)):
            with self._lock:
                sent.ids[index] = name
                self._by_id[_plain_id(name)] = (sent, index)

    def waiting(self, number: str) -> bool:
        """Whether the answer to a text for this number (for any, if it is not known) is still to come."""
        with self._lock:
            return any(not number or _same_number(sent.number, number) for sent in self._open)

    def find(self, receipt: Receipt) -> tuple[Sent, int] | None:
        """The text and the part (from 0). Our own reference has 16 bits only, and an id in the other base is a guess:
        both count for the right number only."""
        with self._lock:
            exact = self._by_id.get(_plain_id(receipt.id)) if receipt.id else None
            near = [
                (sent, index)
                for sent, index in self._by_reference.get(receipt.our_reference or 0, ())
                if receipt.our_reference is not None and _same_number(sent.number, receipt.number)
            ]
            if near and len({(sent.key, index) for sent, index in near}) == 1:
                return exact if exact in near else near[-1]
            if exact is not None:
                return exact
            for other in _other_bases(receipt.id or ""):
                found = self._by_id.get(other)
                if found is not None and _same_number(found[0].number, receipt.number):
                    return found
            return None

    def note(self, sent: Sent, index: int, state: ReportState) -> tuple[ReportState, str]:
        """What the receipt for one part says about the whole text: it is delivered when every part is."""
        with self._lock:
            if state is not ReportState.UNDERWAY:
                sent.states[index] = state
            if len(sent.states) == 1:
                return state, ""
            if state is ReportState.DELIVERED and any(each is not ReportState.DELIVERED for each in sent.states):
                state = ReportState.UNDERWAY
            return state, f"part {index + 1} of {len(sent.states)}"

    def _drop(self, sent: Sent) -> None:
        for index, reference in enumerate(sent.references):
            left = [each for each in self._by_reference[reference] if each != (sent, index)]
            if left:
                self._by_reference[reference] = left
            else:
                del self._by_reference[reference]
            name = _plain_id(sent.ids[index])
            if self._by_id.get(name) == (sent, index):
                del self._by_id[name]


def _plain_id(name: str) -> str:
    return name.lower().lstrip("0") or "0"


def _other_bases(name: str) -> list[str]:
    """The same id read as hexadecimal and written as decimal, and the other way round."""
    found = []
    if re.fullmatch(r"[0-9a-fA-F]{1,32}", name):
        found.append(str(int(name, 16)))
    if re.fullmatch(r"[0-9]{1,32}", name):
        found.append(f"{int(name):x}")
    return found


def _same_number(one: str, other: str) -> bool:
    """Whether two ways of writing a number mean one subscriber: equal, or one is the national form of the other."""
    shorter, longer = sorted(("".join(filter(str.isdigit, each)).lstrip("0") for each in (one, other)), key=len)
    return len(shorter) >= 7 and longer.endswith(shorter)
