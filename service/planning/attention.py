"""What recalls and appointments put on the attention list: the reason of each entry. Staff read them by
`web/reasons.py`."""

from __future__ import annotations

from service.domain.sending import Reason

WANTS_VISIT = "recall-wants-visit"
DECLINED = "recall-declined"
WRONG_PERSON = "recall-wrong-person"
NO_ANSWER = "recall-no-answer"
RETURN_SOON = "return-soon"
OVERDUE = "recall-overdue"
"""The latest day is past for an ear of which much depends on the visit."""
NOT_ASKED = "return-not-asked"
"""The appointment is cancelled, and no invitation to return will go by itself any more."""
MISSED = "appointment-missed"
"""Also the note in the audit record."""
CHANGED = "appointment-changed"
"""A reminder of the earlier appointment may have gone out, so somebody must tell the person."""
UNTOLD = "appointment-untold"
"""No letter brings the news of an appointment in time."""
STANDS = "appointment-stands"
"""An appointment is still to come, but its plan is over or the person is gone: somebody must say what becomes of it."""
PERHAPS = "calendar-tentative"
"""A calendar answered "perhaps": somebody asks whether they come. Also the note in the audit record."""
LATE = "booked-too-late"
"""The appointment is after the latest day for an ear."""
HELD = "plan-on-hold"
"""The urgent advice that put a plan on hold was withdrawn: somebody says whether that plan goes on."""
SOFTEN_AGAIN = "softening-unsure"
"""Drops had begun when the appointment changed, or it is too near for any: a clinician decides."""

SETTLED_BY_BOOKING = (WANTS_VISIT, DECLINED, NO_ANSWER, RETURN_SOON, OVERDUE)
"""What is no question any more once a visit is booked or was made, the person answered anew, or somebody decided."""
SETTLED_BY_AN_END = (
    *SETTLED_BY_BOOKING,
    WRONG_PERSON,
    NOT_ASKED,
    MISSED,
    CHANGED,
    UNTOLD,
    PERHAPS,
    LATE,
    HELD,
    SOFTEN_AGAIN,
)
"""What nobody need do any more for somebody who died or moved away."""
WRONG_CONTACT = (WRONG_PERSON, Reason.CONTACT_INVALID.value)
"""What is done once every number and address is right."""
