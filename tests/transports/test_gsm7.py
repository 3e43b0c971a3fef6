"""The octets of a phone text read back as they were written."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.text_alphabet import BASIC, EXTENSION, SHIFTS, count_parts
from service.transports.gsm7 import code_text, from_septets, read_header, text_of, to_septets

gsm_texts = st.text(alphabet=sorted(BASIC | EXTENSION), min_size=1, max_size=600)


@given(gsm_texts)
def test_septets_read_back_as_they_were_written(text: str) -> None:
    assert from_septets(to_septets(text)) == text


@given(gsm_texts | st.text(min_size=1, max_size=300) | st.text(alphabet="a€😀", min_size=60, max_size=400))
def test_every_part_is_read_by_itself_and_all_together_give_the_text(text: str) -> None:
    coded = code_text(text, "en")
    coding = 8 if coded.alphabet == "UCS2" else 0
    found = [text_of(part, coding) for part in coded.parts]
    assert len(found) == count_parts(text).parts
    assert text_of(b"".join(coded.parts), coding) == "".join(found)
    for part in coded.parts:
        if coding == 8:
            part.decode("utf-16-be")  # half a pair would not decode
            assert len(part) <= (140 if len(coded.parts) == 1 else 134)
        else:
            assert not part.endswith(b"\x1b"), "an escape was cut from its code"
            assert len(part) <= (160 if len(coded.parts) == 1 else 153)


@pytest.mark.parametrize("language", sorted(SHIFTS))
def test_every_character_of_a_national_table_reads_back(language: str) -> None:
    shift = SHIFTS[language]
    text = "".join(shift.codes)
    assert from_septets(to_septets(text, shift), shift) == text
    assert len(set(shift.codes.values())) == len(shift.codes), "each code once"
    assert max(shift.codes.values()) < 0x80


def test_an_unknown_extension_shows_the_plain_character_and_a_lone_escape_nothing() -> None:  # TS 23.038 6.2.1.1
    assert from_septets(b"\x1bA\x1be\x1b\x1b\x80\x1b") == "A€ \N{REPLACEMENT CHARACTER}"


@given(st.binary(max_size=160))
def test_any_octets_have_a_header_or_none(octets: bytes) -> None:
    headed = read_header(octets)
    assert octets.endswith(headed.octets)
    if headed.place is not None:
        assert 1 <= headed.place.index <= headed.place.total


@pytest.mark.parametrize(
    "elements",
    ["250101", "250103", "25010d", "24010d", "240101250101", "0003070201240106"],
    ids=["Turkish locking", "Portuguese locking", "Urdu locking", "Urdu single", "both", "Hindi single, of two parts"],
)
def test_words_that_need_a_national_table_that_is_not_here_are_marked(elements: str) -> None:
    """Element identifiers 0x24 and 0x25: TS 23.040 9.2.3.24.15 and 16; language codes: TS 23.038 6.2.1.2.4."""
    found = bytes.fromhex(elements)
    headed = read_header(bytes((len(found),)) + found + b"STOP")
    assert headed.foreign
    said = text_of(headed.octets, 0, headed.language_code, foreign=headed.foreign)
    assert said == "STOP \N{REPLACEMENT CHARACTER}", "what may be read is kept, so that a stop is obeyed"


def test_words_with_a_table_that_is_here_are_not_marked() -> None:
    assert not read_header(bytes.fromhex("03240101") + b"A").foreign
    assert not read_header(bytes.fromhex("050003070201") + b"A").foreign
