"""Two texts compared word by word."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.wording.word_diff import Change, word_diff, words


def told(before: str, after: str) -> list[tuple[str, str]]:
    return [(piece.change.value, piece.text) for piece in word_diff(before, after)]


def test_equal_texts_differ_in_nothing() -> None:
    assert told("Keep it dry.", "Keep it dry.") == [("same", "Keep it dry.")]


def test_a_word_that_was_put_in_is_the_only_thing_that_is_new() -> None:
    assert told("Keep it dry.", "Keep it very dry.") == [("same", "Keep it "), ("added", "very "), ("same", "dry.")]


def test_what_took_the_place_of_a_word_comes_after_it() -> None:
    assert told("Call us now", "Call us today") == [("same", "Call us "), ("removed", "now"), ("added", "today")]


def test_a_placeholder_is_one_piece_and_never_cut() -> None:
    assert told("Call {phone}.", "Call {clinic}.") == [
        ("same", "Call "),
        ("removed", "{phone}"),
        ("added", "{clinic}"),
        ("same", "."),
    ]


def test_chinese_is_compared_character_by_character() -> None:
    assert told("请保持耳朵干燥", "请保持右耳干燥") == [
        ("same", "请保持"),
        ("added", "右"),
        ("same", "耳"),
        ("removed", "朵"),
        ("same", "干燥"),
    ]


@pytest.mark.parametrize(
    ("text", "cut"),
    [
        ("कान को सूखा रखें", ("कान", " ", "को", " ", "सूखा", " ", "रखें")),  # marks stay in their word
        ("اگر آپ", ("اگر", " ", "آپ")),
        ("หูขวา", ("หู", "ข", "ว", "า")),  # Thai: each letter with its marks
        ("l'oreille d’en", ("l'oreille", " ", "d’en")),
        ("“(now)”", ("“", "(", "now", ")", "”")),
        ("{drops} drops", ("{drops}", " ", "drops")),
        ("a{x}b", ("a", "{x}", "b")),
        ("", ()),
    ],
)
def test_text_is_cut_where_its_script_cuts_it(text: str, cut: tuple[str, ...]) -> None:
    assert words(text) == cut


@settings(max_examples=200)
@given(
    st.text(alphabet="ab {}x'’耳朵หูा\u200d.\n", max_size=24), st.text(alphabet="ab {}x'’耳朵หูा\u200d.\n", max_size=24)
)
def test_the_pieces_spell_both_texts(before: str, after: str) -> None:
    pieces = word_diff(before, after)
    assert "".join(each.text for each in pieces if each.change is not Change.ADDED) == before
    assert "".join(each.text for each in pieces if each.change is not Change.REMOVED) == after
    assert all(each.text for each in pieces)


def test_words_that_all_changed_are_read_as_a_whole() -> None:
    found = [(piece.change, piece.text) for piece in word_diff("Keep it dry.", "Let no water in.")]
    assert found == [
        (Change.REMOVED, "Keep it dry"),
        (Change.ADDED, "Let no water in"),
        (Change.SAME, "."),
    ]
