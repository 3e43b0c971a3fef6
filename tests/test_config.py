"""Is the number for texts read from the settings, left out where there is none, and refused where it is no number?"""

from __future__ import annotations

from pathlib import Path

import pytest
from builders import SECRET

from service.config import read_settings
from service.errors import SettingsError

DEMO = Path(__file__).resolve().parents[1] / "demo" / "clinic.toml"
LINE = 'text_number = "07700 900456"\n'


def text_number(folder: Path, line: str) -> str:
    """What is read from the demo's settings with this line in the place of the demo's own."""
    given = DEMO.read_text(encoding="utf-8")
    assert LINE in given
    place = folder / "clinic.toml"
    place.write_text(given.replace(LINE, line), encoding="utf-8")
    return read_settings(place, {"TRAGUS_SECRET_KEY": SECRET}).clinic.text_number


def test_the_demo_has_a_number_for_texts_from_the_range_for_drama(tmp_path: Path) -> None:
    assert text_number(tmp_path, LINE) == "07700 900456"  # Ofcom: 07700 900000 to 900999


def test_a_clinic_without_a_number_for_texts_leaves_it_out(tmp_path: Path) -> None:
    assert text_number(tmp_path, "") == ""


def test_words_in_place_of_the_number_are_refused_by_name(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"clinic\.text_number must be a number that takes texts"):
        text_number(tmp_path, 'text_number = "ask at the desk"\n')
