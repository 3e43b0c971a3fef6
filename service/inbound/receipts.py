"""What does a receipt or a bounce change on its message, in whatever order and however often it comes?

A receipt may come before the answer to the hand-over, twice, late, or about nothing that we know. So each is stored
first, once. It is applied when its message is known to have left; until then it is kept.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from enum import StrEnum

from service.domain.contact import Channel
from service.domain.letter_time import useful_by_letter
from service.domain.message import DeliveryReport, ReportState, State
from service.domain.sending import Circumstances, Reason, channels_for
from service.errors import DatabaseAwayError
from service.planning.unusable import hold_people_at, mark_unusable_in
from service.services import Services
from service.storage.inbound import StoredReport
from service.storage.records import StoredMessage
from service.storage.unit_of_work import UnitOfWork

log = logging.getLogger("service.inbound")

KEPT_FOR = timedelta(days=14)
"""How long a receipt waits for its message. Our choice: longer than any centre or mail server keeps trying (RFC 5321
4.5.4.1 asks for four to five days)."""

MOST_LOOKED_AT = 250
"""Kept receipts that one round looks at: as many of the newest, whose message may be on its way, and of the older ones,
in turn. Our choice: a round costs little, and thousands that fit nothing keep none for long from its message."""

TURN = "receipts-looked-at"
"""The fact that says which of the older kept receipts was looked at last; it is there while there are too many."""

LATE_BOUNCE = "late-bounce"
UNCERTAIN = "uncertain"
RECEIPT = "receipt"
"""Who took an entry off the attention list, when a receipt did."""

_MAY_HAVE_LEFT = (State.SENT, State.UNCERTAIN)
_TO_GO_AGAIN = (State.PENDING, State.CLAIMED)


class Taken(StrEnum):
    """What became of a receipt."""

    APPLIED = "applied"  # matched; whatever it changes is recorded
    KEPT = "kept"  # about no message that is known to have left; tried again later
    REPEATED = "repeated"  # stored already


def take_report(services: Services, report: DeliveryReport) -> Taken:
    """Store one receipt or bounce, and apply it if its message has left. Returns once it is stored safely."""
    now = services.clock.now()
    with services.open_work() as work:
        report_id = work.inbound.keep_report(report, now)
        if report_id is None:
            return Taken.REPEATED
        done = _apply(
            services,
            work,
            StoredReport(id=report_id, report=report, message_id=None, applied=None),
            services.clock.now(),
        )
        work.commit()
    return Taken.APPLIED if done else Taken.KEPT


def apply_kept(services: Services) -> int:
    """Apply the kept receipts whose message has left meanwhile; returns how many. To be called after each pass. Those
    that have waited longer than `KEPT_FOR` are given up."""
    now = services.clock.now()
    with services.open_reading() as work:
        newest = work.inbound.kept(now - KEPT_FOR, MOST_LOOKED_AT)
        older: list[StoredReport] = []
        turn = work.ledger.fact(TURN)
        if len(newest) == MOST_LOOKED_AT:
            older = work.inbound.kept_between(now - KEPT_FOR, int(turn or 0), newest[0].id, MOST_LOOKED_AT)
        ready = [stored for stored in (*older, *newest) if _may_apply(work, stored)]
    # At the end of the older ones the turn begins anew.
    _keep_turn(services, turn, str(older[-1].id) if len(older) == MOST_LOOKED_AT else None)
    count = 0
    for stored in ready:  # each by itself: it holds its own people only, and a fault in one stops no other
        try:
            with services.open_work() as work:
                count += _apply(services, work, stored, now)
                work.commit()
        except DatabaseAwayError:
            raise
        except Exception as fault:
            log.exception("a waiting receipt could not be applied: %s", type(fault).__name__)
    return count


def _keep_turn(services: Services, before: str | None, after: str | None) -> None:
    if before == after:
        return
    with services.open_work() as work:
        if after is None:
            work.ledger.clear_fact(TURN)
        else:
            work.ledger.set_fact(TURN, after)
        work.commit()


def _may_apply(work: UnitOfWork, stored: StoredReport) -> bool:
    found = work.inbound.message_of(stored.report)
    return found is not None and not _on_its_way(found)


def _on_its_way(message: StoredMessage) -> bool:
    """Whether the outcome of the hand-over that a receipt may be about is still a worker's to write."""
    return message.state is State.HANDING or (message.state in _TO_GO_AGAIN and not message.attempts)


