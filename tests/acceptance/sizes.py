"""How large is each test? An ordinary run is small; `--full` asks for the sizes that the tests were written down with."""

from __future__ import annotations

SIZES = {
    # what: (usual, full)
    "A1 messages": (1000, 1000),
    "A2 messages": (60, 200),
    "A3 messages": (150, 500),
    "A3 messages of a long pass": (12, 100),
    "A5 seconds": (6, 60),
    "A6 messages": (10_000, 100_000),
    "A6 messages sent": (100, 20_000),
    "A6 seconds": (3, 60),
    "A7 kills of forked workers": (124, 40),
    "A7 kills of the command": (2, 10),
    "A8 messages": (400, 2000),  # enough to be under way still when the database goes away
    "A8 seconds away, PostgreSQL": (5, 60),
    "A8 seconds away, SQLite": (11, 60),  # longer than the ten that a writer waits there
    "A9 messages": (100_000, 1_000_000),
    "A11 messages": (120, 10_000),
    "A11 workers": (2, 4),
    "A11 times frozen": (2, 20),
    "E3 kills of one of 2": (50, 1000),
    "E3 kills of one of 8": (300, 1000),
    "E4 kills": (25, 1000),
    "E4 messages": (32, 200),
    "misbehaving, messages of each play": (8, 100),
    "disk full, messages": (60, 1000),
    "patience, seconds": (240, 3600),  # after which a test has failed; never waited for when all is well
}

_FULL = [False]


def choose(*, full: bool) -> None:
    """Which of the two is meant from now on; said once, before the tests are collected."""
    _FULL[0] = full


def size(what: str) -> int:
    """How many, by which run this is."""
    usual, full = SIZES[what]
    return full if _FULL[0] else usual
