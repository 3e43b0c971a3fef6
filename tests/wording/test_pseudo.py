"""The pseudo-language shows what was never made translatable."""

from __future__ import annotations

import re

import pytest
from builders import a_clinic, a_visit, an_ear, the_catalogs, the_pack

from service.domain.build import build_plan
from service.domain.pack import ClinicChoices
from service.messages.catalogs import PLACEHOLDER
from service.messages.layout import as_text
from service.messages.read_plan import read_plan
from service.messages.wordings import Wordings
from service.wording.pseudo import TAG, pseudo, with_pseudo


def test_a_text_becomes_longer_accented_and_bracketed_and_keeps_its_placeholders() -> None:
    said = pseudo("Put {drops} drops into the RIGHT ear.")
    assert said.startswith("⟦Pût {drops} ")
    assert said.endswith("⟧")
    assert PLACEHOLDER.findall(said) == ["drops"]
    assert len(said) >= 1.3 * len("Put {drops} drops into the RIGHT ear.")


def test_every_text_of_the_content_has_its_pseudo_text() -> None:
    catalogs = with_pseudo(the_pack(), the_catalogs())
    assert TAG in catalogs.languages
    assert all(catalogs.digest(TAG, unit) is not None for unit in the_pack().wording)
    assert catalogs.digest("pl", "page.title") == the_catalogs().digest("pl", "page.title")


@pytest.mark.parametrize("finding", ["wax-left", "perforation", "mastoid-cavity", "normal"])
def test_every_sentence_of_a_plan_can_be_translated(finding: str) -> None:
    pack, clinic = the_pack(), a_clinic()
    plan = build_plan(a_visit(an_ear(finding), an_ear("normal")), pack, ClinicChoices())
    wordings = Wordings(pack, with_pseudo(pack, the_catalogs()), None, clinic.said())
    text = as_text(read_plan(plan, wordings, TAG, clinic, person=""))
    for own in (clinic.name, *clinic.address, clinic.phone, clinic.email):
        text = text.replace(own, "")
    while re.search(r"⟦[^⟦⟧]*⟧", text):  # a list inside a sentence has brackets of its own
        text = re.sub(r"⟦[^⟦⟧]*⟧", "", text)
    assert not re.findall(r"[A-Za-z]{4,}", re.sub(r"\d+ \w+ \d{4}", "", text))
