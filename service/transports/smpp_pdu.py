"""What do the octets on an SMPP line say, and what does a delivery receipt say?

Layouts and numbers are those of the Short Message Peer to Peer Protocol Specification v3.4, sections 3.2 (PDU format),
4 (PDUs), 5.1 (commands, statuses) and 5.3 (optional parameters), and its appendix B (receipt text). Everything here is
pure: octets in, values out.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import IntEnum

from service.domain.message import ReportState
from service.transports.gsm7 import IA5, LATIN_1, UCS2, text_of

RESPONSE = 0x80000000
"""The bit of command_id that marks an answer."""
LAST_SEQUENCE = 0x7FFFFFFF
LONGEST_PDU = 70_000
"""Octets: a message_payload of 64 KiB and the rest around it. More than this is not SMPP."""
LONGEST_SHORT_MESSAGE = 254
HEADED = 0x40
"""The bit of esm_class that says: the words begin with a user data header (section 5.2.12)."""
TON_INTERNATIONAL, TON_ALPHANUMERIC = 1, 5
"""Types of number (section 5.2.5)."""
NPI_E164 = 1
"""A numbering plan (section 5.2.6): telephone numbers."""


class Command(IntEnum):
    """command_id (section 5.1.2.1)."""

    GENERIC_NACK = 0x80000000
    BIND_TRANSCEIVER = 0x00000009
    SUBMIT_SM = 0x00000004
    DELIVER_SM = 0x00000005
    UNBIND = 0x00000006
    ENQUIRE_LINK = 0x00000015
    ALERT_NOTIFICATION = 0x00000102


class Status(IntEnum):
    """command_status (section 5.1.3), those that this service tells apart or says itself."""

    ESME_ROK = 0x00
    ESME_RINVMSGLEN = 0x01
    ESME_RINVCMDLEN = 0x02
    ESME_RINVCMDID = 0x03
    ESME_RINVBNDSTS = 0x04
    ESME_RALYBND = 0x05
    ESME_RSYSERR = 0x08
    ESME_RINVSRCADR = 0x0A
    ESME_RINVDSTADR = 0x0B
    ESME_RBINDFAIL = 0x0D
    ESME_RINVPASWD = 0x0E
    ESME_RINVSYSID = 0x0F
    ESME_RMSGQFUL = 0x14
    ESME_RINVSERTYP = 0x15
    ESME_RINVDLNAME = 0x34
    ESME_RINVESMCLASS = 0x43
    ESME_RSUBMITFAIL = 0x45
    ESME_RINVSRCTON = 0x48
    ESME_RINVSRCNPI = 0x49
    ESME_RINVDSTTON = 0x50
    ESME_RINVDSTNPI = 0x51
    ESME_RTHROTTLED = 0x58
    ESME_RINVSCHED = 0x61
    ESME_RINVEXPIRY = 0x62
    ESME_RX_T_APPN = 0x64
    ESME_RX_P_APPN = 0x65
    ESME_RINVOPTPARSTREAM = 0xC0
    ESME_ROPTPARNOTALLWD = 0xC1
    ESME_RINVPARLEN = 0xC2
    ESME_RMISSINGOPTPARAM = 0xC3
    ESME_RINVOPTPARAMVAL = 0xC4


def status_name(status: int) -> str:
    """The specification's name of a status, with its number."""
    known = Status._value2member_map_.get(status)
    return f"{known.name} (0x{status:02X})" if isinstance(known, Status) else f"status 0x{status:08X}"


class Tag(IntEnum):
    """Optional parameters (section 5.3.2)."""

    RECEIPTED_MESSAGE_ID = 0x001E
    USER_MESSAGE_REFERENCE = 0x0204
    SAR_MSG_REF_NUM = 0x020C
    SAR_TOTAL_SEGMENTS = 0x020E
    SAR_SEGMENT_SEQNUM = 0x020F
    NETWORK_ERROR_CODE = 0x0423
    MESSAGE_PAYLOAD = 0x0424
    MESSAGE_STATE = 0x0427


class PduError(ValueError):
    """Octets that are not a PDU, or a value that no PDU can hold; `status` is what to tell the far side."""

    def __init__(self, message: str, status: Status = Status.ESME_RINVCMDLEN) -> None:
        self.status = status
        super().__init__(message)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pdu:
    """One PDU: its header (section 3.2) and the octets of its body."""

    command: int
    sequence: int
    status: int = 0
    body: bytes = b""

    def encode(self) -> bytes:
        """The octets on the line."""
        return struct.pack(">IIII", 16 + len(self.body), self.command, self.status, self.sequence) + self.body


