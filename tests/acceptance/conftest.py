"""What a run of these tests says at its end: how many processes it killed."""

from __future__ import annotations

import pytest
from acceptance.scenarios import KILLS, SEED


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if sum(KILLS):
        terminalreporter.write_line(f"{sum(KILLS)} processes were killed by SIGKILL while they sent; seed {SEED}")
