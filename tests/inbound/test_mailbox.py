"""The mailbox over IMAP, against a real server (Dovecot)."""

from __future__ import annotations

import getpass
import imaplib
import os
import pwd
import shutil
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from builders import SECRET, free_port
from inbound.sent import World, strangers

from service.config import MailboxSettings
from service.domain.contact import Channel
from service.domain.message import State
from service.errors import TransportError
from service.inbound import mailbox
from service.inbound.mailbox import delivered_to, fetch
from service.inbound.rounds import MAILBOX_TROUBLE, look_into_mailbox
from service.links import bounce_address

DOVECOT = shutil.which("dovecot", path=f"{os.environ.get('PATH', '')}:/usr/sbin")

CONFIG = """
base_dir = {base}/run
state_dir = {base}/state
log_path = {base}/log
listen = 127.0.0.1
protocols = imap
ssl = yes
ssl_cert = <{base}/cert.pem
ssl_key = <{base}/key.pem
disable_plaintext_auth = no
auth_failure_delay = 0
default_internal_user = {internal}
default_login_user = {login}
default_internal_group = {internal_group}
first_valid_uid = 1
mail_location = maildir:{base}/mail
namespace inbox {{
  inbox = yes
}}
passdb {{
  driver = static
  args = password=a-test-password
}}
userdb {{
  driver = static
  args = uid={uid} gid={gid} home={base}
}}
service imap-login {{
  {chroot}
  inet_listener imap {{
    port = {port}
  }}
  inet_listener imaps {{
    port = {tls_port}
    ssl = yes
  }}
}}
service anvil {{
  {chroot}
}}
service stats {{
  {chroot}
}}
"""


class Server:
    """A running Dovecot with one mailbox below `base`."""

    def __init__(self, base: Path, plain: MailboxSettings, tls: MailboxSettings) -> None:
        self.base, self.plain, self.tls = base, plain, tls

    def login(self) -> imaplib.IMAP4:
        server = imaplib.IMAP4("127.0.0.1", self.plain.port, timeout=60)
        server.login("desk", "a-test-password")
        return server

    def put(self, *mails: bytes) -> None:
        server = self.login()
        for raw in mails:
            assert server.append("INBOX", "", None, raw)[0] == "OK"
        server.logout()

    def flags(self) -> list[bool]:
        """For each mail, whether it is marked as seen."""
        server = self.login()
        server.select("INBOX", readonly=True)
        _, found = server.fetch("1:*", "(FLAGS)")
        server.logout()
        return [b"\\Seen" in line for line in found if isinstance(line, bytes)]

    def empty(self) -> None:
        server = self.login()
        _, (count,) = server.select("INBOX")
        if int(count or b"0"):  # "1:*" of an empty folder is an error
            server.store("1:*", "+FLAGS", r"(\Deleted)")
            server.expunge()
        server.logout()


