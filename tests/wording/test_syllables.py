"""Are syllables counted as a speaker would count them, in each language whose formula needs them?"""

from __future__ import annotations

import pytest

from service.wording.syllables import LANGUAGES, count_syllables

# Counted by hand, as spoken (French without its silent last e). Everyday words, and those of this trade.
BY_HAND = {
    "en": "the 1 ear 1 ears 1 drop 1 drops 1 oil 1 olive 2 water 2 appointment 3 emergency 4 contact 2 clinic 2 "
    "something 2 sometimes 2 careful 2 carefully 3 people 2 area 3 table 2 tables 2 wanted 2 asked 1 times 1 pages 2 "
    "washes 2 clothes 1 idea 3 radio 3 serious 3 various 3 didn't 2 can't 1 being 2 people's 2 medicine 3 visit 2 "
    "bottle 2 settle 2 settlement 3 played 1 everything 3 before 2 maybe 2 language 2 wax-softening 4 infection 3",
    "es": "su 1 cita 2 es 1 el 1 martes 2 ciudad 2 día 2 oído 3 agua 2 guía 2 bueno 2 oreja 3 aceite 3 quiere 2 "
    "limpieza 3 ahora 3 infección 3 gotas 2 médico 3 hoy 1 y 1 pingüino 3 leer 2 país 2 antibiótico 5 semana 3 "
    "después 2 hielo 2",
    "fr": "votre 1 visite 2 est 1 mardi 2 à 1 dix 1 heures 1 merci 2 de 1 venir 2 avec 2 carte 1 oreille 2 gouttes 1 "
    "huile 1 bouteille 2 jour 1 semaine 2 aujourd'hui 3 hier 1 nuit 1 eau 1 prochaine 2 rendez-vous 3 maison 2 "
    "plaie 1 client 2 question 2 l'oreille 2 famille 2 fille 1",
    "pl": "ucho 2 wizyta 3 krople 2 dzień 1 tydzień 2 lekarz 2 nauka 3 auto 2 oliwa 3 miesiąc 2 proszę 2 zadzwonić 3 "
    "pani 2 ciepły 2 zapalenie 4 antybiotyk 4 oczy 2 się 1 przyjść 1 uszy 2",
    "pt": "ouvido 3 água 2 gotas 2 dia 2 noite 2 médico 3 não 1 orelha 3 azeite 3 consulta 3 semana 3 depois 2 "
    "farmácia 3 quente 2 quatro 2 mão 1 mãe 1 coração 3 ao 1 pais 1 país 2 saúde 3 limões 2 seringa 3 história 3 "
    "ruído 3 meia 2 ideia 3 duas 2 hora 2",
}


@pytest.mark.parametrize("language", sorted(LANGUAGES))
def test_everyday_words_have_the_syllables_that_a_speaker_counts(language: str) -> None:
    fields = BY_HAND[language].split()
    words = dict(zip(fields[::2], map(int, fields[1::2]), strict=True))
    assert {word: count_syllables(word, language) for word in words} == words


def test_every_language_with_rules_has_words_counted_by_hand() -> None:
    assert BY_HAND.keys() == LANGUAGES


def test_a_regional_language_is_counted_as_its_base() -> None:
    assert count_syllables("orelha", "pt-BR") == 3


def test_a_language_without_rules_is_not_guessed() -> None:
    assert count_syllables("clust", "cy") is None
    assert count_syllables("أذن", "ar") is None


def test_no_word_has_less_than_one_syllable() -> None:
    assert [count_syllables(word, "en") for word in ("mm", "hmm", "Dr", "")] == [1, 1, 1, 1]


def test_capitals_and_composed_letters_change_nothing() -> None:
    assert count_syllables("EMERGENCY", "en") == 4
    assert count_syllables("médico", "es") == count_syllables("médico", "es") == 3
