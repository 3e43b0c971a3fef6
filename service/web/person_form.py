"""From the form about a person to name, date of birth and contact; one clear sentence beside each wrong field."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time

from email_validator import EmailNotValidError, validate_email

from service.domain.contact import Channel, Contact, ReminderLevel
from service.domain.wall_clock import zone_named
from service.errors import ContactError
from service.messages.i18n import clean
from service.phones import Phone, parse_phone
from service.web.forms import Form, clock_time
from service.web.shown import sentence_of

LONGEST = 200
"""Characters of a name or of a line of an address. Our choice."""
ADDRESS_LINES = 7
"""Lines of an address, as many as a window envelope shows. Our choice."""
PREFERENCES = ("first", "second", "third")


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowed:
    """What this clinic's form accepts: languages of the catalogs, the region of phone numbers, invented contacts."""

    languages: tuple[str, ...]
    region: str
    fiction: bool
    today: date


@dataclass(frozen=True, slots=True, kw_only=True)
class PersonForm:
    """What was typed, as it was typed, with the sentence about each field that cannot be used.

    `phone_back` is the number as it was understood, shown back before anybody trusts it.
    """

    typed: Mapping[str, str]
    errors: Mapping[str, str] = field(default_factory=dict)
    name: str = ""
    born: date | None = None
    contact: Contact | None = None
    phone_back: str = ""


FIELDS = ("name", "given_name", "born", "language", "zone", "phone", "email", "address", "guardian", "discreet",
          "large_print", "easy_read", "reminders", "quiet_from", "quiet_to", "join_with_others", "bad",
          *PREFERENCES)  # fmt: skip
"""The fields of the form. `bad` is hidden: the channels found unusable, so that a form shown again still says so."""


def typed_of(name: str, born: date | None, contact: Contact) -> dict[str, str]:
    """A person in the record as the form shows them."""
    return {
        "name": name,
        "given_name": contact.given_name,
        "born": born.isoformat() if born else "",
        "language": contact.language,
        "zone": contact.zone,
        "phone": contact.phone or "",
        "email": contact.email or "",
        "address": "\n".join(contact.address),
        "guardian": contact.guardian or "",
        "discreet": "yes" if contact.discreet else "no",
        "large_print": "yes" if contact.large_print else "",
        "easy_read": "yes" if contact.easy_read else "",
        "reminders": contact.reminders.value,
        "quiet_from": contact.quiet_from.isoformat("minutes") if contact.quiet_from else "",
        "quiet_to": contact.quiet_to.isoformat("minutes") if contact.quiet_to else "",
        "join_with_others": "yes" if contact.join_with_others else "",
        "bad": " ".join(sorted(contact.bad)),
        **dict(zip(PREFERENCES, contact.channels, strict=False)),
    }


def read_person(form: Form, allowed: Allowed) -> PersonForm:
    """Read the whole form; `contact` is None when any field cannot be used. Never raises."""
    typed = {name: (form.get(name) or "").replace("\r\n", "\n") for name in FIELDS}
    errors: dict[str, str] = {}
    name, given = _line(typed, "name", errors), _line(typed, "given_name", errors)
    for key, value, what in (("name", name, "the full name"), ("given_name", given, "the name that messages use")):
        if not value:
            errors.setdefault(key, f"Give {what}.")
    born = _born(typed["born"].strip(), allowed.today, errors)
    number = _phone(typed["phone"], allowed, errors)
    phone, phone_back = (number.e164, number.international) if number else (None, "")
    email = _email(typed["email"].strip(), allowed, errors)
    address = tuple(filter(None, (clean(line).strip() for line in typed["address"].split("\n"))))
    if len(address) > ADDRESS_LINES or any(len(line) > LONGEST for line in address):
        errors["address"] = f"An address has up to {ADDRESS_LINES} lines of up to {LONGEST} characters; shorten it."
    if typed["language"] not in allowed.languages:
        errors["language"] = "Choose one of the languages shown."
    try:
        zone_named(typed["zone"].strip())
    except ContactError:
        errors["zone"] = "Give a time zone by its city, such as Europe/London."
    channels = _channels(typed, errors, {Channel.TEXT: phone, Channel.EMAIL: email, Channel.LETTER: address})
    if Channel.TEXT in channels and number is not None and not number.can_text:
        errors["phone"] = "Texts do not reach this kind of number; give a mobile number, or choose another way."
    if typed["reminders"] not in {level.value for level in ReminderLevel}:
        errors["reminders"] = "Choose one of the answers shown."
    guardian = _line(typed, "guardian", errors)
    quiet_from, quiet_to = _quiet(typed, errors)
    if errors:
        return PersonForm(typed=typed, errors=errors, name=name, born=born, phone_back=phone_back)
    contact = Contact(
        name=name,
        given_name=given,
        language=typed["language"],
        zone=typed["zone"].strip(),
        phone=phone,
        email=email,
        address=address,
        channels=channels,
        guardian=guardian or None,
        discreet=typed["discreet"] != "no",
        large_print=typed["large_print"] == "yes",
        easy_read=typed["easy_read"] == "yes",
        reminders=ReminderLevel(typed["reminders"]),
        quiet_from=quiet_from,
        quiet_to=quiet_to,
        join_with_others=typed["join_with_others"] == "yes",
    )
    return PersonForm(typed=typed, name=name, born=born, contact=contact, phone_back=phone_back)


