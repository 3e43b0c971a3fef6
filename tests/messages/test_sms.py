from __future__ import annotations

import json
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import TragusError
from service.messages.sms import BASIC, EXTENSION, Alphabet, count_parts, split

VECTORS = json.loads((Path(__file__).parents[1] / "data" / "vectors" / "gsm7.json").read_text(encoding="utf-8"))

texts = st.text(min_size=1, max_size=400) | st.text(alphabet=sorted(BASIC | EXTENSION), min_size=1, max_size=700)


def utf16_units(text: str) -> int:
    return len(text.encode("utf-16-le", "surrogatepass")) // 2


@pytest.mark.parametrize("entry", VECTORS["strings"], ids=lambda entry: entry["id"])
def test_a_text_costs_what_the_standard_says(entry: dict[str, Any]) -> None:
    found = count_parts(entry["text"])
    if entry["id"] == "combining":  # the vector counts it raw; we compose e + accent first, and é is in the alphabet
        assert (found.alphabet, found.units, found.parts) == (Alphabet.GSM7, 1, 1)
        return
    assert found.alphabet == entry["encoding"]
    assert found.units == entry["units"]
    assert found.parts == entry["parts"]
    assert list(found.units_per_part) == entry["units_per_part"]


def test_the_alphabet_has_127_characters_and_ten_extensions() -> None:
    assert len(BASIC) == 127
    assert len(EXTENSION) == 10
    assert not BASIC & EXTENSION


def test_the_first_character_that_doubles_the_bill_is_named() -> None:
    assert count_parts("Drops for Siân at 9, Llŷr at 10").forced_by == "â"
    assert count_parts("Drops at 9").forced_by is None


def test_extension_characters_are_listed_once_in_order() -> None:
    assert count_parts("€5 [or €6]").extension == ("€", "[", "]")
    assert count_parts("€5 \u2013 [or €6]").extension == (), "in UCS-2 they cost nothing extra"


def test_an_empty_text_counts_as_one_part_and_is_never_sent() -> None:
    assert count_parts("").units_per_part == (0,)
    with pytest.raises(TragusError, match="empty text cannot be sent"):
        split("")


def test_a_text_of_more_than_255_parts_is_refused() -> None:
    assert len(split("a" * 153 * 255)) == 255
    with pytest.raises(TragusError, match="256 parts are too many"):
        split("a" * (153 * 255 + 1))


@given(texts)
def test_joined_parts_give_the_text(text: str) -> None:
    assert "".join(split(text)) == unicodedata.normalize("NFC", text)


@given(texts)
def test_no_part_exceeds_its_limit_and_every_part_is_as_counted(text: str) -> None:
    count, parts = count_parts(text), split(text)
    assert len(parts) == count.parts
    single = count.parts == 1
    for part, units in zip(parts, count.units_per_part, strict=True):
        if count.alphabet is Alphabet.GSM7:
            assert units == sum(2 if char in EXTENSION else 1 for char in part) <= (160 if single else 153)
        else:
            assert units == utf16_units(part) <= (70 if single else 67)


@given(st.text(alphabet="a😀", min_size=60, max_size=300))
def test_a_surrogate_pair_is_never_cut(text: str) -> None:
    encoded = [part.encode("utf-16-be") for part in split(text)]
    assert b"".join(encoded) == text.encode("utf-16-be")
    for part in encoded:
        part.decode("utf-16-be")  # half a pair at either end would not decode


@given(st.text(alphabet="a€", min_size=150, max_size=500))
def test_only_a_pair_leaves_a_part_short(text: str) -> None:
    *full, _ = count_parts(text).units_per_part
    assert all(units in (152, 153) for units in full)
