"""Sends phone texts through a message centre by SMPP 3.4, and hears its receipts and what people answer.

What an answer means: a PDU that was not wholly written was surely not taken; an error status is a clear no; a PDU that
was written and never answered may have been taken, so the outcome is unknown. A text of several parts is accepted only
when every part is, and unknown as soon as some are and some are not.

One thread reads each line and keeps it alive. It calls the callbacks of `receive`, so these must not call `send`.
"""

from __future__ import annotations

import hashlib
import itertools
import logging
import math
import re
import selectors
import socket
import ssl
from collections import OrderedDict, deque
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, datetime
from threading import BoundedSemaphore, Event, Lock, RLock, Thread, current_thread
from time import monotonic
from typing import Any, TypeVar

from service.domain.contact import Channel
from service.domain.message import DeliveryReport, Envelope, Inbound, Outcome, ReportState, Result
from service.domain.text_alphabet import Alphabet
from service.errors import TragusError, TransportError
from service.transports.gsm7 import UCS2, CodedText, Headed, Place, code_text, header, place, read_header, text_of
from service.transports.port import Options, option_number, option_text
from service.transports.smpp_pdu import (
    LAST_SEQUENCE,
    RESPONSE,
    Command,
    Pdu,
    PduError,
    PduStream,
    Receipt,
    ShortMessage,
    Status,
    Tag,
    absolute_time,
    bind_body,
    message_id_of,
    read_receipt,
    relative_time,
    status_name,
)

log = logging.getLogger("service.transports.smpp")

CONNECT_SECONDS = 4.0
"""For reaching the centre; short, so that closing never takes longer than 5 seconds."""
LONGEST_PAUSE_SECONDS = 60.0
"""Pauses double from 1 second up to this, after a line that could not be had and after "throttled"."""
HOLD_SECONDS = 3.0
"""How long the answer to one part of an incoming text waits for the other parts. A centre that sends the next part only
after the answer to this one gets it then."""
JOIN_SECONDS = 600.0
"""After this, an incoming text is handed on without the parts that never came."""
REPEAT_SECONDS = 600
"""An incoming text that comes again within this, although we may not have answered it, is the same text."""
MOST_RECENT = 10_000
"""Texts whose receipts find their key."""
MOST_WAITING = 200
"""Incoming texts of which parts are missing, receipts that wait for their text's answer, unanswered questions."""
GAP = "[…]"
"""Stands where a part of an incoming text never came."""

