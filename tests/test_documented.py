"""What must be written down is: every setting and every command."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

from service.config import Settings
from service.domain.contact import Clinic
from service.ops.cli import main

ROOT = Path(__file__).resolve().parents[1]


def test_every_setting_is_in_the_table_of_the_developers_page_and_in_the_docstring() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for setting in fields(Settings):
        assert f"`{setting.name}`" in page, setting.name
        assert (
            f"{setting.name}:" in (Settings.__doc__ or "")
            or f"{setting.name}," in (Settings.__doc__ or "")
            or f", {setting.name}" in (Settings.__doc__ or "")
        )


def test_every_setting_of_the_clinic_is_in_the_row_of_the_table_that_explains_them() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    (row,) = [line for line in page.splitlines() if line.startswith("| `clinic` |")]
    for setting in fields(Clinic):
        assert re.search(rf"\b{setting.name}\b", row), setting.name


def test_every_command_says_in_one_sentence_what_it_does() -> None:
    for name, command in main.commands.items():
        assert command.help and command.help.strip().endswith("."), name


def test_the_demo_settings_are_marked_as_an_invented_clinic() -> None:
    assert "invented" in (ROOT / "demo" / "clinic.toml").read_text(encoding="utf-8")