def _apply(services: Services, work: UnitOfWork, stored: StoredReport, now: datetime) -> bool:
    """Carry out one receipt. False when its message is not known, or is being handed over: that outcome is its worker's
    to write. A failure of a message that is to go again changes nothing: what counts is its next hand-over."""
    found = work.inbound.message_of(stored.report)
    if found is None:
        return False
    bad = hold_people_at(work, found.channel if stored.report.contact_bad else None, found.to or "", found.person_id)
    # Held, so that of two parts reported at the same moment the second sees the first.
    message = work.inbound.hold(found.id)
    if _on_its_way(message):
        return False
    work.inbound.applied(stored.id, message.id, now)
    if stored.report.contact_bad and message.channel is not None:
        report = stored.report
        mark_unusable_in(work, bad, message.person_id, report.channel, report.detail, RECEIPT, now)
    if stored.report.state is ReportState.DELIVERED:
        _delivered(work, message, stored.report, now)
    elif stored.report.state is ReportState.FAILED:
        _failed(services, work, message, stored.report, now)
    return True


def _delivered(work: UnitOfWork, message: StoredMessage, report: DeliveryReport, now: datetime) -> None:
    if not _whole(work, message, report):
        return
    # One that was to go again has arrived after all; its worker, if it has one, looks before it begins.
    for each in (message, *work.queue.carried_by(message.id)):
        before = _MAY_HAVE_LEFT + (_TO_GO_AGAIN if each.attempts else ())
        if work.inbound.move(each.id, before, State.DELIVERED, now, None, report.detail):
            work.inbound.answered(each.id, UNCERTAIN, RECEIPT, now)


def _whole(work: UnitOfWork, message: StoredMessage, report: DeliveryReport) -> bool:
    """Whether a receipt speaks for the whole message: one for a part of a long text does not, until every part has one.

    A receipt that carries our key was joined by the transport and speaks for the whole.
    """
    parts = set((message.reference or "").split(","))
    if report.key or len(parts) == 1:
        return True
    arrived = {
        each.report.reference
        for each in work.inbound.reports_of(message.id)
        if each.report.state is ReportState.DELIVERED
    }
    return arrived >= parts


def _failed(
    services: Services, work: UnitOfWork, message: StoredMessage, report: DeliveryReport, now: datetime
) -> None:
    if report.key is not None and report.key != message.far_key:
        return  # about words that other words have followed since: these may still arrive
    for each in (message, *work.queue.carried_by(message.id)):
        if each.state in _MAY_HAVE_LEFT:
            work.inbound.answered(each.id, UNCERTAIN, RECEIPT, now)
            if _goes_elsewhere(services, work, each, report.channel, now):
                work.queue.send_elsewhere(each, report.channel, now)
                work.ledger.note(RECEIPT, "message-other-channel", each.id, now, after=report.channel.value)
                continue
            work.inbound.move(each.id, _MAY_HAVE_LEFT, State.FAILED, now, Reason.REFUSED, report.detail)
            work.inbound.ask(each.person_id, Reason.REFUSED, now, message_id=each.id, detail=report.detail)
        elif each.state is State.DELIVERED:
            # A mail server may take a mail and return it hours later; a delivered text does not come back.
            if each.channel is Channel.EMAIL:
                work.inbound.move(each.id, [State.DELIVERED], State.FAILED, now, Reason.REFUSED, report.detail)
            work.inbound.ask(each.person_id, LATE_BOUNCE, now, message_id=each.id, detail=report.detail)


def _goes_elsewhere(
    services: Services, work: UnitOfWork, message: StoredMessage, failed: Channel, now: datetime
) -> bool:
    """Whether another channel that the person agreed to can carry the message, and it still helps when it comes by it:
    a letter has its own last useful moment."""
    circumstances = Circumstances(tried=message.tried | {failed}, fitted=frozenset(services.transports))
    contact = work.people.get(message.person_id).contact
    left = channels_for(message.planned, contact, circumstances)
    until = None
    if left[:1] == [Channel.LETTER]:
        until = useful_by_letter(message.planned, contact, services.pack.timing)
    return bool(left) and now <= (until or message.planned.last_useful)
