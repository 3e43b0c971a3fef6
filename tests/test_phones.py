from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import ContactError
from service.phones import PhoneKind, parse_phone

NUMBERS = json.loads((Path(__file__).parent / "data" / "vectors" / "phones.json").read_text(encoding="utf-8"))[
    "numbers"
]
AGREED = [entry for entry in NUMBERS if entry["second_library"]["agrees"]]

# What we refuse although the numbering plan allows it: letters that would become digits, and numbers for drama.
REFUSED_BY_US = {"1-800-FLOWERS", "(201) 555-0123"}


@pytest.mark.parametrize("entry", AGREED, ids=lambda entry: f"{entry['default_region']} {entry['kind']}")
def test_a_number_is_read_as_two_libraries_read_it(entry: dict[str, Any]) -> None:
    if not entry["valid"] or entry["input"] in REFUSED_BY_US:
        with pytest.raises(ContactError) as caught:
            parse_phone(entry["input"], entry["default_region"], allow_fiction=False)
        assert caught.value.field == "phone"
        return
    phone = parse_phone(entry["input"], entry["default_region"], allow_fiction=False)
    assert phone.e164 == entry["e164"]
    assert phone.international == entry["international"]
    assert phone.can_text is (entry["sms_capable_expected"] and entry["extension"] is None)


@pytest.mark.parametrize(
    ("text", "e164", "can_text"),
    [
        ("07700 900000", "+447700900000", True),
        ("+44 7700 900999", "+447700900999", True),
        ("020 7946 0123", "+442079460123", False),
        ("0113 496 0001", "+441134960001", False),
        ("0161 496 0999", "+441614960999", False),
        ("0191 498 0500", "+441914980500", False),
        ("028 9649 6123", "+442896496123", False),
        ("029 2018 0001", "+442920180001", False),
        ("01632 960123", "+441632960123", False),
        ("0808 157 0123", "+448081570123", False),
        ("0909 879 0123", "+449098790123", False),
        ("03069 990123", "+443069990123", False),
        ("+1 202 555 0100", "+12025550100", True),
        ("+1 (212) 555-0199", "+12125550199", True),
        ("+353 20 910 1234", "+353209101234", False),
        ("+33 6 39 98 01 23", "+33639980123", True),
        ("+33 1 99 00 12 34", "+33199001234", False),
    ],
)
def test_numbers_for_drama_pass_in_a_demonstration_only(text: str, e164: str, can_text: bool) -> None:
    phone = parse_phone(text, "GB", allow_fiction=True)
    assert (phone.e164, phone.can_text, phone.kind) == (e164, can_text, PhoneKind.FICTION)
    with pytest.raises(ContactError, match="reserved for drama and reaches nobody"):
        parse_phone(text, "GB", allow_fiction=False)


@pytest.mark.parametrize("text", ["+44 7700 899999", "+1 202 555 0200", "020 7946 1000"])
def test_numbers_beside_the_drama_ranges_are_not_fiction(text: str) -> None:
    assert parse_phone(text, "GB", allow_fiction=False) == parse_phone(text, "GB", allow_fiction=True)


def test_a_demonstration_still_refuses_what_is_no_number() -> None:
    with pytest.raises(ContactError, match="too short"):
        parse_phone("0770 09", "GB", allow_fiction=True)


@pytest.mark.parametrize("number", ["999", "112"])
def test_an_emergency_number_is_never_a_persons_number(number: str) -> None:
    with pytest.raises(ContactError, match="emergency number"):
        parse_phone(number, "GB", allow_fiction=True)


@pytest.mark.parametrize(
    "text",
    [
        "O7400 123456",  # the letter O for a zero
        "074OO 123456",
        "07400 123456 (wife)",
        "07400 123456 evenings",
        "07400 123456, 07400 123457",
        "07400 123456 / 0121 234 5678",
        "+44 007400 123456",  # a doubled trunk zero
        "07400 123456 or 7",
        "tel +44 7400 123456?",
        "1-800-FLOWERS",
        "++44 7400 123456",
        "07400+123456",
    ],
)
def test_junk_never_becomes_digits(text: str) -> None:
    with pytest.raises(ContactError):
        parse_phone(text, "GB", allow_fiction=True)


@pytest.mark.parametrize(
    "text",
    [
        "07400\u00a0123456",
        "\u202a07400 123456\u202c",
        "07400\u2013123456",
        "(07400) 123456",
        "07400.123.456",
        "\uff10\uff17\uff14\uff10\uff10 123456",
    ],
)
def test_marks_that_come_with_pasting_do_no_harm(text: str) -> None:
    assert parse_phone(text, "GB", allow_fiction=False).e164 == "+447400123456"


@pytest.mark.parametrize("text", ["+44 7400 123456 ext 12", "07400 123456 x12", "tel:+44-7400-123456;ext=12"])
def test_a_line_behind_an_extension_gets_no_texts(text: str) -> None:
    phone = parse_phone(text, "GB", allow_fiction=False)
    assert (phone.e164, phone.international, phone.can_text) == ("+447400123456", "+44 7400 123456 x12", False)


def test_italy_keeps_its_leading_zero() -> None:
    assert parse_phone("06 1234 5678", "IT", allow_fiction=False).e164 == "+390612345678"


def test_free_and_premium_numbers_are_known_but_get_no_texts() -> None:
    free = parse_phone("0800 123 4567", "GB", allow_fiction=False)
    premium = parse_phone("0901 234 5678", "GB", allow_fiction=False)
    assert (free.kind, free.can_text) == (PhoneKind.FREE, False)
    assert (premium.kind, premium.can_text) == (PhoneKind.PREMIUM, False)


def test_a_country_that_does_not_exist_is_refused() -> None:
    with pytest.raises(ContactError, match="not a country code") as caught:
        parse_phone("07400 123456", "UK", allow_fiction=False)
    assert caught.value.field == "region"


def test_a_refusal_does_not_repeat_the_number() -> None:
    with pytest.raises(ContactError) as caught:
        parse_phone("07400 1234567", "GB", allow_fiction=False)
    assert not re.search(r"\d{5}", str(caught.value))


@given(
    st.text(max_size=30) | st.text(alphabet="0123456789+ ()-x", max_size=24), st.sampled_from(["GB", "US", "IT", "AR"])
)
def test_any_input_gives_a_number_with_the_written_digits_or_a_clear_refusal(text: str, region: str) -> None:
    try:
        phone = parse_phone(text, region, allow_fiction=True)
    except ContactError as error:
        assert str(error).startswith("phone: ")
        return
    assert re.fullmatch(r"\+[1-9]\d{6,14}", phone.e164)
    assert parse_phone(phone.e164, region, allow_fiction=True).e164 == phone.e164
