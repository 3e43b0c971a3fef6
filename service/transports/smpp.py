"""Sends phone texts through a message centre by SMPP 3.4, and hears its receipts and what people answer.

What an answer means: a PDU that was not wholly written was surely not taken; an error status is a clear no; a PDU that
was written and never answered may have been taken, so the outcome is unknown. A text of several parts is accepted only
when every part is, and unknown as soon as some are and some are not.

One thread reads each line and keeps it alive. It calls the callbacks of `receive`, so these must not call `send`. The
parts of the transport, each leaning on those before: gsm7 and smpp_pdu (octets), smpp_options, smpp_session (one
connection), smpp_line (made anew when it broke), smpp_sent (whose receipt is it), smpp_incoming (parts become texts),
smpp_hearing (what comes in is handed on).
"""

from __future__ import annotations

import ssl
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from threading import BoundedSemaphore, Lock
from time import monotonic

from service.domain.message import DeliveryReport, Envelope, Inbound, Outcome, Result
from service.domain.text_alphabet import Alphabet
from service.errors import TragusError, TransportError
from service.transports.gsm7 import UCS2, CodedText, code_text, header
from service.transports.port import Options
from service.transports.smpp_hearing import Hearing, Listener
from service.transports.smpp_line import CentreLine, Pause
from service.transports.smpp_options import SmppOptions, read_options
from service.transports.smpp_pdu import (
    HEADED,
    NPI_E164,
    TON_INTERNATIONAL,
    Command,
    PduError,
    ShortMessage,
    Status,
    Tag,
    absolute_time,
    relative_time,
    status_name,
)
from service.transports.smpp_sent import Recent, Sent, hashed, user_reference
from service.transports.smpp_session import NoAnswerError, NotWrittenError, Session

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


class SmppTransport:
    """One line to one message centre. `send` may be called from several threads.

    `connections` is the option window: how many texts may be under way at once.
    """

    def __init__(self, options: SmppOptions, *, context: ssl.SSLContext | None = None) -> None:
        self._options = options
        self.connections = options.window
        self.national_shift = options.national_shift
        self._window = BoundedSemaphore(options.window)
        self._busy = Pause()
        self._slots, self._next_slot = Lock(), 0.0
        self._recent = Recent()
        self._hearing = Hearing(options, self._recent)
        self._line = CentreLine(options, context, self._hearing.heard, self._hearing.overdue)

    @classmethod
    def from_options(cls, options: Options) -> SmppTransport:
        """Options: host, port (2775), system_id, password, system_type (empty), source (the sender's number with plus,
        short code, or up to 11 letters; empty: the centre's own), source_ton and source_npi (from the source), tls
        (false), tls_ca (file; the system's), window (1), enquire_link (30 seconds), response_timeout (60 seconds),
        throughput (10 texts a second; 0: no limit), concatenation (udh, sar or payload), national_shift (false),
        data_coding_default (0), validity (absolute or relative), unknown_subscriber_errors (comma-separated)."""
        read = read_options(options)
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
            return self._send_parts(envelope, parts, sent, _clock_from(envelope.handed))
        finally:
            self._recent.end(sent)

    def receive(
        self,
        report: Callable[[DeliveryReport], None],
        inbound: Callable[[Inbound], None],
        now: Callable[[], datetime],
    ) -> None:
        """Name where receipts and incoming words go; `now` tells when they came. From now on the line is kept up also
        when nothing is sent. A receipt for a text that an earlier process sent is reported without key (see
        smpp_sent)."""
        self._hearing.listen(Listener(report=report, inbound=inbound, now=now))
        self._line.keep()

    def close(self) -> None:
        """Wait shortly for answers under way, unbind and let go of the line; done within 5 seconds."""
        deadline = monotonic() + 4.5
        self._line.close(deadline)
        self._hearing.close(deadline)

    def _parts(self, envelope: Envelope, number: str, coded: CodedText) -> list[ShortMessage]:
        """The submit_sm of every part, all with one reference made from the key."""
        options, total = self._options, len(coded.parts)
        reference = hashed(envelope.key)
        common = ShortMessage(
            source=options.source.removeprefix("+"),
            source_ton=options.source_ton,
            source_npi=options.source_npi,
            destination=number,
            destination_ton=TON_INTERNATIONAL,
            destination_npi=NPI_E164,
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
            esm_class = HEADED if head else 0
            messages.append(replace(common, esm_class=esm_class, short_message=head + octets, tlvs=tlvs))
        return messages

    def _send_parts(
        self, envelope: Envelope, parts: list[ShortMessage], sent: Sent, now: Callable[[], datetime]
    ) -> Outcome:
        taken = 0
        for index, part in enumerate(parts):
            outcome = self._submit(part, envelope.last_useful, now, sent, index)
            patience = float(self._options.response_timeout)
            while taken and outcome.result is Result.RETRY and outcome.retry_after and patience > 0:
                # Surely not taken, and the parts before it were: waiting here spares the person half a text.
                patience -= outcome.retry_after
                if self._line.closed.wait(outcome.retry_after):
                    break
                outcome = self._submit(part, envelope.last_useful, now, sent, index)
            if outcome.result is not Result.ACCEPTED:
                if not taken:
                    return replace(outcome, reference=sent.reference)
                detail = f"{taken} of {len(parts)} parts were accepted, then: {outcome.detail}"
                return Outcome(result=Result.UNKNOWN, detail=detail, reference=sent.reference)
            taken += 1
        detail = "the message centre took it" if taken == 1 else f"the message centre took all {taken} parts"
        return Outcome(result=Result.ACCEPTED, detail=detail, reference=sent.reference)

    def _submit(
        self, part: ShortMessage, last_useful: datetime, now: Callable[[], datetime], sent: Sent, index: int
    ) -> Outcome:
        """What came of one part."""
        if left := self._busy.left():
            return Outcome(result=Result.RETRY, detail="the message centre asked for a pause", retry_after=left)
        if not self._window.acquire(timeout=self._options.response_timeout):
            return Outcome(result=Result.RETRY, detail="too many texts are waiting for their answers")
        try:
            self._wait_for_slot()
            left_for_it = last_useful - now()
            if left_for_it <= timedelta(0):
                return Outcome(result=Result.RETRY, detail="its last useful moment passed before it could be sent")
            if self._options.validity == "absolute":
                validity = absolute_time(last_useful)
            else:
                validity = relative_time(left_for_it)
            session = self._line.session()
            answer = session.ask(
                Command.SUBMIT_SM,
                replace(part, validity=validity).encode(),
                float(self._options.response_timeout),
                lambda heard: self._recent.named(sent, index, heard),
            )
        except NotWrittenError as lost:
            return Outcome(result=Result.RETRY, detail=str(lost), retry_after=lost.retry_after)
        except NoAnswerError as lost:
            return Outcome(result=Result.UNKNOWN, detail=str(lost))
        finally:
            self._window.release()
        return self._meaning(answer.status, session)

    def _meaning(self, status: int, session: Session) -> Outcome:
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
            self._line.closed.wait(slot - now)


def _clock_from(handed: datetime) -> Callable[[], datetime]:
    """The time as it goes on from the hand-over, by whole seconds: what waits for its turn grows old meanwhile."""
    began = monotonic()
    return lambda: handed + timedelta(seconds=int(monotonic() - began))


def _reference_tlv(key: str, index: int) -> tuple[int, bytes]:
    return int(Tag.USER_MESSAGE_REFERENCE), user_reference(key, index).to_bytes(2)
