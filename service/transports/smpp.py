"""Sends phone texts through a message centre by SMPP 3.4, and hears its receipts and what people answer.

What an answer means: a PDU that was not wholly written was surely not taken; an error status is a clear no; a PDU that
was written and never answered may have been taken, so the outcome is unknown. A text of several parts is accepted only
when every part is, and unknown as soon as some are and some are not.

One thread reads each line and keeps it alive. It calls the callbacks of `receive`, so these must not call `send`.
"""

from __future__ import annotations

import hashlib
import logging
import math
import selectors
import socket
import ssl
from collections import Counter, OrderedDict
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from threading import BoundedSemaphore, Event, Lock, RLock, Thread, current_thread
from time import monotonic

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
    password: str
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
            coded = code_text(
                envelope.message.text, envelope.message.language, national=self._options.national_shift
            )
            parts = self._parts(envelope, number, coded)
        except (TragusError, UnicodeEncodeError, PduError) as wrong:
            return Outcome(result=Result.REFUSED, detail=f"the text cannot be sent: {wrong}")
        sent = self._recent.begin(envelope.key, number, [_our_reference(each) for each in parts])
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
        with self._hearing:
            for group in self._joiner.overdue(math.inf):
                self._hand_on(group)

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
            tlvs = (_user_reference(envelope.key, 1), (int(Tag.MESSAGE_PAYLOAD), b"".join(coded.parts)))
            return [replace(common, tlvs=tlvs)]
        messages = []
        for index, octets in enumerate(coded.parts, start=1):
            tlvs, head = (_user_reference(envelope.key, index),), b""
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
                line = self._context.wrap_socket(line, server_hostname=options.host)
                self._opening.now(line)
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
        headed = read_header(message.words) if message.esm_class & _ESM_HEADER else None
        if headed is None:
            total = message.number(Tag.SAR_TOTAL_SEGMENTS) or 0
            index = message.number(Tag.SAR_SEGMENT_SEQNUM) or 0
            where = place(message.number(Tag.SAR_MSG_REF_NUM) or 0, total, index)
            headed = Headed(place=where, language_code=None, octets=message.words)
        came = monotonic()
        group = self._joiner.add(message, headed, came)
        if self._joiner.whole(group):
            stored = self._hand_on(group, session, pdu.body)
            waited = session.let_go(group.name)
            for each in (*waited, pdu):
                session.reply(each, stored)
            if stored == Status.ESME_ROK:
                self._repeats.answered(pdu.body, session)
            return
        for crowded in self._joiner.crowded():
            self._hand_on(crowded)

        def give_up_waiting(last: bool) -> bool:
            if last:
                session.reply(pdu, Status.ESME_ROK)
            return last

        session.hold(_Held(pdu=pdu, until=came + HOLD_SECONDS, settle=give_up_waiting, group=group.name))

    def _hand_on(self, group: _Group, session: _Session | None = None, body: bytes = b"") -> int:
        """Give a text to the callback; it leaves the memory only once it is stored."""
        now = self._now()
        last_body = body or repr(group.name).encode() + b"".join(group.parts[index].octets for index in sorted(group.parts))
        inbound = Inbound(
            channel=Channel.TEXT,
            id=self._repeats.id_of(last_body, now, session),
            sender=group.sender,
            text=group.text(),
            at=now,
        )
        stored = _stored(self._inbound, inbound)
        if stored == Status.ESME_ROK:
            self._joiner.forget(group)
        return stored

    def _overdue(self) -> None:
        with self._hearing:
            for group in self._joiner.overdue(monotonic() - JOIN_SECONDS):
                self._hand_on(group)


def _stored[T](callback: Callable[[T], None] | None, value: T) -> Status:
    raise NotImplementedError
