"""One worker of the benchmark: sends everything due through a transport that says yes at once.

usage: worker.py URL OWNER
"""

from __future__ import annotations

import sys
from datetime import timedelta
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1])]

from builders import StoppedClock, a_service
from sending import DUE, NoOp

from service.delivery.dispatch import send_due
from service.domain.contact import Channel

services, _ = a_service(sys.argv[1], clock=StoppedClock(DUE + timedelta(seconds=2)), approve=())
services.transports = {Channel.TEXT: NoOp()}
while send_due(services, sys.argv[2], 50).claimed:
    pass