class PduStream:
    """Cuts what comes in, in whatever pieces, into PDUs."""

    def __init__(self) -> None:
        self._rest = bytearray()

    def feed(self, octets: bytes) -> Iterator[Pdu]:
        """The PDUs that are whole by now. Raises PduError on a length that cannot be: the stream is lost then."""
        self._rest += octets
        while len(self._rest) >= 4:
            length = int.from_bytes(self._rest[:4])
            if not 16 <= length <= LONGEST_PDU:
                raise PduError(f"a PDU cannot have {length} octets")
            if len(self._rest) < length:
                return
            _, command, status, sequence = struct.unpack(">IIII", self._rest[:16])
            body = bytes(self._rest[16:length])
            del self._rest[:length]
            yield Pdu(command=command, status=status, sequence=sequence, body=body)


def c_octets(text: str, longest: int, field: str) -> bytes:
    """A C-octet string of at most `longest` octets with its closing NUL (section 3.1). Raises PduError."""
    if not text.isascii() or "\0" in text or len(text) >= longest:
        raise PduError(f"{field} must be at most {longest - 1} plain ASCII characters")
    return text.encode("ascii") + b"\0"


class _Reader:
    """Takes the fields of a body one after the other."""

    def __init__(self, body: bytes) -> None:
        self._body, self._at = body, 0

    def octet(self) -> int:
        return self.octets(1)[0]

    def octets(self, length: int) -> bytes:
        taken = self._body[self._at : self._at + length]
        if len(taken) < length:
            raise PduError("the body ends in the middle of a field")
        self._at += length
        return taken

    def text(self) -> str:
        end = self._body.find(b"\0", self._at)
        if end < 0:
            raise PduError("a string has no end")
        return self.octets(end + 1 - self._at)[:-1].decode("latin-1")

    def tlvs(self) -> tuple[tuple[int, bytes], ...]:
        found = []
        while self._at < len(self._body):
            tag, length = struct.unpack(">HH", self.octets(4))
            found.append((tag, self.octets(length)))
        return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShortMessage:
    """The body of submit_sm (section 4.4.1) and of deliver_sm (section 4.6.1): they have one layout."""

    destination: str
    source: str = ""
    service_type: str = ""
    source_ton: int = 0
    source_npi: int = 0
    destination_ton: int = 0
    destination_npi: int = 0
    esm_class: int = 0
    protocol_id: int = 0
    priority: int = 0
    schedule: str = ""
    validity: str = ""
    registered_delivery: int = 0
    replace_if_present: int = 0
    data_coding: int = 0
    default_message: int = 0
    short_message: bytes = b""
    tlvs: tuple[tuple[int, bytes], ...] = ()

    def encode(self) -> bytes:
        """The octets of the body. Raises PduError when a field does not fit."""
        if len(self.short_message) > LONGEST_SHORT_MESSAGE:
            raise PduError(f"short_message holds at most {LONGEST_SHORT_MESSAGE} octets", Status.ESME_RINVMSGLEN)
        return b"".join(
            (
                c_octets(self.service_type, 6, "service_type"),
                bytes((self.source_ton, self.source_npi)),
                c_octets(self.source, 21, "source address"),
                bytes((self.destination_ton, self.destination_npi)),
                c_octets(self.destination, 21, "destination address"),
                bytes((self.esm_class, self.protocol_id, self.priority)),
                c_octets(self.schedule, 17, "schedule_delivery_time"),
                c_octets(self.validity, 17, "validity_period"),
                bytes((self.registered_delivery, self.replace_if_present, self.data_coding, self.default_message)),
                bytes((len(self.short_message),)) + self.short_message,
                *(struct.pack(">HH", tag, len(value)) + value for tag, value in self.tlvs),
            )
        )

    @classmethod
    def decode(cls, body: bytes) -> ShortMessage:
        """Read a body. Strings longer than the specification allows are let pass. Raises PduError."""
        read = _Reader(body)
        service_type = read.text()
        source_ton, source_npi, source = read.octet(), read.octet(), read.text()
        destination_ton, destination_npi, destination = read.octet(), read.octet(), read.text()
        esm_class, protocol_id, priority = read.octets(3)
        schedule, validity = read.text(), read.text()
        registered_delivery, replace_if_present, data_coding, default_message = read.octets(4)
        short_message = read.octets(read.octet())
        return cls(
            service_type=service_type,
            source_ton=source_ton,
            source_npi=source_npi,
            source=source,
            destination_ton=destination_ton,
            destination_npi=destination_npi,
            destination=destination,
            esm_class=esm_class,
            protocol_id=protocol_id,
            priority=priority,
            schedule=schedule,
            validity=validity,
            registered_delivery=registered_delivery,
            replace_if_present=replace_if_present,
            data_coding=data_coding,
            default_message=default_message,
            short_message=short_message,
            tlvs=read.tlvs(),
        )

    def tlv(self, tag: Tag) -> bytes | None:
        """The first optional parameter with this tag."""
        return next((value for found, value in self.tlvs if found == tag), None)

    def number(self, tag: Tag) -> int | None:
        """The same, as an unsigned number."""
        value = self.tlv(tag)
        return int.from_bytes(value) if value else None

    @property
    def words(self) -> bytes:
        """The octets of the message, wherever they travel: short_message, else message_payload (section 5.3.2.32)."""
        return self.short_message or self.tlv(Tag.MESSAGE_PAYLOAD) or b""


