"""What does an entry of the attention list ask of staff, in plain words? One label for every reason.

`tests/web/test_reasons.py` reads the code for reasons that have none.
"""

from __future__ import annotations

from service.domain.sending import LABELS

ATTENTION: dict[str, str] = {
    **{reason.value: label for reason, label in LABELS.items()},
    "reply-warning": "wrote words that may warn of something urgent: read them now",
    "reply": "wrote to us",
    "calendar-reply": "answered an invitation in their calendar",
    "auto-reply": "an automatic mail came from an address in no record",
    "unmatched-bounce": "mail came back that fits none of our messages",
    "unreadable": "a mail came that cannot be read",
    "stop": "asked to stop, from a number or address in no record",
    "start": "asked to start again, from a number or address in no record",
    "help": "asked for help, from a number or address in no record",
    "channel-stopped": "stopped a channel",
    "stop-unsure": "e-mail was stopped by a mail that may not be from them: ask the person",
    "channel-started": "started a channel again",
    "complaint": "reported our mail as unwanted",
    "contact-invalid": "messages do not reach this number or address: ask for another one",
    "late-bounce": "a message came back although a receipt had said that it was delivered",
    "uncertain": "a message may or may not have gone out: ask the person",
    "language": "was sent a message in another language than wanted",
    "letter-waiting": "a letter waits to be printed and posted",
    "appointment-changed": "the appointment changed after a reminder of it had gone out",
    "answer-book": "answered an invitation: wants to come",
    "answer-later": "answered an invitation: later",
    "answer-no": "answered an invitation: no",
    "answer-elsewhere": "answered an invitation: was seen elsewhere",
    "answer-wrong-person": "answered that this number or address is the wrong one",
    "recall-wants-visit": "arrange the visit",
    "recall-declined": "answered an invitation: decide what happens now",
    "recall-wrong-person": "find out the right number or address of theirs",
    "recall-no-answer": "did not answer the last invitation: decide what happens now",
    "recall-overdue": "the latest day for an ear has passed, and nothing is booked",
    "appointment-stands": "an appointment still stands: say what becomes of it",
    "booked-too-late": "is booked too late for an ear: find an earlier time",
    "plan-on-hold": "urgent advice was withdrawn: say whether the plan before it goes on",
    "appointment-untold": "no letter brings the news of the appointment in time",
    "appointment-missed": "missed the appointment, as far as the record says",
    "softening-unsure": "the drops before the appointment: a clinician decides",
    "calendar-declined": "declined the appointment by calendar: free the slot",
    "calendar-tentative": "answered “perhaps” to the appointment by calendar",
    "calendar-answered": "answered the appointment by calendar",
    "return-soon": "is due now: book it, as an invitation may come too late",
    "return-not-asked": "the return is due and no invitation will go by itself",
}
"""Reasons of the attention list, and kinds of words from strangers, to what staff read."""


def label(code: str) -> str:
    """A reason in words, with a capital letter; a reason of another version of the service as it is."""
    said = ATTENTION.get(code, code)
    return said[:1].upper() + said[1:]
