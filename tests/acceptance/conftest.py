"""What size a run of these tests has, and what it says at its end: how many processes it killed."""

from __future__ import annotations

import pytest
from acceptance import sizes
from acceptance.scenarios import KILLS, SEED


def pytest_configure(config: pytest.Config) -> None:
    sizes.choose(full=config.getoption("--full"))


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if sum(KILLS):
        terminalreporter.write_line(f"{sum(KILLS)} processes were killed by SIGKILL while they sent; seed {SEED}")
