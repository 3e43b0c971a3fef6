"""What becomes of a message that the centre brings: a receipt, a whole text, or a part of one?

The centre is answered only once the value is stored, or told to keep it and come again.
"""

from __future__ import annotations

import logging
import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from threading import RLock
from time import monotonic
from typing import TypeVar

from service.domain.contact import Channel
from service.domain.message import DeliveryReport, Inbound, ReportState
from service.transports.smpp_incoming import Group, Joiner, Repeats
from service.transports.smpp_options import SmppOptions, plain_code
from service.transports.smpp_pdu import Pdu, PduError, Receipt, ShortMessage, Status, read_receipt
from service.transports.smpp_sent import Recent
from service.transports.smpp_session import Held, Session

log = logging.getLogger("service.transports.smpp")

HOLD_SECONDS = 3.0
"""How long the answer to one part of an incoming text waits for the other parts. A centre that sends the next part only
after the answer to this one gets it then."""
JOIN_SECONDS = 600.0
"""After this, an incoming text is handed on without the parts that never came."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Listener:
    """Where receipts and words go, and what tells the time."""

    report: Callable[[DeliveryReport], None]
    inbound: Callable[[Inbound], None]
    now: Callable[[], datetime]


class Hearing:
    """Hands on what comes in. The reading threads of several lines may call it."""

    def __init__(self, options: SmppOptions, recent: Recent) -> None:
        self._options, self._recent = options, recent
        self._lock = RLock()
        self._joiner = Joiner()
        self._repeats = Repeats()
        self._listener: Listener | None = None

    def listen(self, listener: Listener) -> None:
        """From now on hand everything to this one. Until then everything stays with the centre."""
        self._listener = listener

    def close(self, deadline: float) -> None:
        """Hand on the incomplete texts that the centre would not send again."""
        if self._lock.acquire(timeout=max(0.1, deadline - monotonic())):
            try:
                for group in self._joiner.overdue(math.inf):
                    self._hand_on(group)
            finally:
                self._lock.release()

    def heard(self, session: Session, pdu: Pdu) -> None:
        """A deliver_sm came in: a receipt, a whole text or a part of one."""
        with self._lock:
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
                    Held(
                        pdu=pdu,
                        until=monotonic() + self._options.response_timeout,
                        settle=lambda last: self._settle(session, pdu, receipt, last=last),
                    )
                )

    def _settle(self, session: Session, pdu: Pdu, receipt: Receipt, *, last: bool) -> bool:
        """Report a receipt and answer it. False while its text may yet get its id: receipts can outrun answers."""
        if (listener := self._listener) is None:
            session.reply(pdu, Status.ESME_RX_T_APPN)
            return True
        found = self._recent.find(receipt)
        if found is None and not last and self._recent.waiting(receipt.number):
            return False
        state, part = (receipt.state, "") if found is None else self._recent.note(*found, receipt.state)
        words = [f"receipt {receipt.word}", part, f"error {receipt.error}" if receipt.error else ""]
        words.append(f"done {receipt.done} by the centre's clock" if receipt.done else "")
        bad = state is ReportState.FAILED and plain_code(receipt.error) in self._options.unknown_subscriber_errors
        report = DeliveryReport(
            channel=Channel.TEXT,
            state=state,
            at=listener.now(),
            detail=", ".join(filter(None, words)),
            key=found[0].key if found else None,
            reference=receipt.id,
            contact_bad=bad,
        )
        session.reply(pdu, _stored(listener.report, report))
        return True

    def _words(self, session: Session, pdu: Pdu, message: ShortMessage) -> None:
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

            session.hold(Held(pdu=pdu, until=came + HOLD_SECONDS, settle=answer_alone, group=group))

    def _hand_on(self, group: Group, session: Session | None = None) -> Status:
        """Give a text to the callback; it leaves the memory only once it is stored."""
        if (listener := self._listener) is None:
            group.came = monotonic()  # overdue again later
            return Status.ESME_RX_T_APPN
        now = listener.now()
        inbound = Inbound(
            channel=Channel.TEXT,
            id=self._repeats.id_of(group.body, now, session.serial if session else None),
            sender=group.sender,
            text=group.text(),
            at=now,
        )
        status = _stored(listener.inbound, inbound)
        if status == Status.ESME_ROK:
            self._joiner.finish(group)
        else:
            group.came = monotonic()  # overdue again later
        return status

    def overdue(self) -> None:
        """Hand on the texts whose missing parts have not come for a long time."""
        with self._lock:
            for group in self._joiner.overdue(monotonic() - JOIN_SECONDS):
                self._hand_on(group)


_Value = TypeVar("_Value")


def _stored(callback: Callable[[_Value], None], value: _Value) -> Status:
    """What to tell the centre: taken, or keep it and come again."""
    try:
        callback(value)
    except Exception as failed:  # whatever it is, the value is not safely stored, and the centre must keep it
        log.warning("a %s could not be stored: %s", type(value).__name__, type(failed).__name__)
        return Status.ESME_RX_T_APPN
    return Status.ESME_ROK
