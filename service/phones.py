"""Is this a telephone number, how is it stored and shown back, and can it get a text?

The only module that knows the numbering plans (phonenumbers). A valid number is one that the plan allows: that a line
exists is never known. What staff typed is always shown back as `Phone.international` before it is saved.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from enum import StrEnum

import phonenumbers
from phonenumbers import PhoneMetadata, PhoneNumber, PhoneNumberFormat, PhoneNumberType, ValidationResult

from service.errors import ContactError


class PhoneKind(StrEnum):
    """What sort of line the numbering plan says this is."""

    MOBILE = "mobile"
    LANDLINE = "landline"
    LANDLINE_OR_MOBILE = "landline-or-mobile"
    FREE = "free"
    PREMIUM = "premium"
    OTHER = "other"
    FICTION = "fiction"


@dataclass(frozen=True, slots=True, kw_only=True)
class Phone:
    """A number as stored (`e164`) and as shown back (`international`, with its extension).

    `can_text`: the plan says that texts reach it. In North America landlines cannot be told from mobiles and count.
    """

    e164: str
    international: str
    can_text: bool
    kind: PhoneKind


_KINDS = {
    PhoneNumberType.MOBILE: PhoneKind.MOBILE,
    PhoneNumberType.FIXED_LINE: PhoneKind.LANDLINE,
    PhoneNumberType.FIXED_LINE_OR_MOBILE: PhoneKind.LANDLINE_OR_MOBILE,
    PhoneNumberType.TOLL_FREE: PhoneKind.FREE,
    PhoneNumberType.PREMIUM_RATE: PhoneKind.PREMIUM,
}
_TEXTABLE = frozenset({PhoneKind.MOBILE, PhoneKind.LANDLINE_OR_MOBILE})

# Numbers that regulators keep free for drama and for documents, as E.164 patterns. Sources: Ofcom, "Telephone numbers
# for use in TV and radio drama programmes"; North American Numbering Plan, 555-0100 to 555-0199; ComReg (Ireland),
# 020 91x xxxx; ARCEP (France), numbering plan decision, numbers for audiovisual works. All from memory.
_FICTION_MOBILE = re.compile(
    r"\+447700900\d{3}"
    r"|\+1[2-9]\d{2}55501\d{2}"  # a mobile or a landline, which cannot be told apart
    r"|\+33639980\d{3}"
)
_FICTION_OTHER = re.compile(
    r"\+4411[3-8]4960\d{3}"  # Leeds, Sheffield, Nottingham, Leicester, Bristol, Reading
    r"|\+441[2-6]14960\d{3}"  # Birmingham, Edinburgh, Glasgow, Liverpool, Manchester
    r"|\+441914980\d{3}"  # Tyneside, Durham, Sunderland
    r"|\+442079460\d{3}"  # London
    r"|\+442896496\d{3}"  # Northern Ireland
    r"|\+442920180\d{3}"  # Cardiff
    r"|\+441632960\d{3}"  # no place
    r"|\+448081570\d{3}"  # free
    r"|\+449098790\d{3}"  # premium
    r"|\+443069990\d{3}"  # the whole United Kingdom
    r"|\+3532091\d{5}"
    r"|\+33(?:19900|26191|35301|46571|53649)\d{4}"
)

# Digits with the marks that people write between them, and at most one extension. Letters are never turned to digits.
_WRITTEN = re.compile(
    r"(?:tel:)?(?P<number>\+?[\d ().\-/]*\d[ )]*)(?:[,; ]*(?:;ext=|ext\.?|extension|x|#) *(?P<extension>\d{1,7}))?",
    re.IGNORECASE | re.ASCII,
)
_DASHES = dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2014\u2212"), "-")


def parse_phone(text: str, region: str, *, allow_fiction: bool) -> Phone:
    """Read a number as a person wrote it; `region` (ISO 3166 code) is the country of numbers without a "+".

    Numbers reserved for drama are refused, except with `allow_fiction` (demonstrations only): nobody must dial them.

    Raises:
        ContactError: field "phone" (or "region"); one sentence that says what to do. It never repeats the number.
    """
    region = region.strip().upper()
    if region not in phonenumbers.SUPPORTED_REGIONS:
        raise ContactError("region", "this is not a country code; give two letters, such as GB")
    written = _plain(text)
    if not written:
        raise _refused("no number is given; enter one, such as +44 and the number without its first 0")
    match = _WRITTEN.fullmatch(written)
    if match is None:
        raise _refused("only digits, spaces and + ( ) - . are allowed, and an extension as ext 12; correct the number")
    number_text = match["number"].strip()
    if phonenumbers.is_emergency_number(number_text, region):
        raise _refused("this is an emergency number; enter the person's own number")
    try:
        number = phonenumbers.parse(number_text, region)
    except phonenumbers.NumberParseException as error:
        raise _refused("this number cannot be read; enter it with + and the country code") from error
    if not _as_written(number, number_text, region):
        raise _refused("digits were left over or changed; enter the number once, with + and the country code")
    if match["extension"]:
        number.extension = match["extension"]
    e164 = phonenumbers.format_number(number, PhoneNumberFormat.E164)
    kind = _kind(number, e164, allow_fiction)
    reached = kind in _TEXTABLE or (kind is PhoneKind.FICTION and _FICTION_MOBILE.fullmatch(e164) is not None)
    return Phone(
        e164=e164,
        international=phonenumbers.format_number(number, PhoneNumberFormat.INTERNATIONAL),
        can_text=reached and number.extension is None,
        kind=kind,
    )


def _refused(message: str) -> ContactError:
    return ContactError("phone", message)


def _plain(text: str) -> str:
    """ASCII digits for those of any script, plain spaces and hyphens, and no invisible characters."""
    chars = []
    for char in unicodedata.normalize("NFKC", text).translate(_DASHES):
        digit, category = unicodedata.decimal(char, None), unicodedata.category(char)
        if digit is not None:
            chars.append(str(digit))
        elif category not in ("Cf", "Cc"):
            chars.append(" " if category == "Zs" else char)
    return "".join(chars).strip()


def _as_written(number: PhoneNumber, text: str, region: str) -> bool:
    """Whether the number holds exactly the digits that were written, but for a known prefix before them.

    The parser also repairs numbers (a doubled 0, a second number after the first); a repair may reach a stranger.
    """
    national = phonenumbers.national_significant_number(number)
    digits = re.sub(r"\D", "", text)
    if not digits.endswith(national):
        return False
    prefix = digits[: len(digits) - len(national)]
    country_code = number.country_code or 0
    code, home = str(country_code), phonenumbers.region_code_for_country_code(country_code)
    trunks = {"", _metadata(home).national_prefix or "" if home != "001" else ""}
    if text.startswith("+"):
        return prefix in {code + trunk for trunk in trunks}
    abroad = re.fullmatch(rf"(?:{_metadata(region).international_prefix or '00'}){code}", prefix) is not None
    return prefix in trunks or prefix == code or abroad


def _metadata(region: str) -> PhoneMetadata:
    found = PhoneMetadata.metadata_for_region(region)
    assert found is not None, "every supported region has metadata"
    return found


def _kind(number: PhoneNumber, e164: str, allow_fiction: bool) -> PhoneKind:
    if _FICTION_MOBILE.fullmatch(e164) or _FICTION_OTHER.fullmatch(e164):
        if not allow_fiction:
            raise _refused("this number is reserved for drama and reaches nobody; enter the person's own number")
        return PhoneKind.FICTION
    if phonenumbers.is_valid_number(number):
        return _KINDS.get(phonenumbers.number_type(number), PhoneKind.OTHER)
    reason = phonenumbers.is_possible_number_with_reason(number)
    if reason in (ValidationResult.TOO_SHORT, ValidationResult.IS_POSSIBLE_LOCAL_ONLY):
        raise _refused("this number is too short; enter all of its digits with the area code")
    if reason == ValidationResult.TOO_LONG:
        raise _refused("this number has too many digits; enter it again")
    raise _refused(
        "no such number is in use in that country; check the digits, or enter it with + and the country code"
    )
