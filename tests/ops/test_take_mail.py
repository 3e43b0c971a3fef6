"""The pipe of a mail server, through the real command: stored and 0, or 75 and the server keeps the mail."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from builders import a_person, a_settings_file
from inbound.sent import MAILS

from service.config import read_settings
from service.domain.contact import Channel
from service.services import Services
from service.wiring import build

TRAGUS = Path(sys.executable).parent / "tragus"
TRY_AGAIN = 75  # EX_TEMPFAIL, sysexits.h


def piped(config: Path, raw: bytes, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    command = [str(TRAGUS), "take-mail", "--config", str(config), *arguments]
    return subprocess.run(command, input=raw, capture_output=True, check=False, timeout=120)


def a_clinic_with_maud(folder: Path) -> tuple[Path, Services]:
    config = a_settings_file(folder / "clinic.toml")
    services = build(read_settings(config))
    a_person(services, channels=(Channel.EMAIL,))
    return config, services


def reasons(services: Services) -> list[str]:
    with services.open_reading() as work:
        return [entry.reason for entry in work.ledger.attention()]


def test_a_mail_is_stored_and_has_its_effect_and_a_second_delivery_has_none(tmp_path: Path) -> None:
    config, services = a_clinic_with_maud(tmp_path)
    raw = (MAILS / "reply-separator.eml").read_bytes()
    for _ in range(2):
        done = piped(config, raw, "--to", "desk@larkfield.example")
        assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")
    assert reasons(services) == ["reply"]


def test_octets_that_are_no_mail_are_stored_for_a_person(tmp_path: Path) -> None:
    config, services = a_clinic_with_maud(tmp_path)
    assert piped(config, b"\x00\xff\xfe").returncode == 0
    assert piped(config, b"Subject: large\n\n" + b"x" * 11_000_000).returncode == 0
    with services.open_reading() as work:
        assert [stored.meaning for stored in work.inbound.strangers()] == ["unreadable", "unreadable"]


def test_no_transport_is_needed_so_that_the_mail_server_holds_none_of_their_secrets(tmp_path: Path) -> None:
    config, services = a_clinic_with_maud(tmp_path)
    config.write_text(config.read_text().replace('use = "folder"', 'use = "not-installed"'))
    assert piped(config, (MAILS / "reply-separator.eml").read_bytes()).returncode == 0
    assert reasons(services) == ["reply"]


def test_while_the_database_is_away_the_mail_server_is_asked_to_try_again(tmp_path: Path) -> None:
    config = a_settings_file(tmp_path / "clinic.toml", database="postgresql+psycopg://nobody@127.0.0.1:9/none")
    done = piped(config, b"From: maud@example.org\n\nmy ear bleeds\n")
    assert done.returncode == TRY_AGAIN
    assert done.stdout == b""
    assert done.stderr.decode().startswith("tragus: the mail is not stored; try again later: database: ")
    assert b"bleeds" not in done.stderr and b"Traceback" not in done.stderr


def test_also_without_usable_settings_no_mail_is_lost(tmp_path: Path) -> None:
    done = piped(tmp_path / "missing.toml", b"From: maud@example.org\n\nHello\n")
    assert done.returncode == TRY_AGAIN
    assert len(done.stderr.splitlines()) == 1
