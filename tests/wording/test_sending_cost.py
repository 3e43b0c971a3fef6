"""Is the cost of sending counted over the values that really come, and is the dear character named?"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from service.domain.text_alphabet import Alphabet
from service.wording.sending_cost import sending_cost

VECTORS: list[dict[str, Any]] = json.loads(
    (Path(__file__).parents[1] / "data" / "vectors" / "gsm7.json").read_text(encoding="utf-8")
)["strings"]


# Sent after composing (NFC), so the one vector with a separate accent costs less here; it has a test of its own.
COMPOSED = [vector for vector in VECTORS if vector["id"] != "combining"]


def test_a_letter_with_a_separate_accent_is_composed_before_it_is_counted() -> None:
    sent = sending_cost({"any": ("e\u0301",)}, "en").worst
    assert (sent.alphabet, sent.units, sent.forced_by) == (Alphabet.GSM7, 1, None)


@pytest.mark.parametrize("vector", COMPOSED, ids=[vector["id"] for vector in COMPOSED])
def test_a_text_without_placeholders_costs_what_other_libraries_count(vector: dict[str, Any]) -> None:
    cost = sending_cost({"any": (vector["text"],)}, "en")
    for sent in (cost.typical, cost.worst):
        assert (sent.alphabet.value, sent.units, sent.parts) == (vector["encoding"], vector["units"], vector["parts"])


def test_a_name_can_turn_a_plain_text_into_the_dear_alphabet_and_is_named() -> None:
    cost = sending_cost({"any": ("x" * 100 + " {person}",)}, "en")
    assert (cost.typical.alphabet, cost.typical.parts, cost.typical.forced_by) == (Alphabet.GSM7, 1, None)
    dear = cost.worst
    assert (dear.alphabet, dear.parts, dear.forced_by, dear.forced_in) == (Alphabet.UCS2, 2, "ł", "person")


def test_the_wording_itself_is_blamed_where_it_holds_the_character_first() -> None:
    cost = sending_cost({"any": ("Proszę przyjść, {person}.",)}, "pl")
    assert (cost.typical.forced_by, cost.typical.forced_in) == ("ę", "")


def test_an_invisible_mark_around_a_value_is_not_blamed() -> None:
    assert sending_cost({"any": ("{phone}: خطتك",)}, "ar").worst.forced_by == "خ"


def test_the_marks_around_values_are_counted_in_right_to_left_text() -> None:
    with_value = sending_cost({"any": ("خطة {phone}",)}, "ar", {"phone": "999"}).typical
    assert with_value.units == len("خطة 999") + 2


def test_a_clinics_own_values_are_the_only_ones_tried() -> None:
    cost = sending_cost({"any": ("{clinic}: hello",)}, "en", {"clinic": "Heron"})
    assert cost.typical == cost.worst and cost.worst.text == "Heron: hello"


def test_the_longest_plural_form_decides_the_worst() -> None:
    cost = sending_cost({"any": ("{days} day", "{days} days of rest")}, "en", count="days")
    assert cost.worst.text == "100 days of rest"
    assert cost.typical.text == "7 days of rest"


def test_every_form_for_an_ear_is_counted() -> None:
    texts = {"right": ("R",), "left": ("LL",), "both": ("BBB",)}
    assert (sending_cost(texts, "en").worst.form, sending_cost(texts, "en").typical.form) == ("both", "right")


def test_a_spanish_text_is_also_counted_with_its_national_table() -> None:
    worst = sending_cost({"any": ("¡Así está mejor! " * 6,)}, "es").worst
    assert (worst.alphabet, worst.parts, worst.shifted_parts) == (Alphabet.UCS2, 2, 1)


def test_the_dearest_with_the_national_table_is_not_the_dearest_without() -> None:
    """A Polish name needs UCS-2 whatever the table; what the table can carry is counted by itself."""
    cost = sending_cost({"any": ("¡Así está mejor! " * 6 + "{name}",)}, "es")
    assert "ł" in cost.worst.text and cost.worst.shifted_parts is None
    assert cost.worst_shifted is not None and cost.worst_shifted.text.endswith("Alexandrina Featherstonehaugh")
    assert (cost.worst_shifted.parts, cost.worst_shifted.shifted_parts) == (2, 1)


def test_a_table_that_lacks_a_character_or_is_not_needed_gives_no_count() -> None:
    assert sending_cost({"any": ("Así: ł",)}, "es").worst.shifted_parts is None
    assert sending_cost({"any": ("Hola",)}, "es").worst.shifted_parts is None
    assert sending_cost({"any": ("Hola",)}, "es").worst_shifted is None
    assert sending_cost({"any": ("Así",)}, "fr").worst.shifted_parts is None


def test_both_alphabets_are_kept_when_a_value_decides_between_them() -> None:
    cost = sending_cost({"any": ("x" * 150 + " {person}",)}, "en")
    assert [sent.alphabet for sent in cost.cases] == [Alphabet.UCS2, Alphabet.GSM7]
    assert [sent.parts for sent in cost.cases] == [3, 2]


def test_a_unit_without_texts_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one form"):
        sending_cost({}, "en")
