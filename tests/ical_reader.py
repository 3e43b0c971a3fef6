"""A second implementation of calendars: ical.js on Node, which the fixture `read_by_node` runs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

READER = Path(__file__).parent / "ical_js"
Reader = Callable[..., list[dict[str, Any]]]
"""Calendar files in, all in one go; what ical.js read out."""
