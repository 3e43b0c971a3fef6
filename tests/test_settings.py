"""Does a wrong setting end in one sentence that names it and says what is allowed?"""

from __future__ import annotations

from pathlib import Path

import pytest
from builders import SECRET

from service.config import read_settings
from service.errors import SettingsError, TragusError
from service.wiring import build

CLINIC = """
database = "sqlite:///{folder}/clinic.sqlite"

[clinic]
name = "Larkfield Ear Care"
phone = "020 7946 0123"
email = "desk@larkfield.example"
address = ["1 Larkfield Lane"]
zone = "Europe/London"
emergency = "999"
urgent_line = "111"
base_url = "https://larkfield.example"

[transports.email]
use = "smtp"
options = {{ host = "127.0.0.1", port = 2525, security = "none" }}

[transports.letter]
use = "printed"
options = {{ folder = "{folder}/letters" }}
"""


def started(folder: Path, old: str, new: str) -> None:
    text = CLINIC.format(folder=folder)
    assert old in text
    place = folder / "clinic.toml"
    place.write_text(text.replace(old, new), encoding="utf-8")
    build(read_settings(place, {"TRAGUS_SECRET_KEY": SECRET})).open_work().let_go()


def test_the_settings_that_the_others_are_made_of_are_usable(tmp_path: Path) -> None:
    started(tmp_path, "999", "112")


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            "Europe/London",
            "Europe/Londn",
            'clinic.zone: "Europe/Londn" is not a known time zone; choose one by its city',
        ),
        ("desk@larkfield.example", "desk", "clinic.email must be an address such as desk@clinic.example"),
        ("sqlite:////", "sqlite://", "database must start with sqlite:///"),
        ("https://", "", "clinic.base_url must start with http:// or https://"),
        ("[transports.email]", "[transports.mail]", "transports.mail is not a channel; allowed: text, email, letter"),
        ('"smtp"', '"pigeon"', "transports.email: transport 'pigeon' is not installed"),
        ("port = 2525", 'port = "2525"', "transports.email: option port must be a whole number"),
        ("folder =", "place =", "transports.letter: option folder must be given as text"),
        ("/letters", "/clinic.toml", "transports.letter: option folder: "),
        ("/clinic.sqlite", "/clinic.toml/clinic.sqlite", "database: the folder "),
        ("/clinic.sqlite", "/clinic.toml", "database: it cannot be opened (file is not a database)"),
    ],
)
def test_a_wrong_setting_is_named_in_one_sentence(tmp_path: Path, old: str, new: str, said: str) -> None:
    with pytest.raises(TragusError) as wrong:
        started(tmp_path, old, new)
    assert said in str(wrong.value)
    assert "document" not in str(wrong.value)
    assert len(str(wrong.value).splitlines()) == 1


def test_without_mail_the_clinic_need_not_have_an_address(tmp_path: Path) -> None:
    text = CLINIC.format(folder=tmp_path).replace("[transports.email]", "[transports.text]")
    place = tmp_path / "clinic.toml"
    place.write_text(text.replace("desk@larkfield.example", ""), encoding="utf-8")
    assert read_settings(place, {"TRAGUS_SECRET_KEY": SECRET}).clinic.email == ""


def test_every_wrong_setting_is_named_and_not_only_the_first(tmp_path: Path) -> None:
    place = tmp_path / "clinic.toml"
    place.write_text(CLINIC.format(folder=tmp_path).replace("phone", "fone"), encoding="utf-8")
    with pytest.raises(SettingsError) as wrong:
        read_settings(place, {"TRAGUS_SECRET_KEY": SECRET})
    assert "clinic.fone: this field is not known" in str(wrong.value)
    assert "clinic.phone: this field is required" in str(wrong.value)