def _line(typed: Mapping[str, str], key: str, errors: dict[str, str]) -> str:
    value = clean(typed[key]).strip()
    if len(value) > LONGEST:
        errors[key] = f"This may have up to {LONGEST} characters; shorten it."
    return value


def _born(text: str, today: date, errors: dict[str, str]) -> date | None:
    if not text:
        return None
    try:
        born = date.fromisoformat(text)
    except ValueError:
        errors["born"] = "Give the date of birth as year-month-day, such as 1950-03-31, or leave it empty."
        return None
    if not today.year - 130 <= born.year or born > today:
        errors["born"] = "The date of birth must lie in the past, at most 130 years ago."
    return born


def _phone(text: str, allowed: Allowed, errors: dict[str, str]) -> Phone | None:
    if not text.strip():
        return None
    try:
        return parse_phone(text, allowed.region, allow_fiction=allowed.fiction)
    except ContactError as wrong:
        said = str(wrong).removeprefix("phone: ")
        errors["phone"] = sentence_of(said)
        return None


def _email(text: str, allowed: Allowed, errors: dict[str, str]) -> str | None:
    if not text:
        return None
    try:
        return validate_email(text, check_deliverability=False, test_environment=allowed.fiction).normalized
    except EmailNotValidError:
        errors["email"] = "This is not a usable e-mail address; check it, such as name@example.org."
        return None


def _quiet(typed: Mapping[str, str], errors: dict[str, str]) -> tuple[time | None, time | None]:
    """The person's own quiet hours: both times or none. They may cross midnight; equal times mean no quiet hours."""
    said = {name: typed[name].strip() for name in ("quiet_from", "quiet_to")}
    read = {name: clock_time(text) for name, text in said.items()}
    for name, text in said.items():
        if text and read[name] is None:
            errors[name] = "Give the time as hours:minutes, such as 22:00."
        elif not text and any(said.values()):
            errors[name] = "Give this time too: quiet hours need both times, or none."
    return read["quiet_from"], read["quiet_to"]


def _channels(typed: Mapping[str, str], errors: dict[str, str], there: Mapping[Channel, object]) -> tuple[Channel, ...]:
    """The agreed ways of reaching the person, in order; each needs the number or address that it goes to."""
    found: list[Channel] = []
    lacking = {Channel.TEXT: ("phone", "a mobile number"), Channel.EMAIL: ("email", "an e-mail address"),
               Channel.LETTER: ("address", "a postal address")}  # fmt: skip
    for place in PREFERENCES:
        wanted = typed[place].strip()
        if not wanted:
            continue
        if wanted not in set(Channel):
            errors[place] = "Choose one of the ways shown."
            continue
        channel = Channel(wanted)
        if channel in found:
            errors[place] = "This way is chosen twice; choose another one or none."
        elif not there[channel]:
            errors.setdefault(
                lacking[channel][0], f"Give {lacking[channel][1]}, since the person wants to be reached by it."
            )
        found.append(channel)
    return tuple(found)