def bind_body(system_id: str, password: str, system_type: str) -> bytes:
    """The body of bind_transceiver (section 4.1.5): interface version 3.4, no address range. Raises PduError."""
    names = c_octets(system_id, 16, "system_id") + c_octets(password, 9, "password")
    return names + c_octets(system_type, 13, "system_type") + bytes((0x34, 0, 0)) + b"\0"


def message_id_of(body: bytes) -> str:
    """The message_id of a submit_sm_resp (section 4.4.2); empty when the centre gave none."""
    return body.split(b"\0", 1)[0].decode("latin-1")


def absolute_time(moment: datetime) -> str:
    """An instant in the absolute format (section 7.1.1.1), in UTC, to the second below."""
    return f"{moment.astimezone(UTC):%y%m%d%H%M%S}000+"


def relative_time(span: timedelta) -> str:
    """A span in the relative format (section 7.1.1.2), to the second below; at most 30 days, since a longer one would
    need months, whose length is not said."""
    seconds = int(min(span, timedelta(days=30)).total_seconds())
    days, rest = divmod(max(seconds, 0), 86_400)
    return f"0000{days:02d}{rest // 3600:02d}{rest // 60 % 60:02d}{rest % 60:02d}000R"


@dataclass(frozen=True, slots=True, kw_only=True)
class Receipt:
    """What a delivery receipt says. `word` is the state as the centre wrote it; `error` and `done` (the centre's own
    clock, zone unknown) as written; `number` is whom our message was for; `our_reference` the user_message_reference
    that we gave, if it came back."""

    state: ReportState
    word: str
    id: str | None
    error: str | None
    done: str | None
    number: str
    our_reference: int | None


# message_state (section 5.2.28). ACCEPTED and UNKNOWN are not the end of it.
_STATES = {
    1: "ENROUTE",
    2: "DELIVRD",
    3: "EXPIRED",
    4: "DELETED",
    5: "UNDELIV",
    6: "ACCEPTD",
    7: "UNKNOWN",
    8: "REJECTD",
}
_FAILED = ("UNDEL", "EXPIR", "DELET", "REJEC")
_KEYS = r"id|sub|dlvrd|submit[ _]?date|done[ _]?date|stat|err"
_FIELD = re.compile(rf"(?<![a-z])({_KEYS})\s*:\s*(?!(?:{_KEYS})\s*:)(\S*)", re.IGNORECASE)
_OUR_WORDS = re.compile(r"(?<![a-z])text\s*:", re.IGNORECASE)
_RECEIPT_CLASSES = (0x04, 0x20)
_IN_DEFAULT_ALPHABET = bytes.maketrans(b"\x00\x02\x11", b"@$_")
"""TS 23.038 section 6.2.1: the ASCII signs that the default alphabet has where ASCII has control characters."""
_INTERMEDIATE = 0x20


def read_receipt(message: ShortMessage) -> Receipt | None:
    """The receipt in a deliver_sm, or None when it carries somebody's words.

    The optional parameters win over the text of appendix B, which centres write in many ways: any case, seconds in the
    dates, fields left out. A message without the receipt class of esm_class (section 5.2.12) is a receipt only if it
    has a receipted_message_id.
    """
    kind = message.esm_class & 0x3C
    named = message.tlv(Tag.RECEIPTED_MESSAGE_ID)
    if kind not in _RECEIPT_CLASSES and named is None:
        return None
    fields: dict[str, str] = {}
    coding = UCS2 if message.data_coding == UCS2 else LATIN_1  # an id's "_" is not the "§" of the default alphabet
    octets = message.words
    if message.data_coding in (0, IA5):  # centres write either alphabet under either name; both must give the id
        octets = octets.rstrip(b"\0").translate(_IN_DEFAULT_ALPHABET)
    said = _OUR_WORDS.split(text_of(octets, coding), maxsplit=1)[0]  # our words could look like fields
    for key, value in _FIELD.findall(said):
        if value:
            fields.setdefault(re.sub(r"[ _]", "", key.lower()), value)
    word = _STATES.get(message.number(Tag.MESSAGE_STATE) or 0) or fields.get("stat", "").upper() or "no state"
    state = ReportState.UNDERWAY
    if kind != _INTERMEDIATE and word.startswith("DELIV"):
        state = ReportState.DELIVERED
    elif kind != _INTERMEDIATE and word.startswith(_FAILED):
        state = ReportState.FAILED
    network_error = message.tlv(Tag.NETWORK_ERROR_CODE)
    return Receipt(
        state=state,
        word=word,
        id=(named.split(b"\0", 1)[0].decode("latin-1").strip() if named else "") or fields.get("id"),
        error=fields.get("err") or (str(int.from_bytes(network_error[1:])) if network_error else None),
        done=fields.get("donedate"),
        number=message.source,
        our_reference=message.number(Tag.USER_MESSAGE_REFERENCE),
    )