_ESM_HEADER = 0x40  # esm_class: the words begin with a user data header (SMPP 3.4 section 5.2.12)
_TON_INTERNATIONAL = _NPI_E164 = 1
_TON_ALPHANUMERIC = 5
_BUSY = (Status.ESME_RTHROTTLED, Status.ESME_RMSGQFUL)
_NEVER = frozenset(
    {
        Status.ESME_RINVMSGLEN,
        Status.ESME_RINVCMDLEN,
        Status.ESME_RINVCMDID,
        Status.ESME_RINVSRCADR,
        Status.ESME_RINVDSTADR,
        Status.ESME_RINVSERTYP,
        Status.ESME_RINVDLNAME,
        Status.ESME_RINVESMCLASS,
        Status.ESME_RINVSRCTON,
        Status.ESME_RINVSRCNPI,
        Status.ESME_RINVDSTTON,
        Status.ESME_RINVDSTNPI,
        Status.ESME_RINVSCHED,
        Status.ESME_RINVEXPIRY,
        Status.ESME_RINVOPTPARSTREAM,
        Status.ESME_ROPTPARNOTALLWD,
        Status.ESME_RINVPARLEN,
        Status.ESME_RMISSINGOPTPARAM,
        Status.ESME_RINVOPTPARAMVAL,
    }
)
"""Statuses that the same text would meet again. Any other error may pass, and says that nothing was taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SmppOptions:
    """What `SmppTransport.from_options` reads; the names are those of the options, times are in seconds."""

    host: str
    port: int = 2775
    system_id: str
    password: str = field(repr=False)
    system_type: str = ""
    source: str = ""
    source_ton: int = 0
    source_npi: int = 0
    tls: bool = False
    tls_ca: str = ""
    window: int = 1
    enquire_link: int = 30
    response_timeout: int = 60
    throughput: int = 10
    concatenation: str = "udh"
    national_shift: bool = False
    data_coding_default: int = 0
    validity: str = "absolute"
    unknown_subscriber_errors: frozenset[str] = frozenset()


class SmppTransport:
    """One line to one message centre, made when first needed and made anew when it broke.

    `send` may be called from several threads; at most `window` texts are then under way at once.
    """

    def __init__(
        self,
        options: SmppOptions,
        *,
        now: Callable[[], datetime] = lambda: datetime.now(UTC),
        context: ssl.SSLContext | None = None,
    ) -> None:
        self._options, self._now, self._context = options, now, context
        self._bind = bind_body(options.system_id, options.password, options.system_type)
        self._closed = Event()
        self._connecting, self._opening = Lock(), _Opening()
        self._session: _Session | None = None
        self._window = BoundedSemaphore(options.window)
        self._no_line, self._busy = _Pause(), _Pause()
        self._slots, self._next_slot = Lock(), 0.0
        self._recent = _Recent()
        self._hearing = RLock()
        self._joiner = _Joiner()
        self._repeats = _Repeats()
        self._report: Callable[[DeliveryReport], None] | None = None
        self._inbound: Callable[[Inbound], None] | None = None
        self._keeper: Thread | None = None

    @classmethod
    def from_options(cls, options: Options) -> SmppTransport:
        """Options: host, port (2775), system_id, password, system_type (empty), source (the sender's number with plus,
        short code, or up to 11 letters; empty: the centre's own), source_ton and source_npi (from the source), tls
        (false), tls_ca (file; the system's), window (1), enquire_link (30 seconds), response_timeout (60 seconds),
        throughput (10 texts a second; 0: no limit), concatenation (udh, sar or payload), national_shift (false),
        data_coding_default (0), validity (absolute or relative), unknown_subscriber_errors (comma-separated)."""
        read = _read_options(options)
        try:
            context = ssl.create_default_context(cafile=read.tls_ca or None) if read.tls else None
        except OSError as failed:
            raise TransportError(f"option tls_ca: {read.tls_ca} cannot be read: {failed}") from failed
        try:
            return cls(read, context=context)
        except PduError as wrong:
            raise TransportError(f"option {wrong}") from wrong

    def send(self, envelope: Envelope) -> Outcome:
        """Hand every part of one text over."""
        number = envelope.message.to.removeprefix("+")
        if not (number.isascii() and number.isdigit() and len(number) <= 15):
            return Outcome(result=Result.REFUSED, detail="the number is not an international telephone number")
        try:
            coded = code_text(envelope.message.text, envelope.message.language, national=self._options.national_shift)
            parts = self._parts(envelope, number, coded)
        except (TragusError, UnicodeEncodeError, PduError) as wrong:
            return Outcome(result=Result.REFUSED, detail=f"the text cannot be sent: {wrong}")
        references = [user_reference(envelope.key, index) for index in range(1, len(parts) + 1)]
        sent = self._recent.begin(envelope.key, number, references)
        try:
            return self._send_parts(envelope, parts, sent)
        finally:
            self._recent.end(sent)

    def receive(self, report: Callable[[DeliveryReport], None], inbound: Callable[[Inbound], None]) -> None:
        """Name where receipts and incoming words go. From now on the line is kept up also when nothing is sent."""
        self._report, self._inbound = report, inbound
        if self._keeper is None and not self._closed.is_set():
            self._keeper = Thread(target=self._keep, name="smpp-keeper", daemon=True)
            self._keeper.start()

    def close(self) -> None:
        """Wait shortly for answers under way, unbind and let go of the line; done within 5 seconds."""
        self._closed.set()
        deadline = monotonic() + 4.5
        self._opening.interrupt()
        session = self._session
        if session is not None:
            session.leave(deadline - 1.0)
            session.join(max(0.1, deadline - monotonic()))
        if self._keeper is not None and self._keeper is not current_thread():
            self._keeper.join(max(0.1, deadline - monotonic()))
        if self._hearing.acquire(timeout=max(0.1, deadline - monotonic())):
            try:
                for group in self._joiner.overdue(math.inf):
                    self._hand_on(group)
            finally:
                self._hearing.release()

    # -- sending ------------------------------------------------------------------------------------------------------

    def _parts(self, envelope: Envelope, number: str, coded: CodedText) -> list[ShortMessage]:
        """The submit_sm of every part, all with one reference made from the key."""
        options, total = self._options, len(coded.parts)
        reference = _hashed(envelope.key)
        common = ShortMessage(
            source=options.source.removeprefix("+"),
            source_ton=options.source_ton,
            source_npi=options.source_npi,
            destination=number,
            destination_ton=_TON_INTERNATIONAL,
            destination_npi=_NPI_E164,
            registered_delivery=1,
            data_coding=UCS2 if coded.alphabet is Alphabet.UCS2 else options.data_coding_default,
        )
        if total > 1 and options.concatenation == "payload":
            payload = (int(Tag.MESSAGE_PAYLOAD), b"".join(coded.parts))
            return [replace(common, tlvs=(_reference_tlv(envelope.key, 1), payload))]
        messages = []
        for index, octets in enumerate(coded.parts, start=1):
            tlvs: tuple[tuple[int, bytes], ...] = (_reference_tlv(envelope.key, index),)
            head = b""
            if total > 1 and options.concatenation == "sar":
                tlvs += (
                    (int(Tag.SAR_MSG_REF_NUM), reference.to_bytes(2)),
                    (int(Tag.SAR_TOTAL_SEGMENTS), bytes((total,))),
                    (int(Tag.SAR_SEGMENT_SEQNUM), bytes((index,))),
                )
            else:
                head = header(reference=reference, total=total, index=index, shift=coded.shift)
            esm_class = _ESM_HEADER if head else 0
            messages.append(replace(common, esm_class=esm_class, short_message=head + octets, tlvs=tlvs))
        return messages

    def _send_parts(self, envelope: Envelope, parts: list[ShortMessage], sent: _Sent) -> Outcome:
        taken = 0
        for index, part in enumerate(parts):
            outcome = self._submit(part, envelope.last_useful, sent, index)
            patience = float(self._options.response_timeout)
            while taken and outcome.result is Result.RETRY and outcome.retry_after and patience > 0:
                # Surely not taken, and the parts before it were: waiting here spares the person half a text.
                patience -= outcome.retry_after
                if self._closed.wait(outcome.retry_after):
                    break
                outcome = self._submit(part, envelope.last_useful, sent, index)
            if outcome.result is not Result.ACCEPTED:
                if not taken:
                    return replace(outcome, reference=sent.reference)
                detail = f"{taken} of {len(parts)} parts were accepted, then: {outcome.detail}"
                return Outcome(result=Result.UNKNOWN, detail=detail, reference=sent.reference)
            taken += 1
        detail = "the message centre took it" if taken == 1 else f"the message centre took all {taken} parts"
        return Outcome(result=Result.ACCEPTED, detail=detail, reference=sent.reference)

    def _submit(self, part: ShortMessage, last_useful: datetime, sent: _Sent, index: int) -> Outcome:
        """What came of one part."""
        if left := self._busy.left():
            return Outcome(result=Result.RETRY, detail="the message centre asked for a pause", retry_after=left)
        if not self._window.acquire(timeout=self._options.response_timeout):
            return Outcome(result=Result.RETRY, detail="too many texts are waiting for their answers")
        try:
            self._wait_for_slot()
            now = self._now()
            if now >= last_useful:
                return Outcome(result=Result.RETRY, detail="its last useful moment passed before it could be sent")
            if self._options.validity == "absolute":
                validity = absolute_time(last_useful)
            else:
                validity = relative_time(last_useful - now)
            session = self._line()
            answer = session.ask(
                Command.SUBMIT_SM,
                replace(part, validity=validity).encode(),
                float(self._options.response_timeout),
                lambda heard: self._recent.named(sent, index, heard),
            )
        except _NotWrittenError as lost:
            return Outcome(result=Result.RETRY, detail=str(lost), retry_after=lost.retry_after)
        except _NoAnswerError as lost:
            return Outcome(result=Result.UNKNOWN, detail=str(lost))
        finally:
            self._window.release()
        return self._meaning(answer.status, session)

    def _meaning(self, status: int, session: _Session) -> Outcome:
        if status == Status.ESME_ROK:
            self._busy.over()
            return Outcome(result=Result.ACCEPTED, detail="taken")
        detail = f"the message centre answered {status_name(status)}"
        if status in _BUSY:
            return Outcome(result=Result.RETRY, detail=detail, retry_after=self._busy.longer())
        if status in _NEVER:
            return Outcome(result=Result.REFUSED, detail=detail)
        if status == Status.ESME_RINVBNDSTS:  # it no longer knows us: bind anew
            session.end("the message centre no longer knows this line")
        return Outcome(result=Result.RETRY, detail=detail)

    def _wait_for_slot(self) -> None:
        if not self._options.throughput:
            return
        with self._slots:
            now = monotonic()
            slot = max(now, self._next_slot)
            self._next_slot = slot + 1 / self._options.throughput
        if slot > now:
            self._closed.wait(slot - now)

    # -- the line -----------------------------------------------------------------------------------------------------

    def _line(self) -> _Session:
        """The line that is up, or a new one. Raises _NotWrittenError."""
        with self._connecting:
            if self._closed.is_set():
                raise _NotWrittenError("the transport is closed")
            if self._session is not None and not self._session.ended.is_set():
                return self._session
            if left := self._no_line.left():
                raise _NotWrittenError("no line to the message centre; waiting before the next try", left)
            try:
                session = self._open()
            except (OSError, UnicodeError, _NotWrittenError, _NoAnswerError) as failed:
                detail = f"no line to the message centre: {failed}"
                raise _NotWrittenError(detail, self._no_line.longer()) from failed
            self._no_line.over()
            self._session = session
            if self._closed.is_set():  # closed while we bound
                session.end("the transport was closed")
                session.join(1.0)
                raise _NotWrittenError("the transport is closed")
            return session

    def _open(self) -> _Session:
        options = self._options
        line = socket.create_connection((options.host, options.port), timeout=CONNECT_SECONDS)
        try:
            self._opening.now(line)
            line.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            if self._context is not None:
                secure = self._context.wrap_socket(line, server_hostname=options.host, do_handshake_on_connect=False)
                line = secure
                self._opening.now(line)
                secure.do_handshake()
        except BaseException:
            line.close()
            raise
        session = _Session(line, options, self._heard, self._overdue)
        session.start()
        try:
            if self._closed.is_set():
                raise _NotWrittenError("the transport is closed")
            answer = session.ask(Command.BIND_TRANSCEIVER, self._bind, float(options.response_timeout))
            if answer.status:
                raise _NotWrittenError(f"it refused the sign-in: {status_name(answer.status)}")
        except (_NotWrittenError, _NoAnswerError):
            session.end("the sign-in failed")
            session.join(1.0)
            raise
        finally:
            self._opening.now(None)
        return session

    def _keep(self) -> None:
        """Hold a line up, so that receipts and answers come in while nothing is sent."""
        while not self._closed.is_set():
            try:
                session = self._line()
            except _NotWrittenError as lost:
                log.warning("%s", lost)
                self._closed.wait(lost.retry_after or 1)
            else:
                session.ended.wait()

    # -- hearing ------------------------------------------------------------------------------------------------------

    def _heard(self, session: _Session, pdu: Pdu) -> None:
        """A deliver_sm came in: a receipt, a whole text or a part of one."""
        with self._hearing:
            try:
                message = ShortMessage.decode(pdu.body)
            except PduError as wrong:
                log.warning("an incoming message cannot be read: %s", wrong)
                session.reply(pdu, Status.ESME_RX_P_APPN)
                return
            receipt = read_receipt(message)
            if receipt is None:
                self._words(session, pdu, message)
            elif not self._settle(session, pdu, receipt, last=session.full):
                session.hold(
                    _Held(
                        pdu=pdu,
                        until=monotonic() + self._options.response_timeout,
                        settle=lambda last: self._settle(session, pdu, receipt, last=last),
                    )
                )

    def _settle(self, session: _Session, pdu: Pdu, receipt: Receipt, *, last: bool) -> bool:
        """Report a receipt and answer it. False while its text may yet get its id: receipts can outrun answers."""
        found = self._recent.find(receipt)
        if found is None and not last and self._recent.waiting(receipt.number):
            return False
        state, part = (receipt.state, "") if found is None else self._recent.note(*found, receipt.state)
        words = [f"receipt {receipt.word}", part, f"error {receipt.error}" if receipt.error else ""]
        words.append(f"done {receipt.done} by the centre's clock" if receipt.done else "")
        bad = state is ReportState.FAILED and _plain_code(receipt.error) in self._options.unknown_subscriber_errors
        report = DeliveryReport(
            channel=Channel.TEXT,
            state=state,
            at=self._now(),
            detail=", ".join(filter(None, words)),
            key=found[0].key if found else None,
            reference=receipt.id,
            contact_bad=bad,
        )
        session.reply(pdu, _stored(self._report, report))
        return True

    def _words(self, session: _Session, pdu: Pdu, message: ShortMessage) -> None:
        came = monotonic()
        group = self._joiner.add(pdu.body, message, came)
        if group is None:  # a part of a text that is stored already
            session.reply(pdu, Status.ESME_ROK)
        elif group.whole:
            status = self._hand_on(group, session)
            for each in (*session.let_go(group), pdu):
                session.reply(each, status)
            if status == Status.ESME_ROK and monotonic() - came < HOLD_SECONDS:
                self._repeats.answered(group.body, session.serial)
        elif any(self._hand_on(old) != Status.ESME_ROK for old in self._joiner.crowded(group)):
            self._joiner.forget(group)
            session.reply(pdu, Status.ESME_RX_T_APPN)
        else:

            def answer_alone(last: bool) -> bool:
                if last:
                    group.answered = True
                    session.reply(pdu, Status.ESME_ROK)
                return last

            session.hold(_Held(pdu=pdu, until=came + HOLD_SECONDS, settle=answer_alone, group=group))

    def _hand_on(self, group: _Group, session: _Session | None = None) -> Status:
        """Give a text to the callback; it leaves the memory only once it is stored."""
        now = self._now()
        inbound = Inbound(
            channel=Channel.TEXT,
            id=self._repeats.id_of(group.body, now, session.serial if session else None),
            sender=group.sender,
            text=group.text(),
            at=now,
        )
        status = _stored(self._inbound, inbound)
        if status == Status.ESME_ROK:
            self._joiner.finish(group)
        else:
            group.came = monotonic()  # overdue again later
        return status

    def _overdue(self) -> None:
        with self._hearing:
            for group in self._joiner.overdue(monotonic() - JOIN_SECONDS):
                self._hand_on(group)


_Value = TypeVar("_Value")


def _stored(callback: Callable[[_Value], None] | None, value: _Value) -> Status:
    """What to tell the centre: taken, or keep it and come again."""
    if callback is None:
        return Status.ESME_RX_T_APPN
    try:
        callback(value)
    except Exception as failed:  # whatever it is, the value is not safely stored, and the centre must keep it
        log.warning("a %s could not be stored: %s", type(value).__name__, type(failed).__name__)
        return Status.ESME_RX_T_APPN
    return Status.ESME_ROK


def _hashed(words: str) -> int:
    """16 bits that are the same at every attempt."""
    return int.from_bytes(hashlib.sha256(words.encode()).digest()[:2])


def user_reference(key: str, index: int) -> int:
    """The user_message_reference of the part `index` (from 1) of the message `key`."""
    return _hashed(f"{key}/{index}")


def _reference_tlv(key: str, index: int) -> tuple[int, bytes]:
    return int(Tag.USER_MESSAGE_REFERENCE), user_reference(key, index).to_bytes(2)


def _plain_code(code: str | None) -> str:
    return (code or "").upper().lstrip("0") or "0"


def _same_number(one: str, other: str) -> bool:
    """Whether two ways of writing a number mean one subscriber: equal, or one is the national form of the other."""
    shorter, longer = sorted(("".join(filter(str.isdigit, each)).lstrip("0") for each in (one, other)), key=len)
    return len(shorter) >= 7 and longer.endswith(shorter)


class _NotWrittenError(Exception):
    """The PDU was surely not wholly written."""

    def __init__(self, message: str, retry_after: int | None = None) -> None:
        self.retry_after = retry_after
        super().__init__(message)


class _NoAnswerError(Exception):
    """The PDU was written and no answer came."""


class _Pause:
    """A pause that doubles each time it was not enough."""

    def __init__(self) -> None:
        self._lock, self._times, self._until = Lock(), 0, 0.0

    def left(self) -> int:
        """Whole seconds to wait, 0 when there is no pause."""
        return max(0, math.ceil(self._until - monotonic()))

    def longer(self) -> int:
        """Begin a pause, twice as long as the last; several answers that ask for one begin one. Returns seconds."""
        with self._lock:
            if monotonic() >= self._until:
                self._until = monotonic() + min(2.0**self._times, LONGEST_PAUSE_SECONDS)
                self._times = min(self._times + 1, 10)
        return max(1, self.left())

    def over(self) -> None:
        """It works again."""
        with self._lock:
            if monotonic() >= self._until:
                self._times = 0


class _Opening:
    """The connection that is being made, so that closing need not wait for it."""

    def __init__(self) -> None:
        self._line: socket.socket | None = None

    def now(self, line: socket.socket | None) -> None:
        self._line = line

    def interrupt(self) -> None:
        if self._line is not None:
            _shut(self._line)


def _shut(line: socket.socket) -> None:
    """Stop both directions, so that a thread that waits on the line wakes up. TLS is passed by on purpose."""
    with suppress(OSError):
        socket.socket.shutdown(line, socket.SHUT_RDWR)


# -- what was sent ----------------------------------------------------------------------------------------------------


@dataclass(slots=True, kw_only=True, eq=False)
class _Sent:
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


class _Recent:
    """Finds the text that a receipt is about, among those sent by this process lately."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._sent: deque[_Sent] = deque()
        self._open: list[_Sent] = []
        self._by_id: dict[str, tuple[_Sent, int]] = {}
        self._by_reference: dict[int, list[tuple[_Sent, int]]] = {}

    def begin(self, key: str, number: str, references: list[int]) -> _Sent:
        """Remember a text before any of it leaves."""
        count = len(references)
        sent = _Sent(key=key, number=number, references=references, ids=[""] * count, states=[None] * count)
        with self._lock:
            self._sent.append(sent)
            self._open.append(sent)
            for index, reference in enumerate(references):
                self._by_reference.setdefault(reference, []).append((sent, index))
            while len(self._sent) > MOST_RECENT:
                self._drop(self._sent.popleft())
        return sent

    def end(self, sent: _Sent) -> None:
        """Its answers are in, or given up."""
        with self._lock:
            self._open.remove(sent)

    def named(self, sent: _Sent, index: int, answer: Pdu) -> None:
        """The centre's answer to one part, perhaps a late one."""
        if answer.status == Status.ESME_ROK and (name := message_id_of(answer.body)):
            with self._lock:
                sent.ids[index] = name
                self._by_id[_plain_id(name)] = (sent, index)

    def waiting(self, number: str) -> bool:
        """Whether the answer to a text for this number (for any, if it is not known) is still to come."""
        with self._lock:
            return any(not number or _same_number(sent.number, number) for sent in self._open)

    def find(self, receipt: Receipt) -> tuple[_Sent, int] | None:
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

    def note(self, sent: _Sent, index: int, state: ReportState) -> tuple[ReportState, str]:
        """What the receipt for one part says about the whole text: it is delivered when every part is."""
        with self._lock:
            if state is not ReportState.UNDERWAY:
                sent.states[index] = state
            if len(sent.states) == 1:
                return state, ""
            if state is ReportState.DELIVERED and any(each is not ReportState.DELIVERED for each in sent.states):
                state = ReportState.UNDERWAY
            return state, f"part {index + 1} of {len(sent.states)}"

    def _drop(self, sent: _Sent) -> None:
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


# -- what came in -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Piece:
    """The words of one part and how they are coded."""

    octets: bytes
    coding: tuple[int, int | None]


_Name = tuple[str, str, int, int]


@dataclass(slots=True, kw_only=True, eq=False)
class _Group:
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
                words.append(text_of(run, *coding))
                run = b""
            if piece is not None:
                run, coding = run + piece.octets, piece.coding
            elif not words or words[-1] != GAP:
                words.append(GAP)
        if coding is not None:
            words.append(text_of(run, *coding))
        return "".join(words)


class _Joiner:
    """Keeps parts until their text is whole."""

    def __init__(self) -> None:
        self._groups: OrderedDict[_Name, _Group] = OrderedDict()
        self._finished: OrderedDict[_Name, _Group] = OrderedDict()
        self._torn = itertools.count(1)

    def add(self, body: bytes, message: ShortMessage, now: float) -> _Group | None:
        """The text that a message belongs to, or None when that text was handed on already, with this part in it."""
        headed = _headed(message)
        where = headed.place or Place(reference=0, total=1, index=1)
        digits = message.source.removeprefix("+")
        international = message.source_ton == _TON_INTERNATIONAL and digits.isdigit()
        sender = f"+{digits}" if international else message.source
        name = (message.source, message.destination, where.reference, where.total)
        piece = _Piece(octets=headed.octets, coding=(message.data_coding, headed.language_code))
        if headed.place is None:
            return _Group(name=name, sender=sender, total=1, came=now, alone=body, pieces={1: piece})
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
            group = self._groups[name] = _Group(name=name, sender=sender, total=where.total, came=now)
        group.pieces[where.index] = piece
        return group

    def crowded(self, new: _Group) -> list[_Group]:
        """The oldest texts, when there are too many."""
        others = [group for group in self._groups.values() if group is not new]
        return others[: max(0, len(self._groups) - MOST_WAITING)]

    def overdue(self, before: float) -> list[_Group]:
        """Texts whose first part came before this moment, and which the centre would not send again."""
        return [group for group in self._groups.values() if group.came < before and group.answered]

    def finish(self, group: _Group) -> None:
        """It is stored."""
        self.forget(group)
        if group.total > 1:
            group.came = monotonic()
            self._finished[group.name] = group
            self._finished.move_to_end(group.name)
            while len(self._finished) > MOST_WAITING:
                self._finished.popitem(last=False)

    def forget(self, group: _Group) -> None:
        """Let go of it."""
        if self._groups.get(group.name) is group:
            del self._groups[group.name]


def _headed(message: ShortMessage) -> Headed:
    """A part's place and words, by user data header or by the sar parameters (SMPP 3.4 section 5.3.2.22 to 24)."""
    if message.esm_class & _ESM_HEADER:
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


class _Repeats:
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
        while len(self._told) > MOST_RECENT:
            self._told.popitem(last=False)
        return name

    def answered(self, body: bytes, line: int) -> None:
        """The centre was answered at once on this line."""
        self._told[hashlib.sha256(body).digest()].line = line


# -- one line ---------------------------------------------------------------------------------------------------------


@dataclass(slots=True, kw_only=True, eq=False)
class _Question:
    """A PDU of ours that waits for its answer; `heard` is called by the reading thread, also when it comes late."""

    command: int
    heard: Callable[[Pdu], None] | None
    done: Event = field(default_factory=Event)
    answer: Pdu | None = None
    given_up: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Held:
    """A deliver_sm that is not answered yet. `settle(last)` answers it if it can; it must when `last` is true."""

    pdu: Pdu
    until: float
    settle: Callable[[bool], bool]
    group: _Group | None = None


class _Session:
    """One bound connection and the thread that reads it.

    The socket never blocks, and each call on it is made under one lock: a TLS connection must not be read and written
    at the same moment. `ended` is set when the line is gone.
    """

    _serials = itertools.count(1)

    def __init__(
        self,
        line: socket.socket,
        options: SmppOptions,
        deliver: Callable[[_Session, Pdu], None],
        tick: Callable[[], None],
    ) -> None:
        line.setblocking(False)
        self._line, self._options, self._deliver, self._tick = line, options, deliver, tick
        self.serial = next(self._serials)
        self.ended = Event()
        self._ending, self._why = Event(), ""
        self._calling, self._writing = Lock(), Lock()
        self._lock, self._sequence = Lock(), 0
        self._questions: OrderedDict[int, _Question] = OrderedDict()
        self._held: list[_Held] = []
        self._stream = PduStream()
        self._last_heard, self._probed = monotonic(), 0.0
        self._reader = Thread(target=self._read, name="smpp-reader", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._reader.start()

    def ask(self, command: Command, body: bytes, timeout: float, heard: Callable[[Pdu], None] | None = None) -> Pdu:
        """Send one PDU and wait for its answer, at most `timeout` seconds.

        Raises:
            _NotWrittenError: it surely did not go out whole.
            _NoAnswerError: it went out, and no answer came.
        """
        if current_thread() is self._reader:
            raise _NotWrittenError("a callback of receive must not send: it is called by the thread that hears answers")
        question = _Question(command=command, heard=heard)
        self._write(self._number(question), body, question)
        if not question.done.wait(timeout) and question.answer is None:
            question.given_up = True
            raise _NoAnswerError(f"no answer came within {timeout:g} seconds")
        if question.answer is None:
            raise _NoAnswerError(f"the line broke before an answer came: {self._why}")
        return question.answer

    def reply(self, pdu: Pdu, status: Status = Status.ESME_ROK) -> None:
        """Answer one PDU of the far side."""
        body = b"\0" if pdu.command == Command.DELIVER_SM else b""
        self._say(Pdu(command=pdu.command | RESPONSE, sequence=pdu.sequence, status=status, body=body))

    def hold(self, held: _Held) -> None:
        """Keep a deliver_sm unanswered for a while. Called by the reading thread, as are the next two."""
        self._held.append(held)

    def let_go(self, group: _Group) -> list[Pdu]:
        """The unanswered parts of a text, which the caller answers now."""
        found = [held.pdu for held in self._held if held.group is group]
        self._held = [held for held in self._held if held.group is not group]
        return found

    @property
    def full(self) -> bool:
        """Whether nothing more should be held."""
        return len(self._held) >= MOST_WAITING

    def leave(self, deadline: float) -> None:
        """Wait for the answers under way, unbind, and end the line."""
        while self._waiting() and monotonic() < deadline - 1.0 and not self.ended.wait(0.01):
            pass
        with suppress(_NotWrittenError, _NoAnswerError):
            self.ask(Command.UNBIND, b"", max(0.1, min(1.0, deadline - monotonic())))
        self.end("we closed it")

    def end(self, why: str) -> None:
        """Cut the line. The reading thread then tidies up."""
        self._why = self._why or why
        self._ending.set()
        _shut(self._line)

    def join(self, timeout: float) -> None:
        """Wait for the reading thread."""
        if self._reader is not current_thread():
            self._reader.join(timeout)

    def _waiting(self) -> bool:
        with self._lock:
            return any(not question.given_up for question in self._questions.values())

    def _number(self, question: _Question) -> int:
        with self._lock:
            if self._ending.is_set():
                raise _NotWrittenError(f"the line is gone: {self._why}")
            self._sequence = self._sequence % LAST_SEQUENCE + 1
            self._questions[self._sequence] = question
            if len(self._questions) > MOST_WAITING + self._options.window:
                self._questions.popitem(last=False)
            return self._sequence

    def _write(self, sequence: int, body: bytes, question: _Question) -> None:
        try:
            self._put(Pdu(command=question.command, sequence=sequence, body=body).encode())
        except OSError as failed:
            with self._lock:
                self._questions.pop(sequence, None)
            self.end(str(failed))
            raise _NotWrittenError(f"the line broke before the text was sent: {failed}") from failed

    def _say(self, pdu: Pdu) -> None:
        try:
            self._put(pdu.encode())
        except OSError as failed:
            self.end(str(failed))

    def _put(self, octets: bytes) -> None:
        """Write it all, or raise OSError: then the far side has half a PDU at most, which it cannot act on."""
        deadline = monotonic() + self._options.response_timeout
        with self._writing:
            while octets:
                with self._calling:
                    if self._ending.is_set():
                        raise OSError("the line is gone")
                    try:
                        written = self._line.send(octets)
                    except (BlockingIOError, ssl.SSLWantWriteError, ssl.SSLWantReadError):
                        written = 0
                octets = octets[written:]
                if octets and not written:
                    if monotonic() > deadline:
                        raise TimeoutError("the far side does not read")
                    self._ending.wait(0.01)

    def _read(self) -> None:
        try:
            with selectors.DefaultSelector() as selector:
                selector.register(self._line, selectors.EVENT_READ)
                while not self._ending.is_set():
                    selector.select(self._patience())
                    while (octets := self._get()) is not None:
                        for pdu in self._stream.feed(octets):
                            self._hear(pdu)
                            self._settle()
                        self._keep_alive()
                    self._settle()
                    self._keep_alive()
                    self._tick()
        except PduError as wrong:
            self._say(Pdu(command=Command.GENERIC_NACK, sequence=0, status=wrong.status))
            self.end(f"what came in is not SMPP: {wrong}")
        except OSError as failed:
            self.end(str(failed))
        except Exception as fault:
            log.exception("the line's reader failed")
            self.end(f"a fault in the service: {type(fault).__name__}")
        finally:
            self._finish()

    def _finish(self) -> None:
        self._ending.set()
        with self._calling:
            self._line.close()
        with self._lock:
            left = list(self._questions.values())
            self._questions.clear()
        self.ended.set()
        for question in left:
            question.done.set()
        log.info("line %d to the message centre ended: %s", self.serial, self._why)

    def _get(self) -> bytes | None:
        """What is there to read now; None when nothing is. Raises OSError at the end."""
        with self._calling:
            if self._ending.is_set():
                return None
            try:
                octets = self._line.recv(65536)
            except (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError):
                return None
        if not octets:
            raise ConnectionError("the far side closed it")
        return octets

    def _patience(self) -> float:
        """Seconds until there is something to do although nothing comes in."""
        if self._held:
            return 0.05
        since = (
            self._probed + self._options.response_timeout
            if self._probed
            else (self._last_heard + self._options.enquire_link)
        )
        return min(1.0, max(0.0, since - monotonic()))

    def _settle(self) -> None:
        """Answer what was held and can be answered now."""
        now = monotonic()
        for held in list(self._held):
            if held in self._held and held.settle(now >= held.until):
                self._held = [each for each in self._held if each is not held]

    def _keep_alive(self) -> None:
        now = monotonic()
        if self._probed:
            if now - self._probed > self._options.response_timeout:
                raise TimeoutError("the far side gave no sign of life")
        elif now - self._last_heard >= self._options.enquire_link:
            self._probed = now
            question = _Question(command=Command.ENQUIRE_LINK, heard=None, given_up=True)
            with suppress(_NotWrittenError):
                self._write(self._number(question), b"", question)

    def _hear(self, pdu: Pdu) -> None:
        self._last_heard, self._probed = monotonic(), 0.0
        if pdu.command & RESPONSE:
            self._answered(pdu)
        elif pdu.command == Command.DELIVER_SM:
            self._deliver(self, pdu)
        elif pdu.command == Command.ENQUIRE_LINK:
            self.reply(pdu)
        elif pdu.command == Command.UNBIND:
            self.reply(pdu)
            self.end("the message centre unbound")
        elif pdu.command != Command.ALERT_NOTIFICATION:  # which has no answer
            status = Status.ESME_RINVCMDID
            self._say(Pdu(command=Command.GENERIC_NACK, sequence=pdu.sequence, status=status))

    def _answered(self, pdu: Pdu) -> None:
        with self._lock:
            question = self._questions.get(pdu.sequence)
            if question is None or pdu.command not in (question.command | RESPONSE, Command.GENERIC_NACK):
                log.warning("an answer that fits no question: command 0x%08X", pdu.command)
                return
            del self._questions[pdu.sequence]
        if pdu.command == Command.GENERIC_NACK and not pdu.status:
            pdu = replace(pdu, status=Status.ESME_RSYSERR)  # a refusal must not pass for a yes
        if question.heard is not None:
            question.heard(pdu)
        question.answer = pdu
        question.done.set()


# -- options ----------------------------------------------------------------------------------------------------------


def _read_options(options: Options) -> SmppOptions:
    """Every option checked. Raises TransportError naming the one that is wrong."""
    known = [each.name for each in fields(SmppOptions)]
    for name in options:
        if name not in known:
            raise TransportError(f"option {name} is not known; allowed: {', '.join(known)}")
    source, ton, npi = _source(options)
    codes = _text(options, "unknown_subscriber_errors", "").split(",")
    return SmppOptions(
        host=option_text(options, "host"),
        port=_number(options, "port", 1, 65535),
        system_id=option_text(options, "system_id"),
        password=_text(options, "password"),
        system_type=_text(options, "system_type", ""),
        source=source,
        source_ton=ton,
        source_npi=npi,
        tls=_flag(options, "tls"),
        tls_ca=_text(options, "tls_ca", ""),
        window=_number(options, "window", 1, 1000),
        enquire_link=_number(options, "enquire_link", 1, 3600),
        response_timeout=_number(options, "response_timeout", 1, 300),
        throughput=_number(options, "throughput", 0, 10_000),
        concatenation=_choice(options, "concatenation", ("udh", "sar", "payload")),
        national_shift=_national(options),
        data_coding_default=_number(options, "data_coding_default", 0, 255),
        validity=_choice(options, "validity", ("absolute", "relative")),
        unknown_subscriber_errors=frozenset(_plain_code(code.strip()) for code in codes if code.strip()),
    )


def _source(options: Options) -> tuple[str, int, int]:
    source = _text(options, "source", "")
    digits = source.removeprefix("+").isdigit() and source.isascii()
    ton, npi = 0, 0
    if source.startswith("+"):
        ton, npi = _TON_INTERNATIONAL, _NPI_E164
    elif source and not digits:
        ton = _TON_ALPHANUMERIC
    fits = source.isascii() and source.isprintable() and len(source) <= 20
    if (source.startswith("+") and not digits) or not fits or (ton == _TON_ALPHANUMERIC and len(source) > 11):
        raise TransportError("option source must be a number, with plus if international, or at most 11 plain letters")
    return source, _number(options, "source_ton", 0, 6, ton), _number(options, "source_npi", 0, 18, npi)


def _national(options: Options) -> bool:
    wanted = _flag(options, "national_shift")
    if wanted and options.get("concatenation", "udh") != "udh":
        raise TransportError("option national_shift needs concatenation udh, since the table is named in that header")
    return wanted


def _text(options: Options, name: str, default: str | None = None) -> str:
    return "" if options.get(name, default) == "" else option_text(options, name, default)


def _number(options: Options, name: str, least: int, most: int, default: int | None = None) -> int:
    value = option_number(options, name, int(_DEFAULTS[name]) if default is None else default)
    if not least <= value <= most:
        raise TransportError(f"option {name} must be from {least} to {most}")
    return value


def _flag(options: Options, name: str) -> bool:
    value = {"yes": True, "no": False}.get(str(options.get(name, False)).lower(), options.get(name, False))
    if not isinstance(value, bool):
        raise TransportError(f"option {name} must be yes or no")
    return value


def _choice(options: Options, name: str, allowed: tuple[str, ...]) -> str:
    value = option_text(options, name, str(_DEFAULTS[name]))
    if value not in allowed:
        raise TransportError(f"option {name} must be {', '.join(allowed[:-1])} or {allowed[-1]}")
    return value


_DEFAULTS: Mapping[str, Any] = {each.name: each.default for each in fields(SmppOptions)}
