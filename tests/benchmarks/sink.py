"""A mail server that takes every mail and keeps none. Listens on the port given; ends when its input ends."""

from __future__ import annotations

import sys

from aiosmtpd.controller import Controller


class Taken:
    """Says yes to everything."""

    async def handle_DATA(self, *_: object) -> str:
        """Take one mail."""
        return "250 taken"


controller = Controller(Taken(), hostname="127.0.0.1", port=int(sys.argv[1]))
controller.start()
print("ready", flush=True)
sys.stdin.read()
controller.stop()
