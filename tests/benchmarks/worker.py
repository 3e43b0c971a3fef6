"""One worker of the benchmark: waits for a line, then sends everything due.

usage: worker.py URL OWNER [PORT CONNECTIONS]

With a port it hands over to the mail server there, else to a transport that says yes at once.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent), str(HERE.parents[1])]

from builders import StoppedClock, a_service
from sending import DUE, NoOp

from service.delivery.dispatch import send_due
from service.domain.contact import Channel
from service.ops.pump import BATCH
from service.transports.port import Transport
from service.transports.smtp import SmtpTransport

url, owner, *place = sys.argv[1:]
services, _ = a_service(url, clock=StoppedClock(DUE + timedelta(seconds=2)), approve=())
carrying: Mapping[Channel, Transport] = {Channel.TEXT: NoOp()}
if place:
    port, connections = map(int, place)
    options = {"host": "127.0.0.1", "port": port, "security": "none", "connections": connections}
    carrying = {Channel.EMAIL: SmtpTransport.from_options(options)}
services.transports = carrying
print("ready", flush=True)
sys.stdin.readline()
while send_due(services, owner, BATCH).claimed:
    pass
for transport in carrying.values():
    transport.close()
