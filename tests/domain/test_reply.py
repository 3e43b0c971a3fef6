"""The key of an automatic answer says what it is."""

from __future__ import annotations

import pytest

from service.domain.contact import Channel
from service.domain.reply import answer_key, answer_prefix, channel_asked, unit_said


def test_a_key_says_what_is_answered_and_by_which_way() -> None:
    key = answer_key("reply.help", Channel.TEXT, "in-1")
    assert (unit_said(key), channel_asked(key)) == ("reply.help", Channel.TEXT)
    assert key.startswith(answer_prefix("reply.help", Channel.TEXT))


def test_the_same_words_give_the_same_key_and_others_another() -> None:
    assert answer_key("reply.help", Channel.TEXT, "in-1") == answer_key("reply.help", Channel.TEXT, "in-1")
    assert answer_key("reply.help", Channel.TEXT, "in-1") != answer_key("reply.help", Channel.TEXT, "in-2")
    assert answer_key("reply.help", Channel.TEXT, "a/b\ud83d").count("/") == 3


@pytest.mark.parametrize("key", ["dose/2026-11-25T08:00", "reply/reply.help/text", "reply", "plan-given"])
def test_the_key_of_another_message_is_refused(key: str) -> None:
    with pytest.raises(ValueError, match="not the key of an answer"):
        unit_said(key)
