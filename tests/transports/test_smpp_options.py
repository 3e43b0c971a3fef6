"""The options of the SMPP transport, each named when it is wrong."""

from __future__ import annotations

import pytest
from smpp_peer import (
    GIVEN,
)

from service.errors import TransportError
from service.transports.port import Options, load_transport
from service.transports.smpp import SmppTransport


def test_the_transport_is_found_by_its_name() -> None:
    transport = load_transport("smpp", GIVEN)
    assert isinstance(transport, SmppTransport)
    transport.close()


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"windw": 1}, "option windw is not known; allowed: host"),
        ({"host": ""}, "option host must be given"),
        ({"system_id": "s" * 16}, "option system_id must be at most 15"),
        ({"password": "p" * 9}, "option password must be at most 8"),
        ({"system_type": "t" * 13}, "option system_type must be at most 12"),
        ({"port": 0}, "option port must be from 1 to 65535"),
        ({"window": 0}, "option window must be from 1 to 1000"),
        ({"window": "3"}, "option window must be a whole number"),
        ({"enquire_link": 0}, "option enquire_link must be from 1 to 3600"),
        ({"response_timeout": 301}, "option response_timeout must be from 1 to 300"),
        ({"throughput": -1}, "option throughput must be from 0 to"),
        ({"concatenation": "both"}, "option concatenation must be udh, sar or payload"),
        ({"validity": "none"}, "option validity must be absolute or relative"),
        ({"tls": "perhaps"}, "option tls must be yes or no"),
        ({"tls": "yes", "tls_ca": "nowhere.pem"}, "option tls_ca: nowhere.pem cannot be read"),
        ({"source": "Larkfield Ear Care"}, "option source must be a number"),
        ({"source": "+44x"}, "option source must be a number"),
        ({"source": "Öhr"}, "option source must be a number"),
        ({"source_ton": 7}, "option source_ton must be from 0 to 6"),
        ({"data_coding_default": 256}, "option data_coding_default must be from 0 to 255"),
        ({"national_shift": True, "concatenation": "sar"}, "option national_shift needs concatenation udh"),
    ],
)
def test_a_wrong_option_is_named_with_what_is_allowed(options: Options, sentence: str) -> None:
    with pytest.raises(TransportError, match=sentence):
        SmppTransport.from_options(GIVEN | dict(options))


@pytest.mark.parametrize(
    ("source", "ton", "npi"), [("+447700900999", 1, 1), ("Larkfield", 5, 0), ("60777", 0, 0), ("", 0, 0)]
)
def test_the_kind_of_sender_follows_from_the_sender(source: str, ton: int, npi: int) -> None:
    read = SmppTransport.from_options(GIVEN | {"source": source})._options
    assert (read.source_ton, read.source_npi) == (ton, npi)
    told = SmppTransport.from_options(GIVEN | {"source": source, "source_ton": 3, "source_npi": 9})._options
    assert (told.source_ton, told.source_npi) == (3, 9)
