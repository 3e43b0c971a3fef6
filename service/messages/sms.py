"""How many parts does a phone text take, which character makes it dear, and where is it cut?

The tables and the counting are in `service/domain/text_alphabet.py`, since transports need them too. What is counted
here uses no national shift tables, because handsets support them unevenly (our choice).
"""

from __future__ import annotations

from service.domain.text_alphabet import (
    BASIC,
    EXTENSION,
    MOST_PARTS,
    Alphabet,
    PartCount,
    count_parts,
    split,
)

__all__ = ["BASIC", "EXTENSION", "MOST_PARTS", "Alphabet", "PartCount", "count_parts", "split"]
