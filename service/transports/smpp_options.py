"""Which options does the SMPP transport have, and what may stand in them?"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from service.errors import TransportError
from service.transports.port import Options, option_number, option_text
from service.transports.smpp_pdu import NPI_E164, TON_ALPHANUMERIC, TON_INTERNATIONAL


@dataclass(frozen=True, slots=True, kw_only=True)
class SmppOptions:
    """What `SmppTransport.from_options` reads; the names are those of the options, times are in seconds."""

    host: str
    port: int = 2775
    system_id: str
    password: str = field(repr=False)
    system_type: str = ""
    source: str = ""
    source_ton: int = 0
    source_npi: int = 0
    tls: bool = False
    tls_ca: str = ""
    window: int = 1
    enquire_link: int = 30
    response_timeout: int = 60
    throughput: int = 10
    concatenation: str = "udh"
    national_shift: bool = False
    data_coding_default: int = 0
    validity: str = "absolute"
    unknown_subscriber_errors: frozenset[str] = frozenset()


def read_options(options: Options) -> SmppOptions:
    """Every option checked. Raises TransportError naming the one that is wrong."""
    known = [each.name for each in fields(SmppOptions)]
    for name in options:
        if name not in known:
            raise TransportError(f"option {name} is not known; allowed: {', '.join(known)}")
    source, ton, npi = _source(options)
    codes = _text(options, "unknown_subscriber_errors", "").split(",")
    return SmppOptions(
        host=option_text(options, "host"),
        port=_number(options, "port", 1, 65535),
        system_id=option_text(options, "system_id"),
        password=_text(options, "password"),
        system_type=_text(options, "system_type", ""),
        source=source,
        source_ton=ton,
        source_npi=npi,
        tls=_flag(options, "tls"),
        tls_ca=_text(options, "tls_ca", ""),
        window=_number(options, "window", 1, 1000),
        enquire_link=_number(options, "enquire_link", 1, 3600),
        response_timeout=_number(options, "response_timeout", 1, 300),
        throughput=_number(options, "throughput", 0, 10_000),
        concatenation=_choice(options, "concatenation", ("udh", "sar", "payload")),
        national_shift=_national(options),
        data_coding_default=_number(options, "data_coding_default", 0, 255),
        validity=_choice(options, "validity", ("absolute", "relative")),
        unknown_subscriber_errors=frozenset(plain_code(code.strip()) for code in codes if code.strip()),
    )


def plain_code(code: str | None) -> str:
    """An error code as it is compared: centres differ in case and in leading zeros."""
    return (code or "").upper().lstrip("0") or "0"


def _source(options: Options) -> tuple[str, int, int]:
    source = _text(options, "source", "")
    digits = source.removeprefix("+").isdigit() and source.isascii()
    ton, npi = 0, 0
    if source.startswith("+"):
        ton, npi = TON_INTERNATIONAL, NPI_E164
    elif source and not digits:
        ton = TON_ALPHANUMERIC
    fits = source.isascii() and source.isprintable() and len(source) <= 20
    if (source.startswith("+") and not digits) or not fits or (ton == TON_ALPHANUMERIC and len(source) > 11):
        raise TransportError("option source must be a number, with plus if international, or at most 11 plain letters")
    return source, _number(options, "source_ton", 0, 6, ton), _number(options, "source_npi", 0, 18, npi)


def _national(options: Options) -> bool:
    wanted = _flag(options, "national_shift")
    if wanted and options.get("concatenation", "udh") != "udh":
        raise TransportError("option national_shift needs concatenation udh, since the table is named in that header")
    return wanted


def _text(options: Options, name: str, default: str | None = None) -> str:
    return "" if options.get(name, default) == "" else option_text(options, name, default)


def _number(options: Options, name: str, least: int, most: int, default: int | None = None) -> int:
    value = option_number(options, name, int(_DEFAULTS[name]) if default is None else default)
    if not least <= value <= most:
        raise TransportError(f"option {name} must be from {least} to {most}")
    return value


def _flag(options: Options, name: str) -> bool:
    value = {"yes": True, "no": False}.get(str(options.get(name, False)).lower(), options.get(name, False))
    if not isinstance(value, bool):
        raise TransportError(f"option {name} must be yes or no")
    return value


def _choice(options: Options, name: str, allowed: tuple[str, ...]) -> str:
    value = option_text(options, name, str(_DEFAULTS[name]))
    if value not in allowed:
        raise TransportError(f"option {name} must be {', '.join(allowed[:-1])} or {allowed[-1]}")
    return value


_DEFAULTS: Mapping[str, Any] = {each.name: each.default for each in fields(SmppOptions)}