@pytest.fixture(scope="module")
def running() -> Iterator[Server]:
    if DOVECOT is None:
        assert not os.environ.get("CI"), "dovecot is missing: install dovecot-imapd on this build server"
        pytest.skip("dovecot is not installed (Debian: dovecot-imapd)")
    base = Path(tempfile.mkdtemp(prefix="mb", dir="/tmp"))  # a short path: sockets have about 100 characters
    root = os.getuid() == 0
    owner = pwd.getpwnam("mail" if root else getpass.getuser())
    for name in ("run", "state", "mail"):
        (base / name).mkdir()
    base.chmod(0o755)
    os.chown(base / "mail", owner.pw_uid, owner.pw_gid)
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=127.0.0.1"),
            *("-addext", "subjectAltName=IP:127.0.0.1", "-keyout", base / "key.pem", "-out", base / "cert.pem"),
        ],
        check=True,
        capture_output=True,
    )
    port, tls_port = free_port(), free_port()
    config = base / "dovecot.conf"
    own = getpass.getuser()
    config.write_text(
        CONFIG.format(
            base=base,
            internal="dovecot" if root else own,
            login="dovenull" if root else own,
            internal_group="dovecot" if root else subprocess.check_output(["id", "-gn"], text=True).strip(),
            uid=owner.pw_uid,
            gid=owner.pw_gid,
            chroot="" if root else "chroot =",
            port=port,
            tls_port=tls_port,
        )
    )
    process = subprocess.Popen([DOVECOT, "-F", "-c", config], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    plain = MailboxSettings(host="127.0.0.1", port=port, security="none", user="desk", password="a-test-password")
    tls = replace(plain, port=tls_port, security="tls", ca_file=str(base / "cert.pem"))
    try:
        deadline = time.monotonic() + 120
        while True:
            try:
                socket.create_connection(("127.0.0.1", port), timeout=1).close()
                break
            except OSError:
                said = (base / "log").read_text() if (base / "log").exists() else "no log"
                assert process.poll() is None and time.monotonic() < deadline, f"dovecot did not start: {said}"
                time.sleep(0.05)
        yield Server(base, plain, tls)
    finally:
        process.terminate()
        process.wait(60)
        shutil.rmtree(base)


@pytest.fixture
def server(running: Server) -> Iterator[Server]:
    yield running
    running.empty()


def test_every_unseen_mail_is_taken_once_and_then_marked_as_seen(server: Server) -> None:
    world = World(Channel.EMAIL)
    server.put(world.mail("reply-separator"), world.mail("out-of-office-standard"), world.mail("bounce-report-headers"))
    done = fetch(server.plain, world.services)
    assert (dict(done.kinds), done.faults) == ({"reply": 1, "auto-reply": 1, "bounce": 1}, 0)
    assert server.flags() == [True, True, True]
    assert world.message.state is State.FAILED
    assert sum(fetch(server.plain, world.services).kinds.values()) == 0


@pytest.mark.parametrize("way", ["tls", "starttls"])
def test_the_line_may_be_encrypted_from_the_start_or_on_request(server: Server, way: str) -> None:
    world = World(Channel.EMAIL)
    server.put(world.mail("reply-stop"))
    settings = server.tls if way == "tls" else replace(server.tls, security="starttls", port=server.plain.port)
    assert fetch(settings, world.services).kinds["reply"] == 1


def test_a_certificate_that_nobody_vouches_for_is_refused(server: Server) -> None:
    world = World(Channel.EMAIL)
    with pytest.raises(TransportError, match="cannot be read"):
        fetch(replace(server.tls, ca_file=""), world.services)


def test_a_crash_between_storing_and_marking_repeats_nothing(server: Server, monkeypatch: pytest.MonkeyPatch) -> None:
    world = World(Channel.EMAIL)
    server.put(world.mail("reply-below-quote"), world.mail("complaint-abuse"))

    class Dies(imaplib.IMAP4):
        def uid(self, command: str, *arguments: str) -> tuple[str, list[object]]:
            if command == "STORE":
                raise KeyboardInterrupt  # the process ends before the server hears of it
            return super().uid(command, *arguments)

    with monkeypatch.context() as patched:
        patched.setattr(mailbox.imaplib, "IMAP4", Dies)
        with pytest.raises(KeyboardInterrupt):
            fetch(server.plain, world.services)
    assert server.flags() == [False, False]
    assert world.reasons() == ["reply-warning"], "stored before it was to be marked"
    fetch(server.plain, world.services)
    assert server.flags() == [True, True]
    assert sorted(world.reasons()) == ["complaint", "reply-warning"]


def test_a_fault_of_ours_in_one_mail_leaves_it_unseen_and_the_others_go_on(
    server: Server, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    world = World(Channel.EMAIL)
    server.put(world.mail("reply-separator"), world.mail("reply-above-quote"))
    real = mailbox.take_mail

    def faulty(services: object, raw: bytes, envelope_to: str | None) -> object:
        if b"Tuesday suits me" in raw:
            raise RuntimeError("a fault")
        return real(services, raw, envelope_to)  # type: ignore[arg-type]

    with monkeypatch.context() as patched:
        patched.setattr(mailbox, "take_mail", faulty)
        done = fetch(server.plain, world.services)
    assert (dict(done.kinds), done.faults) == ({"reply": 1}, 1)
    assert server.flags() == [False, True]
    assert "maud" not in caplog.text.casefold()
    assert fetch(server.plain, world.services).kinds["reply"] == 1


def test_octets_that_are_no_mail_are_shown_to_the_desk_and_not_fetched_for_ever(server: Server) -> None:
    world = World(Channel.EMAIL)
    server.put(b"\r\n\xff\xfe not a mail\r\n")
    assert fetch(server.plain, world.services).kinds["unreadable"] == 1
    assert strangers(world.services) == ["unreadable"]
    assert server.flags() == [True]


def test_a_wrong_password_or_folder_is_said_clearly_without_the_password(server: Server) -> None:
    world = World(Channel.EMAIL)
    with pytest.raises(TransportError, match="cannot be read") as refused:
        fetch(replace(server.plain, password="not-this-one"), world.services)
    assert "not-this-one" not in str(refused.value)
    with pytest.raises(TransportError, match='the folder No "such cannot be opened'):
        fetch(replace(server.plain, folder='No "such'), world.services)


def test_a_server_that_is_not_there_is_said_clearly() -> None:
    world = World(Channel.EMAIL)
    settings = MailboxSettings(host="127.0.0.1", port=free_port(), security="none", user="desk", password="x")
    with pytest.raises(TransportError, match=r"the mailbox at 127\.0\.0\.1 cannot be read"):
        fetch(settings, world.services)


def trouble(world: World) -> str | None:
    with world.services.open_reading() as work:
        return work.ledger.fact(MAILBOX_TROUBLE)


def test_trouble_with_the_mailbox_is_logged_once_kept_as_a_fact_and_cleared_when_it_is_over(
    server: Server, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level("INFO", "service.inbound")
    world = World(Channel.EMAIL)
    server.put(world.mail("reply-separator"))
    away = replace(server.plain, port=free_port())
    for _ in range(3):
        look_into_mailbox(world.services, away, "one")
    assert caplog.text.count("cannot be read") == 1
    assert "127.0.0.1" in (trouble(world) or "")
    look_into_mailbox(world.services, replace(server.plain, password="not-this-one"), "one")
    assert caplog.text.count("cannot be read") == 2, "another kind of trouble is news"
    assert "not-this-one" not in caplog.text
    for _ in range(2):
        look_into_mailbox(world.services, server.plain, "one")
    assert caplog.text.count("is read again") == 1
    assert trouble(world) is None
    assert world.reasons() == ["reply"]


def test_one_process_looks_into_the_mailbox_and_another_takes_over_when_it_is_gone(server: Server) -> None:
    world = World(Channel.EMAIL)
    look_into_mailbox(world.services, server.plain, "one")
    server.put(world.mail("reply-separator"))
    look_into_mailbox(world.services, server.plain, "two")
    assert server.flags() == [False]
    world.clock.forward(hours=1)
    look_into_mailbox(world.services, server.plain, "two")
    assert server.flags() == [True]


def test_a_process_that_is_told_to_stop_leaves_the_other_mails_unseen(server: Server) -> None:
    world = World(Channel.EMAIL)
    server.put(world.mail("reply-separator"), world.mail("reply-above-quote"))
    answers = iter([False, True])
    fetch(server.plain, world.services, lambda: next(answers))
    assert server.flags() == [True, False]


def test_an_open_line_is_allowed_on_this_machine_only() -> None:
    for host in ("mail.larkfield.example", "192.0.2.1"):
        with pytest.raises(ValueError, match="this machine only"):
            MailboxSettings(host=host, security="none", user="desk", password="x")
    for host in ("localhost", "127.0.0.1", "::1"):
        MailboxSettings(host=host, security="none", user="desk", password="x")
    with pytest.raises(ValueError, match="tls, starttls or none"):
        MailboxSettings(host="localhost", security="maybe", user="desk", password="x")


def test_the_delivery_address_is_read_from_what_the_last_server_wrote() -> None:
    address = bounce_address(SECRET, "a" * 32, "larkfield.example")
    assert delivered_to(f"Delivered-To: {address}\r\nTo: x@example.org\r\n\r\nDelivered-To: no\r\n".encode()) == address
    assert delivered_to(f"X-Original-To: <{address}>\nDelivered-To: desk@larkfield.example\n\n".encode()) == address
    assert delivered_to(b"To: x@example.org\n\nDelivered-To: no\n") is None
    assert delivered_to(b"") is None
